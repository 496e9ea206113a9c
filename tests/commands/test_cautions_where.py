"""Where each caution appears: every place that tells someone to weigh, mix, open, blend, dilute, test or fill."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pypdfium2
import pytest

from monitor.trade.cautions import (
    CAUTIONS,
    DEFERS,
    SHORT_CAUTIONS,
    SHORT_DEFERS,
    caution_keys_for,
    with_emergency_number,
)
from tests.commands.conftest import RECIPE, Shed

# A place, what is typed there, and the deed whose cautions must stand with it.
PLACES: Mapping[str, tuple[tuple[str, ...], str]] = {
    "plan": (("plan", *RECIPE), "lye"),
    "plan: blend": (("plan", *RECIPE), "blend"),
    "plan: dilute": (("plan", *RECIPE), "dilute"),
    "water": (("water", "15 dH"), "dilute"),
    "start": (("start", "B", "--bucket", "shed-3", *RECIPE), "blend"),
    "mark lye-clear": (("mark", "shed-2", "lye-clear"), "pour"),
    "mark poured": (("mark", "shed-2", "poured"), "blend"),
    "mark blended": (("mark", "shed-2", "blended"), "look"),
    "mark probe-out": (("mark", "shed-2", "probe-out"), "blend"),
    "mark lid-off": (("mark", "shed-2", "lid-off"), "open"),
    "mark cut": (("mark", "shed-2", "cut"), "dilute"),
    "mark water-added": (("mark", "shed-2", "water-added", "--mass", "8kg"), "dilute"),
    "mark diluted": (("mark", "shed-2", "diluted"), "test"),
    "mark tested": (("mark", "shed-2", "tested"), "fill"),
    "mark spilled": (("mark", "shed-2", "spilled"), "spill"),
    "steps": (("steps", "shed-2"), "weigh"),
    "steps, empty": (("steps",), "lye"),
    "correct": (
        ("correct", "shed-2", "--method", "alcohol", "--acid", "0.1mol/L", "--used", "4.2mL", "--sample", "5g",
         "--cause", "poor-blend"), "correct",
    ),
    "record": (("record", "shed-2"), "test"),
    "label": (("label", "shed-2", "--out", "can.pdf"), "fill"),
    "label --checklist": (("label", "shed-2", "--checklist", "--out", "steps.pdf"), "weigh"),
    "end": (("end", "shed-2"), "fill"),
    "end --outcome held": (("end", "shed-2", "--outcome", "held"), "correct"),
    "end --outcome discarded": (("end", "shed-2", "--outcome", "discarded"), "discard"),
}  # fmt: skip


def plain(text: str) -> str:
    return re.sub(r"[\s!]+", " ", text)


def in_full(key: str) -> str:
    return plain(with_emergency_number(CAUTIONS[key], "112"))


@pytest.mark.parametrize("place", PLACES)
def test_each_place_shows_the_cautions_of_its_deed_and_defers(shed: Shed, place: str) -> None:
    """In full, with the emergency number of the settings; data sheet, local rules and licensed practice come first."""
    shed.start()
    arguments, deed = PLACES[place]
    told = plain(shed.ok(*arguments).out)
    missing = [key for key in caution_keys_for(deed) if in_full(key) not in told]
    assert missing == []
    assert plain(DEFERS) in told


def test_the_checklist_on_paper_carries_every_caution(shed: Shed) -> None:
    """What cannot be unfolded stands there whole."""
    shed.start()
    shed.ok("label", "shed-2", "--checklist", "--out", "steps.pdf")
    document = pypdfium2.PdfDocument(Path("steps.pdf"))
    told = plain(" ".join(page.get_textpage().get_text_range() for page in document)).replace("\ufffe", "-")
    document.close()
    for key in CAUTIONS:
        assert with_emergency_number(SHORT_CAUTIONS[key], "112")[:25] in told or in_full(key)[:40] in told, key
    assert SHORT_DEFERS in told


def test_no_caution_is_without_a_place() -> None:
    """Each of the trade's cautions is shown somewhere."""
    shown = {key for _, deed in PLACES.values() for key in caution_keys_for(deed)}
    assert shown == set(CAUTIONS)
