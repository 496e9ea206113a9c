"""The text of a batch file, as whoever starts a batch gives it and as it stands beside a recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from zlib import crc32

from monitor.domain import LOG_KINDS
from monitor.sources.batch_file import BatchFile, BatchFileError, Recorded, batch_file_text, parse_batch
from monitor.trade.recipe import without_bad_numbers
from tests.faults.fuzz.target import Target
from tests.faults.fuzz.words_of_toml import WORDS, one_sentence
from tests.helpers_watch import RECORDINGS

PATH = "/nowhere/quillmarsh.toml"


def one(data: bytes) -> None:
    """A batch that can be used, or sentences; beside a recording, whatever is TOML at all can be used."""
    text = data.decode("utf-8", "replace" if crc32(data) % 2 else "ignore")
    try:
        read = parse_batch(text, PATH)
    except BatchFileError as error:
        assert error.problems
        for sentence in error.problems:
            one_sentence(sentence, PATH)
    else:
        _usable(read)
        _written_and_read_again(read)
    try:
        beside = parse_batch(text, PATH, beside=lambda: Recorded("shed-9", 1773480000.0))
    except BatchFileError as error:
        (sentence,) = error.problems
        one_sentence(sentence, PATH)
    else:
        _usable(beside)


def _usable(read: BatchFile) -> None:
    batch = read.batch
    assert batch.name and batch.bucket and batch.name.isprintable() and batch.bucket.isprintable()
    assert 0.0 <= batch.started_s <= 7.3e9 and math.isfinite(batch.planned_dilution_s)
    without_bad_numbers(batch.recipe)
    for entry in read.log:
        assert entry.kind in LOG_KINDS and 0.0 <= entry.at_s <= entry.noted_at_s <= 7.3e9
    assert list(read.log) == sorted(read.log, key=lambda entry: (entry.noted_at_s, entry.at_s))
    for warning in read.warnings:
        one_sentence(warning, PATH)


def _written_and_read_again(read: BatchFile) -> None:
    """What is written of a batch reads back as the same batch and log."""
    again = parse_batch(batch_file_text(read.batch, read.log), PATH)
    assert again.batch == read.batch, (again.batch, read.batch)
    plain = [replace(entry, entry_id="") for entry in read.log]
    assert [replace(entry, entry_id="") for entry in again.log] == plain


def seeds() -> Sequence[bytes]:
    """The batch files that ship."""
    return [path.read_bytes() for path in sorted(Path(RECORDINGS).glob("*.toml"))]


_OWN = (
    b"[batch]", b"[recipe]", b"[vessel]", b"[[event]]", b"[[events]]", b"[[recipe.oils]]", b"name", b"bucket",
    b"started", b"noted_at", b"planned_dilution_h", b"oils", b"koh_kg", b"koh_purity", b"water_kg", b"litres",
    b"insulation", b"at", b"kind", b"temperature_c", b"kg", b"text", b'"poured"', b'"blended"', b'"note"',
    b'"PROBE_IN"', b'"sunflower"', b'"blanket"', b'"1,5"', b"90", b'"2026-03-14 08:10"', b"1773480000",
    b'oils = "sunflower"',
)  # fmt: skip

TARGET = Target("batch_file", one, seeds, (*WORDS, *_OWN), longest=3000)
