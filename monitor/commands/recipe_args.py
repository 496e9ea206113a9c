"""The recipe as typed on a command line or asked for at the terminal, shared by ``plan`` and ``start``."""

from __future__ import annotations

import argparse
import dataclasses
import re
from datetime import date

from monitor.commands.common import CommandError, meant, shown, warn
from monitor.commands.prompts import YES_WORDS, ask, without_accents
from monitor.domain import INSULATIONS, OilShare, Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import (
    parse_blend,
    parse_mass_kg,
    parse_oil,
    parse_opened,
    parse_purity,
    parse_volume_l,
    parse_water_kg,
)
from monitor.trade.filled import NO_DOUBTS, Doubts
from monitor.trade.oils import which_rapeseed_is_open
from monitor.trade.recipe import LyeBalance, check_recipe, lye_balance
from monitor.words import tr

# Said with this much certainty, a recipe is lye-heavy "beyond doubt" and is refused unless told why.
BEYOND_DOUBT = 0.95
# More kinds of oil than anybody mixes.
_MOST_OILS = 12


def add_recipe(parser: argparse.ArgumentParser) -> None:
    """The options of a recipe and its vessel."""
    amount, mass, share = tr("AMOUNT"), tr("MASS"), tr("SHARE")
    parser.add_argument(
        "--oil", action="append", default=[], metavar=amount,
        help=tr('an oil as weighed or measured: "sunflower 4.2 kg"; once for each oil'),
    )  # fmt: skip
    parser.add_argument("--koh", metavar=mass, help=tr("potash as weighed, with its unit: 850g, or 1 lb 14 oz"))
    parser.add_argument("--purity", metavar=share, help=tr("purity of the potash as printed on the bag: 90%%"))
    parser.add_argument("--water", metavar=amount, help=tr("first water: 1.3 kg or 1.3 L"))
    parser.add_argument("--litres", metavar=tr("VOLUME"), help=tr("brim volume of the bucket: 25L"))
    parser.add_argument("--insulation", choices=INSULATIONS, help=tr("what is round the bucket (default: bare)"))
    parser.add_argument(
        "--anyway", metavar=tr("REASON"), help=tr("go on with a recipe that will be lye-heavy, and write down why")
    )


def recipe_of(args: argparse.Namespace) -> Recipe:
    """The recipe typed, checked; what was left out was not weighed."""
    recipe = Recipe(
        oils=tuple(parse_oil(text) for text in args.oil[: _MOST_OILS + 1]),
        koh_kg=None if args.koh is None else read_koh_kg(args.koh),
        koh_purity=None if args.purity is None else parse_purity(args.purity),
        water_kg=None if args.water is None else parse_water_kg(args.water, tr("the first water")),
    )
    if len(recipe.oils) > _MOST_OILS:
        raise CommandError(tr("More than {most} oils are not taken: add up those of one kind.", most=_MOST_OILS))
    check_recipe(recipe)
    return recipe


def read_koh_kg(text: str) -> float:
    """Potash as typed, kg."""
    return parse_mass_kg(text, tr("the potash"))


def ask_recipe(recipe: Recipe, *, koh_empty: str, water_empty: str) -> Recipe:
    """Ask for what is missing in ``recipe``, one question each; ``..._empty`` say what Enter alone means there."""
    if not recipe.oils:
        recipe = dataclasses.replace(recipe, oils=ask_oils())
    if recipe.koh_kg is None:
        recipe = ask_koh(recipe, koh_empty)
    if recipe.koh_purity is None:
        recipe = ask_purity(recipe)
    if recipe.water_kg is None:
        recipe = ask_water(recipe, water_empty)
    check_recipe(recipe)
    return recipe


def ask_koh(recipe: Recipe, empty: str) -> Recipe:
    """Ask how much potash; None in the recipe for Enter alone."""

    def possible(text: str) -> float:
        koh_kg = read_koh_kg(text)
        check_recipe(dataclasses.replace(recipe, koh_kg=koh_kg))
        return koh_kg

    question = tr("Potash (KOH, not caustic soda), like 850 g or 1 lb 14 oz")
    return dataclasses.replace(recipe, koh_kg=ask(question, possible, empty=empty))


def ask_purity(recipe: Recipe) -> Recipe:
    """Ask what the bag says."""
    question = tr("Purity as printed on its bag, like 90 %")
    purity = ask(question, parse_purity, empty=tr("not known, 90 % is taken"))
    return dataclasses.replace(recipe, koh_purity=purity)


def ask_water(recipe: Recipe, empty: str) -> Recipe:
    """Ask how much first water."""
    water_kg = ask(
        tr("First water, like 1.3 kg or 1.3 L"), lambda text: parse_water_kg(text, tr("the first water")), empty=empty
    )
    return dataclasses.replace(recipe, water_kg=water_kg)


def ask_oils(*, which_rapeseed: bool = False, empty: str | None = None) -> tuple[OilShare, ...]:
    """Ask for one oil after another. Nothing when ``empty`` allows it and Enter alone came first."""
    oils: list[OilShare] = []
    question = tr("Oil and how much, like rapeseed 3.6 L or sunflower 9 lb 4 oz")
    first = ask(question, _oil_and_its_text, empty=empty)
    while first is not None and len(oils) < _MOST_OILS:
        share, typed = first
        if which_rapeseed and which_rapeseed_is_open(_name_in(typed)) and ask_high_erucic():
            share = parse_oil(_as_high_erucic(typed))
        oils.append(share)
        first = ask(tr("Another oil"), _oil_and_its_text, empty=tr("no more"))
    return tuple(oils)


def _oil_and_its_text(text: str) -> tuple[OilShare, str]:
    return parse_oil(text), text


def ask_blend() -> tuple[tuple[str, float], ...] | None:
    """Ask for the proportions of the oils, and which rapeseed where that is open."""
    answer = ask(
        tr("The oil, or the proportions of several, like sunflower 70 %, rapeseed 30 %"),
        lambda text: (parse_blend(text), text),
    )
    if answer is None:
        return None
    blend, typed = answer
    if which_rapeseed_is_open(typed) and ask_high_erucic():
        blend = parse_blend(_as_high_erucic(typed))
    return blend


def _name_in(typed: str) -> str:
    return re.sub(r"[\d.,]+\s*[A-Za-z]*", " ", typed)


def _as_high_erucic(typed: str) -> str:
    return re.sub(r"(?i)\b(?:rape[ -]?seed|rape|colza)\b", "high erucic rapeseed", typed, count=1)


_KITCHEN = frozenset({"kitchen", "low", "low erucic", "canola", "food", "edible"})
_HIGH = frozenset({"high", "high erucic", "industrial", "industry", "hear"})


def ask_high_erucic() -> bool:
    """Ask which rapeseed oil it is."""

    def read(text: str) -> bool:
        plain = " ".join(re.findall(r"\w+", text.lower()))
        if plain in _KITCHEN | {tr("kitchen")}:
            return False
        if plain in _HIGH | {tr("high")}:
            return True
        raise ValueError(tr("Answer kitchen (low erucic) or high (high erucic, as for industry)."))

    question = tr("Which rapeseed: kitchen (low erucic) or high (high erucic, as for industry; it needs less lye)")
    return bool(ask(question, read, empty=tr("kitchen")))


# As bags say it, in English and in Spanish, without accents.
_IS_KOH = frozenset({
    "koh", "potassium hydroxide", "caustic potash", "potassium hydroxide koh", "hidroxido de potasio",
    "hidroxido de potasio koh", "hidroxido potasico", "potasa caustica",
})  # fmt: skip
_IS_NOT_KOH = (
    "soda", "sodium", "naoh", "carbonate", "fertiliser", "fertilizer", "pearl", "chloride", "sulphate", "sosa", "sodio",
    "carbonato", "abono", "fertilizante", "cloruro", "sulfato",
)  # fmt: skip


def ask_is_koh() -> None:
    """Ask whether the bag says potassium hydroxide; CommandError with one sentence where it does not."""

    def read(text: str) -> bool:
        plain = without_accents(" ".join(re.findall(r"\w+", text.lower())))
        if plain in _IS_KOH | YES_WORDS | {without_accents(tr("yes"))}:
            return True
        if plain in {"n", "no", tr("no")} or any(word in plain for word in _IS_NOT_KOH):
            return False
        raise ValueError(tr("Answer yes or no, or write what stands on the bag."))

    question = tr(
        "Does the bag say potassium hydroxide, KOH (not caustic soda, not carbonate, not fertiliser)? yes or no"
    )
    if not ask(question, read):
        raise CommandError(
            tr(
                "Stop here: this is reckoned for potassium hydroxide (KOH) alone; the same mass of caustic soda is "
                "some 40 % too much alkali, and carbonate or fertiliser makes no soap."
            )
        )


def ask_opened(today: date) -> date | None:
    """Ask since when the bag is open."""
    return ask(
        tr("Since when is the bag open, like 2026-05 or 3 months; today for a new one"),
        lambda text: parse_opened(text, today),
        empty=tr("not known"),
    )


def vessel_of(args: argparse.Namespace, settings: Settings, bucket: str | None) -> Vessel:
    """The vessel typed, or the bucket's as the settings have it."""
    known = settings.bucket(bucket) if bucket else None
    litres = known.litres if known is not None else None
    if args.litres is not None:
        litres = parse_volume_l(args.litres, tr("the bucket"), default_unit="L")
    insulation = args.insulation or (known.insulation if known is not None else "bare")
    return Vessel(litres, insulation)


def mind_bucket(settings: Settings, bucket: str) -> None:
    """Warn of a bucket that the settings do not name: most likely a slip, and then nothing would be read of it."""
    names = [one.name for one in settings.buckets]
    if not settings.division.minds(bucket):
        refuse_bucket_of_others(settings, bucket)
    if names and bucket not in names:
        warn(
            tr(
                "The settings name no bucket {bucket} (they name {names}).{meant} It is minded only if its node sends "
                "that very name.",
                bucket=shown(bucket),
                names=", ".join(names),
                meant=meant(bucket, names),
            )
        )


def refuse_bucket_of_others(settings: Settings, bucket: str) -> None:
    """CommandError for a bucket of another watch: here nobody would hear of it, and there nobody would know of it."""
    others = settings.division.watches_of(bucket)
    if others:
        raise CommandError(
            tr(
                "{bucket} is minded by the watch {other}, and this is {own}: start the batch there "
                "(EMBERPAIL_WATCH={other}).",
                bucket=shown(bucket),
                other=others[0],
                own=settings.division.own,
            )
        )
    raise CommandError(
        tr(
            "No watch minds {bucket}, so nobody would be rung for it: add it under [watch.minds] in the settings "
            "first.",
            bucket=shown(bucket),
        )
    )


def refuse_lye_heavy(recipe: Recipe, anyway: str | None, doubts: Doubts = NO_DOUBTS) -> LyeBalance | None:
    """The lye balance; CommandError when potash will be left over beyond doubt and no reason was given."""
    if not recipe.oils:
        return None
    balance = lye_balance(recipe, doubts)
    heavy = balance.probabilities.get("lye-heavy", 0.0)
    if heavy >= BEYOND_DOUBT and not (anyway or "").strip():
        raise CommandError(
            tr(
                "This recipe is lye-heavy beyond doubt: potash for {low:.0f}% to {high:.0f}% of what the oils need, "
                "so the soap stays caustic however well it reacts; use at least {spare:grams} less potash, or say why "
                "with "
                '--anyway "reason".',
                low=100.0 * balance.ratio_low,
                high=100.0 * balance.ratio_high,
                spare=balance.potash_to_spare_g.high,
            )
        )
    return balance
