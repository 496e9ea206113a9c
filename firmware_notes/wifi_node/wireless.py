"""What every Wi-Fi board of ours has under MicroPython: a clock that does not come round, the network, the watchdog."""

import network
import time
from machine import WDT

# Longer than any step may take between two feedings: where no name server answers, asking one takes a board half that.
# Some boards allow eight seconds at the most.
WATCHDOG_MS, SHORT_WATCHDOG_MS = 30000, 8000


class Wireless:
    """``wifi`` is the network's name and password."""

    def __init__(self, wifi):
        self._names = wifi
        self._wifi = network.WLAN(network.STA_IF)
        self._ms, self._last_ms = 0, time.ticks_ms()
        try:
            self._watchdog = WDT(timeout=WATCHDOG_MS)
        except ValueError:
            self._watchdog = WDT(timeout=SHORT_WATCHDOG_MS)

    def ticks_s(self):
        """Seconds since the start; the counter of the board itself comes round after twelve days."""
        now = time.ticks_ms()
        self._ms += time.ticks_diff(now, self._last_ms)
        self._last_ms = now
        return self._ms / 1000

    def network(self):
        """Be in the network, or raise OSError."""
        if self._wifi.isconnected():
            return
        self._wifi.active(True)
        try:
            self._wifi.connect(*self._names)
        except OSError:
            pass  # it is still at it
        for _ in range(50):
            self.feed()
            if self._wifi.isconnected():
                return
            time.sleep_ms(100)
        raise OSError("no network")

    def feed(self):
        """All is well."""
        self._watchdog.feed()
