"""Lamp and buzzer at the bed: sounds for an alarm that wakes, and when the watch itself has fallen silent.

It needs no internet and no clock. What the watch says and what is asked of this node stands in monitor/siren/README.md.
"""

import json

from link import Link
from mqtt_small import Client

STATE, HEARTBEAT, SEEN = "emberpail/siren", "emberpail/heartbeat", "emberpail/siren/seen"
SILENT_AFTER_S = 90
LONG_PRESS_S = 2
LONGEST_WAIT_S = 15
PING_EVERY_S = 20


class Bedside:
    """``board`` has ticks_s, pressed, show, network, feed; ``settings`` is the module settings.py."""

    def __init__(self, board, settings):
        self.board, self.settings = board, settings
        self._link = Link(board.ticks_s, LONGEST_WAIT_S)
        self._state, self._number = "unknown", None
        self._heard_at = board.ticks_s()
        self._ping_at = self._heard_at
        self._pressed_at = None

    def turn(self):
        """One round; to be called again and again, some times a second."""
        now_s = self.board.ticks_s()
        self._mind_button(now_s)
        if self._link.up(self._connect):
            try:
                self._link.client.look(0.1)
                if now_s >= self._ping_at:
                    self._ping_at = now_s + PING_EVERY_S
                    self._link.client.ping()
            except OSError:
                self._link.drop()
        self.board.show(*self.shown(self.board.ticks_s()))

    def shown(self, now_s):
        """(sounds, lamp): lamp is "alarm", "seen", "silent", "stopped" or "still"."""
        if self._state != "stopped" and now_s - self._heard_at > SILENT_AFTER_S:
            return True, "silent"  # whatever was said last: nobody is there to say anything else
        if self._state == "now":
            return True, "alarm"
        if self._state in ("seen", "daylight"):
            return False, "seen"
        if self._state == "stopped":
            return False, "stopped"
        return False, "still" if self._state == "none" else "silent"

    # ---- inside ----

    def _heard(self, topic, payload, retained):
        try:
            said = json.loads(payload)
            state, number = said["state"], said["n"]
        except (ValueError, KeyError, TypeError):
            return  # not from the watch
        if topic == HEARTBEAT:
            self._heard_at = self.board.ticks_s()
        # A beat says the state, too: where its number is another, a change was missed, and here it is.
        self._state, self._number = state, number

    def _connect(self, link):
        self.board.network()
        link.client = Client(self.settings.BROKER, self.settings.NAME, self.settings.USER, feed=self.board.feed)
        link.client.subscribe(STATE, self._heard)
        link.client.subscribe(HEARTBEAT, self._heard)
        self._ping_at = self.board.ticks_s() + PING_EVERY_S

    def _mind_button(self, now_s):
        """A short press says "I have seen it", a long one "I am going"; each answers what rings now."""
        if self.board.pressed():
            if self._pressed_at is None:
                self._pressed_at = now_s
            elif self._pressed_at and now_s - self._pressed_at >= LONG_PRESS_S:
                self._answer("going")
                self._pressed_at = 0  # until it is let go
        elif self._pressed_at is not None:
            if self._pressed_at:
                self._answer("seen")
            self._pressed_at = None

    def _answer(self, act):
        if self._state != "now" or self._link.client is None:
            return
        try:
            self._link.client.publish(SEEN, json.dumps({"n": self._number, "act": act}))
        except OSError:
            self._link.drop()
