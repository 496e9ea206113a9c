"""``check``: whether backups and the copy that follows have somewhere to go, looked at before a disk has died."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from monitor.commands.common import free_bytes, nearest, now_s
from monitor.copying import HOLDER_FACT, folder_of, holder_in, newest_whole, taken_over_by
from monitor.housekeeping import STALE_AFTER_S
from monitor.journal.database import Journal
from monitor.keeping import LAST_BACKUP, is_unplugged, same_disk
from monitor.settings import Settings
from monitor.words import tr

Said = tuple[bool | None, str]
# Beside what the backup itself takes: whatever else lies on a stick grows, too.
_SPARE_BYTES = 20_000_000


def backup_lines(settings: Settings, journal: Journal | None) -> Iterator[Said]:
    """Of the nightly backups: whether they are asked for, and whether tonight's could be made."""
    folder = settings.keep.backup_to
    if folder is None:
        yield None, tr(
            "no nightly backup is made: when this disk dies, every batch on it is gone (backup_to under [keep])."
        )
        return
    try:
        last = _last_backup(journal)
        there = nearest(folder)
        if not folder.is_dir() and folder.exists():
            yield False, tr("{path} is no folder: correct backup_to under [keep].", path=folder)
        elif is_unplugged(settings.journal_path, folder, last):
            yield False, tr("{path}, where the last backup went, is not there: plug the disk or stick in.", path=folder)
        elif not os.access(there, os.W_OK):
            yield False, tr("{where} cannot be written by this user: mend its rights (ls -ld).", where=there)
        else:
            yield from _same_disk(settings, there)
            yield from _room(settings, folder)
            yield _age(settings, folder, last)
    except (OSError, ValueError) as error:
        yield False, tr("{path} cannot be looked at: {reason}.", path=folder, reason=_reason(error))


def copy_lines(settings: Settings, journal: Journal | None) -> Iterator[Said]:
    """Of the copy for a machine that takes over; nothing where none is asked for."""
    root = settings.keep.copy_to
    if root is None:
        return
    try:
        if not root.is_dir():
            yield False, tr(
                "{path} is not there, so no copy follows the journal: plug it in, or correct copy_to under [keep].",
                path=root,
            )
            return
        if not os.access(root, os.W_OK):
            yield False, tr("{where} cannot be written by this user: mend its rights (ls -ld).", where=root)
            return
        yield from _same_disk(settings, root)
        yield _copy(settings, folder_of(root, settings.journal_path), journal)
    except (OSError, ValueError) as error:
        yield False, tr("{path} cannot be looked at: {reason}.", path=root, reason=_reason(error))


def _copy(settings: Settings, folder: Path, journal: Journal | None) -> Said:
    there, chain = holder_in(folder), newest_whole(folder)
    kept = None if journal is None else journal.fact(HOLDER_FACT)
    if there is not None and (not isinstance(kept, dict) or kept.get("token") != there.token):
        return False, taken_over_by(there, folder, settings.journal_path, known=isinstance(kept, dict))
    if chain is None:
        return None, tr("no whole copy is in {folder} yet; a watch that runs makes it.", folder=folder)
    newest_s = max(path.stat().st_mtime for path in (chain.base, *chain.tails()))
    return True, tr("a whole copy is in {folder}, last written {time}.", folder=folder, time=_time(settings, newest_s))


def _room(settings: Settings, folder: Path) -> Iterator[Said]:
    if settings.journal_path.is_file():
        size, free = settings.journal_path.stat().st_size, free_bytes(folder)
        if free < size + _SPARE_BYTES:
            yield False, tr(
                "only {free:.0f} MB are free at {path}, and a backup takes {mb:.0f}: make room, or keep fewer.",
                free=free / 1e6, path=folder, mb=size / 1e6,
            )  # fmt: skip


def _age(settings: Settings, folder: Path, last: dict[str, object] | None) -> Said:
    at_s = None if last is None else last.get("at_s")
    if not isinstance(at_s, int | float):
        return True, tr("{path} can be written; no backup has been made yet.", path=folder)
    if now_s() - at_s > STALE_AFTER_S:
        return False, tr("the last good backup is of {time}: look at {path}, and whether watch runs.",
                         time=_time(settings, at_s), path=folder)  # fmt: skip
    return True, tr("{path} can be written; the last backup is of {time}.", path=folder, time=_time(settings, at_s))


def _same_disk(settings: Settings, there: Path) -> Iterator[Said]:
    if settings.journal_path.is_file() and same_disk(settings.journal_path, there):
        yield None, tr("{path} is on the same disk as the journal, and is lost with it.", path=there)


def _last_backup(journal: Journal | None) -> dict[str, object] | None:
    last = None if journal is None else journal.fact(LAST_BACKUP)
    return last if isinstance(last, dict) else None


def _time(settings: Settings, at_s: float) -> str:
    return f"{settings.local_time(at_s):%Y-%m-%d %H:%M}"


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).rstrip(".")
