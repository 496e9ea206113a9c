"""A plugin of pytest (``-p tests.faults.keep_coverage``): what was traced is on the disk when the session is over.

Workers of xdist are ended a few seconds after that, whether they have written what they know or not; on a busy machine
half of a run was lost so.
"""

from __future__ import annotations

import pytest
from coverage import Coverage


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish() -> None:
    """Write what has been collected so far; what comes after is added at the process's own end."""
    measured = Coverage.current()
    if measured is not None:
        measured.save()
