"""The probe node's work: sample, keep, hand over. All hardware is in ``board``, so that this runs anywhere.

Nothing is ever given up: without network it samples on and keeps the last hours; what the broker has taken is
forgotten, and only then.
"""

import amplifier
from link import Link
from mqtt_small import Client
from pack import pack_of
from ring import Ring

# So many samples in one message, however many wait: ten of four probes make 4 kB, and ten times that while it is put
# together.
MOST_AT_ONCE = 10
LONGEST_WAIT_S = 60


class Node:
    """``board`` has ticks_s, frames, supply_mv, network, unix_s, feed; ``settings`` is the module settings.py."""

    def __init__(self, board, settings):
        self.board, self.settings = board, settings
        self.probes = tuple(settings.PROBES)
        self.ring = Ring(len(self.probes), int(settings.KEPT_H * 3600 // settings.PERIOD_S))
        self._sample_at = board.ticks_s()
        self._link = Link(board.ticks_s, LONGEST_WAIT_S)
        self._most = MOST_AT_ONCE

    def turn(self):
        """One round; to be called again and again, some times a second."""
        now_s = self.board.ticks_s()
        if now_s >= self._sample_at:
            self.ring.add(int(now_s), self.board.supply_mv(), [amplifier.reading_of(f) for f in self.board.frames()])
            # On its grid, and not a backlog of samples after a long wait.
            self._sample_at = max(self._sample_at + self.settings.PERIOD_S, now_s)
        if self._link.up(self._connect) and self.ring.waiting:
            self._hand_over()

    def _connect(self, link):
        place = "emberpail/" + self.settings.NODE
        self.board.network()
        link.client = Client(
            self.settings.BROKER, self.settings.NODE, self.settings.USER, (place + "/state", "gone"),
            feed=self.board.feed,
        )
        link.client.publish(place + "/state", "here", True)

    def _hand_over(self):
        samples = self.ring.oldest(self._most)
        try:
            pack = pack_of(
                self.settings.BUCKET, self.probes, samples, int(self.board.ticks_s()), self.board.unix_s()
            )
            self._link.client.publish("emberpail/" + self.settings.NODE + "/readings", pack)
        except OSError:
            self._link.drop()
            return
        except MemoryError:  # on a board with less room; a part of the message may be under way, so begin anew
            self._link.drop()
            self._most = max(1, self._most // 2)
            return
        self.ring.drop(len(samples))
