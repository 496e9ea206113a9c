"""The hardware of the bedside: a buzzer, a lamp and a button on a Wi-Fi board."""

from machine import Pin
from wireless import Wireless

# Lamp on and off, in tenths of a second: told apart in the dark. No more than two flashes a second.
RHYTHMS = {"alarm": (3, 3), "silent": (1, 9), "seen": (10, 0), "stopped": (1, 40), "still": (0, 10)}
# The buzzer's own rhythm, so that it is heard through a door: on for half a second, off for half a second.
BUZZ_TENTHS = 5


class Board(Wireless):
    """See bedside.Bedside for what each is for."""

    def __init__(self, settings):
        self._buzzer = Pin(settings.BUZZER, Pin.OUT, value=0)
        self._lamp = Pin(settings.LAMP, Pin.OUT, value=0)
        self._button = Pin(settings.BUTTON, Pin.IN, Pin.PULL_UP)
        super().__init__(settings.WIFI)

    def pressed(self):
        """Whether the button is down."""
        return not self._button()

    def show(self, sounds, lamp):
        """Sound or not, and the lamp's rhythm."""
        tenth = int(self.ticks_s() * 10)
        on, off = RHYTHMS[lamp]
        self._lamp(tenth % (on + off) < on)
        self._buzzer(sounds and tenth // BUZZ_TENTHS % 2 == 0)
