"""The commands as somebody gives them, in the test's own process, with settings and journal of their own."""

from __future__ import annotations

import io
import json
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import main
from monitor.domain import Event, Reading
from monitor.heat.learning import Lesson
from monitor.journal.database import AlarmRecord, Journal
from monitor.journal.state import TAUGHT
from monitor.words import ENGLISH, speaking

SETTINGS = """
[place]
name = "Quillmarsh allotments (invented)"
emergency_number = "112"
time_zone = "UTC"
[journal]
path = "journal.sqlite"
[[bucket]]
name = "shed-2"
litres = 25
insulation = "blanket"
[[bucket]]
name = "shed-3"
litres = 25
"""
RECIPE = ("--oil", "sunflower 4.2 kg", "--koh", "850g", "--purity", "90%", "--water", "1.3kg")


@dataclass(frozen=True)
class Said:
    """What a command answered; ``words`` is its standard output with the line breaks of the terminal undone."""

    code: int
    out: str
    err: str

    @property
    def words(self) -> str:
        return " ".join(self.out.split())

    @property
    def complaint(self) -> str:
        return " ".join(self.err.split())

    @property
    def json(self) -> Any:
        return json.loads(self.out)


class Shed:
    """A folder with settings and a journal, and somebody who types commands there."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        self.settings = folder / "emberpail.toml"
        self.settings.write_text(SETTINGS, encoding="utf-8")
        self.settings.chmod(0o600)
        self.journal_path = folder / "journal.sqlite"

    def say(self, *arguments: str) -> Said:
        """Give a command."""
        self._capsys.readouterr()
        code = main(list(arguments))
        out, err = self._capsys.readouterr()
        return Said(code, out, err)

    def ok(self, *arguments: str) -> Said:
        """Give a command that works."""
        said = self.say(*arguments)
        assert said.code == 0, said
        return said

    def refused(self, *arguments: str) -> str:
        """Give a command that cannot be carried out; the one sentence it says."""
        said = self.say(*arguments)
        assert said.code == 2, said
        assert said.out == "", "what could not be done leaves standard output empty"
        assert_one_sentence(said.err)
        return said.complaint

    def add_settings(self, text: str) -> None:
        self.settings.write_text(self.settings.read_text(encoding="utf-8") + text, encoding="utf-8")

    def start(self, name: str = "Quillmarsh 12", bucket: str = "shed-2", *more: str) -> Said:
        return self.ok("start", name, "--bucket", bucket, *RECIPE, *more)

    def journal(self) -> Journal:
        return Journal(self.journal_path)

    def feed(self, bucket: str, temperature_c: float, age_s: float, *, minutes: int = 12) -> None:
        """Readings every 30 s that end ``age_s`` ago, as watch keeps them, and its tick a moment ago."""
        now_s = time.time()
        with self.journal() as journal:
            journal.add_readings(
                Reading(bucket, "core", now_s - age_s - 30.0 * i, now_s - age_s - 30.0 * i, temperature_c)
                for i in reversed(range(2 * minutes))
            )
            journal.set_fact("last_tick_s", now_s - 5.0)

    def estimate(self, batch: str, bucket: str, **values: object) -> None:
        """What watch has reckoned last."""
        usual: dict[str, object] = {
            "completeness": 0.62, "completeness_sd": 0.06, "final_completeness": 0.93, "final_completeness_sd": 0.03,
            "self_heating_k": 40.0, "self_heating_sd_k": 3.0,
        }  # fmt: skip
        with self.journal() as journal:
            journal.add_events([Event("estimate", time.time() - 60.0, bucket, batch, usual | values)])

    def alarm(self, batch: str, bucket: str, kind: str = "not_taken", **more: Any) -> str:
        """An alarm that stands, as watch keeps it."""
        alarm_id = f"{bucket}/{batch}/{kind}/1"
        usual: dict[str, Any] = {
            "state": "unacknowledged", "urgency": "now", "raised_at_s": time.time() - 120.0,
            "says": f"{bucket} has not taken: 52 °C and falling, 25 min after blending.",
            "do": "Visor, gloves: oil on top or runny, blend again.",
        }  # fmt: skip
        with self.journal() as journal:
            journal.save_alarm(AlarmRecord(alarm_id, kind, bucket, batch, **(usual | more)))
        return alarm_id

    def teach(self, bucket: str, litres: float, insulation: str, batches: int = 8) -> None:
        """That so many batches ran hotter, and lost less under this cover, than is published."""
        with self.journal() as journal, journal.transaction():
            for number in range(batches):
                lesson = Lesson(
                    f"Taught {number}", bucket, time.time() - 86400.0 * (number + 1), litres, insulation,
                    heat_ln=0.10, heat_sd=0.04, loss_ln=-1.6, loss_sd=0.08,
                )  # fmt: skip
                journal.set_fact(TAUGHT + lesson.batch, asdict(lesson))

    def acts(self) -> list[tuple[str, str, str]]:
        with self.journal() as journal:
            return [(act.alarm_id, act.act, act.who) for act in journal.acts()]

    def log(self, batch: str) -> list[str]:
        with self.journal() as journal:
            return [entry.kind for entry in journal.entries(batch)]


def assert_one_sentence(text: str) -> None:
    """Not empty, no traceback, no fault of the program's own, ends like a sentence or a hint, of readable length."""
    plain = " ".join(text.split())
    assert plain, "something must be said"
    assert "Traceback" not in plain and "Emberpail itself failed" not in plain, plain
    assert not re.search(r"\b(Errno|codec|object at 0x|NoneType)\b", plain), plain
    assert len(plain) < 1600, plain
    command_at_the_end = re.search(r"(--help|replay NAME\.rec|--purity 90%|emberpail ring)$", plain)
    assert plain[-1] in ".?!)" or command_at_the_end, plain


@pytest.fixture
def shed(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Shed]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EMBERPAIL_SETTINGS", str(tmp_path / "emberpail.toml"))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("EMBERPAIL_TRACEBACK", raising=False)
    # A command that speaks another language or other units must not go on doing so in the next test.
    with speaking(ENGLISH):
        yield Shed(tmp_path, capsys)


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def typing(monkeypatch: pytest.MonkeyPatch) -> Callable[..., _Terminal]:
    """``typing("rapeseed 3.6 L", "")``: a terminal at which these lines will be typed."""

    def type_lines(*lines: str) -> _Terminal:
        terminal = _Terminal("".join(f"{line}\n" for line in lines))
        monkeypatch.setattr("sys.stdin", terminal)
        return terminal

    return type_lines
