"""Stands in for MicroPython's module of the same name (docs: library/network): a network that comes when it is told."""

STA_IF = 0
COMES_AFTER = [0]  # so many questions; -1 never
TRIED = []


class WLAN:
    def __init__(self, kind):
        self._left = None

    def active(self, on):
        assert on

    def connect(self, name, password):
        TRIED.append((name, password))
        self._left = COMES_AFTER[0]
        if len(TRIED) > 1:
            raise OSError("it is still at it")

    def isconnected(self):
        if self._left is None or self._left < 0:
            return False
        self._left = max(0, self._left - 1)
        return self._left == 0
