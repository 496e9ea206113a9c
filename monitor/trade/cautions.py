"""The cautions, each by the deed it belongs to, in full and as one line for a phone.

Wherever someone is told to weigh, mix, open, blend, dilute or test, those of that deed stand with it. They come second
to the potash's safety data sheet, to local rules and to licensed practice (``DEFERS``). The texts are marked for
the catalogue and told by ``cautions_for`` and its like; common practice, except where a source stands beside one.
"""

from __future__ import annotations

from collections.abc import Mapping

from ..words import mark, tr

DEFERS = mark(
    "The safety data sheet of your potash, your local rules and licensed practice come first. "
    "Where they ask for more than stands here, or for something else, do what they say."
)

# First aid and rinsing times: NIOSH Pocket Guide, New Jersey fact sheet 1571 (seen). Metals and hydrogen: ERG guide 154
# and ICSC 0357 (hydrogen seen, list of metals from memory). Water first: order from memory. Plastic: from memory.
CAUTIONS: Mapping[str, str] = {
    "gear": mark(
        "Goggles that close all round, or a visor over them; gloves that stand potash, long sleeves, long trousers "
        "over the boots, closed shoes, an apron. Have plenty of clean water within reach before the bag is opened. "
        "Work where air moves, and do not breathe the dust or the mist. No children or animals near. Not alone, if "
        "it can be helped."
    ),
    "water_first": mark(
        "All the water first, cold, then the potash into it in small portions, stirring each until it is gone. Never "
        "pour water onto solid potash, nor into lye that boils: it erupts. The lye becomes very hot by itself; steam "
        "and mist rise, so keep your face away. Go on only when it is clear."
    ),
    "lid_loose": mark(
        "Lay the lid on loosely. Never clip, weigh or hold it down while lye boils or the paste is above {60:degC}: "
        "steam must get out, and so it must where the cable goes through."
    ),
    "opening": mark(
        "Before you open: wait until all boiling has stopped. Visor, long sleeves, gloves. Stand to one side and "
        "lift the far edge of the lid first, so that the steam goes away from you."
    ),
    "blending": mark(
        "Visor. The bucket at most half full. Probe out first, and the cable out of reach of the blade. The head of "
        "the tool under the surface before it starts, and stopped before it comes out. The tool on a "
        "residual-current device. Above about {75:degC} do not blend or stir: the paste reacts by itself and spits. "
        "Stiff paste stalls a hand blender: cut it and use a slow drill."
    ),
    "metals": mark(
        "Nothing of aluminium or zinc, nothing galvanised or tinned may touch lye or paste, the blender's foot and "
        "the paddle included: they dissolve and give off hydrogen, which burns. Stainless steel, polypropylene or "
        "polyethylene."
    ),
    "lifting": mark(
        "Never lift or carry a hot bucket: its plastic softens from about {80:degC}. Before the pour stand it in a "
        "tray on the floor where it will stay, out of reach of children and animals."
    ),
    "first_aid": mark(
        "Eyes: rinse at once with clean water, lids held open, lenses out, for up to 30 minutes, and have emergency "
        "help called meanwhile: {emergency_number}. Skin: clothes off, rinse for 15 minutes; no vinegar on skin. "
        "Swallowed: rinse the mouth, do not bring on vomiting, call {emergency_number}. Lye burns do not always hurt "
        "at once."
    ),
    "spill": mark(
        "Keep off and keep others off. Let it cool. Bank it with sand and take it up with a plastic shovel, in "
        "goggles and gloves. Not into a drain, a ditch or the soil: diluting does not neutralise it. Better to save "
        "a batch than to dump it."
    ),
    "skin": mark(
        "Not for skin until it has been tested for free alkali. Selling it or giving it away falls under the law on "
        "cosmetics or on detergents, spraying it under that on plant protection. No dose and no claim against pests "
        "stands here."
    ),
    "dilution": mark(
        "Goggles and gloves on dilution day too: corners and lumps can hide lye. Soft water, cut the paste, stir by "
        "hand or with a drill at low speed, so that nothing splashes. Never keep it in a drink bottle; label it."
    ),
}

# One line each, for a phone.
SHORT_CAUTIONS: Mapping[str, str] = {
    "gear": mark("Goggles, gloves, long sleeves; clean water within reach."),
    "water_first": mark(
        "Water first, then potash in small portions, stirring. Never water onto potash or boiling lye: it erupts."
    ),
    "lid_loose": mark("Lid on loosely, never held down: steam must get out, at the cable's hole too."),
    "opening": mark("Visor. Wait until boiling stops, stand aside, lift the far edge of the lid first."),
    "blending": mark(
        "Below {75:degC} only. Visor. Probe out, bucket at most half full, head under the surface before it starts, "
        "residual-current device."
    ),
    "metals": mark("No aluminium, zinc, galvanised or tinned parts, blender foot and paddle included: hydrogen."),
    "lifting": mark("Never lift or carry the hot bucket; in a tray on the floor, no children or animals near."),
    "first_aid": mark(
        "Eyes: rinse at once, up to 30 minutes. Skin: clothes off, rinse 15 minutes, no vinegar. Swallowed: rinse the "
        "mouth, do not vomit. Call {emergency_number}."
    ),
    "spill": mark("Keep off, let it cool, sand and a plastic shovel; not into drain, ditch or soil."),
    "skin": mark("Not for skin until tested. Selling, giving away and spraying have their laws."),
    "dilution": mark("Goggles and gloves; corners can hide lye. Low speed; never into a drink bottle."),
}
SHORT_DEFERS = mark("Your potash's safety data sheet and local rules come first.")

_DEEDS: Mapping[str, tuple[str, ...]] = {
    "weigh": ("gear", "metals", "first_aid"),
    "lye": ("gear", "water_first", "lid_loose", "metals", "first_aid"),
    "pour": ("gear", "lifting", "lid_loose", "metals", "first_aid"),
    "blend": ("gear", "opening", "blending", "metals", "lid_loose", "lifting", "first_aid"),
    "probe": ("gear", "opening", "metals", "lid_loose", "first_aid"),
    "open": ("gear", "opening", "lid_loose", "first_aid"),
    "look": ("gear", "opening", "lid_loose", "first_aid"),
    "move": ("gear", "lifting", "spill", "first_aid"),
    "dilute": ("gear", "opening", "dilution", "metals", "skin", "first_aid"),
    "correct": ("gear", "water_first", "opening", "blending", "metals", "lid_loose", "first_aid"),
    "test": ("gear", "skin", "first_aid"),
    "fill": ("gear", "dilution", "skin", "first_aid"),
    "spill": ("gear", "spill", "metals", "first_aid"),
    "discard": ("gear", "spill", "lifting", "first_aid"),
}
DEEDS = tuple(_DEEDS)


def caution_keys_for(deed: str) -> tuple[str, ...]:
    """Keys of CAUTIONS that belong to a deed (one of DEEDS). KeyError for another word."""
    return _DEEDS[deed]


def caution(key: str, emergency_number: str | None = None) -> str:
    """One of CAUTIONS as it is told: in the reader's language and units, the emergency number put in."""
    return with_emergency_number(CAUTIONS[key], emergency_number)


def cautions_for(deed: str, emergency_number: str | None = None) -> tuple[str, ...]:
    """The full cautions of a deed, the emergency number put in; the last line defers to data sheet and law."""
    return (*(caution(key, emergency_number) for key in _DEEDS[deed]), tr(DEFERS))


def short_cautions_for(deed: str, emergency_number: str | None = None) -> tuple[str, ...]:
    """The same as one line each, for a phone; the last line defers here too."""
    return (*(with_emergency_number(SHORT_CAUTIONS[key], emergency_number) for key in _DEEDS[deed]), tr(SHORT_DEFERS))


def with_emergency_number(text: str, number: str | None) -> str:
    """A marked text told, with the local emergency number where ``{emergency_number}`` stands."""
    said = number.strip() if number and number.strip() else tr("your local emergency number")
    return tr(text, emergency_number=said)
