"""A receiver and a journal for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal.database import Journal
from tests.phone.receiver import Receiver, receiving


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as receiver:
        yield receiver


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        yield journal
