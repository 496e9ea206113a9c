"""Addresses that answer what one message told, or one drill, and nothing else: signed, for one person, with an end.

Pure.

A message carries such an address, so that whoever is woken need not find the bucket first, nor know the passphrase.
The signature is an HMAC with SHA-256 (RFC 2104) cut to 128 bits, which section 5 there allows. Whoever holds the
address can say "I am going" in that person's name about that alarm until it ends; nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import math
from dataclasses import dataclass

ANSWER, HEARD = "answer", "heard"
# An alarm that nobody has answered is told again within hours, with a fresh address.
LASTS_S = 24 * 3600.0
_SIGNATURE_BYTES = 16
_LONGEST = 1500


@dataclass(frozen=True, slots=True)
class Link:
    """What an address is for: ``purpose`` ANSWER or HEARD, the alarms it is about, the person, and when it ends."""

    purpose: str
    about: tuple[str, ...]
    person: str
    ends_s: float

    def is_over(self, now_s: float) -> bool:
        """Whether its time has run out."""
        return now_s >= self.ends_s


def token_of(link: Link, key: bytes) -> str:
    """The last part of the address: letters, digits, "-", "_" and one "."."""
    values = [link.purpose, link.about, link.person, math.floor(link.ends_s)]
    body = _text(json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode())
    return f"{body}.{_signature(body, key)}"


def link_in(token: str, key: bytes) -> Link | None:
    """What a token says, None when it is not ours, cut off or altered. Whether it is over the caller asks."""
    body, dot, signature = token.partition(".")
    if not dot or len(token) > _LONGEST or not token.isascii():
        return None
    if not hmac.compare_digest(signature.encode(), _signature(body, key).encode()):
        return None
    purpose, about, person, ends_s = json.loads(base64.urlsafe_b64decode(body + "=" * (-len(body) % 4)))
    return Link(purpose, tuple(about), person, float(ends_s))


def address_for(link: Link, token: str) -> str:
    """The path of an address, to be put behind that of the page."""
    return f"/{'a' if link.purpose == ANSWER else 'heard'}/{token}"


def _signature(body: str, key: bytes) -> str:
    # A key of its own kind: what is signed here can never pass for a session of the door.
    own = hmac.new(key, b"emberpail link", hashlib.sha256).digest()
    return _text(hmac.new(own, body.encode(), hashlib.sha256).digest()[:_SIGNATURE_BYTES])


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii")
