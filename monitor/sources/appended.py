"""A file that is only appended to, line by line, on a disk that may refuse, go away and come back.

What is open on a disk that is gone stays dead for ever, also when the disk is back under the same name. So the file is
opened anew then, and what is there already of what was written is found out first: nothing is written twice, and a line
that was torn goes on where it was torn. An empty mount point gets no file.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

# A disk that is only full takes more as soon as there is room, through the same descriptor.
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# Of what the system has taken, and the disk was not asked to keep yet, so much is held in case the disk goes away: an
# hour of twenty buckets. The system itself writes what it has within half a minute.
_MOST_UNSYNCED_BYTES = 1024 * 1024


class AppendedFile:
    """The file at ``path``. Not for several threads.

    ``waiting`` is what the disk has not taken yet. ``heading``: lines that begin so are leant on by those after them,
    so the newest of them is said again where what follows comes into another file.
    """

    def __init__(self, path: Path, *, heading: bytes) -> None:
        self.path = path
        self.waiting = bytearray()
        self.fd = -1
        self._heading, self._newest_heading = heading, b""
        # What was taken and may not be on the disk yet: whole lines, and perhaps the beginning of one; and where in the
        # file that begins.
        self._unsynced = bytearray()
        self._begins_at = 0
        self._was_open = False

    def open(self) -> None:
        """Open it, and create it where it was never open before. Raises OSError."""
        flags = os.O_RDWR | os.O_APPEND | os.O_CLOEXEC | (0 if self._was_open else os.O_CREAT)
        fd = os.open(self.path, flags, 0o644)
        try:
            self._go_on_in(fd)
        except OSError:
            os.close(fd)
            raise
        self.fd, self._was_open = fd, True

    def append(self, text: bytes) -> None:
        """Write what waits, and then this. Raises OSError; what was not written waits then."""
        self.waiting += text
        try:
            if self.fd < 0:
                self.open()
            while self.waiting:
                written = os.write(self.fd, self.waiting)
                if not written:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                self._unsynced += self.waiting[:written]
                del self.waiting[:written]  # perhaps a part of a line, as the disk fills up: the rest follows later
        except OSError as error:
            self._leave_unless_full(error)
            raise
        if len(self._unsynced) > _MOST_UNSYNCED_BYTES:
            self._pass(self._unsynced.rfind(b"\n", 0, len(self._unsynced) - _MOST_UNSYNCED_BYTES // 2) + 1)

    def flush(self) -> None:
        """Have the disk keep what was written, and try again what waits. Raises OSError."""
        if self.fd < 0:
            self.append(b"")
        try:
            os.fdatasync(self.fd)
        except OSError as error:
            self._leave_unless_full(error)
            raise
        self._pass(self._unsynced.rfind(b"\n") + 1)
        if self._another_is_there():
            self.leave()
            self.append(b"")
            os.fdatasync(self.fd)

    def leave(self) -> None:
        """Close it, whatever the disk says to that; the next ``append`` opens it again."""
        fd, self.fd = self.fd, -1
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)

    def _leave_unless_full(self, error: OSError) -> None:
        if error.errno not in FULL or self._another_is_there():
            self.leave()

    def _another_is_there(self) -> bool:
        """Whether the path leads to another file than the one that is open; False where it leads to none."""
        try:
            there, ours = os.stat(self.path), os.fstat(self.fd)
        except OSError:
            return False
        return (there.st_dev, there.st_ino) != (ours.st_dev, ours.st_ino)

    def _go_on_in(self, fd: int) -> None:
        """Let wait what this file has not."""
        size = os.fstat(fd).st_size
        torn = b"\n" if size > 0 and os.pread(fd, 1, size - 1) != b"\n" else b""
        if not self._was_open:
            self._begins_at, self.waiting[:0] = size, torn
            return
        due, there = self._unsynced + self.waiting, b""
        if size > self._begins_at:
            with open(fd, "rb", closefd=False) as file:
                file.seek(self._begins_at)
                there = file.read(len(due) + 1)
        if size >= self._begins_at and due.startswith(there):  # as we left it, or nearly so
            self._unsynced, self.waiting = due[: len(there)], due[len(there) :]
            return
        # Another file, or damaged at its end: what it has of ours in whole lines is not said again.
        self._unsynced = due
        alike = next((n for n, (ours, its) in enumerate(zip(due, there, strict=False)) if ours != its), len(there))
        self._pass(due.rfind(b"\n", 0, alike) + 1)
        self.waiting = bytearray(torn + self._newest_heading) + self._unsynced
        self._unsynced, self._begins_at = bytearray(), size

    def _pass(self, length: int) -> None:
        """So much of what was held is not looked for any more."""
        for line in bytes(self._unsynced[:length]).splitlines(keepends=True):
            if line.startswith(self._heading):
                self._newest_heading = line
        del self._unsynced[:length]
        self._begins_at += length
