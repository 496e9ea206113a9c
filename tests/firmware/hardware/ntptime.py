"""Stands in for MicroPython's module of the same name (docs: library/ntptime)."""

host = ""
ASKED = []
ANSWERS = [True]


def settime():
    ASKED.append(host)
    if not ANSWERS[0]:
        raise OSError(110)
