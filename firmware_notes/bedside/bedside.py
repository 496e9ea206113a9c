"""Lamp and buzzer at the bed: sounds for an alarm that wakes, and when the watch itself has fallen silent.

It needs no internet and no clock. What the watch says and what is asked of this node stands in monitor/siren/README.md.
"""

import json

from mqtt_small import Client

STATE, HEARTBEAT, SEEN = "emberpail/siren", "emberpail/heartbeat", "emberpail/siren/seen"
SILENT_AFTER_S = 90
LONG_PRESS_S = 2
LONGEST_WAIT_S = 15


class Bedside:
    """``board`` has ticks_s, pressed, show, network; ``settings`` is the module settings.py."""

    def __init__(self, board, settings):
        self.board, self.settings = board, settings
        self.client = None
        self._state, self._number = "unknown", None
        self._heard_at = board.ticks_s()
        self._try_at, self._wait_s, self._ping_at = self._heard_at, 1, self._heard_at
        self._pressed_at = None
        self._answered = None

    def turn(self):
        """One round; to be called again and again, some times a second."""
        now_s = self.board.ticks_s()
        self._mind_button(now_s)
        if self.client is None:
            if now_s >= self._try_at:
                self._connect(now_s)
        else:
            try:
                self.client.look(0.1)
                if now_s >= self._ping_at:
                    self._ping_at = now_s + 20
                    self.client.ping()
            except OSError:
                self._drop(now_s)
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
            # A beat with another number says that a change was missed; the broker has it, and is asked for it anew.
            if number != self._number and self.client is not None:
                self._number = number
                self._state = state
        elif topic == STATE:
            self._state, self._number = state, number

    def _connect(self, now_s):
        try:
            self.board.network()
            self.client = Client(self.settings.BROKER, self.settings.NAME, self.settings.USER, timeout_s=4)
            self.client.subscribe(STATE, self._heard)
            self.client.subscribe(HEARTBEAT, self._heard)
            self._wait_s, self._ping_at = 1, now_s + 20
        except OSError:
            self._drop(now_s)

    def _drop(self, now_s):
        if self.client is not None:
            self.client.close(False)
            self.client = None
        self._try_at = now_s + self._wait_s
        self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)

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
        if self._state != "now" or self.client is None:
            return
        try:
            self.client.publish(SEEN, json.dumps({"n": self._number, "act": act}))
        except OSError:
            self._drop(self.board.ticks_s())
