"""What sensor chips put on the wire, bit by bit: pure functions from frame to values or fault.

Sources: MAX31855 datasheet 19-5793 Rev 5, MAX31856 datasheet, MAX6675 datasheet 19-2235 Rev 3, DS18B20 datasheet.
A node's firmware does this work; these functions are what it is tested against.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Frame:
    """What one frame says. ``temperature_c`` is None exactly when ``state`` is not "ok".

    States: "ok", "open", "short-gnd", "short-vcc", "range" (out of the chip's limits or over-voltage), "bus" (no chip
    answers, or bits that must be 0 are not), "crc", and "power-on" (the chip has not measured yet).
    """

    temperature_c: float | None
    cold_junction_c: float | None
    state: str


def _signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value & (1 << (bits - 1)) else value


def max31855(word: int) -> Frame:
    """A 32-bit MAX31855 frame: thermocouple in 0.25 °C, cold junction in 0.0625 °C, three fault bits.

    D17 and D3 always read 0, so a frame with either set, like all ones or all zeros, is a bus fault and no data.
    A short is not always flagged: a frame without a fault bit may still lie.
    """
    if not 0 <= word < 1 << 32:
        raise ValueError(f"A MAX31855 frame has 32 bits, this is {word:#x}: read four bytes, most significant first.")
    if word in (0, 0xFFFFFFFF) or word & ((1 << 17) | (1 << 3)):
        return Frame(None, None, "bus")
    cold_junction_c = _signed((word >> 4) & 0xFFF, 12) * 0.0625
    for bit, state in ((0, "open"), (1, "short-gnd"), (2, "short-vcc")):
        if word & (1 << bit):
            return Frame(None, cold_junction_c, state)
    if word & (1 << 16):
        # The summary bit without any cause: the bits do not fit together, so nothing in the frame can be trusted.
        return Frame(None, None, "bus")
    return Frame(_signed(word >> 18, 14) * 0.25, cold_junction_c, "ok")


def max31856(temperature_word: int, cold_junction_word: int, fault: int) -> Frame:
    """MAX31856 registers: 24-bit temperature (0.0078125 °C), 16-bit cold junction (0.015625 °C), fault status byte.

    Fault bits 7..0: cold junction range, thermocouple range, cold junction high, low, thermocouple high, low,
    over- or under-voltage, open. The four threshold bits are the chip's own alarms, not a broken measurement.
    """
    if not (0 <= temperature_word < 1 << 24 and 0 <= cold_junction_word < 1 << 16 and 0 <= fault < 1 << 8):
        raise ValueError("MAX31856: the temperature has 24 bits, the cold junction 16, the fault status 8.")
    if temperature_word == 0xFFFFFF and cold_junction_word == 0xFFFF and fault == 0xFF:
        return Frame(None, None, "bus")
    cold_junction_c = _signed(cold_junction_word >> 2, 14) * 0.015625
    if fault & 0x01:
        return Frame(None, cold_junction_c, "open")
    if fault & 0xC2:
        return Frame(None, cold_junction_c, "range")
    return Frame(_signed(temperature_word >> 5, 19) * 0.0078125, cold_junction_c, "ok")


def max6675(word: int) -> Frame:
    """A 16-bit MAX6675 word: D14..D3 in 0.25 °C, D2 set when open; D15 and D1 are 0, D0 floats and is not looked at."""
    if not 0 <= word < 1 << 16:
        raise ValueError(f"A MAX6675 word has 16 bits, this is {word:#x}: read two bytes, most significant first.")
    if word & 0x8002:
        return Frame(None, None, "bus")
    if word & 0x0004:
        return Frame(None, None, "open")
    return Frame((word >> 3) * 0.25, None, "ok")


def crc8(data: bytes) -> int:
    """The 1-Wire CRC: x^8 + x^5 + x^4 + 1, starting at 0, least significant bit first."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def ds18b20(scratchpad: bytes) -> Frame:
    """The nine bytes of a DS18B20's scratchpad.

    Nine zero bytes carry a right CRC (a bus stuck low), so they are refused by name. The power-on 85 °C is told by
    0550h together with byte 6 = 0Ch; 0Ch alone also occurs at true temperatures. Clones may differ, so screening
    looks at an exact 85.0 once more.
    """
    if len(scratchpad) != 9:
        raise ValueError(f"A DS18B20 scratchpad has 9 bytes, this has {len(scratchpad)}: read it whole.")
    if scratchpad in (bytes(9), b"\xff" * 9):
        return Frame(None, None, "bus")
    if crc8(scratchpad[:8]) != scratchpad[8]:
        return Frame(None, None, "crc")
    raw = scratchpad[0] | scratchpad[1] << 8
    if raw == 0x0550 and scratchpad[6] == 0x0C:
        return Frame(None, None, "power-on")
    # Below 12 bits the lowest bits are not defined, so they are cleared.
    undefined_bits = 3 - ((scratchpad[4] >> 5) & 0b11)
    temperature_c = (_signed(raw, 16) >> undefined_bits << undefined_bits) * 0.0625
    if not -55.0 <= temperature_c <= 125.0:
        # 07FFh (127.94 °C) comes with a right CRC from a sensor that is starved of current.
        return Frame(None, None, "range")
    return Frame(temperature_c, None, "ok")


def ds18b20_text(text: str) -> Frame:
    """The two-line form in which the Linux 1-Wire driver gives a DS18B20: ``... crc=XX YES`` and ``... t=23125``."""
    lines = text.strip().splitlines()
    if len(lines) != 2 or "t=" not in lines[1]:
        return Frame(None, None, "bus")
    try:
        scratchpad = bytes(int(byte, 16) for byte in lines[0].split(":")[0].split()[:9])
    except ValueError:
        return Frame(None, None, "bus")
    if len(scratchpad) != 9:
        return Frame(None, None, "bus")
    if not lines[0].rstrip().endswith("YES"):
        return Frame(None, None, "crc")
    return ds18b20(scratchpad)
