"""The shipped recordings are what the seeded script writes, and tell the story that their README tells."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from tests.simulator import night
from tests.simulator.bucket import Run, Truth

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


@pytest.fixture(scope="module")
def told() -> list[tuple[night.Piece, Run, Truth]]:
    return night.runs()


def test_shipped_files_are_what_the_script_writes(told: list[tuple[night.Piece, Run, Truth]]) -> None:
    """The notes are the same text; the arrivals of each recording and its first lines are the same bytes."""
    for piece, run, _ in told:
        rec, toml = night.make(piece, run)
        assert (RECORDINGS / f"{piece.file}.toml").read_text(encoding="utf-8") == toml
        shipped = (RECORDINGS / f"{piece.file}.rec").read_bytes().split(b"\n")
        made = rec.split(b"\n")
        assert len(shipped) == len(made)
        assert [x.split(b"\t")[0] for x in shipped[:200]] == [x.split(b"\t")[0] for x in made[:200]]
        assert shipped[:5] == made[:5]


def test_the_night_tells_its_story(told: list[tuple[night.Piece, Run, Truth]]) -> None:
    """One good, one not taken, one that cools early, one good whose probe falls out; the spring batch is good."""
    truth = {piece.file: t for piece, _, t in told}
    assert truth["night-shed-1"].good and truth["night-shed-4"].good and truth["quillmarsh-12"].good
    assert "not_taken" in truth["night-shed-2"].due
    # Nearly half of it is blended too coarsely: it looks taken at first, which is what makes it worth showing.
    assert "cooled_early" in truth["night-shed-3"].due and "separated" not in truth["night-shed-3"].due


def test_shipped_recordings_are_small_and_well_formed() -> None:
    """Arrival times never go back, nearly every line is a SenML pack, the notes are TOML with the design's keys."""
    total = 0
    for rec in RECORDINGS.glob("*.rec"):
        data = rec.read_bytes()
        total += len(data)
        last, damaged, n = 0.0, 0, 0
        for line in data.splitlines():
            if line.startswith(b"#"):
                json.loads(line[1:])
                continue
            stamp, body = line.split(b"\t", 1)
            assert re.fullmatch(rb"\d{10}\.\d{3}", stamp)
            assert float(stamp) >= last
            last, n = float(stamp), n + 1
            try:
                json.loads(re.sub(rb" [0-9a-f]{8}$", b"", body))
            except ValueError:
                damaged += 1
        assert 0 < damaged < 0.01 * n, rec.name
        notes = tomllib.loads(rec.with_suffix(".toml").read_text(encoding="utf-8"))
        assert notes["batch"]["started"].tzinfo is not None
        assert [e["kind"] for e in notes["event"]][:2] == ["poured", "blended"]
    assert total < 2_500_000
