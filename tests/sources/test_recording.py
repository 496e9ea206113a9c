"""Recordings: written, read back exactly, read through damage, played."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.clock import ArrivalClock
from monitor.sources.line import MAX_LINE_BYTES, Line, Origin
from monitor.sources.recording import (
    DrivenClock,
    RecordedLine,
    RecordingError,
    RecordingSource,
    RecordingWriter,
    last_arrival_s,
    read_recording,
)
from tests.sources.conftest import Running

SERIAL = Origin("serial", "shed node")
NODE = Origin("mqtt", "broker", "emberpail/node-1/readings")
T0 = 1773480000.0


def lines_of(path: Path) -> list[RecordedLine]:
    return [line for line in read_recording(path) if line.note is None]


def written(tmp_path: Path, text: bytes) -> Path:
    path = tmp_path / "night.rec"
    path.write_bytes(text)
    return path


# ---- writing and reading back --------------------------------------------------------------------------------------


def test_the_format_is_stamp_tab_bytes_with_notes(tmp_path: Path) -> None:
    """Byte for byte as the format says: three decimals, a tab, the bytes; notes in JSON after a #."""
    path = tmp_path / "night.rec"
    with RecordingWriter(path, started_s=T0) as writer:
        writer.write(T0 + 0.5, Line(0, b'[{"n":"shed-2/core"}]\r', SERIAL))
        writer.write(T0 + 1.25, Line(0, b"[1]", NODE, retained=True))
        writer.write(T0 + 2, Line(0, b"[2]", NODE))
        writer.note({"clock_step_s": 3600.0})
    assert path.read_bytes() == (
        b'#{"at":1773480000.0,"note":"watch started"}\n'
        b'#{"source":"shed node","kind":"serial"}\n'
        b'1773480000.500\t[{"n":"shed-2/core"}]\r\n'
        b'#{"source":"broker","kind":"mqtt","topic":"emberpail/node-1/readings"}\n'
        b'#{"retained":true}\n'
        b"1773480001.250\t[1]\n"
        b"1773480002.000\t[2]\n"
        b'#{"clock_step_s":3600.0}\n'
    )


@given(
    st.lists(st.tuples(st.integers(0, 10**9), st.binary(max_size=60), st.sampled_from([SERIAL, NODE]), st.booleans()))
)
def test_what_was_written_is_read_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[int, bytes, Origin, bool]]
) -> None:
    """NUL, tabs, a leading #, bytes that are no UTF-8: all come back, with origin and retained mark."""
    path = tmp_path_factory.mktemp("rec") / "night.rec"
    expected, at_s = [], T0
    with RecordingWriter(path) as writer:
        for after_ms, data, origin, retained in lines:
            at_s = round(at_s + after_ms / 1000.0, 3)
            writer.write(at_s, Line(0, data, origin, retained))
            expected.append((at_s, data.replace(b"\n", b" "), retained, None, origin))
    recording = read_recording(path)
    assert [line for line in recording if line.note is None] == expected
    assert recording.faults == {}


def test_a_recording_is_gone_on_with_after_a_restart(tmp_path: Path) -> None:
    """Appending keeps what was there, and says the origin anew."""
    path = tmp_path / "night.rec"
    for start_s in (T0, T0 + 100):
        with RecordingWriter(path, started_s=start_s) as writer:
            writer.write(start_s + 1, Line(0, b"[]", SERIAL))
    assert [(line.arrival_s, line.origin) for line in lines_of(path)] == [(T0 + 1, SERIAL), (T0 + 101, SERIAL)]
    assert path.read_bytes().count(b'"source"') == 2
    assert last_arrival_s(path) == T0 + 101


KILLED = """
import sys
from monitor.sources.line import Line, Origin
from monitor.sources.recording import RecordingWriter
writer, origin = RecordingWriter(sys.argv[1]), Origin("serial", "s")
for number in range(10**9):
    writer.write(1773480000.0 + number, Line(0, b'[%d]' % number, origin))
    print(number, flush=True)
"""


def test_kill_minus_nine_loses_no_written_line_and_a_torn_one_is_completed(tmp_path: Path) -> None:
    """Every line that write() returned from is there; what a crash tore is ended before the next line."""
    path = tmp_path / "night.rec"
    command = [sys.executable, "-c", KILLED, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as process:
        assert process.stdout is not None
        told = [int(process.stdout.readline()) for _ in range(200)]
        os.kill(process.pid, signal.SIGKILL)
    kept = [line.data for line in lines_of(path)]
    assert kept[: len(told)] == [b"[%d]" % number for number in told]
    with open(path, "ab") as file:
        file.write(b'1773490000.000\t[{"n":"torn')
    with RecordingWriter(path) as writer:
        writer.write(T0 + 20000, Line(0, b"[]", SERIAL))
    assert [line.data for line in lines_of(path)][-2:] == [b'[{"n":"torn', b"[]"]


def test_a_full_disk_is_said_and_made_up_for(tmp_path: Path) -> None:
    """Nothing is raised or lost: what the disk did not take waits in order, the rest of a torn line first of all."""
    path = tmp_path / "night.rec"
    writer = RecordingWriter(path)
    writer.write(T0, Line(0, b"[0]", SERIAL))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size + len("1773480001.000\t[12"), hard))
    try:
        writer.write(T0 + 1, Line(0, b"[1234567]", SERIAL))
        writer.write(T0 + 2, Line(0, b"[2]", SERIAL))
        assert path.read_bytes().endswith(b"[12") and "make room" in str(writer.trouble)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    writer.write(T0 + 3, Line(0, b"[3]", SERIAL))
    assert writer.trouble is None
    writer.close()
    assert [line.data for line in lines_of(path)] == [b"[0]", b"[1234567]", b"[2]", b"[3]"]
    assert writer.lost == 0


def test_what_waits_for_the_disk_has_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is beyond it is counted as lost, whole lines only, and what waits is not given up for it."""
    monkeypatch.setattr("monitor.sources.recording.MOST_BEHIND_BYTES", 200)
    path = tmp_path / "night.rec"
    writer = RecordingWriter(path)
    monkeypatch.setattr("os.write", _refuse)
    for number in range(20):
        writer.write(T0 + number, Line(0, b"[%d]" % number, SERIAL))
    monkeypatch.undo()
    writer.write(T0 + 30, Line(0, b"[30]", SERIAL))
    writer.close()
    kept = [line.data for line in lines_of(path)]
    assert kept == [*(b"[%d]" % number for number in range(len(kept) - 1)), b"[30]"]
    assert 2 <= len(kept) == 21 - writer.lost


def test_a_disk_that_is_full_at_the_start_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watch must mind all the same; the recording begins when there is room, with all that came before."""
    path = tmp_path / "night.rec"
    with monkeypatch.context() as patched:
        patched.setattr("os.open", _refuse)
        writer = RecordingWriter(path)
        writer.write(T0, Line(0, b"[0]", SERIAL))
        writer.flush()
        assert "make room" in str(writer.trouble) and not path.exists()
    writer.write(T0 + 1, Line(0, b"[1]", SERIAL))
    assert writer.trouble is None
    writer.close()
    assert [line.data for line in lines_of(path)] == [b"[0]", b"[1]"]


def _refuse(*_: object) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_path_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    """At the start, where somebody reads it."""
    with pytest.raises(RecordingError, match="cannot be written"):
        RecordingWriter(tmp_path / "none" / "night.rec")


# ---- reading through damage ----------------------------------------------------------------------------------------


def test_damage_is_counted_by_kind_and_the_rest_is_read(tmp_path: Path) -> None:
    """Every line that can be read is; every one that cannot is counted under what is wrong with it."""
    recording = read_recording(
        written(
            tmp_path,
            b"\xef\xbb\xbf#{}\r\n"
            b"1773480000\tinteger stamp\n"
            b"\n\r\n"
            b"no tab at all\n"
            b"17x3480001.0\tbad stamp\n"
            b"nan\tbad stamp\ninf\tbad stamp\n-5\tbad stamp\n1e300\tbad stamp\n"
            b"#not json\n#[1]\n"
            b"1773480002.000\tcarriage return\r\n"
            b"1773479000.000\tgone back\n"
            b"1773480003.000\t\x00\xff#\tno trailing line feed",
        )
    )
    assert [(line.arrival_s, line.data) for line in recording if line.note is None] == [
        (T0, b"integer stamp"),
        (T0 + 2, b"carriage return\r"),
        (T0 + 2, b"gone back"),
        (T0 + 3, b"\x00\xff#\tno trailing line feed"),
    ]
    assert recording.faults == {"no_stamp": 1, "bad_stamp": 5, "bad_note": 2, "stepped_back": 1}


def test_an_empty_recording_has_no_lines(tmp_path: Path) -> None:
    """It is no error: a watch that heard nothing leaves one."""
    path = written(tmp_path, b"")
    assert list(read_recording(path)) == []
    assert last_arrival_s(path) is None and last_arrival_s(tmp_path / "none.rec") is None


def test_a_huge_line_is_skipped_and_the_next_one_read(tmp_path: Path) -> None:
    """Memory holds one line at the most."""
    path = written(tmp_path, b"%.3f\t" % T0 + b"x" * 3_000_000 + b"\n%.3f\tnext\n" % (T0 + 1))
    recording = read_recording(path)
    assert [line.data for line in recording] == [b"next"]
    assert recording.faults == {"too_long": 1}


def test_the_longest_line_a_source_lets_through_can_be_read(tmp_path: Path) -> None:
    """What is recorded can be replayed."""
    path = tmp_path / "night.rec"
    with RecordingWriter(path) as writer:
        writer.write(T0, Line(0, b"y" * MAX_LINE_BYTES, SERIAL))
    assert [len(line.data) for line in lines_of(path)] == [MAX_LINE_BYTES]


def test_one_damaged_digit_does_not_throw_the_rest_to_the_end_of_time(tmp_path: Path) -> None:
    """A stamp years ahead that the next one does not confirm is dropped; one that is confirmed stands."""
    path = written(tmp_path, b"1773480000\ta\n1973480001\tdamaged\n1773480002\tb\n1776000000\tlost\n1776000010\tc\n")
    recording = read_recording(path)
    assert [line.data for line in recording] == [b"a", b"b", b"c"]
    assert recording.faults == {"bad_stamp": 2}


def test_a_pause_of_weeks_in_our_own_recording_loses_nothing(tmp_path: Path) -> None:
    """The writer's note, or the note of a new start, confirms the leap."""
    path = tmp_path / "night.rec"
    with RecordingWriter(path, started_s=T0) as writer:
        writer.write(T0, Line(0, b"a", SERIAL))
        writer.write(T0 + 30 * 86400, Line(0, b"b", SERIAL))
    with RecordingWriter(path, started_s=T0 + 90 * 86400) as writer:
        writer.write(T0 + 90 * 86400 + 60, Line(0, b"c", SERIAL))
    recording = read_recording(path)
    assert [line.data for line in recording if line.note is None] == [b"a", b"b", b"c"]
    assert recording.faults == {}


def test_a_note_comes_with_its_own_time_or_the_latest(tmp_path: Path) -> None:
    """The start of the watch counts as a moment of the recording; a note without a time takes none."""
    path = written(
        tmp_path, b'#{"at":1773480000,"note":"watch started"}\n1773480060.0\ta\n#{"clock_step_s":5}\n#{"at":"noon"}\n'
    )
    recording = read_recording(path)
    assert [(line.arrival_s, line.note) for line in recording] == [
        (T0, {"at": T0, "note": "watch started"}),
        (T0 + 60, None),
        (T0 + 60, {"clock_step_s": 5}),
        (T0 + 60, {}),
    ]
    assert recording.faults == {"bad_note": 1}


@given(st.lists(st.one_of(st.binary(max_size=30), st.sampled_from(
    [b"1773480000.0\t[]", b"\n", b"\t", b"#", b'#{"at":1e999}', b'#{"at":1773480000}', b'#{"source":3,"topic":[]}',
     b"9999999999\tx", b"#" + b"[" * 5000, b'#{"retained":true}', b"1" * 400 + b"\t"])), max_size=12))  # fmt: skip
def test_no_bytes_at_all_can_break_the_reader(tmp_path_factory: pytest.TempPathFactory, parts: list[bytes]) -> None:
    """Whatever stands in the file, lines come out with times that never go back."""
    path = written(tmp_path_factory.mktemp("fuzz"), b"\n".join(parts))
    times = [line.arrival_s for line in lines_of(path)]
    assert all(0.0 <= a <= b for a, b in pairwise(times))


@given(st.lists(st.tuples(st.integers(0, 10**8), st.binary(max_size=8)), min_size=1, max_size=20), st.data())
def test_cutting_a_recording_changes_nothing_before_the_cut(
    tmp_path_factory: pytest.TempPathFactory, parts: list[tuple[int, bytes]], data: st.DataObject
) -> None:
    """No foresight: what is read of the first lines does not depend on the later ones."""
    lines = [b"%d\t%b\n" % (1773480000 + at, what.replace(b"\n", b"")) for at, what in parts]
    cut = data.draw(st.integers(0, len(lines)))
    folder = tmp_path_factory.mktemp("cut")
    whole, part = folder / "whole.rec", folder / "part.rec"
    whole.write_bytes(b"".join(lines))
    part.write_bytes(b"".join(lines[:cut]))
    of_part = [line[:4] for line in read_recording(part)]
    assert [line[:4] for line in read_recording(whole)][: len(of_part)] == of_part


def test_three_days_of_readings_are_read_in_a_sixth_of_a_second(tmp_path: Path) -> None:
    """26,000 lines in 0.15 s, the best of five (0.07 s was measured on two x86-64 cores)."""
    line = (
        b'[{"bn":"shed-2/","bt":1773480000,"n":"core","u":"Cel","v":56.2},{"n":"ambient","u":"Cel","v":8.1}] 0badc0de'
    )
    path = written(tmp_path, b"".join(b"%.3f\t%b\n" % (T0 + 10 * number, line) for number in range(26_000)))
    took = []
    for _ in range(5):
        start = time.process_time()
        assert sum(1 for _ in read_recording(path)) == 26_000
        took.append(time.process_time() - start)
    assert min(took) < 0.15


@pytest.mark.parametrize(("name", "word"), [("none.rec", "there is no recording"), ("", "is a folder")])
def test_a_recording_that_cannot_be_opened_is_one_sentence(tmp_path: Path, name: str, word: str) -> None:
    """At once, not at the first line."""
    with pytest.raises(RecordingError, match=word):
        read_recording(tmp_path / name)


# ---- playing -------------------------------------------------------------------------------------------------------


def two_recordings(tmp_path: Path) -> list[Path]:
    paths = [tmp_path / "shed-1.rec", tmp_path / "shed-2.rec"]
    for offset, path in enumerate(paths):
        with RecordingWriter(path) as writer:
            for number in range(5):
                writer.write(T0 + 60 * number + offset, Line(0, b"[%d]" % offset, Origin("serial", path.stem)))
    return paths


def test_several_recordings_play_as_one_in_the_order_of_arrival(tmp_path: Path) -> None:
    """As fast as they can be read, with the clock moved on to each line."""
    clock, lines, clock_times = DrivenClock(), [], []

    def deliver(line: Line) -> None:
        lines.append(line)
        clock_times.append(clock.now())

    source = RecordingSource(two_recordings(tmp_path), clock=clock)
    assert source.first_arrival_s() == T0
    source.run(deliver, threading.Event())
    assert [line.arrival_s for line in lines] == [T0 + 60 * n + k for n in range(5) for k in range(2)] == clock_times
    assert [line.origin.name for line in lines[:2]] == ["shed-1", "shed-2"]
    assert source.finished and source.health().state == "waiting" and source.health().lines == 10


def test_a_paced_recording_keeps_step_with_its_clock(tmp_path: Path) -> None:
    """At 600 times, four minutes take 0.4 s, and no line comes before its moment."""
    clock = ArrivalClock(speed=600.0, start_s=T0)
    late = []
    source = RecordingSource(two_recordings(tmp_path), clock=clock, speed=600.0)
    start = time.monotonic()
    source.run(lambda line: late.append(clock.now() - line.arrival_s), threading.Event())
    assert 0.35 < time.monotonic() - start < 3.0
    assert min(late) >= 0.0


def test_a_paced_recording_stops_at_once(tmp_path: Path, running: Callable[..., Running]) -> None:
    """Also while it waits for a line that is hours away."""
    source = RecordingSource(two_recordings(tmp_path), clock=ArrivalClock(start_s=T0), speed=1.0)
    run = running(source)
    run.wait_lines(1)
    start = time.monotonic()
    run.end()
    assert time.monotonic() - start < 1.0 and not source.finished


def test_a_missing_recording_is_trouble_not_a_traceback(tmp_path: Path) -> None:
    """The thread ends, and the health says why."""
    source = RecordingSource(tmp_path / "none.rec", clock=DrivenClock())
    source.run(lambda line: None, threading.Event())
    assert source.health().state == "trouble" and "there is no recording" in source.health().says
