"""The hardware of a common Wi-Fi board under MicroPython: a buzzer, a lamp, a button, network, watchdog."""

import network
import time
from machine import WDT, Pin

WATCHDOG_MS = 8000
# Lamp on and off, in tenths of a second: told apart in the dark. No more than two flashes a second.
RHYTHMS = {"alarm": (3, 3), "silent": (1, 9), "seen": (10, 0), "stopped": (1, 40), "still": (0, 10)}
# The buzzer's own rhythm, so that it is heard through a door: on for half a second, off for half a second.
BUZZ_TENTHS = 5


class Board:
    """See bedside.Bedside for what each is for."""

    def __init__(self, settings):
        self._settings = settings
        self._buzzer = Pin(settings.BUZZER, Pin.OUT, value=0)
        self._lamp = Pin(settings.LAMP, Pin.OUT, value=0)
        self._button = Pin(settings.BUTTON, Pin.IN, Pin.PULL_UP)
        self._wifi = network.WLAN(network.STA_IF)
        self._ms, self._last_ms = 0, time.ticks_ms()
        self._watchdog = WDT(timeout=WATCHDOG_MS)

    def ticks_s(self):
        """Seconds since the start; the counter of the board itself comes round after twelve days."""
        now = time.ticks_ms()
        self._ms += time.ticks_diff(now, self._last_ms)
        self._last_ms = now
        return self._ms / 1000

    def pressed(self):
        """Whether the button is down."""
        return not self._button()

    def show(self, sounds, lamp):
        """Sound or not, and the lamp's rhythm."""
        tenth = self._ms // 100
        on, off = RHYTHMS[lamp]
        self._lamp(tenth % (on + off) < on)
        self._buzzer(sounds and tenth // BUZZ_TENTHS % 2 == 0)

    def network(self):
        """Be in the network, or raise OSError."""
        if self._wifi.isconnected():
            return
        self._wifi.active(True)
        try:
            self._wifi.connect(*self._settings.WIFI)
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
