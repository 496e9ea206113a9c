"""Runs under MicroPython: the firmware of the probe node or of the bedside, with hardware that a file stands in for.

usage: micropython standin.py wifi|bedside FOLDER SETTINGS.json CONTROL.json

CONTROL.json is read anew at every turn: frames by probe (hex), supply_mv, unix (whether the time is known), network
(whether there is one), pressed. What the bedside shows is printed when it changes.
"""

import json
import sys
import time

WHICH, FOLDER, SETTINGS, CONTROL = sys.argv[1:5]
for part in sys.argv[5:]:
    sys.path.insert(0, part)
sys.path.insert(0, FOLDER)


class Settings:
    pass


settings = Settings()
with open(SETTINGS) as file:
    for name, value in json.load(file).items():
        setattr(settings, name, value)


class Board:
    def __init__(self):
        self.control = {}
        self.read()
        self.began_ms = time.ticks_ms()
        self.last = None

    def read(self):
        try:
            with open(CONTROL) as file:
                self.control = json.load(file)
        except (OSError, ValueError):
            pass  # it is just being written

    def ticks_s(self):
        return time.ticks_diff(time.ticks_ms(), self.began_ms) / 1000

    def frames(self):
        return [bytes.fromhex(self.control["frames"][probe]) for probe in settings.PROBES]

    def supply_mv(self):
        return self.control.get("supply_mv", 0)

    def network(self):
        if not self.control.get("network", True):
            raise OSError("no network")

    def unix_s(self):
        return int(time.time()) if self.control.get("unix") else None

    def pressed(self):
        return self.control.get("pressed", False)

    def show(self, sounds, lamp):
        if (sounds, lamp) != self.last:
            self.last = (sounds, lamp)
            print(json.dumps({"sounds": sounds, "lamp": lamp}))

    def feed(self):
        self.read()


board = Board()
if WHICH == "wifi":
    from node import Node

    work = Node(board, settings)
else:
    import bedside

    bedside.SILENT_AFTER_S = board.control.get("silent_after_s", bedside.SILENT_AFTER_S)
    work = bedside.Bedside(board, settings)
while True:
    board.feed()
    work.turn()
    time.sleep_ms(20)
