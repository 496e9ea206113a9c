"""A shed with its commands, and a real broker."""

from tests.commands.conftest import shed
from tests.sources.conftest import broker, new_broker

__all__ = ["broker", "new_broker", "shed"]
