"""An invented evening at the Quillmarsh allotments in a real journal, for the browser to look at.

The real daemon plays the recordings of the night, driven by hand and as fast as it can judge; the page is the one that
``watch`` serves, on a journal in which buckets stand in every way they can: well, rung for, waiting for daylight,
without a fresh reading, empty, and a batch that has ended.
"""

from __future__ import annotations

import pickle
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from monitor.clock import ArrivalClock
from monitor.domain import Batch, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.page.links import ANSWER, HEARD, LASTS_S, Link, address_for, token_of
from monitor.running import Running
from monitor.settings import load_settings
from monitor.sources.batch_file import read_batch_file
from monitor.sources.line import Origin
from tests.helpers_watch import NIGHT_S, NIGHTS, RECORDINGS, Bench, pack, recorded_lines

PASSPHRASE = "hazel under oak"
# Half an hour before the probe of shed-4 comes out of the paste; two blends have not taken and ring.
SEEN_S = NIGHT_S + 3.0 * 3600.0
HOUR_S = 3600.0

SETTINGS = """
[place]
name = "Quillmarsh allotments (invented)"
time_zone = "UTC"
[journal]
path = "journal.sqlite"
[page]
passphrase = "{passphrase}"
{more}
[[person]]
name = "Ash"
routes = ["print://"]
[[person]]
name = "Wren"
routes = ["print://next-door"]
{buckets}
"""
_LITRES = {"shed-1": 20, "shed-2": 25, "shed-3": 15, "shed-4": 30}

# Its readings stopped eight minutes ago: too old to go by, and not yet an alarm.
LATE = Batch(
    "Quillmarsh 25", "barn-1", NIGHT_S, Recipe((OilShare("olive", 2.5),), 0.49, 0.9, 0.76), Vessel(15.0, "blanket")
)
_LATE_BY_S = 8 * 60.0
# Three days old, and what is wrong with it can wait for daylight.
WAITING = Batch(
    "Quillmarsh 19", "barn-2", NIGHT_S - 46 * HOUR_S, Recipe((OilShare("sunflower", 3.0),), 0.6, 0.9, 0.9),
    Vessel(15.0, "box"),
)  # fmt: skip
ENDED = Batch(
    "Quillmarsh 18", "shed-1", NIGHT_S - 8 * 86400.0, Recipe((OilShare("rapeseed", 3.0),), 0.58, 0.9, 0.9),
    Vessel(20.0, "bare"),
)  # fmt: skip


class Shed(Bench):
    """A watch driven by hand, with the page that it serves. ``folder`` holds its settings and its journal."""

    running: Running

    def start(self) -> Running:  # type: ignore[override]
        began_s = self.now_s
        self.journal = Journal(self.folder / "journal.sqlite")
        self.clock = ArrivalClock(start_s=began_s, monotonic=lambda: self.now_s - began_s, wall=lambda: self.now_s)
        self.settings = load_settings(self.folder / "emberpail.toml", environ={})
        self.running = Running(
            self.settings, self.journal, self.clock, self.sources, record=self.record, events_file=self.events_file,
            invented=True, say=self.said.append, page_port=0,
        )  # fmt: skip
        self.watch = self.running.watch
        return self.running

    def serve(self, port: int = 0) -> str:
        """Serve the page as ``watch`` does and return its address."""
        self.running._page.start(port, self.said.append)
        served = self.running._page._served
        if served is None:
            raise AssertionError(f"the page was not served: {self.said}")
        return str(served.url).rstrip("/")

    def in_messages(self) -> list[str]:
        """Addresses as messages carry them: for an alarm that stands, and for a drill."""
        ends_s = self.now_s + LASTS_S
        alarm = next(one for one in self.desk.alarms(standing_only=True) if one.urgency == "now")
        links = (Link(ANSWER, (alarm.alarm_id,), "Ash", ends_s), Link(HEARD, (), "Wren", ends_s))
        key = self.running._page._deeds.key()
        return [address_for(link, token_of(link, key)) for link in links]

    def stop_serving(self) -> None:
        self.running._page.stop()

    def close(self) -> None:
        self.running.close()
        self.journal.close()
        self.desk.close()

    def copy(self, folder: Path) -> Shed:
        """Another shed that stands as this one does; what is pressed there does not show here."""
        return _standing(self.folder, folder, self.now_s, self.running.bands, self.running.forecasts)

    def keep_standing(self) -> None:
        """Beside its journal, what it holds in memory alone."""
        what = (self.now_s, dict(self.running.bands), dict(self.running.forecasts))
        (self.folder / "standing.pickle").write_bytes(pickle.dumps(what))

    @staticmethod
    def standing_in(kept: Path, folder: Path) -> Shed:
        """One that stands as the one did that was kept there."""
        return _standing(kept, folder, *pickle.loads((kept / "standing.pickle").read_bytes()))


def _standing(kept: Path, folder: Path, now_s: float, bands: dict[str, Any], forecasts: dict[str, Any]) -> Shed:
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(kept / "emberpail.toml", folder)
    copy_journal(kept / "journal.sqlite", folder / "journal.sqlite")
    other = Shed(folder, now_s=now_s)
    other.running.bands.update(bands)
    other.running.forecasts.update(forecasts)
    return other


def copy_journal(from_path: Path, to_path: Path) -> None:
    """The journal as it stands, also over one that is open: its readers see the other one from then on."""
    with closing(sqlite3.connect(from_path)) as source, closing(sqlite3.connect(to_path)) as target:
        source.backup(target)


def settled(folder: Path, buckets: Sequence[str], more: str = "") -> Path:
    """Write the settings of an invented place into the folder."""
    path = folder / "emberpail.toml"
    rows = "\n".join(f'[[bucket]]\nname = "{name}"\nlitres = {_LITRES.get(name, 15)}' for name in buckets)
    path.write_text(SETTINGS.format(passphrase=PASSPHRASE, more=more, buckets=rows), encoding="utf-8")
    path.chmod(0o600)
    return path


@contextmanager
def evening(folder: Path, until_s: float = SEEN_S, *, only_the_night: bool = False) -> Iterator[Shed]:
    """The night's four buckets as they stood at ``until_s``, and, unless ``only_the_night``, all other standings."""
    files = [read_batch_file(RECORDINGS / f"{name}.toml") for name in NIGHTS]
    sheds = [one.batch.bucket for one in files]
    settled(folder, sheds if only_the_night else [*sheds, "barn-1", "barn-2", "spare-1"])
    shed = Shed(folder, now_s=NIGHT_S - 200.0)
    try:
        if not only_the_night:
            _ended(shed.desk)
        for one in files:
            shed.desk.add_batch(one.batch)
        entries = [(entry.noted_at_s, one.batch, entry) for one in files for entry in one.log]
        lines = list(recorded_lines(*NIGHTS))
        if not only_the_night:
            shed.desk.add_batch(LATE)
            entries += [
                (entry.noted_at_s, LATE, entry)
                for entry in (
                    LogEntry("poured", NIGHT_S + 600.0, NIGHT_S + 600.0, 56.0),
                    LogEntry("blended", NIGHT_S + 1200.0, NIGHT_S + 1200.0),
                )
            ]
            lines += _late_lines(until_s - _LATE_BY_S)
            lines.sort(key=lambda line: line[0])
        shed.watch._open()
        waiting = sorted(entries, key=lambda entry: entry[0])
        for at_s, data, origin, retained in lines:
            if at_s > until_s:
                break
            while waiting and waiting[0][0] <= at_s:
                noted_at_s, batch, one_entry = waiting.pop(0)
                shed.until(noted_at_s)
                shed.mark(batch, one_entry)
            shed.line(at_s, data, origin, retained=retained)
        shed.until(until_s)
        shed.watch._commit()
        if not only_the_night:
            # Put beside the rest only now: what the watch would make of two days more is not what is shown here.
            _waiting(shed.desk, until_s)
        yield shed
    finally:
        shed.close()


def _late_lines(until_s: float) -> list[tuple[float, bytes, Origin, bool]]:
    """A good batch under a blanket, a reading a minute, until its node falls silent."""
    lines = []
    at_s = NIGHT_S + 30.0
    while at_s < until_s:
        after_h = (at_s - NIGHT_S - 1200.0) / HOUR_S
        core_c = 48.0 if after_h < 0 else 48.0 + 38.0 * (1.0 - 2.0 ** (-after_h * 9.0)) - 4.0 * after_h
        lines.append((at_s, pack("barn-1", round(core_c, 2), at_s - 0.4), Origin("serial", "barn"), False))
        at_s += 60.0
    return lines


def _readings(bucket: str, from_s: float, to_s: float, every_s: float) -> list[Reading]:
    """An invented batch that warmed and cooled, and the air round it."""
    readings = []
    at_s = from_s
    while at_s <= to_s:
        after_h = (at_s - from_s) / HOUR_S
        core_c = 6.0 + 78.0 * (1.0 - 2.0 ** (-after_h * 5.0)) * 2.0 ** (-after_h / 7.0)
        readings.append(Reading(bucket, "core", at_s, at_s, round(core_c, 2)))
        readings.append(Reading(bucket, "ambient", at_s, at_s, 5.0))
        at_s += every_s
    return readings


def _waiting(journal: Journal, now_s: float) -> None:
    journal.add_batch(WAITING)
    for kind, after_s in (("poured", 0.0), ("blended", 600.0), ("probe-in", 660.0)):
        journal.add_entry(WAITING.name, LogEntry(kind, WAITING.started_s + after_s, WAITING.started_s + after_s))
    journal.add_readings(_readings("barn-2", WAITING.started_s, now_s, 300.0))
    journal.save_alarm(
        AlarmRecord(
            f"barn-2/{WAITING.name}/incomplete/1", "incomplete", "barn-2", WAITING.name, "unacknowledged", "daylight",
            raised_at_s=now_s - 2 * HOUR_S, says="barn-2 will fall short: oil is left over at the planned dilution.",
            do="Weigh the potash bag and look up its purity.",
        )
    )  # fmt: skip


def _ended(journal: Journal) -> None:
    journal.add_batch(ENDED)
    at_s = ENDED.started_s
    for kind, after_h in (("poured", 0.0), ("blended", 0.2), ("looked", 0.6), ("water-added", 73.0)):
        journal.add_entry(ENDED.name, LogEntry(kind, at_s + after_h * HOUR_S, at_s + after_h * HOUR_S))
    journal.add_readings(_readings("shed-1", at_s, at_s + 72 * HOUR_S, 600.0))
    journal.add_detail(ENDED.name, "potash_lot", "K-16", at_s)
    journal.add_detail(ENDED.name, "potash_lot", "K-17", at_s + 60.0)
    journal.add_detail(ENDED.name, "remark", "Smelt of wet straw.", at_s + 120.0)
    journal.end_batch(ENDED.name, at_s + 75 * HOUR_S, at_s + 75 * HOUR_S, "filled")
