"""The samples that nobody has taken yet, in memory set aside at the start: the oldest give way when it is full.

Nothing of it is on the flash, so no power cut can spoil it; what it holds is lost with the power, and said to be.
"""

import struct

NO_JUNCTION = -32768


class Ring:
    """Samples of ``probes`` probes each: seconds since the start, (value, junction) a probe, supply in millivolts."""

    def __init__(self, probes, places):
        self._form = "<IH" + "hh" * probes
        self._size = struct.calcsize(self._form)
        self._room = bytearray(self._size * places)
        self._places = places
        self._first = 0
        self.waiting = 0
        self.lost = 0

    def add(self, at_s, supply_mv, readings):
        """Keep one sample; ``readings`` in the order of the probes."""
        if self.waiting == self._places:
            self._first = (self._first + 1) % self._places
            self.waiting -= 1
            self.lost += 1
        flat = []
        for value, junction in readings:
            flat.append(value)
            flat.append(NO_JUNCTION if junction is None else junction)
        place = (self._first + self.waiting) % self._places
        struct.pack_into(self._form, self._room, place * self._size, at_s, supply_mv, *flat)
        self.waiting += 1

    def oldest(self, most):
        """Up to ``most`` samples, the oldest first, as (at_s, supply_mv, readings); they stay until ``drop``."""
        found = []
        for n in range(min(most, self.waiting)):
            place = (self._first + n) % self._places
            at_s, supply_mv, *flat = struct.unpack_from(self._form, self._room, place * self._size)
            pairs = [(flat[i], None if flat[i + 1] == NO_JUNCTION else flat[i + 1]) for i in range(0, len(flat), 2)]
            found.append((at_s, supply_mv, pairs))
        return found

    def drop(self, count):
        """The oldest ``count`` have been taken."""
        self._first = (self._first + count) % self._places
        self.waiting -= count
