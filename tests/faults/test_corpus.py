"""All that fuzzing has kept, run as plain tests; and that the fuzzers do find what they are made to find."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

import monitor.page.parts
import monitor.sensing.senml
import monitor.settings
import monitor.toml_tables
from monitor.page.press import Buttons
from monitor.sources.line_buffer import LineBuffer
from tests.faults.fuzz import on_http
from tests.faults.fuzz.run import mutation, plainly, starts, timed
from tests.faults.fuzz.target import CORPUS, NAMES, kept, target

# All of it is read at every run of the tests, so it has to stay small.
MOST_BYTES = 300_000


@pytest.mark.parametrize("name", NAMES)
def test_what_was_kept_breaks_nothing(name: str) -> None:
    """Each input keeps the promises: the sensible ones that mutation begins with, and each that once broke one."""
    on = target(name)
    inputs = starts(on)
    assert len(inputs) > len(kept(name)) > 0
    for data in inputs:
        timed(on.one)(data)


def test_the_corpus_stays_small_and_is_all_used() -> None:
    """Every file belongs to a target, and together they are soon read."""
    files = [path for path in CORPUS.rglob("*") if path.is_file()]
    assert {path.parent.name for path in files} <= set(NAMES)
    assert sum(path.stat().st_size for path in files) <= MOST_BYTES


@pytest.mark.parametrize("name", NAMES)
def test_a_seed_gives_the_same_inputs_again(name: str) -> None:
    """So that a failure can be repeated from what it printed."""
    on = target(name)
    change = mutation(on)

    def made() -> list[int]:
        rng, first = random.Random(5), on.seeds()[0]
        return [zlib.crc32(change(first, rng)) for _ in range(50)]

    assert made() == made()
    assert len(set(made())) > 25


def _believes(line: bytes) -> bytes:
    return line[: line.rindex(b"]") + 1] if b"]" in line else line


def _keeps_nothing(_self: LineBuffer, data: bytes) -> list[bytes]:
    """A reader that forgets what was left over from the piece before."""
    return data.split(b"\n")[:-1]


PLANTED: dict[str, tuple[str, Callable[[pytest.MonkeyPatch], None]]] = {
    "a check sum that nobody checks": (
        "serial",
        lambda patch: patch.setattr(monitor.sensing.senml, "split_checksum", _believes),
    ),
    "a line put together wrongly": ("serial", lambda patch: patch.setattr(LineBuffer, "feed", _keeps_nothing)),
    "a value that is not finite": (
        "mqtt",
        lambda patch: patch.setattr(monitor.sensing.senml, "isfinite", lambda _: True),
    ),
    "a secret in a sentence": (
        "settings",
        lambda patch: patch.setattr(monitor.toml_tables.Secret, "__repr__", lambda self: self.reveal()),
    ),
    "a form that needs no session": (
        "http",
        lambda patch: patch.setattr(Buttons, "allowed", lambda self, *_: self._deeds),
    ),
    "a text that is not escaped": (
        "http",
        lambda patch: patch.setattr(monitor.page.parts, "escape", lambda text, quote: text),
    ),
}


@pytest.mark.parametrize("fault", PLANTED)
def test_a_fault_that_was_planted_is_found(fault: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The fuzzers' own test: with the program broken on purpose they fail, soon, and keep the input that did it."""
    name, plant = PLANTED[fault]
    on = target(name)
    on.one(on.seeds()[0])
    plant(monkeypatch)
    with pytest.raises(AssertionError):
        plainly(on, runs=4000, seconds=0.0, seed=3, found=tmp_path)
    (found,) = tmp_path.glob("found-*")
    with pytest.raises(AssertionError):
        on.one(found.read_bytes())
    monkeypatch.undo()
    if name == "http":
        on_http.farm().open_anew()
    on.one(found.read_bytes())
