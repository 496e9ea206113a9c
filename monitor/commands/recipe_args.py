"""The recipe as typed on a command line, shared by ``plan`` and ``start``."""

from __future__ import annotations

import argparse

from monitor.commands.common import CommandError
from monitor.domain import INSULATIONS, Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import parse_mass_kg, parse_oil, parse_purity, parse_volume_l, parse_water_kg
from monitor.trade.recipe import LyeBalance, check_recipe, lye_balance

# Said with this much certainty, a recipe is lye-heavy "beyond doubt" and is refused unless told why.
BEYOND_DOUBT = 0.95


def add_recipe(parser: argparse.ArgumentParser) -> None:
    """The options of a recipe and its vessel."""
    parser.add_argument(
        "--oil", action="append", default=[], metavar="AMOUNT", help='an oil as weighed or measured: "sunflower 4.2 kg"'
    )
    parser.add_argument("--koh", metavar="MASS", help="potash as weighed, with its unit: 850g")
    parser.add_argument("--purity", metavar="SHARE", help="purity printed on the bag: 90%%")
    parser.add_argument("--water", metavar="AMOUNT", help="first water: 1.3 kg or 1.3 L")
    parser.add_argument("--litres", metavar="VOLUME", help="brim volume of the bucket: 25L")
    parser.add_argument("--insulation", choices=INSULATIONS, help="what is round the bucket (default: bare)")
    parser.add_argument(
        "--anyway", metavar="REASON", help="go on with a recipe that will be lye-heavy, and write down why"
    )


def recipe_of(args: argparse.Namespace) -> Recipe:
    """The recipe typed, checked; what was left out was not weighed."""
    recipe = Recipe(
        oils=tuple(parse_oil(text) for text in args.oil),
        koh_kg=None if args.koh is None else parse_mass_kg(args.koh, "the potash"),
        koh_purity=None if args.purity is None else parse_purity(args.purity),
        water_kg=None if args.water is None else parse_water_kg(args.water, "the first water"),
    )
    check_recipe(recipe)
    return recipe


def vessel_of(args: argparse.Namespace, settings: Settings, bucket: str | None) -> Vessel:
    """The vessel typed, or the bucket's as the settings have it."""
    known = settings.bucket(bucket) if bucket else None
    litres = known.litres if known is not None else None
    if args.litres is not None:
        litres = parse_volume_l(args.litres, "the bucket", default_unit="L")
    insulation = args.insulation or (known.insulation if known is not None else "bare")
    return Vessel(litres, insulation)


def refuse_lye_heavy(recipe: Recipe, anyway: str | None) -> LyeBalance | None:
    """The lye balance; CommandError when potash will be left over beyond doubt and no reason was given."""
    if not recipe.oils:
        return None
    balance = lye_balance(recipe)
    heavy = balance.probabilities.get("lye-heavy", 0.0)
    if heavy >= BEYOND_DOUBT and not (anyway or "").strip():
        raise CommandError(
            f"This recipe is lye-heavy (as good as surely, {heavy:.0%}): potash for {balance.ratio:.0%} of what the "
            f"oils need, so the soap stays caustic however well it reacts; use about "
            f"{balance.potash_to_spare_g.likely:.0f} g "
            'less potash, or say why with --anyway "reason".'
        )
    return balance
