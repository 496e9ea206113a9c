"""``compare``: batches laid over each other, in figures and curves, and whether groups of them differ."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.batches import add_filters, fits_of
from monitor.commands.common import CommandError, now_s, parser_for, print_json, say, settings_of, shown, warn
from monitor.commands.compare_what_if import add_what_if, refuse_idle, what_if
from monitor.commands.which import batch_called, journal_of_batches
from monitor.finding import found_in
from monitor.seasons.curves import ALIGNED, HOURS, POURED
from monitor.seasons.differences import MEASURES, Compared, compared
from monitor.seasons.groups import BY, BY_WORDS, group_of
from monitor.seasons.mixed import LibraryMissing
from monitor.seasons.sentences import mean_words, sentences
from monitor.seasons.story import Story
from monitor.seasons.table import Row, range_note, rows_of
from monitor.settings import Settings
from monitor.words import DATE, TIME, tr, trn, when


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "compare", tr("lay batches over each other, and say whether groups of them differ"),
        'emberpail compare --by season --of completeness --report seasons.html',
        description=tr(
            "Lay batches of the journal, or recordings (NAME.rec), over each other: a line of figures for each, the "
            "curves as a report, and the difference between groups with its range."
        ),
    )  # fmt: skip
    parser.add_argument("batches", nargs="*", help=tr("batches, numbers, buckets or NAME.rec (default: all batches)"))
    add_filters(parser)
    parser.add_argument("--by", choices=BY, help=tr("hold groups against each other"))
    parser.add_argument(
        "--of", choices=tuple(MEASURES), default="completeness", help=tr("in what (default: completeness)")
    )
    parser.add_argument("--zero", choices=ALIGNED, default=POURED, help=tr("from where the hours are counted"))
    parser.add_argument(
        "--hours", type=hours_typed, default=float(HOURS[0]), metavar=tr("HOURS"),
        help=tr("for how long the report shows the curves (default: 12; 0 for all of it)"),
    )  # fmt: skip
    parser.add_argument(
        "--anew", action="store_true", help=tr("judge the readings once more as this version does (seconds a batch)")
    )
    add_what_if(parser)
    parser.add_argument("--report", metavar="FILE.html", help=tr("write a report with the curves, to print or keep"))
    parser.add_argument("--csv", metavar="FILE.csv", help=tr("write the figures, and the curves beside them"))
    parser.add_argument("--parquet", metavar="FILE.parquet", help=tr("the same as Parquet"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run, outcome=None, words=[])


def hours_typed(text: str) -> float:
    """A number of hours from 0 to 1000; argparse says what it raises."""
    try:
        hours = float(text.strip().removesuffix("h").replace(",", "."))
    except ValueError:
        hours = -1.0
    if not 0.0 <= hours <= 1000.0:
        raise argparse.ArgumentTypeError(tr("{text} is no number of hours from 0 to 1000", text=shown(text)))
    return hours


def run(args: argparse.Namespace) -> int:
    """Compare and print; 1 when no batch fits."""
    settings = settings_of(args)
    stories = _stories(args, settings)
    if args.as_if is not None:
        return what_if(args, settings, stories)
    refuse_idle(args)
    if not stories:
        if args.json:
            print_json({"batches": [], "difference": None})
        else:
            say(tr("No batch fits."))
        return NO
    rows = rows_of(stories)
    found, missing = _held(rows, args)
    wrote = _write(args, settings, stories, rows, found)
    if args.json:
        print_json({"batches": [_values(row, args.by) for row in rows], "difference": _difference(found, missing)})
    else:
        _print(rows, args.by, found)
        for path in wrote:
            say(tr("Written: {path}", path=path))
    if missing:
        warn(missing)
    return YES


def _stories(args: argparse.Namespace, settings: Settings) -> list[Story]:
    """The batches meant, the oldest first."""
    from monitor.comparing import recorded, stories_of, worked_out

    paths = [Path(text) for text in args.batches if text.endswith(".rec")]
    names = [text for text in args.batches if not text.endswith(".rec")]
    stories = [recorded(path, settings) for path in paths]
    if names or not paths:
        fits = fits_of(args, settings)
        with journal_of_batches(settings) as journal:
            records = [batch_called(journal, name) for name in names] or journal.batches()
            records = [record for record in records if fits(found_in(journal, record))]
            for record in records:
                (story,) = stories_of(journal, [record], settings.local_time)
                # One that came without estimates (out of another journal), or ended without a verdict, has readings at
                # least.
                unjudged = not story.done or (story.completeness is None and not story.running)
                anew = args.anew or (story.core and unjudged)
                stories.append(worked_out(journal, record, settings) if anew else story)
    unique = {story.name: story for story in stories}
    if len(unique) < len(stories) and paths:
        raise CommandError(tr("Two of these are called the same; name each batch once."))
    return sorted(unique.values(), key=lambda story: (story.started_s, story.name))


def _held(rows: list[Row], args: argparse.Namespace) -> tuple[Compared | None, str]:
    """The groups held against each other; a sentence where the library for it is missing."""
    if args.by is None:
        return None, ""
    try:
        return compared(rows, args.by, args.of), ""
    except LibraryMissing as error:
        return None, str(error)


def _write(
    args: argparse.Namespace, settings: Settings, stories: list[Story], rows: list[Row], found: Compared | None
) -> list[Path]:
    """The files asked for; which they are."""
    from monitor.commands import compare_files as files

    wrote: list[Path] = []
    if args.csv is not None:
        wrote += files.write_csv(Path(args.csv), stories)
    if args.parquet is not None:
        wrote += files.write_parquet(Path(args.parquet), stories)
    if args.report is not None:
        from monitor.page.compare_report import report_html

        now = settings.local_time(now_s())
        made = f"{when(now.date(), DATE)} {when(now, TIME)}"
        held = [] if found is None else [found]
        html = report_html(
            stories, rows, held, zero=args.zero, hours=args.hours, by=args.by, place=settings.site.name, made=made
        )
        files.write_text(Path(args.report), html)
        wrote.append(Path(args.report))
    return wrote


def _print(rows: list[Row], by: str | None, found: Compared | None) -> None:
    for row in rows:
        story = row.story
        group = group_of(story, by) if by else ""
        say(" · ".join(filter(None, (story.name, story.bucket, group))), "", "    ")
        told = [f"{what} {value}" for what, value in row.cells() if value != "–"]
        say(" · ".join(told), "    ")
    say(" ".join(filter(None, (trn("{n} batch.", "{n} batches.", len(rows)), range_note(rows)))))
    if found is None:
        return
    say()
    say(tr("By {by}: {measure}", by=tr(BY_WORDS[found.by]), measure=tr(MEASURES[found.measure][1])))
    for one in found.groups:
        counted = trn("{n} batch", "{n} batches", one.count)
        say("  ".join(filter(None, (one.name, counted, mean_words(one, found.measure)))), "    ")
    for sentence in sentences(found):
        say(sentence, "- ")


def _values(row: Row, by: str | None) -> dict[str, object]:
    story = row.story

    def pair(name: str, found: tuple[float, float] | None) -> dict[str, float | None]:
        value, sd = (None, None) if found is None else found
        stem, _, unit = name.rpartition("_")
        sd_name = f"{stem}_sd_{unit}" if stem and unit in ("k", "s") else f"{name}_sd"
        return {name: value, sd_name: sd}

    return {
        "batch": story.name, "bucket": story.bucket, "started_s": story.started_s, "state": story.state,
        "group": group_of(story, by) if by else None, "peak_c": row.peak_c, "peak_after_s": row.peak_after_s,
        "peak_is_at_least": row.at_least, "above_60c_s": row.warm_s, "above_60c_is_at_least": row.warm_at_least,
        **pair("completeness", story.completeness), "completeness_at": story.completeness_at,
        **pair("tested_completeness", story.tested), "tested_is_at_most": story.tested_at_most,
        **pair("self_heating_k", story.self_heating),
        **pair("cooling_time_constant_s", story.time_constant_s), "yield_litres": story.yield_litres,
        "yield_kg": story.yield_kg, "learned_from": story.learned_from, "alarms": list(story.alarms),
    }  # fmt: skip


def _difference(found: Compared | None, missing: str) -> dict[str, object] | None:
    if found is None:
        return {"error": missing} if missing else None
    return {
        "by": found.by, "of": found.measure, "level": found.level,
        "groups": [{"group": one.name, "batches": one.count, "mean": one.mean} for one in found.groups],
        "differences": [
            {
                "group": one.group, "against": one.base, "value": one.estimated.value,
                # JSON has no infinite number.
                "low": None if one.unranged else one.estimated.low,
                "high": None if one.unranged else one.estimated.high,
                "p": None if one.unranged else one.estimated.p, "method": one.estimated.method,
                "driver": None if one.driver is None else one.driver.name,
            }
            for one in found.differences
        ],
        "says": sentences(found),
    }  # fmt: skip
