"""A recording whose disk is unplugged and comes back: all of it is there, each line once and whole."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest

from monitor.sources import appended
from monitor.sources.appended import AppendedFile
from monitor.sources.line import Line, Origin
from monitor.sources.recording import RecordingWriter, read_recording

T0 = 1773480000.0
SHED, BARN = Origin("serial", "shed node"), Origin("serial", "barn node")


def say(writer: RecordingWriter, number: int, origin: Origin = SHED) -> None:
    writer.write(T0 + number, Line(0, b"[%d]" % number, origin))


def kept(path: Path) -> list[tuple[bytes, Origin]]:
    recording = read_recording(path)
    lines = [(line.data, line.origin) for line in recording if line.note is None]
    assert recording.faults == {}
    return lines


def pull(writer: RecordingWriter) -> None:
    """The descriptor goes dead, as when its disk is unplugged."""
    dead = os.open(writer.path, os.O_PATH)
    os.dup2(dead, writer._file.fd)
    os.close(dead)


def plug_in_again(away: Path, path: Path) -> None:
    """The same file under another number."""
    shutil.copyfile(away, path)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "mounted"
    folder.mkdir()
    return folder / "night.rec"


@pytest.mark.parametrize("by_a_line", [True, False])
def test_it_heals_when_the_disk_is_back(path: Path, *, by_a_line: bool) -> None:
    """What came meanwhile is written, the trouble is over: with the next line, or without one at the next commit."""
    writer = RecordingWriter(path)
    say(writer, 0)
    writer.flush()
    away = path.parent.parent / "away.rec"
    pull(writer)
    path.rename(away)
    for number in range(1, 5):
        say(writer, number)
        writer.flush()
        assert "look at the disk" in str(writer.trouble)
        assert not path.exists()  # nothing is begun on an empty mount point
    plug_in_again(away, path)
    if by_a_line:
        say(writer, 5)
    else:
        writer.flush()
    assert writer.trouble is None
    there = kept(path)
    assert there == [(b"[%d]" % number, SHED) for number in range(6 if by_a_line else 5)]
    writer.close()
    assert kept(path) == there and writer.lost == 0


def test_a_moment_of_trouble_costs_nothing_and_doubles_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk takes a part of a line and says that it failed; the same file is gone on with where it was torn."""
    writer = RecordingWriter(path)
    say(writer, 0)
    write = os.write

    def tears(fd: int, data: bytes) -> int:
        write(fd, bytes(data)[:9])
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patched:
        patched.setattr("os.write", tears)
        say(writer, 1)
    assert path.read_bytes().endswith(b"\n177348000") and "look at the disk" in str(writer.trouble)
    say(writer, 2)
    writer.close()
    assert kept(path) == [(b"[0]", SHED), (b"[1]", SHED), (b"[2]", SHED)]
    assert path.read_bytes().count(b"\n") == 4  # and the note of where from


def test_what_the_disk_had_not_kept_is_written_again(path: Path) -> None:
    """Taken by the system and lost with the disk before it was asked: it is held until then, down to half a line."""
    writer = RecordingWriter(path)
    say(writer, 0)
    writer.flush()
    before = path.stat().st_size
    say(writer, 1)
    say(writer, 2, BARN)
    say(writer, 3, BARN)
    for cut in range(before, path.stat().st_size + 1):
        whole = path.read_bytes()
        pull(writer)
        path.unlink()
        path.write_bytes(whole[:cut])
        say(writer, 100)  # finds the disk gone
        path.unlink()
        path.write_bytes(whole[:cut])
        say(writer, 101, BARN)
        assert path.read_bytes().startswith(whole)
        lines = kept(path)
        assert lines[:4] == [(b"[0]", SHED), (b"[1]", SHED), (b"[2]", BARN), (b"[3]", BARN)]
        assert lines[4:] == [(b"[100]", SHED), (b"[101]", BARN)]
        # Once more from where it was.
        writer.close()
        path.unlink()
        writer = RecordingWriter(path)
        say(writer, 0)
        writer.flush()
        say(writer, 1)
        say(writer, 2, BARN)
        say(writer, 3, BARN)
    writer.close()


def test_in_another_file_it_says_again_where_the_lines_come_from(path: Path) -> None:
    """An older copy, or one that somebody laid there: its torn line is ended, and nothing of ours is guessed at."""
    writer = RecordingWriter(path)
    for number in range(20):
        say(writer, number)
    writer.flush()
    pull(writer)
    path.unlink()
    path.write_bytes(b'#{"source":"barn node","kind":"serial"}\n1773470000.000\t[old]\n1773470001.000\t[torn')
    say(writer, 20)
    say(writer, 21, BARN)
    writer.close()
    assert kept(path) == [(b"[old]", BARN), (b"[torn", BARN), (b"[20]", SHED), (b"[21]", BARN)]


def test_a_damaged_end_is_left_and_whole_lines_are_not_said_twice(path: Path) -> None:
    """Zeros, as a file system may leave them after the disk was pulled."""
    writer = RecordingWriter(path)
    say(writer, 0)
    writer.flush()
    for number in range(1, 5):
        say(writer, number)
    whole = path.read_bytes()
    pull(writer)
    path.unlink()
    path.write_bytes(whole[:-20] + bytes(20))
    say(writer, 5)
    say(writer, 6)
    writer.close()
    recording = read_recording(path)
    lines = [line.data for line in recording if line.note is None]
    assert [one for one in lines if b"\0" not in one] == [b"[%d]" % number for number in range(7)]


def test_a_file_that_was_laid_in_its_place_is_gone_on_in(path: Path) -> None:
    """Without an error of the disk, as where the file was moved and a new one made: what is kept is not said twice."""
    writer = RecordingWriter(path)
    say(writer, 0)
    moved = path.with_name("before.rec")
    path.rename(moved)
    writer.flush()
    say(writer, 1)
    path.touch()
    writer.flush()
    say(writer, 2)
    writer.close()
    assert kept(moved) == [(b"[0]", SHED), (b"[1]", SHED)]
    assert kept(path) == [(b"[2]", SHED)]


def test_a_full_disk_is_not_left(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes more through the same descriptor as soon as there is room."""
    writer = RecordingWriter(path)
    fd = writer._file.fd

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr("os.write", full)
        say(writer, 0)
        patched.setattr("os.fdatasync", full)
        writer.flush()
        assert "make room" in str(writer.trouble) and writer._file.fd == fd
    say(writer, 1)
    writer.close()
    assert kept(path) == [(b"[0]", SHED), (b"[1]", SHED)]


def test_what_is_held_of_what_was_taken_has_a_limit(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal that refuses for days asks no disk; what is let go of ends with a line."""
    monkeypatch.setattr(appended, "_MOST_UNSYNCED_BYTES", 1000)
    file = AppendedFile(path, heading=b"#")
    for number in range(500):
        file.append(b"%d\n" % number)
        assert len(file._unsynced) <= 1000
    assert path.read_bytes()[file._begins_at :] == file._unsynced
    assert path.read_bytes()[file._begins_at - 1 : file._begins_at] == b"\n"
    file.leave()
    file.append(b"500\n")
    file.leave()
    assert path.read_bytes() == b"".join(b"%d\n" % number for number in range(501))
