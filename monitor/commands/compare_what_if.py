"""``compare BATCH --as-if blanket --in January``: where a good batch of the same recipe would run otherwise covered, in
other air, beside what was read."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING

from monitor.commands import YES
from monitor.commands.common import CommandError, print_json, say, shown
from monitor.commands.plan_expected import good_band
from monitor.commands.taught import Taught, taught_now
from monitor.commands.which import journal_of_batches
from monitor.curve import finite
from monitor.domain import INSULATIONS, Vessel
from monitor.judgement.history_words import based_on, learned_from
from monitor.seasons.groups import COVER_WORDS
from monitor.seasons.story import Story
from monitor.seasons.table import row_of
from monitor.settings import Settings
from monitor.trade.amounts import parse_temperature_c
from monitor.trade.making import cautions_for
from monitor.trade.planning import ExpectedBand, outlook
from monitor.words import mark, quantity, tr, trn

if TYPE_CHECKING:  # its libraries are heavy
    from monitor.heat.priors import History

# When it is worth a look, hours after blending, and finer, for the peak and what is to be feared.
_SHOWN_H = (1 / 3, 1.0, 2.0, 4.0, 8.0, 12.0, 24.0)
_FINE_MIN = (0, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 180)
# A chance of boiling over from which on it is said: one in fifty.
_SAID_FROM = 0.02
# A reading so far from the moment asked for is not the one.
_NEAR_S = 900.0
_MONTHS = (
    mark("January"), mark("February"), mark("March"), mark("April"), mark("May"), mark("June"), mark("July"),
    mark("August"), mark("September"), mark("October"), mark("November"), mark("December"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Way:
    """One way of making it, and where a good batch runs then; ``from_batches`` counts those that tell the air, and
    ``history`` is what earlier batches taught of it."""

    insulation: str
    air_c: float
    mix_c: float
    band: ExpectedBand
    too_hot: float
    from_batches: int = 0
    history: History | None = None


def add_what_if(parser: argparse.ArgumentParser) -> None:
    """The options."""
    parser.add_argument(
        "--as-if", choices=INSULATIONS, metavar=tr("COVER"),
        help=tr("what this recipe would do bare, under a blanket or in a box: bare, blanket, box"),
    )  # fmt: skip
    parser.add_argument(
        "--in", dest="month", metavar=tr("MONTH"), help=tr("with --as-if: in the air of your batches of that month")
    )
    parser.add_argument("--air", metavar=tr("DEGREES"), help=tr("with --as-if: in air of so many degrees: 2C"))
    parser.add_argument("--mix", metavar=tr("DEGREES"), help=tr("with --as-if: poured at so many degrees: 48C"))


def refuse_idle(args: argparse.Namespace) -> None:
    """What goes with --as-if alone is most likely a slip without it."""
    for option, given in (("--in", args.month), ("--air", args.air), ("--mix", args.mix)):
        if given is not None:
            raise CommandError(tr("{option} goes with --as-if: bare, blanket or box.", option=option))


def what_if(args: argparse.Namespace, settings: Settings, stories: list[Story]) -> int:
    """Work it out and print it."""
    for option in ("by", "csv", "parquet", "report"):
        if getattr(args, option) is not None:
            raise CommandError(tr("--{option} does not go with --as-if.", option=option))
    if len(stories) != 1:
        raise CommandError(tr("Name one batch for --as-if; {n} are meant here.", n=len(stories)))
    (story,) = stories
    if story.mass_kg is None:
        raise CommandError(
            tr("Not everything in {batch} was weighed, so nothing can be reckoned for it: note what was weighed first, "
               "emberpail record --help.", batch=story.name)
        )  # fmt: skip
    air_c, from_batches = _air(args, settings, story)
    mix_c = story.pour_c if args.mix is None else parse_temperature_c(args.mix, tr("the mix"))
    if mix_c is None:
        raise CommandError(
            tr("Nobody noted how warm {batch} was poured: say it with --mix 48C.", batch=story.name)
        )
    taught = taught_now(settings)
    tried = _way(story, settings, taught, args.as_if, air_c, mix_c, from_batches)
    made_air_c = row_of(story).air_c
    made = None
    if made_air_c is not None and story.pour_c is not None:
        made = _way(story, settings, taught, story.vessel.insulation, made_air_c, story.pour_c)
    if args.json:
        print_json({"batch": story.name, "as_if": _values(tried), "as_made": None if made is None else _values(made)})
    else:
        _print(settings, story, tried, made)
    return YES


def _way(  # noqa: PLR0917
    story: Story, settings: Settings, taught: Taught, insulation: str, air_c: float, mix_c: float, from_batches: int = 0
) -> _Way:
    after_s = sorted({*(3600.0 * hours for hours in _SHOWN_H), *(60.0 * minute for minute in _FINE_MIN)})
    vessel = Vessel(story.vessel.litres, insulation)
    history = taught.history(story.bucket, vessel, story.maker)
    band = good_band(story.recipe, vessel, settings.place(), air_c, mix_c, after_s, history)
    too_hot = outlook(band, settings.place().too_hot_c).too_hot
    return _Way(insulation, air_c, mix_c, band, too_hot, from_batches, history)


# ---- the air -------------------------------------------------------------------------------------------------------


def _air(args: argparse.Namespace, settings: Settings, story: Story) -> tuple[float, int]:
    """The air to reckon with, and how many batches tell it (0: it was typed, or is this batch's own)."""
    if args.air is not None and args.month is not None:
        raise CommandError(tr("Give --air or --in, not both."))
    if args.air is not None:
        return parse_temperature_c(args.air, tr("the air")), 0
    if args.month is not None:
        return _air_of(_month(args.month), settings)
    own_c = row_of(story).air_c
    if own_c is None:
        raise CommandError(tr("No air was read in {batch}: say it with --air 2C, or --in January.", batch=story.name))
    return own_c, 0


def _month(text: str) -> int:
    """1 to 12 from its name or number."""
    plain = text.strip().casefold()
    if plain.isascii() and plain.isdigit() and 1 <= int(plain) <= 12:
        return int(plain)
    for number, name in enumerate(_MONTHS, 1):
        if len(plain) >= 3 and any(one.casefold().startswith(plain) for one in (name, tr(name))):
            return number
    raise CommandError(tr("{text} is no month: write January, jan or 1.", text=shown(text)))


def _air_of(month: int, settings: Settings) -> tuple[float, int]:
    from monitor.comparing import stories_of

    with journal_of_batches(settings) as journal:
        records = [one for one in journal.batches() if settings.local_time(one.batch.started_s).month == month]
        airs = [row_of(story).air_c for story in stories_of(journal, records, settings.local_time)]
    read = [air_c for air_c in airs if air_c is not None]
    if not read:
        raise CommandError(
            tr("No batch of yours was begun in {month} with a probe in the air: say the air with --air 2C.",
               month=tr(_MONTHS[month - 1]))
        )  # fmt: skip
    return fmean(read), len(read)


# ---- what is told --------------------------------------------------------------------------------------------------


def _print(settings: Settings, story: Story, tried: _Way, made: _Way | None) -> None:
    say(_headline(story.name, tried))
    if tried.from_batches:
        say(trn("The air is the mean of {n} batch of yours begun in that month.",
                "The air is the mean of {n} batches of yours begun in that month.", tried.from_batches))  # fmt: skip
    if made is not None:
        say(tr("Beside it what was to be expected as it was made: {way}.", way=_told(made)))
    say()
    for hours in _SHOWN_H:
        after_s = 3600.0 * hours
        parts = [tr("so: {range}", range=_at(tried.band, after_s))]
        if made is not None:
            parts.append(tr("as made: {range}", range=_at(made.band, after_s)))
        read_c = _read(story, after_s)
        if read_c is not None:
            parts.append(tr("read: {figure}", figure=quantity(read_c, "degC")))
        when = tr("{minutes:.0f} min", minutes=60.0 * hours) if hours < 1.0 else tr("{hours:.0f} h", hours=hours)
        say(" · ".join(parts), f"  {when:>6}  ", "          ")
    say()
    if tried.band.peak_c is not None:
        low, middle, high = tried.band.peak_c
        say(tr("Expected peak {peak}; that is where good batches of this recipe run, 9 of 10 within the range.",
               peak=_ranged(low, middle, high)))  # fmt: skip
    if tried.history is not None:
        say(based_on(tried.history))
    too_hot_c = settings.place().too_hot_c
    if tried.too_hot >= _SAID_FROM:
        say(
            tr(
                "It may go above {limit:degC} ({percent:.0f} of 100 or more): then hot caustic boils over. Pour it "
                "cooler, or leave it bare until it falls.",
                limit=too_hot_c,
                percent=100.0 * tried.too_hot,
            )
        )
    for caution in cautions_for("pour", emergency_number=settings.site.emergency_number):
        say(caution, "! ")


def _headline(name: str, way: _Way) -> str:
    return tr("The recipe of {batch} {way}: what a good batch would do.", batch=name, way=_told(way))


def _told(way: _Way) -> str:
    return tr(
        "{cover}, poured at {mix:degC} in air of {air:degC}",
        cover=tr(COVER_WORDS[way.insulation]), mix=way.mix_c, air=way.air_c,
    )  # fmt: skip


def _at(band: ExpectedBand, after_s: float) -> str:
    place = band.after_blend_s.index(after_s)
    return _ranged(band.low_c[place], band.median_c[place], band.high_c[place])


def _ranged(low_c: float, middle_c: float, high_c: float) -> str:
    low, high = (quantity(edge, "deg") for edge in (low_c, high_c))
    return tr("{middle:degC} ({low} to {high})", middle=middle_c, low=low, high=high)


def _read(story: Story, after_s: float) -> float | None:
    """What the core showed so long after the blend, by the nearest reading."""
    if story.blended_s is None:
        return None
    at_s = story.blended_s + after_s
    near = min(finite(story.core), key=lambda point: abs(point[0] - at_s), default=None)
    return near[1] if near is not None and abs(near[0] - at_s) <= _NEAR_S else None


def _values(way: _Way) -> dict[str, object]:
    return {
        "insulation": way.insulation, "air_c": way.air_c, "air_from_batches": way.from_batches, "mix_c": way.mix_c,
        "after_blend_s": list(way.band.after_blend_s), "low_c": list(way.band.low_c),
        "median_c": list(way.band.median_c), "high_c": list(way.band.high_c), "chance_too_hot": way.too_hot,
        "peak_c": None if way.band.peak_c is None else list(way.band.peak_c), "learned_from": learned_from(way.history),
    }  # fmt: skip
