"""The hardware of the probe node: amplifiers on the SPI bus, the supply, and the time of day, on a Wi-Fi board."""

import ntptime
import time
from machine import ADC, SPI, Pin
from wireless import Wireless

# MicroPython counts from 2000 on some boards and from 1970 on others.
EPOCH_S = 946684800 if time.gmtime(0)[0] == 2000 else 0
NEVER_SET_BEFORE_S = 1767225600  # 2026: an earlier clock has not been set
TIME_EVERY_S = 12 * 3600


def _measuring(pin):
    """An analogue input for up to the board's own 3.3 V."""
    adc = ADC(Pin(pin))
    if hasattr(ADC, "ATTN_11DB"):
        adc.atten(ADC.ATTN_11DB)  # an ESP32 measures to 1 V only unless told otherwise, and would call each battery low
    return adc


class Board(Wireless):
    """See node.Node for what each is for."""

    def __init__(self, settings):
        self._settings = settings
        bus = settings.SPI
        # The pull-up makes a missing amplifier read as all ones, which is no frame.
        lines = {"sck": Pin(bus["sck"]), "mosi": Pin(bus["mosi"]), "miso": Pin(bus["miso"], Pin.PULL_UP)}
        self._spi = SPI(bus["id"], 1000000, **lines)
        # High before they drive, so that no amplifier is spoken to by the way.
        self._selects = [Pin(pin, Pin.OUT, value=1) for pin in settings.PROBES.values()]
        self._supply = None if settings.SUPPLY is None else (_measuring(settings.SUPPLY[0]), settings.SUPPLY[1])
        self._time_at = None
        super().__init__(settings.WIFI)

    def frames(self):
        """Four bytes of each amplifier, in the order of the settings."""
        found = []
        for select in self._selects:
            select(0)
            found.append(self._spi.read(4))
            select(1)
        return found

    def supply_mv(self):
        """The supply, 0 where it is not measured."""
        return 0 if self._supply is None else int(self._supply[0].read_uv() / 1000 * self._supply[1])

    def network(self):
        """Be in the network, or raise OSError; and ask for the time now and then."""
        super().network()
        now_s = self.ticks_s()
        if self._settings.TIME_SERVER and (self._time_at is None or now_s - self._time_at > TIME_EVERY_S):
            ntptime.host = self._settings.TIME_SERVER
            self.feed()
            try:
                ntptime.settime()
                self._time_at = now_s
            except OSError:
                pass  # without it the times are relative
            self.feed()

    def unix_s(self):
        """Unix seconds, None while nobody has told the time."""
        now_s = time.time() + EPOCH_S
        return now_s if now_s > NEVER_SET_BEFORE_S else None
