"""``water``: how hard the water is, the soap it takes, whether it will do, and how much rain water to mix in."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, parser_for, print_json, say, settings_of
from monitor.commands.prompts import ask, can_ask
from monitor.trade.amounts import BadAmount, parse_hardness_mmol_l, parse_strength, parse_volume_l
from monitor.trade.constants import DILUTE_KG_L, DILUTE_SOAP_SHARE_HIGH, DILUTE_SOAP_SHARE_LOW
from monitor.trade.making import cautions_for
from monitor.trade.water import (
    SOFT_MG_L,
    TOLERABLE_SHARE,
    clarity_test,
    class_sentence,
    class_word,
    hardness_lines,
    in_all_units,
    making_sentences,
    rain_share,
    soap_loss,
    spraying_sentences,
    tolerable_mmol_l,
)
from monitor.units import hardness_mmol_l
from monitor.words import tr

# Common practice: 16 to 17 litres of dilution water to about 3.3 kg of soap.
_USUAL_WATER_L = 16.5
_PASTE_KG_PER_SOAP_KG = 4.95 / 3.33
_TOLERABLE = (0.001, 0.5)


@dataclass(frozen=True, slots=True)
class _Asked:
    """The water that is asked about, and what it meets: the dilution of a batch, and the soap put into 100 litres."""

    mmol_l: float
    litres: float
    soap_g: float
    put_in_g: float | None
    tolerable: float
    rain_mmol_l: float
    finished_g_per_l: float


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "water", tr("how hard the water is, and what soap it takes"),
        'emberpail water "15 dH" --litres 16.5L --tolerate 2%',
        description=tr(
            "Hardness in every unit, the soap that is lost as scum in the making and in the spraying, whether the "
            "water will do, and how much rain water to mix in. Without a figure: the clarity test with a few drops of "
            "soap."
        ),
    )  # fmt: skip
    parser.add_argument(
        "hardness", nargs="*", metavar=tr("HARDNESS"), help=tr('"15 dH", "27 fH", "19 Clark", "270 mg/L", "16 gpg"')
    )
    parser.add_argument(
        "--litres", metavar=tr("VOLUME"), help=tr("dilution water of the batch, see plan (default: 16.5L)")
    )
    parser.add_argument(
        "--strength", metavar=tr("SHARE"), help=tr("soap in the finished liquid: 15%% (default: the usual 15 to 16)")
    )
    parser.add_argument(
        "--put-in", metavar=tr("VOLUME"),
        help=tr("finished soap that you put into 100 L of water, by your own label: 2L (no dose is given here)"),
    )  # fmt: skip
    parser.add_argument("--tolerate", metavar=tr("SHARE"), help=tr("soap that may be lost (default: 2%%)"))
    parser.add_argument("--rain", metavar=tr("HARDNESS"), help=tr("hardness of your rain water (default: none)"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Tell of the water; without a figure the clarity test alone."""
    settings = settings_of(args)
    text = " ".join(args.hardness) or None
    litres = _USUAL_WATER_L if args.litres is None else parse_volume_l(args.litres, tr("the dilution water"), "L")
    strength = (DILUTE_SOAP_SHARE_LOW + DILUTE_SOAP_SHARE_HIGH) / 2.0
    if args.strength is not None:
        strength = parse_strength(args.strength)
    put_in_l = None if args.put_in is None else parse_volume_l(args.put_in, tr("the soap put in"), "L")
    tolerable = TOLERABLE_SHARE if args.tolerate is None else _tolerable(args.tolerate)
    rain = 0.0 if args.rain is None else parse_hardness_mmol_l(args.rain, tr("the hardness of the rain water"))
    mmol_l = None if text is None else parse_hardness_mmol_l(text)
    if mmol_l is None and can_ask() and not args.json:
        mmol_l = ask(
            tr("Hardness of your water, like 15 dH, 270 mg/L or 16 gpg (the water works know it)"),
            parse_hardness_mmol_l,
            empty=tr("not known, tell me the clarity test"),
        )
    if mmol_l is None and args.json:
        raise CommandError(tr('Say how hard the water is, for example "15 dH".'))
    finished_g_per_l = 1000.0 * strength * DILUTE_KG_L
    # Mass balance of the usual paste: soap in the finished liquid that so much water makes.
    soap_g = 1000.0 * litres / (1.0 / strength - _PASTE_KG_PER_SOAP_KG)
    put_in_g = None if put_in_l is None else put_in_l * finished_g_per_l
    cautions = cautions_for("dilute", emergency_number=settings.site.emergency_number)
    asked = None if mmol_l is None else _Asked(mmol_l, litres, soap_g, put_in_g, tolerable, rain, finished_g_per_l)
    if args.json and asked is not None:
        print_json(_as_json(asked, cautions))
        return YES
    for caution in cautions:
        say(caution, "! ")
    print()
    if asked is not None:
        for line in hardness_lines(asked.mmol_l):
            print(f"  {line}")
        print()
        for sentence in _sentences(asked):
            say(sentence, "- ")
        print()
    for sentence in clarity_test():
        say(sentence, "- ")
    return YES


def _tolerable(text: str) -> float:
    plain = text.strip()
    try:
        value = float(plain.rstrip("% ").replace(",", "."))
    except ValueError:
        value = float("nan")
    share = value / 100.0 if plain.endswith("%") or value >= 1.0 else value
    low, high = _TOLERABLE
    if not low <= share <= high:
        raise BadAmount(
            tr(
                'For the soap that may be lost "{typed}" is out of range; between {low:g} and {high:g} % is allowed: '
                "write "
                "it like 2 %.",
                typed=plain,
                low=100.0 * low,
                high=100.0 * high,
            )
        )
    return share


def _sentences(asked: _Asked) -> list[str]:
    mmol_l, tolerable, rain = asked.mmol_l, asked.tolerable, asked.rain_mmol_l
    return [
        class_sentence(mmol_l),
        *making_sentences(soap_loss(mmol_l, asked.litres, asked.soap_g), mmol_l, tolerable, rain),
        *spraying_sentences(
            mmol_l,
            put_in_g=asked.put_in_g,
            tolerable=tolerable,
            rain_mmol_l=rain,
            finished_g_per_l=asked.finished_g_per_l,
        ),
    ]


def _as_json(asked: _Asked, cautions: tuple[str, ...]) -> dict[str, object]:
    mmol_l, rain = asked.mmol_l, asked.rain_mmol_l
    making = soap_loss(mmol_l, asked.litres, asked.soap_g)
    spraying = soap_loss(mmol_l, 100.0, asked.put_in_g or 1.0)
    soft = hardness_mmol_l(SOFT_MG_L, "mg/L")
    wanted = soft if asked.put_in_g is None else tolerable_mmol_l(100.0, asked.put_in_g, asked.tolerable)
    return {
        "hardness": in_all_units(mmol_l),
        "class": class_word(mmol_l),
        "tolerable_share": asked.tolerable,
        "rain_mmol_l": rain,
        "making": {
            "litres": asked.litres,
            "soap_g": asked.soap_g,
            "lost_g": making.lost_g,
            "lost_share": making.share,
            "rain_share": rain_share(mmol_l, tolerable_mmol_l(asked.litres, asked.soap_g, asked.tolerable), rain),
        },
        "spraying": {
            "litres": 100.0,
            "put_in_g": asked.put_in_g,
            "lost_g": spraying.lost_g,
            "lost_share": None if asked.put_in_g is None else spraying.share,
            "lost_finished_l": spraying.finished_litres(asked.finished_g_per_l),
            "rain_share": rain_share(mmol_l, wanted, rain),
        },
        "says": _sentences(asked),
        "clarity_test": list(clarity_test()),
        "cautions": list(cautions),
    }
