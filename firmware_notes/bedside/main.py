"""What the board runs when it gets power. Copy all files of this folder to it, and mqtt_small.py,
link.py and wireless.py from wifi_node/."""

import time

import board as hardware
import settings
from bedside import Bedside

board = hardware.Board(settings)
bedside = Bedside(board, settings)
while True:
    board.feed()
    bedside.turn()
    time.sleep_ms(20)
