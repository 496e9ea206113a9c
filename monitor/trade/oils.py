"""Oils and fats: saponification values and densities, each with the standard it comes from.

The table is ``oils.csv`` beside this module. A row's ``source`` ends in "seen" or "from memory": whether anybody on the
project has seen the row in print. To add an oil, add a row.
"""

from __future__ import annotations

import csv
import difflib
import importlib.resources
import re
import unicodedata
from dataclasses import dataclass

from ..units import KOH_G_PER_MOL
from ..words import mark, tr
from .constants import OIL_EXPANSION_KG_L_K, WATER_20C_KG_L


class UnknownOil(ValueError):
    """No oil of that name, or several; the message names the closest."""


class OilVolume(ValueError):
    """A volume of this oil cannot be turned into a mass, for example of a fat that is solid at that temperature."""


@dataclass(frozen=True, slots=True)
class Oil:
    """One oil or fat.

    ``sv_low`` to ``sv_high``: saponification value, mg of KOH that one gram needs (definition: ISO 3657), the
    range of its standard. ``density_low`` to ``density_high``: at ``density_temperature_c``, relative to water at 20
    °C. ``solid_below_c`` (from memory): below it the fat is not wholly liquid; None for an oil.
    """

    name: str
    also_called: tuple[str, ...]
    sv_low: float
    sv_high: float
    density_low: float
    density_high: float
    density_temperature_c: float
    source: str
    solid_below_c: float | None = None
    generic: bool = False

    @property
    def sv(self) -> float:
        """Middle of the saponification range, mg KOH/g."""
        return (self.sv_low + self.sv_high) / 2.0

    @property
    def sv_sd(self) -> float:
        """One sd of the saponification value, mg KOH/g: a quarter of the standard's range.

        A standard's range is drawn so that nearly every genuine sample lies inside, and samples crowd in the middle:
        it is read as plus and minus two sd of a normal distribution, not as uniform (whose sd would be 0.29 of the
        range).
        """
        return (self.sv_high - self.sv_low) / 4.0

    @property
    def ester_mol_per_kg(self) -> float:
        """Ester (and free acid) that takes up one KOH each, mol per kg of oil: SV / M(KOH)."""
        return self.sv / KOH_G_PER_MOL

    def density_kg_l(self, temperature_c: float) -> float:
        """Density in kg/L at ``temperature_c``: middle of the range, swelling linearly from its own temperature.

        Raises OilVolume where the fat is solid, and outside -10 to 120 °C.
        """
        if not -10.0 <= temperature_c <= 120.0:
            raise OilVolume(
                tr(
                    "The oil's temperature is given as {given:degC}; between {low:deg} and {high:degC} is allowed.",
                    given=temperature_c,
                    low=-10.0,
                    high=120.0,
                )
            )
        if self.solid_below_c is not None and temperature_c < self.solid_below_c:
            raise OilVolume(
                tr(
                    "A volume of {oil} is no measure at {given:degC}, where it is solid or half solid: weigh it, or "
                    "melt it to {solid_below:degC} or more and give that temperature.",
                    oil=self.name,
                    given=temperature_c,
                    solid_below=self.solid_below_c,
                )
            )
        at_its_own = (self.density_low + self.density_high) / 2.0 * WATER_20C_KG_L
        return at_its_own - OIL_EXPANSION_KG_L_K * (temperature_c - self.density_temperature_c)


def kg_from_litres(oil: Oil, litres: float, temperature_c: float = 20.0) -> float:
    """Mass in kg of ``litres`` of a liquid oil at ``temperature_c``. Raises OilVolume for a solid fat."""
    return litres * oil.density_kg_l(temperature_c)


def litres_from_kg(oil: Oil, kg: float, temperature_c: float = 20.0) -> float:
    """Volume in litres of ``kg`` of a liquid oil at ``temperature_c``. Raises OilVolume for a solid fat."""
    return kg / oil.density_kg_l(temperature_c)


# Wide enough for any common liquid oil but the short-chained fats (coconut, palm kernel, babassu), which nobody
# writes down as "oil"; read as plus and minus two sd like the others.
GENERIC = Oil(
    name="vegetable oil, kind not known",
    also_called=(),
    sv_low=174.0,
    sv_high=204.0,
    density_low=0.905,
    density_high=0.930,
    density_temperature_c=20.0,
    source="spans the liquid oils of this table (computed)",
    generic=True,
)

# Words that say how an oil was made or sold, not which oil it is.
_NOISE = frozenset(
    {"oil", "oils", "fat", "seed", "seeds", "and", "the", "of"}
    | {"refined", "unrefined", "virgin", "extra", "cold", "pressed", "deodorised", "deodorized", "plain", "pure"}
    | {"edible", "food", "grade", "cooking", "salad", "organic", "fresh", "new", "melted"}
    | {"aceite", "aceites", "de", "semilla", "semillas", "grasa", "cocina"}  # the same in Spanish
)
# Names that stand for whatever was cheap: a guess here could be short of lye or leave it over.
_NAMELESS = frozenset({"vegetable", "veg", "mixed", "frying", "fryer", "blend"})
# Words that make any oil a used one: its kind tells little of what it needs after weeks in a fryer.
_USED = frozenset({"used", "waste", "spent", "uco", "wvo", "usado"})


def _words(name: str) -> list[str]:
    """The telling words of a name: lower case, accents and punctuation gone, "rapeseed" cut to "rape"."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = [re.sub(r"(?<=[a-z]{3})seeds?$", "", word) for word in re.findall(r"[a-z]+", plain)]
    return [word for word in words if word not in _NOISE]


def _keys(name: str) -> set[str]:
    """What a name may be found under: its words in order, and sorted, without spaces."""
    words = _words(name)
    return {key for key in ("".join(words), "".join(sorted(words))) if key}


def _read_table() -> tuple[Oil, ...]:
    text = importlib.resources.files(__package__).joinpath("oils.csv").read_text(encoding="utf-8")
    return tuple(
        Oil(
            name=row["name"],
            also_called=tuple(row["also_called"].split(";")) if row["also_called"] else (),
            sv_low=float(row["saponification_value_low"]),
            sv_high=float(row["saponification_value_high"]),
            density_low=float(row["relative_density_low"]),
            density_high=float(row["relative_density_high"]),
            density_temperature_c=float(row["density_temperature_c"]),
            source=row["source"],
            solid_below_c=float(row["solid_below_c"]) if row["solid_below_c"] else None,
        )
        for row in csv.DictReader(text.splitlines())
    )


OILS: tuple[Oil, ...] = _read_table()
# The table's names as they are told, for the catalogue: a file of figures is not searched for words.
_NAMES = (
    mark("rapeseed oil, low erucic (canola)"),
    mark("rapeseed oil, high erucic"),
    mark("sunflower oil"),
    mark("sunflower oil, high oleic"),
    mark("soya bean oil"),
    mark("olive oil, virgin and refined"),
    mark("olive-pomace oil"),
    mark("palm oil"),
    mark("palm kernel oil"),
    mark("coconut oil"),
    mark("babassu oil"),
    mark("maize (corn) oil"),
    mark("cottonseed oil"),
    mark("sesame oil"),
    mark("rice bran oil"),
    mark("groundnut (arachis) oil"),
    mark("safflower oil"),
    mark("grapeseed oil"),
    mark("mustardseed oil"),
    mark("linseed (flaxseed) oil"),
    mark("castor oil"),
    mark("tallow, edible"),
    mark("lard"),
    mark("used cooking oil"),
)


USED = next(oil for oil in OILS if oil.name == "used cooking oil")
_LOW_ERUCIC = next(oil for oil in OILS if oil.name.startswith("rapeseed oil, low erucic"))


def _index() -> dict[str, Oil]:
    """Key to oil. No two oils share a key (a test holds this), so the order does not matter."""
    keys: dict[str, Oil] = {}
    for oil in OILS:
        for name in (oil.name, re.sub(r"\([^)]*\)", "", oil.name), *oil.also_called):
            for key in _keys(name):
                keys.setdefault(key, oil)
    return keys


_BY_KEY = _index()
_SHORTEST_PREFIX = 3


def _matching(name: str) -> list[Oil]:
    """The oils that a name may mean: one when it is clear, several when a beginning fits several, else none."""
    for key in _keys(name):
        if key in _BY_KEY:
            return [_BY_KEY[key]]
    found: dict[str, Oil] = {}
    for key in _keys(name):
        if len(key) >= _SHORTEST_PREFIX:
            fitting = {k: oil for k, oil in _BY_KEY.items() if k.startswith(key)}
            # "sunfl" begins "sunflower" and "sunflower, high oleic": the plain oil is meant by the plain word.
            roots = [k for k in fitting if not any(k != other and k.startswith(other) for other in fitting)]
            found.update({fitting[k].name: fitting[k] for k in roots})
    return list(found.values())


def _closest(name: str) -> list[str]:
    """Up to three names of the table that look like ``name``, best first."""
    oils: list[str] = []
    for key in sorted(_keys(name)):
        for near in difflib.get_close_matches(key, _BY_KEY, n=6, cutoff=0.6):
            if _BY_KEY[near].name not in oils:
                oils.append(_BY_KEY[near].name)
    return oils[:3]


def find_oil(name: str) -> Oil:
    """The oil of that name. Case, spaces, accents and punctuation do not matter, a clear beginning is enough.

    Raises UnknownOil with one sentence that names the closest oils.
    """
    name = " ".join(name.split())
    if set(_words(name)) & _USED:
        return USED
    found = _matching(name)
    if len(found) == 1:
        return found[0]
    if len(found) > 1:
        listed = ", ".join(f'"{oil.name}"' for oil in found[:5])
        raise UnknownOil(tr('"{name}" may be any of {oils}: write more of the name.', name=name, oils=listed))
    words = _words(name)
    fresh = _matching(" ".join(word for word in words if word not in _NAMELESS)) if set(words) & _NAMELESS else []
    if len(fresh) == 1:
        raise UnknownOil(
            tr(
                '"{name}" is in no table: blended oil may need more or less potash than fresh "{oil}"; name the fresh '
                'oil if you accept that, or "used cooking oil" if it has been used.',
                name=name,
                oil=fresh[0].name,
            )
        )
    if set(words) & _NAMELESS or not words:
        raise UnknownOil(
            tr(
                '"{name}" does not say which oil it is, and oils differ in the potash they need: take the oil named in '
                "the small print of the bottle, for example rapeseed or sunflower.",
                name=name,
            )
        )
    near = _closest(name)
    if near:
        listed = tr(" or ").join(f'"{other}"' for other in near)
        raise UnknownOil(tr('No oil is called "{name}" here; did you mean {oils}?', name=name, oils=listed))
    raise UnknownOil(
        tr(
            'No oil is called "{name}" here; known are, among others, rapeseed, sunflower, olive, soya, maize, coconut '
            "and palm.",
            name=name,
        )
    )


def which_rapeseed_is_open(typed: str) -> bool:
    """Whether a typed name means rapeseed and leaves open which: the kitchen's, or the high-erucic one."""
    words = set(_words(typed))
    return bool(words & {"rape", "colza"}) and not words & {"erucic", "canola", "kitchen", "industrial", "low", "high"}


def told_name(name: str) -> str:
    """An oil's name in the language spoken; a name that is not of the table stays as it was typed."""
    return tr(name) if name in _NAMES else name


def is_low_erucic(name: str) -> bool:
    """Whether the oil of that name is reckoned as low-erucic rapeseed, as a bare "rapeseed" is."""
    return find_oil_or_generic(name) is _LOW_ERUCIC


def find_oil_or_generic(name: str) -> Oil:
    """The oil of that name, or a vegetable oil of a wide range (``generic``): for recordings, which must be read."""
    try:
        return find_oil(name)
    except UnknownOil:
        return GENERIC
