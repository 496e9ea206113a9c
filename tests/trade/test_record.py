"""The record of a batch: what is taken, in which form it is kept, and how it is told."""

from __future__ import annotations

from datetime import date

import pytest

from monitor.trade.amounts import BadAmount
from monitor.trade.record import FIELDS, BadRecord, field_named, field_words, read_field, told_value
from monitor.words import Voice, speaking

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("name", "typed", "kept"),
    [
        ("maker", "  Ada \n of the\tQuillmarsh allotments ", "Ada of the Quillmarsh allotments"),
        ("potash_opened", "2026-5-3", "2026-05-03"),
        ("potash_opened", "2026-05", "2026-05-01"),
        ("potash_opened", "3.5.2026", "2026-05-03"),
        ("potash_opened", "03. 05. 2026", "2026-05-03"),
        ("yield_litres", "24,5 L", "24.5"),
        ("yield_litres", "6 US gal", "22.7125"),
        ("yield_kg", "55 lb", "24.9476"),
        ("free_alkali_percent", "0,04 %", "0.04"),
        ("free_alkali_percent", "0.04", "0.04"),
        ("oil-lot", "R 7", "R 7"),
        ("remark", "", ""),
        ("maker", "-", ""),
    ],
)
def test_what_is_typed_is_kept_in_one_form(name: str, typed: str, kept: str) -> None:
    """SI units with a decimal point and ISO dates, however they were typed; empty or a dash takes back."""
    assert read_field(name, typed, TODAY) == kept


@pytest.mark.parametrize(
    ("name", "typed", "says"),
    [
        ("yield_kg", "-3 kg", "below nothing"),
        ("yield_kg", "9000 kg", "200 kg is allowed"),
        ("yield_kg", "24 L", "is a volume"),
        ("yield_litres", "24 kg", "is a mass"),
        ("free_alkali_percent", "900 %", "between 0 and 20 % is allowed"),
        ("free_alkali_percent", "-1 %", "between 0 and 20 % is allowed"),
        ("free_alkali_percent", "a little", "is not a percentage"),
        ("potash_opened", "2026-11-26", "to today, 25 Nov 2026, is allowed"),
        ("potash_opened", "1999-12-31", "is out of range"),
        ("potash_opened", "26.11.2026", "to today, 25 Nov 2026, is allowed"),
        ("potash_opened", "03/04/2026", "day or month first: write it like 2026-11-25 or 25.11.2026"),
        ("potash_opened", "03-04-2026", "day or month first"),
        ("potash_opened", "31.2.2026", "cannot be read"),
        ("yield_litres", "9000 L", "250 L is allowed"),
        ("potash_opened", "2026-02-31", "cannot be read"),
        ("remark", "x" * 501, "501 characters"),
        ("colour", "green", 'no field "colour"'),
    ],
)
def test_what_cannot_be_gets_one_sentence_with_the_field_and_the_range(name: str, typed: str, says: str) -> None:
    """The sentence says what is allowed, and names the field in words."""
    with pytest.raises((BadRecord, BadAmount)) as refused:
        read_field(name, typed, TODAY)
    sentence = str(refused.value)
    assert says in sentence
    assert "\n" not in sentence
    if name in FIELDS and name != "potash_opened":
        assert field_words(name) in sentence


def test_values_are_told_in_the_readers_units() -> None:
    """What was kept in litres and per cent is told with unit; a value nobody can read is told as it stands."""
    assert told_value("yield_litres", "24.5") == "24.5 L"
    assert told_value("free_alkali_percent", "0.04") == "0.04 %"
    assert told_value("potash_opened", "2026-05-03") == "03 May 2026"
    assert told_value("yield_kg", "about twenty") == "about twenty"
    assert told_value("from_a_newer_program", "x") == "x"
    with speaking(Voice(units="us")):
        assert told_value("yield_litres", "22.7125") == "6.0 US gal"


@pytest.mark.parametrize("typed", ["Oil lot", "oil-lot", " OIL_LOT "])
def test_a_field_is_found_as_people_write_it(typed: str) -> None:
    """Blanks, hyphens and capitals do not matter."""
    assert field_named(typed).name == "oil_lot"
