"""A journal, a mirror over it, and a clock that is moved by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.domain import Reading
from monitor.journal.database import Journal
from monitor.mirroring import Mirroring
from monitor.settings import Settings
from tests.mirror.servers import mirror_at

# Saturday 17 January 2026, 18:00 UTC.
T0 = 1768672800.0


class World:
    """A journal, a mirror over it, and a clock that is moved by hand."""

    def __init__(self, folder: Path, url: str, **more: Any) -> None:
        self.path = folder / "journal.sqlite"
        self.journal = Journal(self.path)
        self.journal._db.execute("PRAGMA synchronous = OFF")  # the disk is not what is tried here
        self.journal.note_changed_readings()
        self.now_s, self.trouble, self.more, self.url = T0, {}, more, url
        self.mirroring = self.begin()

    def begin(self) -> Mirroring:
        """A mirror as a watch that starts makes it."""
        self.mirroring = Mirroring(
            Settings(), mirror_at(self.url), self.path, lambda: self.now_s, self.trouble,
            monotonic=lambda: self.now_s, pause_s=0.0, **self.more,
        )  # fmt: skip
        return self.mirroring

    def read(self, n: int, *, bucket: str = "shed-2", probe: str = "core", every_s: float = 10.0) -> list[Reading]:
        """So many readings come in."""
        group = [
            Reading(bucket, probe, self.now_s + i * every_s, self.now_s + i * every_s, 60.0 + i % 30) for i in range(n)
        ]
        self.journal.add_readings(group)
        self.now_s += n * every_s
        return group

    def turn(self, after_s: float = 60.0) -> None:
        self.now_s += after_s
        self.mirroring.turn()

    def mark(self) -> int:
        assert self.mirroring._marks is not None
        return self.mirroring._marks.head["readings"]

    def close(self) -> None:
        self.mirroring.close()
        self.journal.close()
