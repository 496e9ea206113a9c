"""That there was a journal, remembered elsewhere than on its own disk.

After a power cut the journal's disk may come late, or not at all. A watch that made a new journal at the empty mount
point would find no batch in it, mind nothing, and say that all is well. So a service remembers in its state folder
(systemd.exec(5), StateDirectory) that there was one, and does not begin without it: that rings (``not_begun``), and the
system tries again until the disk is there. Whoever starts it by hand sees what it says, and has no such folder.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping
from pathlib import Path

from monitor.journal.store import JournalError
from monitor.words import tr

_FOLDER = "STATE_DIRECTORY"


def must_be_there(journal: Path, environ: Mapping[str, str]) -> None:
    """JournalError (``again``) where the journal is not there and an earlier watch had it."""
    mark = _mark_of(journal, environ)
    if mark is not None and mark.exists() and _is_gone(journal):
        raise JournalError(
            tr(
                "Journal {path}: the file is not there, and an earlier watch had it; is its disk plugged in? If it is "
                "gone for good, restore a backup, or remove {mark} to begin a new one.",
                path=journal,
                mark=mark,
            ),
            again=True,
        )


def remember(journal: Path, environ: Mapping[str, str]) -> None:
    """That a watch has this journal. What cannot be written is left: it minds all the same."""
    mark = _mark_of(journal, environ)
    if mark is not None and not mark.exists():
        with contextlib.suppress(OSError):
            mark.write_text(f"{journal}\n", encoding="utf-8")


def _mark_of(journal: Path, environ: Mapping[str, str]) -> Path | None:
    folder = environ.get(_FOLDER, "").partition(":")[0]
    if not folder:
        return None
    return Path(folder) / f"journal-{short_name(journal)}"


def short_name(journal: Path) -> str:
    """What files elsewhere that belong to this journal are told apart by."""
    return hashlib.sha256(str(journal.absolute()).encode()).hexdigest()[:12]


def _is_gone(journal: Path) -> bool:
    """Whether there is no such file. What keeps it from being looked at is better said by who opens it."""
    try:
        journal.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False
