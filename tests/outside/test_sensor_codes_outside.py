"""Chip frames against the example codes of their datasheets."""

from __future__ import annotations

import pytest

from monitor.sensing.frames import Frame, crc8, ds18b20, ds18b20_text, max6675, max31855, max31856

# MAX31855 datasheet 19-5793 Rev 5, tables 4 and 5; whole frames put together from those codes.
MAX31855_FRAMES = [
    (0x64007F00, 1600.0, 127.0),
    (0x3E806490, 1000.0, 100.5625),
    (0x064C1900, 100.75, 25.0),
    (0x01901900, 25.0, 25.0),
    (0xFFFCFFF0, -0.25, -0.0625),
    (0xFFF0FF00, -1.0, -1.0),
    (0xF060C900, -250.0, -55.0),
    # A frame that a user published: no fault bit, although T+ was tied to ground. A short is not always flagged.
    (0x01501790, 21.0, 23.5625),
]


@pytest.mark.parametrize(("word", "temperature_c", "cold_junction_c"), MAX31855_FRAMES)
def test_max31855_codes(word: int, temperature_c: float, cold_junction_c: float) -> None:
    """MAX31855 frames give the datasheet's temperatures."""
    assert max31855(word) == Frame(temperature_c, cold_junction_c, "ok")


@pytest.mark.parametrize(
    ("bits", "temperature_c"),
    [
        ("01100100000000", 1600.0), ("00111110100000", 1000.0), ("00000110010011", 100.75), ("00000001100100", 25.0),
        ("11111111111111", -0.25), ("11111111111100", -1.0), ("11110000011000", -250.0),
    ],
)  # fmt: skip
def test_max31855_thermocouple_field(bits: str, temperature_c: float) -> None:
    """The 14-bit field D31..D18 reads as the datasheet's table says."""
    assert max31855(int(bits, 2) << 18 | 0x190 << 4).temperature_c == temperature_c


@pytest.mark.parametrize(
    ("word", "state"), [(0x00011901, "open"), (0x00011902, "short-gnd"), (0x00011904, "short-vcc")]
)
def test_max31855_faults(word: int, state: str) -> None:
    """The three fault bits name the fault, and the cold junction stays readable."""
    assert max31855(word) == Frame(None, 25.0, state)


@pytest.mark.parametrize("word", [0x00000000, 0xFFFFFFFF, 0x01901900 | 1 << 17, 0x01901900 | 1 << 3])
def test_max31855_dead_bus(word: int) -> None:
    """All zeros, all ones, or a bit that always reads 0 (D17, D3) is a bus fault, not 0 °C."""
    assert max31855(word) == Frame(None, None, "bus")


@pytest.mark.parametrize(
    ("word", "temperature_c"),
    [
        (0x640000, 1600.0), (0x3E8000, 1000.0), (0x064F00, 100.9375), (0x019000, 25.0), (0x000100, 0.0625),
        (0xFFFF00, -0.0625), (0xFFF000, -1.0), (0xF06000, -250.0),
    ],
)  # fmt: skip
def test_max31856_codes(word: int, temperature_c: float) -> None:
    """MAX31856 temperature words, values as in the datasheet's table (from memory)."""
    assert max31856(word, 0x1900, 0) == Frame(temperature_c, 25.0, "ok")


def test_max31856_faults() -> None:
    """MAX31856 fault bits (order from memory): open and over-voltage end the measurement, the chip's alarms do not."""
    assert max31856(0x019000, 0x1900, 0x01).state == "open"
    assert max31856(0x019000, 0x1900, 0x02).state == "range"
    assert max31856(0x019000, 0x1900, 0x3C).temperature_c == 25.0
    assert max31856(0xFFFFFF, 0xFFFF, 0xFF) == Frame(None, None, "bus")


@pytest.mark.parametrize(
    ("word", "temperature_c"), [(0x0320, 25.0), (0x0AA0, 85.0), (0x0C88, 100.25), (0x7FF8, 1023.75), (0x0321, 25.0)]
)
def test_max6675_codes(word: int, temperature_c: float) -> None:
    """MAX6675 words (datasheet 19-2235 Rev 3); D0 floats and does not matter."""
    assert max6675(word) == Frame(temperature_c, None, "ok")


def test_max6675_faults() -> None:
    """D2 says open; D15 or D1 set is no MAX6675 talking."""
    assert max6675(0x0324).state == "open"
    assert max6675(0xFFFF).state == "bus"
    assert max6675(0x0322).state == "bus"


def scratchpad(code: int, byte_6: int = 0x10) -> bytes:
    """A 12-bit DS18B20 scratchpad with a right CRC."""
    body = bytes((code & 0xFF, code >> 8, 0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10))
    return body + bytes((crc8(body),))


@pytest.mark.parametrize(
    ("code", "temperature_c"),
    [
        (0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0),
        (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0),
    ],
)  # fmt: skip
def test_ds18b20_codes(code: int, temperature_c: float) -> None:
    """DS18B20 temperature codes, datasheet table 1."""
    assert ds18b20(scratchpad(code)) == Frame(temperature_c, None, "ok")


@pytest.mark.parametrize(
    ("body", "crc", "temperature_c"),
    [
        # Two scratchpads from public sensor logs, then the power-on one.
        ("E1 00 4B 46 7F FF 0C 10", 0xF8, 14.0625),
        ("EE 00 4B 46 7F FF 02 10", 0xDE, 14.875),
        ("50 05 4B 46 7F FF 0C 10", 0x1C, None),
    ],
)
def test_ds18b20_scratchpads(body: str, crc: int, temperature_c: float | None) -> None:
    """CRC-8 vectors; byte 6 = 0Ch also occurs at 14.0625 °C, and only with 0550h means "not measured yet"."""
    assert crc8(bytes.fromhex(body)) == crc
    frame = ds18b20(bytes.fromhex(body) + bytes((crc,)))
    assert frame.temperature_c == temperature_c
    assert frame.state == ("ok" if temperature_c is not None else "power-on")


def test_ds18b20_zero_scratchpad_has_a_right_crc_and_is_refused() -> None:
    """The CRC's hole: eight zero bytes have CRC 0, so a bus stuck low would read 0.0 °C; it is refused by name."""
    assert crc8(bytes(8)) == 0
    assert ds18b20(bytes(9)) == Frame(None, None, "bus")


def test_ds18b20_damage_and_starvation() -> None:
    """A flipped bit fails the CRC; 07FFh (127.94 °C, a starved sensor) passes it and is out of the sensor's range."""
    damaged = bytearray(scratchpad(0x0191))
    damaged[0] ^= 0x04
    assert ds18b20(bytes(damaged)).state == "crc"
    assert ds18b20(scratchpad(0x07FF)).state == "range"


def test_ds18b20_linux_text() -> None:
    """The Linux driver's two lines: YES gives the temperature, NO gives a CRC fault, half a text a bus fault."""
    good = "e1 00 4b 46 7f ff 0c 10 f8 : crc=f8 YES\ne1 00 4b 46 7f ff 0c 10 f8 t=14062\n"
    assert ds18b20_text(good) == Frame(14.0625, None, "ok")
    assert ds18b20_text(good.replace("YES", "NO")).state == "crc"
    assert ds18b20_text(good.splitlines()[0]).state == "bus"
