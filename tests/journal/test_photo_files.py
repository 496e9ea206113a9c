"""Copies of photographs: whole or not at all, under a name that anything can read back."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from monitor.journal.photo_files import copy_by_hash, copy_photo


def picture(folder: Path, name: str, content: bytes = b"a picture") -> tuple[Path, str]:
    path = folder / name
    path.write_bytes(content)
    return path, hashlib.sha256(content).hexdigest()


@pytest.mark.parametrize(
    ("name", "ending"),
    [("cut.JPG", "jpg"), ("cut", "bin"), ("cut.!", "bin"), ("cut.jpeg2000", "jpeg2"), ("cut.jp2ñ", "jp2")],
)
def test_the_ending_is_plain_and_short(tmp_path: Path, name: str, ending: str) -> None:
    """A memory stick of any kind must be able to hold it."""
    path, sha256 = picture(tmp_path, name)
    assert copy_photo(path, tmp_path / "photos", sha256)
    assert [copy.name for copy in (tmp_path / "photos").iterdir()] == [f"{sha256}.{ending}"]


def test_a_second_picture_goes_into_the_same_folder(tmp_path: Path) -> None:
    """And the same one again stays one."""
    (first, one), (second, two) = picture(tmp_path, "a.jpg"), picture(tmp_path, "b.jpg", b"another")
    for path, sha256 in ((first, one), (second, two), (first, one)):
        assert copy_photo(path, tmp_path / "photos", sha256)
    assert {copy.name for copy in (tmp_path / "photos").iterdir()} == {f"{one}.jpg", f"{two}.jpg"}
    assert (tmp_path / "photos" / f"{two}.jpg").read_bytes() == b"another"
    assert (tmp_path / "photos").stat().st_mode & 0o777 == 0o700, "pictures are nobody else's business"


def test_a_big_picture_is_copied_whole(tmp_path: Path) -> None:
    """Whatever its size, in parts."""
    content = os.urandom(1 << 20) * 2 + b"end"
    path, sha256 = picture(tmp_path, "big.jpg", content)
    assert copy_photo(path, tmp_path / "photos", sha256)
    copy = copy_by_hash(tmp_path / "photos", sha256)
    assert copy is not None and copy.read_bytes() == content


def test_it_gets_its_name_when_it_is_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut leaves no half picture under a name that promises a whole one."""
    path, sha256 = picture(tmp_path, "cut.jpg")
    order: list[str] = []
    sync, rename = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda number: (order.append("on the disk"), sync(number))[1])
    monkeypatch.setattr(os, "replace", lambda *names: (order.append("named"), rename(*names))[1])
    assert copy_photo(path, tmp_path / "photos", sha256)
    assert order == ["on the disk", "named"]


def test_another_picture_by_now_leaves_nothing(tmp_path: Path) -> None:
    """What was noted is one picture, what lies there another: no copy under the old hash, and no half one."""
    path, sha256 = picture(tmp_path, "cut.jpg")
    path.write_bytes(b"changed since")
    assert copy_photo(path, tmp_path / "photos", sha256) is False
    assert list((tmp_path / "photos").iterdir()) == []
    with pytest.raises(OSError):
        copy_photo(tmp_path / "none.jpg", tmp_path / "photos", sha256)
    assert list((tmp_path / "photos").iterdir()) == []


def test_a_hash_that_is_none_finds_nothing(tmp_path: Path) -> None:
    """From a file somebody has written by hand: a pattern would find the pictures of others."""
    path, sha256 = picture(tmp_path, "cut.jpg")
    copy_photo(path, tmp_path, sha256)
    assert copy_by_hash(tmp_path, sha256) is not None
    assert copy_by_hash(tmp_path, "*") is None
    assert copy_by_hash(tmp_path, "00") is None
