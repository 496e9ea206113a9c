"""How far each stream of rows has been copied, and from where it must be copied again.

That a server has taken a point does not mean that it has it on its disk: one that is killed, or loses its power, may
have lost what it took in the last seconds (seen with a real one). So what is kept as "mirrored up to" is where the mark
stood ``OVERLAP_S`` ago, and after the server has been away what it took shortly before is sent once more. Pure; the
times handed in never step back.
"""

from __future__ import annotations

from collections import deque

# Servers write out what they have in memory every few seconds; this is that with room.
OVERLAP_S = 120.0

READINGS, EVENTS = "readings", "events"
STREAMS = (READINGS, EVENTS)


class Marks:
    """The numbers of the last rows copied, by stream.

    head     the last row that the server has taken
    doubts   rows that it took and may have lost: after this number, up to this one
    """

    def __init__(self, readings: int = 0, events: int = 0) -> None:
        self.head = {READINGS: readings, EVENTS: events}
        self.doubts: dict[str, tuple[int, int]] = {}
        self._trail: deque[tuple[float, dict[str, int]]] = deque()
        self._sure = dict(self.head)

    def note(self, now_s: float) -> None:
        """Everything up to the head is with the server at this moment."""
        self._trail.append((now_s, dict(self.head)))
        while self._trail[0][0] <= now_s - OVERLAP_S:
            self._sure = self._trail.popleft()[1]

    def sure(self) -> dict[str, int]:
        """Up to where the server surely has it: from here a watch that starts anew goes on."""
        return {stream: min(number, self.doubts.get(stream, (number, 0))[0]) for stream, number in self._sure.items()}

    def went_away(self) -> None:
        """The server has failed: what it took lately is in doubt."""
        for stream, number in self.sure().items():
            if number < self.head[stream]:
                self.doubts[stream] = (number, self.head[stream])
        self._trail.clear()

    def back_to(self, number: int) -> None:
        """The reading with this number has changed, and perhaps later ones."""
        for mark in (self.head, self._sure, *(marks for _, marks in self._trail)):
            mark[READINGS] = min(mark[READINGS], number - 1)

    def again_done(self, stream: str, number: int) -> None:
        """Of the rows in doubt those up to this number have been taken once more."""
        upto = self.doubts[stream][1]
        if number >= upto:
            del self.doubts[stream]
        else:
            self.doubts[stream] = (number, upto)
