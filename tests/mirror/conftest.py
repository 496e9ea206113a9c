"""A real server for the mirror."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.mirror.servers import RealServer


@pytest.fixture
def server(needs: Callable[[str], str], tmp_path: Path) -> Iterator[RealServer]:
    one = RealServer(needs("victoria-metrics"), tmp_path / "data")
    one.start()
    yield one
    one.stop()
