"""The recipe as typed on a command line or asked for at the terminal, shared by ``plan`` and ``start``."""

from __future__ import annotations

import argparse
import dataclasses

from monitor.commands.common import CommandError, warn
from monitor.commands.prompts import ask
from monitor.domain import INSULATIONS, OilShare, Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import parse_mass_kg, parse_oil, parse_purity, parse_volume_l, parse_water_kg
from monitor.trade.recipe import LyeBalance, check_recipe, lye_balance

# Said with this much certainty, a recipe is lye-heavy "beyond doubt" and is refused unless told why.
BEYOND_DOUBT = 0.95
# More kinds of oil than anybody mixes.
_MOST_OILS = 12


def add_recipe(parser: argparse.ArgumentParser) -> None:
    """The options of a recipe and its vessel."""
    parser.add_argument(
        "--oil", action="append", default=[], metavar="AMOUNT",
        help='an oil as weighed or measured: "sunflower 4.2 kg"; once for each oil',
    )  # fmt: skip
    parser.add_argument("--koh", metavar="MASS", help="potash as weighed, with its unit: 850g, or 1 lb 14 oz")
    parser.add_argument("--purity", metavar="SHARE", help="purity of the potash as printed on the bag: 90%%")
    parser.add_argument("--water", metavar="AMOUNT", help="first water: 1.3 kg or 1.3 L")
    parser.add_argument("--litres", metavar="VOLUME", help="brim volume of the bucket: 25L")
    parser.add_argument("--insulation", choices=INSULATIONS, help="what is round the bucket (default: bare)")
    parser.add_argument(
        "--anyway", metavar="REASON", help="go on with a recipe that will be lye-heavy, and write down why"
    )


def recipe_of(args: argparse.Namespace) -> Recipe:
    """The recipe typed, checked; what was left out was not weighed."""
    recipe = Recipe(
        oils=tuple(parse_oil(text) for text in args.oil[: _MOST_OILS + 1]),
        koh_kg=None if args.koh is None else read_koh_kg(args.koh),
        koh_purity=None if args.purity is None else parse_purity(args.purity),
        water_kg=None if args.water is None else parse_water_kg(args.water, "the first water"),
    )
    if len(recipe.oils) > _MOST_OILS:
        raise CommandError(f"More than {_MOST_OILS} oils are not taken: add up those of one kind.")
    check_recipe(recipe)
    return recipe


def read_koh_kg(text: str) -> float:
    """Potash as typed, kg."""
    return parse_mass_kg(text, "the potash")


def ask_recipe(recipe: Recipe, *, koh_empty: str, water_empty: str) -> Recipe:
    """Ask for what is missing in ``recipe``, one question each; ``..._empty`` say what Enter alone means there."""
    if not recipe.oils:
        recipe = dataclasses.replace(recipe, oils=_ask_oils())
    if recipe.koh_kg is None:

        def possible(text: str) -> float:
            koh_kg = read_koh_kg(text)
            check_recipe(dataclasses.replace(recipe, koh_kg=koh_kg))
            return koh_kg

        recipe = dataclasses.replace(
            recipe, koh_kg=ask("Potash (KOH, not caustic soda), like 850 g or 1 lb 14 oz", possible, empty=koh_empty)
        )
    if recipe.koh_purity is None:
        purity = ask("Purity as printed on its bag, like 90 %", parse_purity, empty="not known, 90 % is taken")
        recipe = dataclasses.replace(recipe, koh_purity=purity)
    if recipe.water_kg is None:
        water_kg = ask(
            "First water, like 1.3 kg or 1.3 L", lambda text: parse_water_kg(text, "the first water"),
            empty=water_empty,
        )  # fmt: skip
        recipe = dataclasses.replace(recipe, water_kg=water_kg)
    check_recipe(recipe)
    return recipe


def _ask_oils() -> tuple[OilShare, ...]:
    oils: list[OilShare] = []
    first = ask("Oil and how much, like rapeseed 3.6 L or sunflower 9 lb 4 oz", parse_oil)
    while first is not None and len(oils) < _MOST_OILS:
        oils.append(first)
        first = ask("Another oil", parse_oil, empty="no more")
    return tuple(oils)


def vessel_of(args: argparse.Namespace, settings: Settings, bucket: str | None) -> Vessel:
    """The vessel typed, or the bucket's as the settings have it."""
    known = settings.bucket(bucket) if bucket else None
    litres = known.litres if known is not None else None
    if args.litres is not None:
        litres = parse_volume_l(args.litres, "the bucket", default_unit="L")
    insulation = args.insulation or (known.insulation if known is not None else "bare")
    return Vessel(litres, insulation)


def mind_bucket(settings: Settings, bucket: str) -> None:
    """Warn of a bucket that the settings do not name: most likely a slip, and then nothing would be read of it."""
    from monitor.commands.common import meant, shown

    names = [one.name for one in settings.buckets]
    if names and bucket not in names:
        warn(
            f"The settings name no bucket {shown(bucket)} (they name {', '.join(names)}).{meant(bucket, names)} It is "
            "minded only if its node sends that very name."
        )


def refuse_lye_heavy(recipe: Recipe, anyway: str | None) -> LyeBalance | None:
    """The lye balance; CommandError when potash will be left over beyond doubt and no reason was given."""
    if not recipe.oils:
        return None
    balance = lye_balance(recipe)
    heavy = balance.probabilities.get("lye-heavy", 0.0)
    if heavy >= BEYOND_DOUBT and not (anyway or "").strip():
        raise CommandError(
            f"This recipe is lye-heavy beyond doubt: potash for {balance.ratio_low:.0%} to {balance.ratio_high:.0%} of "
            f"what the oils need, so the soap stays caustic however well it reacts; use at least "
            f"{balance.potash_to_spare_g.high:.0f} g less potash, or say why with --anyway \"reason\"."
        )
    return balance
