"""A weight corrected after the fact: the recipe and the bucket as they are known now. Pure.

The figure noted first is never overwritten; the journal keeps both, and when the second was noted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from ..domain import INSULATIONS, OilShare, Recipe, Vessel
from ..words import mark, number, quantity, several, tr
from .amounts import parse_mass_kg, parse_oil, parse_purity, parse_volume_l, parse_water_kg
from .recipe import check_recipe
from .record import BadRecord

# What can be corrected, and what a person calls it.
AMENDABLE: Mapping[str, str] = {
    "oil": mark("the oil"),
    "koh": mark("the potash"),
    "purity": mark("the purity of the potash"),
    "water": mark("the first water"),
    "litres": mark("the brim volume of the bucket"),
    "insulation": mark("what is round the bucket"),
}
# More kinds of oil than anybody mixes.
_MOST_OILS = 12


def amended(recipe: Recipe, vessel: Vessel, what: str, text: str) -> tuple[Recipe, Vessel]:
    """Recipe and vessel with one figure put right; "-" (or nothing) means that nobody weighed it after all.

    ``what`` is one of AMENDABLE. An oil of the recipe gets its new mass; "a 3 kg; b 1 kg" are all the oils there were,
    and so is "only a 3 kg". Raises a ValueError of this folder, with one sentence, for what cannot be.
    """
    name = tr(AMENDABLE[what])
    plain = " ".join(text.split())
    missing = plain in ("", "-")
    if what == "oil":
        recipe = replace(recipe, oils=() if missing else _oils(recipe.oils, plain))
    elif what == "koh":
        recipe = replace(recipe, koh_kg=None if missing else parse_mass_kg(plain, name))
    elif what == "purity":
        recipe = replace(recipe, koh_purity=None if missing else parse_purity(plain))
    elif what == "water":
        recipe = replace(recipe, water_kg=None if missing else parse_water_kg(plain, name))
    elif what == "litres":
        vessel = replace(vessel, litres=None if missing else parse_volume_l(plain, name, default_unit="L"))
    else:
        vessel = replace(vessel, insulation=_insulation(name, plain))
    check_recipe(recipe)
    return recipe, vessel


def _oils(known: tuple[OilShare, ...], text: str) -> tuple[OilShare, ...]:
    only = re.fullmatch(r"(?i)only\s+(.+)", text)
    parts = [part for part in re.split(r"\s*;\s*", only[1] if only else text) if part]
    if len(parts) > _MOST_OILS:
        raise BadRecord(tr("More than {most} oils are not taken: add up those of one kind.", most=_MOST_OILS))
    shares = tuple(parse_oil(part) for part in parts)
    twice = [share.name for number, share in enumerate(shares) if share.name in {one.name for one in shares[:number]}]
    if twice:
        raise BadRecord(tr('The oil "{name}" stands there twice: add it up.', name=twice[0]))
    if only or len(shares) > 1 or not known:
        return shares
    (share,) = shares
    if share.name not in {one.name for one in known}:
        raise BadRecord(
            tr(
                'No "{name}" stands in this recipe, which has {oils}. Was it that oil instead? Write "only {text}". '
                "Was it in there, too? Write all the oils with their masses, a semicolon between them.",
                name=share.name,
                oils=several([one.name for one in known]),
                text=text,
            )
        )
    return tuple(share if one.name == share.name else one for one in known)


def _insulation(name: str, text: str) -> str:
    plain = text.lower()
    if plain not in INSULATIONS:
        choices = ", ".join(INSULATIONS)
        raise BadRecord(
            tr('For {field} "{text}" is not known: write {choices}.', field=name, text=text[:60], choices=choices)
        )
    return plain


def told_recipe(recipe: Recipe, vessel: Vessel) -> dict[str, str]:
    """Each of AMENDABLE as it is told, in the reader's language and units: masses to the gram."""
    not_weighed, not_noted = tr("not weighed"), tr("not noted")
    oils = [
        f"{share.name} {quantity(share.kg, 'kg', 3)}"
        if share.kg is not None
        else tr("{oil}, not weighed", oil=share.name)
        for share in recipe.oils
    ]
    return {
        "oil": several(oils) or not_noted,
        "koh": not_weighed if recipe.koh_kg is None else quantity(recipe.koh_kg, "kg", 3),
        "purity": not_noted if recipe.koh_purity is None else f"{_figure(100.0 * recipe.koh_purity)} %",
        "water": not_weighed if recipe.water_kg is None else quantity(recipe.water_kg, "kg", 3),
        "litres": not_noted
        if vessel.litres is None
        else quantity(vessel.litres, "litres", 0 if vessel.litres == round(vessel.litres) else 1),
        "insulation": vessel.insulation,
    }


def _figure(value: float) -> str:
    return number(value, 0 if abs(value - round(value)) < 0.05 else 1)


def amended_fields(before: tuple[Recipe, Vessel], after: tuple[Recipe, Vessel]) -> tuple[str, ...]:
    """Which of AMENDABLE differ between the two."""
    (old, old_vessel), (new, new_vessel) = before, after
    pairs = {
        "oil": (old.oils, new.oils),
        "koh": (old.koh_kg, new.koh_kg),
        "purity": (old.koh_purity, new.koh_purity),
        "water": (old.water_kg, new.water_kg),
        "litres": (old_vessel.litres, new_vessel.litres),
        "insulation": (old_vessel.insulation, new_vessel.insulation),
    }
    return tuple(name for name in AMENDABLE if pairs[name][0] != pairs[name][1])
