"""A shed with its commands, and a real broker."""

from tests.commands.conftest import Shed, shed
from tests.sources.conftest import broker, new_broker

__all__ = ["Shed", "broker", "new_broker", "shed"]
