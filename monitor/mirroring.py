"""The mirror of a running watch: what the journal holds is copied to InfluxDB, or to whatever else takes its points.

A worker with a connection of its own that reads the journal from the mark "mirrored up to" on, writes a list, and
moves the mark once the server has taken it. Nothing waits in memory but that list, however long the server is away, and
nothing of the watch waits for it. After a crash of either the last minutes are copied again: the same points, so
nothing is there twice.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, MutableMapping, Sequence
from pathlib import Path
from typing import Any

from monitor.journal.database import Journal, JournalError
from monitor.mirror.marks import EVENTS, READINGS, STREAMS, Marks
from monitor.mirror.points import Points
from monitor.mirror.sending import Away, Refused, Write, send
from monitor.mirror.server import Server
from monitor.settings import MirrorSettings, Settings
from monitor.words import DAY_DATE_TIME, tr, trn, when

PART = "mirror"
# A list: some 300 kB. The client's fastest way is thousands at once; more would only need more memory.
MOST_POINTS = 2000
# A list that a slow line does not carry in time is halved, down to this; each one that it carries may grow by a tenth.
LEAST_POINTS = 50
SEND_EVERY_S = 10.0
# Between two full lists, so that a backlog of years leaves the processor to the judging.
PAUSE_S = 0.05
# How often the mark is kept: each time costs the card a write, and a crash copies again what came since.
SETTLE_EVERY_S = 60.0
FIRST_WAIT_S, LONGEST_WAIT_S, MOST_ASKED_S = 1.0, 60.0, 300.0
# A server that is started anew is no trouble; a copy that has stood still for so long is, and can wait for daylight.
LATE_AFTER_S = 900.0
# A turn that shows no sign for so long hangs (each request is left after less than a minute).
HANGS_AFTER_S = 300.0


def server_of(mirror: MirrorSettings) -> Server:
    """The server that the settings name."""
    return Server(mirror.url, mirror.token.reveal(), mirror.org, mirror.bucket, mirror.ca_file)


class Mirroring:
    """The worker. ``now_s`` is the watch's clock; ``holds`` says that its time is not known yet: what it stamps now
    will be moved, and a point cannot be."""

    def __init__(
        self,
        settings: Settings,
        mirror: MirrorSettings,
        journal: Path,
        now_s: Callable[[], float],
        trouble: MutableMapping[str, str],
        *,
        holds: Callable[[], bool] = lambda: False,
        monotonic: Callable[[], float] = time.monotonic,
        write: Write | None = None,
        pause_s: float = PAUSE_S,
    ) -> None:
        self._path, self._now_s, self._trouble, self._holds = journal, now_s, trouble, holds
        self._monotonic, self._pause_s = monotonic, pause_s
        self._url = mirror.url
        self._to = f"{mirror.url} {mirror.org} {mirror.bucket}"
        self._points = Points(settings.site.name)
        self._server = server_of(mirror)
        self._write: Write = write or self._server.write
        self._stop = threading.Event()
        self._marks: Marks | None = None  # until the journal has been asked
        self._refused: dict[str, Any] = {}  # how many points, and why the last one
        self._settled: dict[str, Any] = {}
        self._journal: Journal | None = None
        self._due_at = self._sign_at = monotonic()
        self._ill_since: float | None = None
        self._settle_due_at = self._due_at
        self._most = MOST_POINTS
        self._busy_s = 0.0
        self._wait_s = FIRST_WAIT_S
        self._told: tuple[bool, str] | None = None

    # ---- life ----

    def run(self, stop: threading.Event) -> None:
        """Copy until ``stop``."""
        self._stop = stop
        try:
            while not stop.is_set():
                self.turn()
                stop.wait(1.0)
        finally:
            self.close()

    def age_s(self) -> float:
        """Always 0: the watch does not begin anew for a server that hangs, it tells of it."""
        if self._monotonic() - self._sign_at > HANGS_AFTER_S:
            self._trouble[PART] = tr("copying to {url} hangs.", url=self._url)
        return 0.0

    def copied(self) -> int | None:
        """The number of the last reading that the server has taken; None before the journal has been asked."""
        return None if self._marks is None else self._marks.head[READINGS]

    def close(self) -> None:
        """Keep the mark and let server and journal go."""
        with contextlib.suppress(JournalError):
            if self._marks is not None:
                self._settle()
        self._server.close()
        if self._journal is not None:
            self._journal.close()
            self._journal = None

    def turn(self) -> None:
        """Copy what there is, if it is time."""
        self._sign_at = now = self._monotonic()
        if now < self._due_at or self._holds():
            return
        self._due_at = now + SEND_EVERY_S
        try:
            if self._journal is None:
                self._journal = Journal(self._path, read_only=True)
            marks = self._marks
            if marks is None or now >= self._settle_due_at:
                marks = self._settle()
            before = dict(marks.head)
            away = self._copy(self._journal, marks)
        except JournalError:  # the watch tells of it; what is not copied now is copied later
            return
        except Exception as error:  # a fault of ours here must not wake anybody, as a worker that ends would
            self._ill(Away(tr("copying failed in a way nobody foresaw ({error!r})", error=error)), False)
            return
        if away is None:
            marks.note(self._monotonic())
            self._well()
        else:
            marks.went_away()
            self._ill(away, before != marks.head)

    # ---- copying ----

    def _copy(self, journal: Journal, marks: Marks) -> Away | None:
        """Write lists until nothing is left, then once more what is in doubt; or why that could not be."""
        if self._ill_since is not None:  # a list is not made for a server that is still away
            away = send([self._known_good()], self._signed, self._known_good).away
            if away is not None:
                return away
        full, self._busy_s = True, time.thread_time()
        while full and not self._stop.is_set():
            full = False
            for stream in STREAMS:
                rows = self._rows(journal, stream, marks.head[stream])
                marks.head[stream], away = self._send(rows, marks.head[stream])
                if away is not None:
                    return away
                if len(rows) == self._most:  # there may be more
                    full, self._most = True, min(MOST_POINTS, self._most + self._most // 10)
            if full:
                self._between(marks)
        for stream in list(marks.doubts):
            while stream in marks.doubts and not self._stop.is_set():
                after, upto = marks.doubts[stream]
                rows = [row for row in self._rows(journal, stream, after) if row[0] <= upto]
                settled, away = self._send(rows, after, counts=False)
                marks.again_done(stream, settled if rows else upto)
                if away is not None:
                    return away
                self._stop.wait(self._pause_s)
        return None

    def _between(self, marks: Marks) -> None:
        """Between two lists of a backlog."""
        now = self._monotonic()
        marks.note(now)
        if now >= self._settle_due_at:
            self._settle()
        # No more than a third of a processor, however slow that is: the judging shares it.
        busy_s, self._busy_s = time.thread_time() - self._busy_s, time.thread_time()
        self._stop.wait(max(self._pause_s, 2.0 * busy_s) if self._pause_s else 0.0)

    def _rows(self, journal: Journal, stream: str, after: int) -> list[tuple[int, str | None]]:
        """The next rows as points, each with its number."""
        if stream == READINGS:
            kept = journal.readings_after(after, self._most)
            return [(number, self._points.reading(one.reading, one.reason)) for number, one in kept]
        return [(number, self._points.event(event)) for number, event in journal.events_after(after, self._most)]

    def _send(
        self, rows: Sequence[tuple[int, str | None]], after: int, *, counts: bool = True
    ) -> tuple[int, Away | None]:
        """Write the points of these rows; the number up to which they are settled, and why not further."""
        lines = [(number, line) for number, line in rows if line is not None]
        sent = send([line for _, line in lines], self._signed, self._known_good)
        if sent.done == len(lines):
            upto = rows[-1][0] if rows else after
        else:
            upto = lines[sent.done - 1][0] if sent.done else after
        unfit = sum(1 for number, line in rows if line is None and number <= upto)
        if counts and (sent.refused or unfit):  # counted, said, and passed over: the journal has it all the same
            self._refused = {
                "refused": self._refused.get("refused", 0) + len(sent.refused) + unfit,
                "why": sent.refused[-1][1] if sent.refused else tr("its time can be said by no point"),
            }
        return upto, sent.away

    def _signed(self, lines: Sequence[str]) -> None:
        self._write(lines)
        self._sign_at = self._monotonic()

    def _known_good(self) -> str:
        return self._points.known_good(self._now_s())

    def _settle(self) -> Marks:
        """Keep the mark, and take up what has changed behind it."""
        self._settle_due_at = self._monotonic() + SETTLE_EVERY_S
        marks = self._marks
        same = marks is not None and self._settled == self._state(marks)
        if marks is not None and same and self._journal is not None and not self._journal.readings_changed():
            return marks  # nothing to keep: a server that is away for days costs the card nothing
        with Journal(self._path, there_already=True) as journal:
            if marks is None:
                kept = journal.mirror_state()
                # Another server knows nothing yet: from the beginning.
                known = kept if kept.get("to") == self._to else {}
                marks = Marks(int(known.get(READINGS, 0)), int(known.get(EVENTS, 0)))
                self._refused = {key: known[key] for key in ("refused", "why") if key in known}
            changed = journal.settle_mirror(self._state(marks))
        if changed is not None:
            marks.back_to(changed)
        self._marks, self._settled = marks, self._state(marks)
        return marks

    def _state(self, marks: Marks) -> dict[str, Any]:
        return {**marks.sure(), **self._refused, "to": self._to}

    # ---- how it is ----

    def _well(self) -> None:
        self._ill_since, self._wait_s = None, FIRST_WAIT_S
        self._trouble.pop(PART, None)
        self._say(True, tr("everything is copied to {url}.", url=self._url))

    def _ill(self, away: Away, moved: bool) -> None:
        asked_s = min(away.again_s or 0.0, MOST_ASKED_S)
        now = self._monotonic()
        self._ill_since = now if self._ill_since is None or moved else self._ill_since
        self._due_at = now + max(self._wait_s, asked_s)
        self._wait_s = min(2.0 * self._wait_s, LONGEST_WAIT_S)
        says = tr("{url}: {why}; nothing is lost, it is tried again.", url=self._url, why=str(away))
        if away.slow:
            self._most = max(LEAST_POINTS, self._most // 2)
        late = now - self._ill_since >= LATE_AFTER_S
        if late:
            self._trouble[PART] = says
        self._say(not late, says)

    def _say(self, ok: bool, says: str) -> None:
        """For page and status; only what has changed, for each time is a write of the card."""
        if (ok, says) == self._told:
            return
        with contextlib.suppress(JournalError), Journal(self._path, there_already=True) as journal:
            journal.set_health(PART, ok, says, self._now_s())
            self._told = (ok, says)


def forget_mirror(journal: Journal, now_s: float) -> None:
    """No copy is asked for any more: what went wrong with the last one is no trouble."""
    if any(one.part == PART and not one.ok for one in journal.health()):
        journal.set_health(PART, True, tr("no copy is asked for."), now_s)


def try_server(settings: Settings, now_s: float) -> tuple[bool, str]:
    """Whether the mirror's server takes a point, and a sentence: (it does, what to say)."""
    mirror = settings.mirror
    assert mirror is not None
    server = server_of(mirror)
    try:
        server.write([Points(settings.site.name).known_good(now_s)])
    except (Refused, Away) as error:
        return False, tr("{url}: {why}.", url=mirror.url, why=str(error))
    finally:
        server.close()
    return True, tr("{url} takes points for {bucket}.", url=mirror.url, bucket=mirror.bucket)


def mirror_notes(journal: Journal, settings: Settings, now_s: float) -> list[str]:
    """How far the copy is and what was passed over, for the page and ``status``."""
    state = journal.mirror_state()
    if settings.mirror is None or "readings" not in state:
        return []
    notes = []
    since_s = journal.waiting_since_s(int(state["readings"]))
    if since_s is not None and now_s - since_s > LATE_AFTER_S:
        time_words = when(settings.local_time(since_s), DAY_DATE_TIME)
        notes.append(
            tr("The copy in {url} lacks what has come since {time}.", url=settings.mirror.url, time=time_words)
        )
    if state.get("refused"):
        notes.append(
            trn(
                "The copy's server refused {n} point, which was passed over ({why}).",
                "The copy's server refused {n} points, which were passed over (the last: {why}).",
                int(state["refused"]), why=str(state.get("why", "")),
            )
        )  # fmt: skip
    return notes
