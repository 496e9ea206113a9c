"""Copies of photographs beside a journal, each under its hash: the same picture is there once, and cannot be changed
unseen."""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path

from monitor.journal.rows import Photo


def photo_folder(journal_path: Path) -> Path:
    """Where copies of photographs are kept: a folder beside the journal."""
    return journal_path.absolute().with_name("photos")


def kept_copy(journal_path: Path, photo: Photo) -> Path | None:
    """The copy of a photograph, by its hash; None where none is kept."""
    return copy_by_hash(photo_folder(journal_path), photo.sha256)


def copy_by_hash(folder: Path, sha256: str) -> Path | None:
    """The file in ``folder`` that is named by the hash; None where there is none."""
    found = sorted(folder.glob(f"{sha256}.*")) if sha256.isalnum() else []
    return found[0] if found else None


def copy_photo(path: Path, folder: Path, sha256: str) -> bool:
    """Copy a picture into ``folder`` under its hash, whole or not at all; False where the file is another one by now.

    Raises OSError.
    """
    ending = "".join(c for c in path.suffix.lower() if c.isascii() and c.isalnum())[:5] or "bin"
    half = folder / f".{sha256}.{os.getpid()}.part"
    digest = hashlib.sha256()
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        with path.open("rb") as source, half.open("wb") as target:
            while block := source.read(1 << 20):
                digest.update(block)
                target.write(block)
            target.flush()
            os.fsync(target.fileno())
        if digest.hexdigest() != sha256:
            return False
        os.replace(half, folder / f"{sha256}.{ending}")
        return True
    finally:
        with contextlib.suppress(OSError):
            half.unlink(missing_ok=True)
