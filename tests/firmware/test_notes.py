"""The notes and drawings say what the firmware does."""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import pytest

from monitor.settings import boiling_point_c, load_settings

NOTES = Path(__file__).parents[2] / "firmware_notes"
TEXT = (NOTES / "README.md").read_text(encoding="utf-8")


def module(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"{path.parent.name}_{path.stem}", path)
    assert spec is not None and spec.loader is not None
    found = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = found  # dataclasses look there
    spec.loader.exec_module(found)
    return found


DRAW = module(NOTES / "drawings" / "draw.py")


@pytest.mark.parametrize("name", sorted(DRAW.DRAWINGS))
def test_each_drawing_is_as_its_script_makes_it(name: str) -> None:
    kept = (NOTES / "drawings" / f"{name}.svg").read_text(encoding="utf-8")
    assert kept == DRAW.DRAWINGS[name]()
    root = ElementTree.fromstring(kept)
    assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert f"drawings/{name}.svg" in TEXT


def test_the_drawn_pins_are_those_of_the_firmware() -> None:
    wired, wifi, bed = (DRAW.DRAWINGS[name]() for name in ("wired_node", "wifi_node", "bedside"))
    source = (NOTES / "avr_node" / "settings.h").read_text(encoding="utf-8")
    selects = [f"PB{bit}" for bit in re.findall(r'\{ "\w+", PIN_B\((\d)\) \}', source)]
    assert len(selects) == 2 and all(f"{pin} select" in wired for pin in selects)
    settings = module(NOTES / "wifi_node" / "settings.py")
    for pin, words in [(pin, "select") for pin in settings.PROBES.values()] + [
        (settings.SPI["sck"], "SCK"), (settings.SPI["miso"], "MISO"), (settings.SUPPLY[0], "(ADC)")
    ]:  # fmt: skip
        assert f"{pin} {words}" in wifi
    bedside = module(NOTES / "bedside" / "settings.py")
    assert all(f">{pin}<" in bed for pin in (bedside.BUZZER, bedside.LAMP, bedside.BUTTON))


def test_what_the_notes_put_into_the_settings_is_read(tmp_path: Path) -> None:
    """Every piece of emberpail.toml that the notes show can be copied as it stands."""
    pieces = re.findall(r"((?:^ {4,}.*\n|^\n)+)", TEXT, re.MULTILINE)
    shown = [piece for piece in pieces if "[[source]]" in piece or "two_point" in piece]
    assert len(shown) == 2
    source, points = (re.sub(r"^ +", "", piece, flags=re.MULTILINE) for piece in shown)
    path = tmp_path / "emberpail.toml"
    path.write_text(f'[[bucket]]\nname = "shed-1"\n{points}\n', encoding="utf-8")
    probe = load_settings(path, {"HOME": str(tmp_path)}).buckets[0].probes[0]
    assert probe.gain * 0.6 + probe.offset_c == pytest.approx(0.0, abs=1e-9)
    assert probe.gain * 99.1 + probe.offset_c == pytest.approx(98.3, abs=1e-9)
    first, _, probe_text = source.partition("[bucket.probe.core]")
    tomllib.loads(first)
    path.write_text(f'{first}[[bucket]]\nname = "shed-1"\n[bucket.probe.core]{probe_text}', encoding="utf-8")
    assert load_settings(path, {"HOME": str(tmp_path)}).buckets[0].probes[0].amplifier == "straight-line"


@pytest.mark.parametrize(("altitude_m", "celsius"), [(500, 98.3), (1000, 96.6), (2000, 93.3)])
def test_the_boiling_points_are_those_of_the_standard_atmosphere(altitude_m: float, celsius: float) -> None:
    """Against the program's own, which tests/test_settings.py and the checks hold against IAPWS-IF97 and ISO 2533."""
    assert f"{celsius} °C at {altitude_m} m" in TEXT
    assert boiling_point_c(altitude_m) == pytest.approx(celsius, abs=0.05)


def test_the_cautions_stand_before_the_first_step() -> None:
    head = TEXT[: TEXT.index("## Which thermocouple")]
    for words in ("oggles", "aluminium", "hydrogen", "children", "rinse", "safety data sheet", "codes", "licensed"):
        assert words in head, words
