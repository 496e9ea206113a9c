"""The probe node's work: sample, keep, hand over. All hardware is in ``board``, so that this runs anywhere.

Nothing is ever given up: without network it samples on and keeps the last hours; what the broker has taken is
forgotten, and only then.
"""

import amplifier
from mqtt_small import Client
from pack import pack_of
from ring import Ring

# So many samples in one message, however many wait.
MOST_AT_ONCE = 20
LONGEST_WAIT_S = 60
TIME_EVERY_S = 12 * 3600


class Node:
    """``board`` has ticks_s, frames, supply_mv, network, unix_s, feed; ``settings`` is the module settings.py."""

    def __init__(self, board, settings):
        self.board, self.settings = board, settings
        self.probes = tuple(settings.PROBES)
        self.ring = Ring(len(self.probes), int(settings.KEPT_H * 3600 // settings.PERIOD_S))
        self.client = None
        self._sample_at = board.ticks_s()
        self._try_at = self._sample_at
        self._wait_s = 1

    def turn(self):
        """One round; to be called again and again, some times a second."""
        now_s = self.board.ticks_s()
        if now_s >= self._sample_at:
            self.ring.add(int(now_s), self.board.supply_mv(), [amplifier.reading_of(f) for f in self.board.frames()])
            # On its grid, and not a backlog of samples after a long wait.
            self._sample_at = max(self._sample_at + self.settings.PERIOD_S, now_s)
        if self.client is None and now_s >= self._try_at:
            self._connect(now_s)
        if self.client is not None and self.ring.waiting:
            self._hand_over()

    def _connect(self, now_s):
        place = "emberpail/" + self.settings.NODE
        try:
            self.board.network()
            self.client = Client(
                self.settings.BROKER, self.settings.NODE, self.settings.USER, (place + "/state", "gone"), timeout_s=4
            )
            self.client.publish(place + "/state", "here", True)
            self._wait_s = 1
        except OSError:
            self._drop(now_s)

    def _hand_over(self):
        samples = self.ring.oldest(MOST_AT_ONCE)
        now_s = int(self.board.ticks_s())
        try:
            pack = pack_of(self.settings.BUCKET, self.probes, samples, now_s, self.board.unix_s())
            self.client.publish("emberpail/" + self.settings.NODE + "/readings", pack)
        except OSError:
            self._drop(now_s)
            return
        self.ring.drop(len(samples))

    def _drop(self, now_s):
        if self.client is not None:
            self.client.close(False)
            self.client = None
        self._try_at = now_s + self._wait_s
        self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)
