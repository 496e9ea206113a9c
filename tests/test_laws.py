"""The two laws of the design, over whole recordings.

Same answer: replaying what ``watch`` recorded, with the log entries at the times they were noted, gives each bucket's
events again byte for byte. No foresight: cut a recording after any line, drop what was noted later, and the events up
to there are the same bytes, the verdict apart.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry
from monitor.settings import BucketSettings, SerialSource, Settings, SiteSettings
from monitor.sources.batch_file import BatchFile, read_batch_file, write_batch_file
from monitor.sources.line import Origin
from tests.helpers_watch import (
    NIGHT_S,
    NIGHTS,
    RECORDINGS,
    Bench,
    batch_in,
    entry,
    pack,
    recorded_lines,
    replay,
    settings_with,
)

ALL = (*NIGHTS, "quillmarsh-12")
SETTINGS = settings_with("shed-1", "shed-2", "shed-3", "shed-4")
HOUR_S = 3600.0


@dataclass(frozen=True)
class Whole:
    """A recording that ships, replayed from its first line to its last."""

    entered: BatchFile
    lines: tuple[bytes, ...]
    arrivals: tuple[float | None, ...]  # of each line of the file; None where it is a note or has no stamp
    events: tuple[str, ...]  # the verdict apart


@pytest.fixture(scope="session")
def whole(tmp_path_factory: pytest.TempPathFactory):
    """Each shipped recording is replayed in full only once for all the tests here."""
    folder = tmp_path_factory.mktemp("whole")

    @cache
    def of(name: str) -> Whole:
        recording, batch_file, out = RECORDINGS / f"{name}.rec", folder / f"{name}.toml", folder / f"{name}.jsonl"
        entered = _with_late_entries(read_batch_file(RECORDINGS / f"{name}.toml"))
        write_batch_file(batch_file, entered.batch, entered.log)
        replay(recording, batch_file, out, SETTINGS)
        lines = tuple(recording.read_bytes().splitlines(keepends=True))
        events = tuple(line for line in out.read_text().splitlines() if json.loads(line)["event"] != "verdict")
        return Whole(entered, lines, tuple(_stamp(line) for line in lines), events)

    return of


def _with_late_entries(entered: BatchFile) -> BatchFile:
    """The grower also remembers, long afterwards, that the batch was covered and blended again.

    Both are noted half a minute after the tick of an estimate, which must not know of them.
    """
    began_s = entered.batch.started_s
    late = (
        entry("covered", began_s + 15 * 60.0, began_s + 100.5 * 60.0),
        entry("reblended", began_s + 55 * 60.0, began_s + 150.5 * 60.0, temperature_c=70.0),
    )
    return entered._replace(log=(*entered.log, *late))


def _stamp(line: bytes) -> float | None:
    stamp, tab, _ = line.partition(b"\t")
    try:
        return float(stamp) if tab and not line.startswith(b"#") else None
    except ValueError:
        return None


# ---- no foresight ----------------------------------------------------------------------------------------------------


def _cuts(whole: Whole, name: str) -> list[int]:
    """After how many lines to cut: the nasty places, and random ones, most of them where most is decided."""
    blended_s = max(one.noted_at_s for one in whole.entered.log if one.kind == "blended")
    stamps = whole.arrivals

    def first_from(at_s: float) -> int:
        return next((i for i, stamp in enumerate(stamps) if stamp is not None and stamp >= at_s), len(stamps))

    chance = random.Random(f"cuts of {name}")
    deciding = first_from(blended_s + 15 * 60.0)
    return sorted(
        {
            1,  # the note alone
            first_from(whole.entered.batch.started_s) + 1,  # one line of the batch
            first_from(whole.entered.log[-1].noted_at_s),  # just before the last entry is known
            first_from(whole.entered.log[-2].noted_at_s),
            deciding,  # the last line before the deciding tick
            deciding + 1,
            chance.randint(deciding, first_from(blended_s + 2 * HOUR_S)),
            chance.randint(1, len(stamps) // 2),
        }
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ALL)
def test_a_recording_cut_anywhere_says_the_same_up_to_the_cut(name: str, whole, tmp_path: Path) -> None:
    """No event depends on a line that arrived after it, or on an entry that was noted after it."""
    full = whole(name)
    for n in _cuts(full, name):
        cut_s = max((stamp for stamp in full.arrivals[:n] if stamp is not None), default=0.0)
        recording, batch_file, out = tmp_path / f"{n}.rec", tmp_path / f"{n}.toml", tmp_path / f"{n}.jsonl"
        recording.write_bytes(b"".join(full.lines[:n]))
        write_batch_file(
            batch_file, full.entered.batch, [one for one in full.entered.log if one.noted_at_s <= cut_s]
        )
        replay(recording, batch_file, out, SETTINGS)
        said = [line for line in out.read_text().splitlines() if json.loads(line)["event"] != "verdict"]
        expected = [line for line in full.events if json.loads(line)["at"] <= cut_s]
        assert said == expected, f"cut after line {n} at {cut_s}"


@pytest.mark.slow
def test_a_line_torn_in_the_middle_is_only_a_damaged_line(whole, tmp_path: Path) -> None:
    """A recording that ends in half a line, as after a power cut, says what it says without that half."""
    full = whole("night-shed-2")
    n = 400
    assert full.arrivals[n] is not None
    results = []
    for name, text in (("whole", full.lines[:n]), ("torn", [*full.lines[:n], full.lines[n][:40]])):
        recording, out = tmp_path / f"{name}.rec", tmp_path / f"{name}.jsonl"
        recording.write_bytes(b"".join(text))
        replay(recording, RECORDINGS / "night-shed-2.toml", out, SETTINGS)
        results.append([line for line in out.read_text().splitlines() if json.loads(line)["event"] != "verdict"])
    assert len(results[0]) > 5
    # The torn line has its stamp, so one more tick may be due by then; all that was said before is the same.
    assert results[1][: len(results[0])] == results[0]


# ---- same answer -----------------------------------------------------------------------------------------------------


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path, NIGHT_S - 6 * 60.0, SETTINGS)
    yield one
    one.close()


def _enter(bench: Bench, at_s: float, waiting: list[tuple[float, Batch, LogEntry | None]]) -> None:
    """The grower enters, each at its time, what is due by ``at_s``."""
    while waiting and waiting[0][0] <= at_s:
        noted_s, batch, one = waiting.pop(0)
        bench.until(noted_s)
        if one is None:
            bench.begin(batch)
        else:
            bench.mark(batch, one)


@pytest.mark.slow
def test_a_whole_night_live_is_the_night_replayed(whole, bench: Bench) -> None:
    """Four buckets minded together through one watch: each has the events of its own recording replayed alone, and
    of what the watch recorded replayed; its verdict too, once the batch is ended."""
    entered = {name: whole(name).entered for name in NIGHTS}
    waiting: list[tuple[float, Batch, LogEntry | None]] = [
        (one.batch.started_s, one.batch, None) for one in entered.values()
    ]
    waiting += [(log.noted_at_s, one.batch, log) for one in entered.values() for log in one.log]
    waiting.sort(key=lambda item: (item[0], item[2] is not None))
    for at_s, data, origin, retained in recorded_lines(*NIGHTS):
        _enter(bench, at_s, waiting)
        bench.line(at_s, data, origin, retained=retained)
    ended = entered["night-shed-2"].batch
    bench.desk.end_batch(ended.name, bench.now_s, bench.now_s, "held")
    bench.until(bench.now_s + 5.0)
    bench.stop()
    for name, one in entered.items():
        # Live, ticks go on when a bucket's own recording has ended, for the others' still runs.
        last_s = max(stamp for stamp in whole(name).arrivals if stamp is not None)
        live = [line for line in bench.events(one.batch.bucket) if json.loads(line)["at"] <= last_s]
        assert live == list(whole(name).events), name
    assert bench.replayed(ended, verdict=True) == bench.events(ended.bucket, verdict=True)
    assert json.loads(bench.events(ended.bucket, verdict=True)[-1])["event"] == "verdict"
    lively = entered["night-shed-4"].batch
    assert bench.replayed(lively) == bench.events(lively.bucket)
    assert ("sensor_fault", "raised") in bench.alarms(lively.bucket)


@pytest.mark.slow
def test_a_watch_that_was_restarted_again_and_again_is_replayed_the_same(bench: Bench) -> None:
    """Restarts in mid-minute, on the very minute, while nothing is committed, and after a gap of half an hour: what
    the recording holds still gives every event again. shed-3 is heard through a broker that sends again what was not
    acknowledged; what shed-2 sends while nobody listens is lost."""
    batches = {name: read_batch_file(RECORDINGS / f"{name}.toml") for name in NIGHTS[1:3]}
    waiting: list[tuple[float, Batch, LogEntry | None]] = []
    for one in batches.values():
        noted_s = one.batch.started_s + 47.25
        waiting.append((noted_s, Batch(one.batch.name, one.batch.bucket, one.batch.started_s, one.batch.recipe,
                                       one.batch.vessel, noted_at_s=noted_s), None))  # fmt: skip
        for log, late_s in zip(one.log, (90.5, 3.25, 59.999), strict=False):
            noted = entry(log.kind, log.at_s, log.at_s + late_s, temperature_c=log.temperature_c)
            waiting.append((noted.noted_at_s, one.batch, noted))
    waiting.sort(key=lambda item: item[0])
    downs = [
        (NIGHT_S + 12 * 60 + 34.5, 20.0, bench.kill),
        (NIGHT_S + 33 * 60, 0.2, bench.stop),
        (NIGHT_S + 41 * 60 + 2.0, 0.2, bench.kill),
        (NIGHT_S + 55 * 60 + 59.95, 0.3, bench.stop),
        (NIGHT_S + 70 * 60 + 1.0, 1900.0, bench.kill),
    ]
    sent: list[tuple[bytes, Origin]] = []
    backlog: list[tuple[bytes, Origin]] = []
    up_again_s = 0.0
    for at_s, data, origin, retained in recorded_lines(*batches):
        if at_s > NIGHT_S + 2 * HOUR_S:
            break
        by_broker = origin.name == "night-shed-3"
        if up_again_s and at_s < up_again_s:
            if by_broker:
                backlog.append((data, origin))
            continue
        if up_again_s:
            bench.now_s = up_again_s
            bench.start()
            up_again_s = 0.0
            for again, whence in backlog:
                bench.line(bench.now_s + 0.01, again, whence, ack=True)
            backlog = []
        if downs and at_s >= downs[0][0]:
            _enter(bench, downs[0][0], waiting)
            bench.until(downs[0][0])
            _, lasts_s, end = downs.pop(0)
            end()
            acked = set(bench.acked)
            backlog += [one for one in sent if one[0] not in acked]
            up_again_s = bench.now_s + lasts_s
            if by_broker:
                backlog.append((data, origin))
            continue
        _enter(bench, at_s, waiting)
        bench.line(at_s, data, origin, ack=by_broker, retained=retained)
        if by_broker:
            sent = [*sent[-10:], (data, origin)]
    bench.stop()
    assert not downs
    for one in batches.values():
        assert len(bench.events(one.batch.bucket)) > 8
        assert bench.replayed(one.batch) == bench.events(one.batch.bucket)
    # The half hour without a watch is no silence of the bucket.
    assert "silent" not in {kind for kind, _ in bench.alarms()}


def test_nodes_that_double_stamp_from_boot_and_name_their_probes_bare_are_replayed_the_same(tmp_path: Path) -> None:
    """A clock that counts from boot, doubled packs, two values for one moment, an hour's backlog, damaged lines, two
    nodes that both call their probe "core": live and replay still agree, also over a restart."""
    settings = Settings(
        site=SiteSettings(emergency_number="144"),
        sources=(
            SerialSource("left", "/dev/left", bucket="shed-1"), SerialSource("right", "/dev/right", bucket="shed-2"),
        ),
        buckets=(BucketSettings("shed-1"), BucketSettings("shed-2")),
    )
    bench = Bench(tmp_path, NIGHT_S - 100.0, settings)
    left, right = (batch_in("shed-1", noted_at_s=NIGHT_S + 1.0), batch_in("shed-2", noted_at_s=NIGHT_S + 2.0))
    waiting: list[tuple[float, Batch, LogEntry | None]] = []
    for one in (left, right):
        poured = entry("poured", NIGHT_S, NIGHT_S + 20.0, temperature_c=45.0)
        waiting += [(NIGHT_S + 2.0, one, None), (NIGHT_S + 20.0, one, poured)]
        waiting.append((NIGHT_S + 240.0, one, entry("blended", NIGHT_S + 240.0)))
    waiting.sort(key=lambda item: item[0])
    serial = {"left": Origin("serial", "left"), "right": Origin("serial", "right")}
    chance = random.Random(7)
    held_back: list[bytes] = []
    for i in range(300):
        at_s = NIGHT_S - 60.0 + 15.0 * i + chance.random()
        rise_c = 45.0 + 35.0 * (1 - 2.718 ** (-max(0.0, at_s - NIGHT_S) / 1500.0))
        boot_s = 400.0 + 15.0 * i
        _enter(bench, at_s, waiting)
        bench.line(at_s, json.dumps([{"bt": boot_s, "n": "core", "u": "Cel", "v": round(rise_c, 2)}]).encode(),
                   serial["left"])  # fmt: skip
        mine = pack("shed-2", round(40.0 - i / 100, 2), round(at_s, 3)).replace(b"shed-2/", b"")
        if 100 <= i < 140:
            held_back.append(mine)
            continue
        bench.line(at_s + 0.2, mine, serial["right"])
        if i == 150:
            for j, one in enumerate(held_back):
                bench.line(at_s + 0.3 + j / 1000, one, serial["right"])
        if i % 9 == 0:
            bench.line(at_s + 3.5, mine, serial["right"])
            bench.line(at_s + 3.6, mine.replace(b'"v":', b'"v":1'), serial["right"])
        if i % 31 == 0:
            bench.line(at_s + 4.0, b'[{"n":"core","u":"Cel","v":4', serial["left"])
        if i in (60, 200):
            bench.stop()
            bench.now_s += 4.0
            bench.start()
    bench.stop()
    for one in (left, right):
        said = bench.events(one.bucket)
        assert len(said) > 5
        assert bench.replayed(one) == said
    assert ("silent", "raised") in bench.alarms("shed-2"), "ten minutes without a reading in the first hour"
    assert "144" in "".join(bench.events("shed-2")), "the place's own emergency number stands in the words"
    bench.desk.close()
