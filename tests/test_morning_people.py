"""The night's summary speaks to each in their own language and units, and changed routes do not bring it twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.words import speaking, tr
from tests.test_morning import USUAL, Farm


def test_each_is_told_in_their_own_language_and_units(tmp_path: Path) -> None:
    """Ben reads Spanish and Fahrenheit beside Ada, who reads what the place does."""
    farm = Farm(tmp_path / "journal.sqlite", ("Ada", USUAL, True), ("Ben", USUAL, True))
    farm.people[1] = replace(farm.people[1], language="es", units="us")
    farm.batch()
    farm.alarm(says="shed-2 stands at 97 °C.", facts={"temperature_c": 97.0})
    farm.until("2026-03-15T07:05")
    told = {one.person: one.body for one in farm.journal.messages() if one.what == "morning"}
    with speaking(farm.settings.site.voice("es", "us")):
        still = tr("Alarm still: {buckets}.", buckets="shed-2")
    assert "Alarm still: shed-2." in told["Ada"] and still not in told["Ada"]
    assert still in told["Ben"] and "Alarm still: shed-2." not in told["Ben"]
    assert "97 °C" in told["Ada"] and "°F" not in told["Ada"]
    assert "207 °F" in told["Ben"] and "°C" not in told["Ben"]


def test_other_routes_after_a_restart_do_not_bring_it_twice(tmp_path: Path) -> None:
    """Her messenger was put before her e-mail at ten past seven."""
    farm = Farm(tmp_path / "journal.sqlite")
    farm.batch()
    farm.until("2026-03-15T07:10")
    farm.people[0] = replace(farm.people[0], routes=tuple(reversed(farm.people[0].routes)))
    farm.start()
    farm.until("2026-03-15T12:00")
    assert [when for when, *_ in farm.told()] == ["15 07:00"]
