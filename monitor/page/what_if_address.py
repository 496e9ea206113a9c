"""Where "would it have rung?" of a batch stands."""

from __future__ import annotations

from urllib.parse import quote


def what_if_address(batch: str, more: str = "/would-ring") -> str:
    """The address of a batch's record, or of something below it; this page without ``more``."""
    return f"/batch/{quote(batch, safe='')}{more}"
