"""A MAX31855's frame: 4 bytes, most significant first (datasheet 19-5793 Rev 5, tables 2 to 5). No hardware in here."""

# States on the wire, and the codes under which the ring keeps them.
STATES = ("open", "short-gnd", "short-vcc", "bus")
# Beyond what 14 bits can say.
FAULT_CODE = 0x7F00


def reading_of(frame):
    """4 bytes -> (value, junction): quarters of a degree, or FAULT_CODE and the number of the state; sixteenths of a
    degree of the cold junction, None where nobody answers."""
    word = int.from_bytes(frame, "big")
    causes = word & 7
    # D17 and D3 always read 0, and the summary bit has its causes: else nobody answers on the bus.
    if word in (0, 0xFFFFFFFF) or word & 0x20008 or bool(word & 0x10000) != bool(causes):
        return FAULT_CODE + 3, None
    junction = _signed(word >> 4 & 0xFFF, 12)
    if causes:
        return FAULT_CODE + (0 if causes & 1 else 1 if causes & 2 else 2), junction
    return _signed(word >> 18, 14), junction


def state_of(value):
    """The word for a kept value that is a fault, None for a temperature."""
    return STATES[value - FAULT_CODE] if value >= FAULT_CODE else None


def _signed(value, bits):
    return value - (1 << bits) if value >> (bits - 1) else value
