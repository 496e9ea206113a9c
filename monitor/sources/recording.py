"""NAME.rec: what came over the wire, written by ``watch --record``, read by ``replay`` and played by the demo.

One line each: arrival time (Unix seconds, three decimals, by a clock that never steps), a tab, the bytes as they
came. A line that begins with ``#`` holds a JSON note: ``source``, ``kind`` and ``topic`` before the first line and
wherever the origin changes (and ``bucket``: whose the probes are that it names bare); ``retained`` before a retained
line; ``clock_step_s``; ``at`` with a ``note``.
"""

from __future__ import annotations

import errno
import heapq
import json
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import IO, Any, NamedTuple

from monitor.sources.appended import FULL, AppendedFile
from monitor.sources.health import HealthBook, SourceHealth
from monitor.sources.line import MAX_LINE_BYTES, Clock, Deliver, Line, Origin
from monitor.words import tr

# The stamp and the tab come on top of what a source lets through.
_LONGEST = MAX_LINE_BYTES + 64
# A damaged digit can throw a stamp years ahead. A leap longer than this counts only when the next stamp, or a note,
# confirms it; without that rule one flipped bit would put all later lines at the end of time.
_LEAP_S = 7 * 86400.0
_CONFIRMS_S = 86400.0
# The year 2200: later than any true stamp.
_LATEST_S = 7.3e9
# What a disk that refuses may make us hold: with twenty buckets and a line of 150 bytes each ten seconds, 60 hours.
MOST_BEHIND_BYTES = 64 * 1024 * 1024
# What a disk says that is full, read-only or broken, and that may pass.
_DISK_REFUSES = (*FULL, errno.EROFS, errno.EIO)
# Where a line came from stands in the newest such note before it.
_ORIGIN_BEGINS = b'#{"source":'


class RecordingError(ValueError):
    """A recording cannot be opened, in one sentence."""


# ---- reading -------------------------------------------------------------------------------------------------------


class RecordedLine(NamedTuple):
    """One line of a recording, or one note in it: then ``note`` is not None and ``data`` is empty.

    A note's ``arrival_s`` is its own ``at`` where it has one, else the latest time seen (0.0 before any).
    """

    arrival_s: float
    data: bytes
    retained: bool
    note: Mapping[str, Any] | None
    origin: Origin


class Recording:
    """Iterate over it for its lines, in order; arrival times never go back. Damage is counted in ``faults``.

    ``faults`` counts "no_stamp" (no arrival time before a tab), "bad_stamp" (not a time, or far from its neighbours),
    "stepped_back" (clamped to the latest time seen), "too_long" (over 64 kB) and "bad_note".
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.faults: dict[str, int] = {}

    def __iter__(self) -> Iterator[RecordedLine]:
        self.faults = {}
        with _open(self.path) as file:
            yield from self._lines(file)

    def _lines(self, file: IO[bytes]) -> Iterator[RecordedLine]:
        origin = Origin("recording", self.path.stem)
        latest_s: float | None = None
        doubtful_s: float | None = None  # a stamp that leapt ahead and waits to be confirmed
        retained = False
        for raw in self._whole_lines(file):
            if raw.startswith(b"#"):
                note = self._note(raw)
                if note is None:
                    continue
                origin = _origin(note, origin, self.path.stem)
                retained = retained or note.get("retained") is True
                if "at" in note:
                    if latest_s is None or note["at"] - latest_s <= _LEAP_S:
                        latest_s = note["at"] if latest_s is None else max(latest_s, note["at"])
                    else:
                        doubtful_s = note["at"]
                yield RecordedLine(latest_s or 0.0, b"", False, note, origin)
                continue
            stamp, tab, data = raw.partition(b"\t")
            if not tab:
                if raw.strip():
                    self._fault("no_stamp")
                continue
            try:
                arrival_s = float(stamp)
            except ValueError:
                arrival_s = -1.0
            if not 0.0 <= arrival_s <= _LATEST_S:  # NaN fails here, too
                self._fault("bad_stamp")
                continue
            if latest_s is not None:
                if arrival_s < latest_s:
                    arrival_s = latest_s
                    self._fault("stepped_back")
                elif arrival_s - latest_s > _LEAP_S and not (
                    doubtful_s is not None and abs(arrival_s - doubtful_s) <= _CONFIRMS_S
                ):
                    doubtful_s = arrival_s
                    self._fault("bad_stamp")
                    continue
            latest_s, doubtful_s = arrival_s, None
            yield RecordedLine(arrival_s, data, retained, None, origin)
            retained = False

    def _whole_lines(self, file: IO[bytes]) -> Iterator[bytes]:
        first = True
        while raw := file.readline(_LONGEST):
            if first:
                raw, first = raw.removeprefix(b"\xef\xbb\xbf"), False  # an editor's byte order mark
            if raw.endswith(b"\n"):
                yield raw[:-1]
            elif len(raw) < _LONGEST:
                yield raw  # the last line, without a line feed
            else:
                self._fault("too_long")
                while (raw := file.readline(_LONGEST)) and not raw.endswith(b"\n"):
                    pass

    def _note(self, raw: bytes) -> dict[str, Any] | None:
        try:
            note = json.loads(raw[1:])
        except (ValueError, RecursionError):
            note = None
        if not isinstance(note, dict):
            self._fault("bad_note")
            return None
        if "at" in note:
            at = note.pop("at")
            if isinstance(at, int | float) and not isinstance(at, bool) and 0.0 <= at <= _LATEST_S:
                note["at"] = float(at)
            else:
                self._fault("bad_note")
        return note

    def _fault(self, kind: str) -> None:
        self.faults[kind] = self.faults.get(kind, 0) + 1


def _origin(note: Mapping[str, Any], origin: Origin, name: str) -> Origin:
    if "source" not in note and "topic" not in note:
        return origin
    source, kind, topic = note.get("source"), note.get("kind"), note.get("topic")
    return Origin(
        kind if isinstance(kind, str) else ("mqtt" if topic else "recording"),
        source if isinstance(source, str) else name,
        topic if isinstance(topic, str) else "",
    )


def _open(path: Path) -> IO[bytes]:
    try:
        return open(path, "rb")
    except FileNotFoundError:
        raise RecordingError(tr("there is no recording {path}: correct the path.", path=path)) from None
    except IsADirectoryError:
        raise RecordingError(tr("{path} is a folder: name a recording (.rec) in it.", path=path)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordingError(
            tr("the recording {path} cannot be read ({reason}): see that you own it.", path=path, reason=reason)
        ) from None


def read_recording(path: Path | str) -> Recording:
    """The lines of a recording, to iterate over; see ``Recording``. Raises RecordingError when it cannot be opened."""
    _open(Path(path)).close()
    return Recording(path)


def last_arrival_s(path: Path | str) -> float | None:
    """The latest believable arrival time near the end of a recording, so that a clock can start after it.

    None for a recording that is not there or holds no line.
    """
    try:
        with open(path, "rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - 4 * _LONGEST))
            if file.tell():
                file.readline()
            tail = Recording(path)
            return max((line.arrival_s for line in tail._lines(file) if line.note is None), default=None)
    except OSError:
        return None


# ---- writing -------------------------------------------------------------------------------------------------------


class RecordingWriter:
    """Appends lines to a recording. Any thread may write.

    Every line goes to the operating system at once, so a kill -9 loses none, and a torn last line of an earlier run is
    completed before the first new one. ``flush`` asks the disk itself; the watch does so every few seconds. A disk that
    refuses or is gone raises nothing: ``trouble`` says it, and what it did not take waits here, up to
    ``MOST_BEHIND_BYTES``, and is written in its order when there is room or the disk is back. Only what does not fit
    here either is ``lost``, and counted.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        started_s: float | None = None,
        buckets: Mapping[str, str | None] | None = None,
    ) -> None:
        """``started_s``, arrival clock, is noted as the start of the watch. ``buckets`` says by source's name whose
        readings come under a bare probe's name, None for nobody's. Raises RecordingError where the path is wrong."""
        self.path = Path(path)
        self.lost = 0
        self.trouble: str | None = None
        self._lock = threading.Lock()
        self._origin: Origin | None = None
        self._latest_s: float | None = None
        self._buckets = buckets
        self._file = AppendedFile(self.path, heading=_ORIGIN_BEGINS)
        try:
            self._file.open()
        except OSError as error:
            self.trouble = self._cannot(error)
            if error.errno not in _DISK_REFUSES:  # the path is wrong, and somebody is there to correct it
                raise RecordingError(
                    tr(
                        "the recording {path} cannot be written ({reason}): correct the path of --record.",
                        path=self.path,
                        reason=error.strerror,
                    )
                ) from None
        if started_s is not None:
            self.note({"at": round(started_s, 3), "note": "watch started"})

    def write(self, arrival_s: float, line: Line) -> None:
        """Append a line under the arrival time at which it counted, and before it the notes that it needs."""
        with self._lock:
            text = b""
            if line.origin != self._origin:
                text += _note_line(self._origin_note(line.origin))
            if self._latest_s is not None and arrival_s - self._latest_s > _LEAP_S / 2:
                # A pause this long looks like a damaged stamp to the reader, unless a note confirms it.
                text += _note_line({"at": round(arrival_s, 3), "note": "a long pause"})
            if line.retained:
                text += _note_line({"retained": True})
            text += b"%.3f\t%b\n" % (arrival_s, line.data.replace(b"\n", b" "))
            if self._append(text):
                self._origin, self._latest_s = line.origin, arrival_s

    def note(self, note: Mapping[str, object]) -> None:
        """Append a note, for example ``{"clock_step_s": 3600.0}``."""
        with self._lock:
            self._append(_note_line(note))

    def _origin_note(self, origin: Origin) -> dict[str, object]:
        note: dict[str, object] = {"source": origin.name, "kind": origin.kind}
        if origin.topic:
            note["topic"] = origin.topic
        if self._buckets is not None:
            note["bucket"] = self._buckets.get(origin.name)
        return note

    def _cannot(self, error: OSError) -> str:
        if error.errno in FULL:
            return tr(
                "the recording {path} cannot be written ({reason}): make room on the disk.",
                path=self.path,
                reason=error.strerror,
            )
        return tr(
            "the recording {path} cannot be kept on the disk ({reason}): look at the disk.",
            path=self.path,
            reason=error.strerror,
        )

    def _append(self, text: bytes) -> bool:
        """Write what waits, and then this; whether it is written or waits."""
        if self._too_much(text):
            self._try(lambda: self._file.append(b""))
            if self._too_much(text):
                self.lost += 1
                return False
        self._try(lambda: self._file.append(text))
        return True

    def _too_much(self, text: bytes) -> bool:
        return len(self._file.waiting) + len(text) > MOST_BEHIND_BYTES

    def flush(self) -> None:
        """Have the disk keep what was written so far, and try again what it did not take."""
        with self._lock:
            self._try(self._file.flush)

    def close(self) -> None:
        """Flush and close. Writing afterwards is a mistake."""
        with self._lock:
            if self._file.waiting:
                self._append(b"")
            if self._file.fd >= 0:
                self._try(self._file.flush)
            self._file.leave()

    def _try(self, deed: Callable[[], None]) -> None:
        try:
            deed()
        except OSError as error:
            self.trouble = self._cannot(error)
        else:
            if not self._file.waiting:
                self.trouble = None

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()


def _note_line(note: Mapping[str, object]) -> bytes:
    return b"#" + json.dumps(note, separators=(",", ":")).encode("ascii") + b"\n"


# ---- playing -------------------------------------------------------------------------------------------------------


class DrivenClock:
    """An arrival clock that stands still until it is moved on, as a recording that is played as fast as it can does."""

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s

    def now(self) -> float:
        """Arrival time now, Unix seconds."""
        return self._now_s

    def advance_to(self, time_s: float) -> None:
        """Move on to a time; going back is not possible."""
        self._now_s = max(self._now_s, time_s)


class RecordingSource:
    """Plays recordings as if they came over the wire, merged in the order of arrival, and ends.

    ``speed`` None plays as fast as it can be read, and moves a ``DrivenClock`` on. Else each line waits until
    ``clock`` has come to its arrival time; the clock has to run ``speed`` times as fast as real time.
    """

    def __init__(
        self,
        paths: Path | str | Iterable[Path | str],
        *,
        clock: Clock,
        name: str = "recording",
        speed: float | None = None,
    ) -> None:
        self.name = name
        self.paths = [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
        self.finished = False
        self._clock = clock
        self._speed = speed
        self._book = HealthBook(clock.now, tr("about to play {names}.", names=self._names()))

    def _names(self) -> str:
        return ", ".join(path.name for path in self.paths)

    def first_arrival_s(self) -> float | None:
        """When the first line arrives, for starting a clock; None when there is no line. Raises RecordingError."""
        firsts = (next((line for line in read_recording(path) if line.note is None), None) for path in self.paths)
        return min((line.arrival_s for line in firsts if line is not None), default=None)

    def health(self) -> SourceHealth:
        """How it stands now."""
        return self._book.snapshot()

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        """Deliver the lines; returns when all are delivered (``finished``) or ``stop`` is set."""
        try:
            recordings = [read_recording(path) for path in self.paths]
            self._book.enter("connected", tr("playing {names}.", names=self._names()))
            for line in heapq.merge(*recordings, key=lambda line: line.arrival_s):
                if not self._wait_for(line.arrival_s, stop):
                    return
                self._hand_on(line, deliver)
        except RecordingError as error:
            self._book.enter("trouble", str(error))
            return
        except Exception as error:
            self._book.fault("unexpected")
            self._book.enter(
                "trouble",
                tr("playing {names} failed in a way nobody foresaw: {error!r}.", names=self._names(), error=error),
            )
            return
        for recording in recordings:
            for kind, times in recording.faults.items():
                self._book.fault(kind, times)
        self.finished = True
        self._book.enter("waiting", tr("{names} has been played to its end.", names=self._names()))

    def _hand_on(self, line: RecordedLine, deliver: Deliver) -> None:
        if line.note is not None:
            return
        self._book.took_line(line.arrival_s)
        try:
            deliver(Line(line.arrival_s, line.data, line.origin, line.retained))
        except Exception:
            self._book.fault("not_taken_in")

    def _wait_for(self, arrival_s: float, stop: threading.Event) -> bool:
        """Until that time on the clock; False when stopped."""
        self._book.progress()
        if self._speed is None:
            if isinstance(self._clock, DrivenClock):
                self._clock.advance_to(arrival_s)
            return not stop.is_set()
        while (ahead_s := arrival_s - self._clock.now()) > 0.0:
            # Never for long: the clock may be driven by somebody else, too.
            if stop.wait(min(0.25, ahead_s / self._speed if self._speed > 0.0 else 0.25)):
                return False
            self._book.progress()
        return not stop.is_set()
