"""As much of MQTT 3.1.1 as a node needs, on a plain socket: connect with a last will, publish at QoS 1, listen.

Every call has an end: a socket that does not answer raises OSError within ``timeout_s``, and the caller begins anew.
Each step of a call takes twice that at the most, and ``feed`` is called before it, for a watchdog.
"""

import socket
import struct


class Client:
    """One connection. Raises OSError whenever anything is not as it should be; then close it and make a new one."""

    def __init__(self, broker, client_id, user=None, will=None, *, feed, keepalive_s=60, timeout_s=3):
        """``will`` is (topic, payload) that the broker keeps and tells when this connection is lost."""
        self._number, self._wait_s, self._heard, self._feed = 0, timeout_s, None, feed
        self._feed()
        self._socket = socket.socket()
        try:
            self._socket.settimeout(timeout_s)
            self._socket.connect(socket.getaddrinfo(broker[0], broker[1])[0][-1])
            flags = 2  # a clean session: this node keeps for itself what the broker has not taken
            body = _text(client_id)
            if will is not None:
                flags |= 0x2C  # with a will, kept, QoS 1
                body += _text(will[0]) + _text(will[1])
            if user is not None:
                flags |= 0xC0
                body += _text(user[0]) + _text(user[1])
            self._feed()
            self._send(0x10, _text("MQTT") + bytes((4, flags)) + struct.pack(">H", keepalive_s) + body)
            kind, answer = self._read()
            if kind != 0x20 or answer[1:2] != b"\0":
                raise OSError("refused: %d" % (answer[1] if len(answer) > 1 else -1))
        except OSError:
            self._socket.close()
            raise

    def publish(self, topic, payload, retain=False):
        """Hand over one message at QoS 1; returns once the broker has taken it."""
        self._feed()
        self._number = self._number % 0xFFFF + 1
        number = struct.pack(">H", self._number)
        # Apart, for the payload may be long and every joining is a copy of it.
        payload = _bytes(payload)
        self._send(0x33 if retain else 0x32, _text(topic) + number, len(payload))
        self._write(payload)
        while True:
            kind, answer = self._read()
            if kind == 0x40 and answer == number:
                return
            self._take(kind, answer)

    def ping(self):
        """Ask whether the broker is there; also keeps the connection alive."""
        self._feed()
        self._send(0xC0, b"")
        while True:
            kind, answer = self._read()
            if kind == 0xD0:
                return
            self._take(kind, answer)

    def subscribe(self, topic, heard):
        """Have ``heard(topic, payload, retained)`` called for what comes on ``topic``, within the other calls."""
        self._feed()
        self._heard = heard
        self._number = self._number % 0xFFFF + 1
        self._send(0x82, struct.pack(">H", self._number) + _text(topic) + b"\1")
        while True:
            kind, answer = self._read()
            if kind == 0x90:
                if answer[-1] == 0x80:
                    raise OSError("not allowed to read " + topic)
                return
            self._take(kind, answer)

    def look(self, wait_s):
        """Take what has come, waiting for it no longer than ``wait_s``."""
        before = self._timeout(wait_s)
        try:
            first = self._socket.recv(1)
        except OSError as error:
            if error.args and error.args[0] in (11, 110, "timed out"):
                return
            raise
        finally:
            self._timeout(before)
        if not first:
            raise OSError("closed")
        self._take(*self._read(first))

    def close(self, politely=True):
        """Leave; ``politely`` has the broker forget the will."""
        try:
            if politely:
                self._send(0xE0, b"")
        except OSError:
            pass
        self._socket.close()

    # ---- inside ----

    def _timeout(self, wait_s):
        before, self._wait_s = self._wait_s, wait_s
        self._socket.settimeout(wait_s)
        return before

    def _take(self, kind, body):
        if kind & 0xF0 != 0x30:
            return
        length = struct.unpack(">H", body[:2])[0]
        topic, rest = body[2 : 2 + length], body[2 + length :]
        if kind & 6:
            self._send(0x40, rest[:2])
            rest = rest[2:]
        if self._heard is not None:
            self._heard(topic.decode(), rest, bool(kind & 1))

    def _send(self, kind, body, more=0):
        """A packet, or the front of one that ends with ``more`` bytes yet to be written."""
        head, length = bytearray((kind,)), len(body) + more
        while True:
            head.append(length & 0x7F | (0x80 if length > 0x7F else 0))
            length >>= 7
            if not length:
                break
        self._write(bytes(head) + body)

    def _write(self, data):
        left = memoryview(data)
        while len(left) > 0:
            left = left[self._socket.send(left) :]

    def _read(self, first=b""):
        kind, length, shift = (first or self._exactly(1))[0], 0, 0
        while True:
            byte = self._exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
            if shift > 21:
                raise OSError("not MQTT")
        return kind, self._exactly(length)

    def _exactly(self, count):
        data = b""
        while len(data) < count:
            more = self._socket.recv(count - len(data))
            if not more:
                raise OSError("closed")
            data += more
        return data


def _bytes(value):
    return value if isinstance(value, bytes) else value.encode()


def _text(value):
    value = _bytes(value)
    return struct.pack(">H", len(value)) + value
