"""Fresh fuzzing for half a minute of the two files that people write: settings, and what was entered of a batch."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.fuzz.fresh import fuzz


@pytest.mark.slow
@pytest.mark.parametrize("name", ["settings", "batch_file"])
def test_no_text_breaks_a_promise(name: str, tmp_path: Path) -> None:
    """Whatever is made up: settings or a batch that can be used, or sentences that each say what to mend."""
    fuzz(name, tmp_path, 30.0)
