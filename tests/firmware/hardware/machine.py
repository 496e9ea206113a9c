"""Stands in for MicroPython's module of the same name (docs: library/machine): pins that note what was done to them."""

PINS = {}
FRAMES = {}  # what an amplifier answers, by the number of its select pin
FED = [0]
MICROVOLTS = [0]


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2

    def __init__(self, number, mode=IN, pull=None, value=None):
        self.number, self.mode = number, mode
        self.level = 1 if value is None and pull == Pin.PULL_UP else value or 0
        self.log = [self.level]
        PINS[number] = self

    def __call__(self, level=None):
        if level is None:
            return self.level
        self.level = int(bool(level))
        self.log.append(self.level)


class SPI:
    def __init__(self, number, baudrate, sck=None, mosi=None, miso=None):
        self.number, self.baudrate = number, baudrate

    def read(self, count):
        low = [number for number, pin in PINS.items() if number in FRAMES and pin.level == 0]
        assert len(low) == 1, "one amplifier at a time is spoken to, not %s" % low
        return FRAMES[low[0]][:count]


class ADC:
    """As on an ESP32 (docs: library/machine.ADC, esp32/quickref): what it can measure depends on ``atten``."""

    ATTN_0DB, ATTN_11DB = 0, 3
    _MOST_UV = {ATTN_0DB: 950000, ATTN_11DB: 3100000}

    def __init__(self, pin):
        self.pin, self._atten = pin, ADC.ATTN_0DB

    def atten(self, atten):
        self._atten = atten

    def read_uv(self):
        return min(MICROVOLTS[0], ADC._MOST_UV[self._atten])


MOST_WATCHDOG_MS = [100000]


class WDT:
    def __init__(self, timeout):
        if timeout > MOST_WATCHDOG_MS[0]:
            raise ValueError("timeout exceeds " + str(MOST_WATCHDOG_MS[0]))
        self.timeout = timeout

    def feed(self):
        FED[0] += 1
