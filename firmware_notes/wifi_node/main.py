"""What the board runs when it gets power. Copy all files of this folder to it."""

import time

import board as hardware
import settings
from node import Node

board = hardware.Board(settings)
node = Node(board, settings)
while True:
    board.feed()  # a turn that hangs is ended by the watchdog, and all begins anew
    node.turn()
    time.sleep_ms(100)
