"""A real broker, as the sources' tests start it."""

from __future__ import annotations

from tests.sources.conftest import broker, new_broker

__all__ = ["broker", "new_broker"]
