"""Fresh fuzzing for half a minute: see ``tests/faults/fuzz/on_http.py`` for what is promised."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.fuzz.fresh import fuzz


@pytest.mark.slow
def test_no_bytes_break_a_promise(tmp_path: Path) -> None:
    """Whatever is made up, nothing fails, hangs or says what it should not."""
    fuzz("http", tmp_path, 30.0)
