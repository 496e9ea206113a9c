"""The events file: each line once, whatever was refused, torn or left out."""

from __future__ import annotations

import errno
import io
import resource
from pathlib import Path
from typing import Any

import pytest

from monitor.events_file import EventsFile

# As the journal has them, with what takes two bytes and what some take for the end of a line.
LINES = [f'{{"event":"x","at":{n},"says":"shed-1: 8{n} °C\u2028 now"}}' for n in range(1, 6)]
ALL = "".join(f"{line}\n" for line in LINES)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.jsonl"


def since(since_s: float | None) -> list[str]:
    return [line for n, line in enumerate(LINES, 1) if since_s is None or n >= since_s]


def gone_on(path: Path, left: bytes) -> bytes:
    """What a watch that begins anew makes of a file as it was left."""
    path.write_bytes(left)
    file = EventsFile(path)
    file.find_missing(since)
    assert file.append() is None
    return path.read_bytes()


def test_lines_are_written_as_they_come(path: Path) -> None:
    file = EventsFile(path)
    assert file.append(LINES[:2]) is None and file.append() is None and file.append(LINES[2:]) is None
    assert path.read_text() == ALL


def test_what_was_refused_once_is_written_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file's own buffer tries again as it is closed: what then succeeded must not be written a second time."""
    refusals = [OSError(errno.EIO, "Input/output error")]

    class Once(io.FileIO):
        def write(self, data: Any) -> int:
            if refusals:
                raise refusals.pop()
            return super().write(data)

    def opened(self: Path, mode: str, buffering: int = -1) -> Any:
        raw = Once(self, mode)
        return raw if buffering == 0 else io.BufferedWriter(raw)

    monkeypatch.setattr(Path, "open", opened)
    file = EventsFile(path)
    assert file.append(LINES[:2]) == "Input/output error"
    assert file.append(LINES[2:]) is None
    monkeypatch.undo()
    assert path.read_text() == ALL


def test_a_line_that_is_written_in_part_goes_on_there(path: Path) -> None:
    file = EventsFile(path)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (30, limits[1]))
    try:
        assert file.append(LINES[:2]) == "File too large"
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_bytes() == ALL.encode()[:30]
    assert file.append(LINES[2:]) is None
    assert path.read_text() == ALL


def test_a_file_that_takes_nothing_is_trouble_and_no_endless_loop(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Deaf(io.FileIO):
        def write(self, data: Any) -> int:
            return 0

    monkeypatch.setattr(Path, "open", lambda self, mode, buffering: Deaf(self, mode))
    assert EventsFile(path).append(LINES)


def test_a_file_torn_anywhere_becomes_whole(path: Path) -> None:
    """By a full disk or a kill: between two lines, in one, in a character, in the very first."""
    whole = ALL.encode()
    for length in range(1, len(whole) + 1):
        assert gone_on(path, whole[:length]) == whole, length


def test_what_comes_before_is_left_as_it_is(path: Path) -> None:
    """A file of somebody else, or one whose last line is torn and no event of ours."""
    for theirs in (b"their notes\n", b'{"at": 1e999}\n', b'{"at": 1' + b"0" * 400 + b"}\n", b"[]\n"):
        assert gone_on(path, theirs) == theirs
    assert gone_on(path, b"their notes") == b"their notes\n"
    assert gone_on(path, ALL.encode() + b"\xff\xfe") == ALL.encode() + b"\xff\xfe\n"
    half = ALL.encode()[: len(LINES[0].encode()) + 1]
    assert gone_on(path, half + b"junk") == half + b"junk\n" + ALL.encode()[len(half) :]


def test_an_empty_file_and_none_begin_from_here(path: Path) -> None:
    assert gone_on(path, b"") == b""
    path.unlink()
    file = EventsFile(path)
    file.find_missing(since)
    assert file.append() is None and not path.exists()
