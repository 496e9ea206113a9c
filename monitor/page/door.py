"""The door of the page: who may press its buttons. Passphrase, session, form token, where a form came from.

A session is a cookie that holds its end, a random name and a signature; the server keeps none. The signing key is made
from the journal's own random key and the passphrase, so a changed passphrase ends every session. Nothing here reads a
clock: ``now_s`` is handed in.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

COOKIE = "emberpail"
SESSION_S = 30 * 86400.0
# Tries that cost nothing; after them each wrong one doubles the wait. Chosen so that a wet thumb is not punished, and
# that a list of a thousand words takes weeks.
FREE_TRIES = 5
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 900.0
# A wrong try is forgiven after so long without another.
FORGIVEN_AFTER_S = 3600.0
# However many addresses they come from: so many wrong tries in an hour, then everybody waits.
MOST_WRONG_AN_HOUR = 60
_MOST_ADDRESSES = 1000
_MOST_PASSPHRASE = 512


@dataclass(frozen=True, slots=True)
class Session:
    """A visitor who gave the passphrase, until ``ends_s``. ``token`` belongs into every form shown to them."""

    name: str
    ends_s: float
    token: str

    def allows(self, token: str) -> bool:
        """Whether a form's token is this session's own."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())


class Door:
    """Checks passphrases and sessions. ``key`` is the journal's random key, 16 bytes at the least."""

    def __init__(self, passphrase: str, key: bytes) -> None:
        if not passphrase.strip() or len(key) < 16:
            raise ValueError("The door needs a passphrase and a key of 16 bytes at the least.")
        # scrypt, so that whoever finds a cookie cannot try passphrases against it quickly without the journal, nor with
        # it: RFC 7914. Done once at the start; the passphrase itself is not kept.
        self._key = hashlib.scrypt(passphrase.strip().encode(), salt=key, n=2**14, r=8, p=1, dklen=32)
        self._salt = key
        self._tries = _Tries()

    def wait_s(self, client: str, now_s: float) -> float:
        """How long this client has to wait before its next try, 0 when it may try now."""
        return self._tries.wait_s(_network(client), now_s)

    def enter(self, passphrase: str, client: str, now_s: float) -> tuple[Session, str] | None:
        """A new session and its cookie; None for a wrong passphrase, or one that came before its time."""
        network = _network(client)
        # Counted before it is looked at, so that tries at the same moment do not slip through together.
        if not self._tries.begin(network, now_s):
            return None
        typed = passphrase.strip().encode("utf-8", "replace")[:_MOST_PASSPHRASE]
        tried = hashlib.scrypt(typed or b"\0", salt=self._salt, n=2**14, r=8, p=1, dklen=32)
        if not hmac.compare_digest(tried, self._key):
            return None
        self._tries.forgive(network)
        ends_s = math.floor(now_s + SESSION_S)
        name = secrets.token_urlsafe(18)
        session = Session(name, float(ends_s), self._sign("form", name))
        return session, f"{ends_s}.{name}.{self._sign('session', f'{ends_s}.{name}')}"

    def session(self, cookie: str, now_s: float) -> Session | None:
        """The session of a cookie, None when it is not ours or over."""
        parts = cookie.split(".")
        if len(parts) != 3 or len(cookie) > 200:
            return None
        ends, name, signature = parts
        expected = self._sign("session", f"{ends}.{name}")
        if not hmac.compare_digest(signature.encode("utf-8", "replace"), expected.encode()):
            return None
        ends_s = float(ends)  # signed by us, so it is a number
        return Session(name, ends_s, self._sign("form", name)) if now_s < ends_s else None

    def _sign(self, what: str, text: str) -> str:
        return hmac.new(self._key, f"{what}:{text}".encode(), "sha256").hexdigest()


class _Tries:
    """Wrong tries by network address, and all together."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._by_network: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._all: list[float] = []

    def wait_s(self, network: str, now_s: float) -> float:
        with self._lock:
            return self._wait_s(network, now_s)

    def _wait_s(self, network: str, now_s: float) -> float:
        # A clock set back must not lock anybody out, so what lies ahead is dropped.
        self._all = [at_s for at_s in self._all if 0.0 <= now_s - at_s < FORGIVEN_AFTER_S]
        everybody_s = self._all[0] + FORGIVEN_AFTER_S - now_s if len(self._all) >= MOST_WRONG_AN_HOUR else 0.0
        count, last_s = self._by_network.get(network, (0, now_s))
        if not 0.0 <= now_s - last_s < FORGIVEN_AFTER_S:
            count = 0
            self._by_network.pop(network, None)
        own_s = 0.0
        if count >= FREE_TRIES:
            own_s = last_s + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** (count - FREE_TRIES)) - now_s
        return max(0.0, own_s, min(LONGEST_WAIT_S, everybody_s))

    def begin(self, network: str, now_s: float) -> bool:
        """Count a try as wrong until it proves right; False when it comes before its time."""
        with self._lock:
            if self._wait_s(network, now_s) > 0.0:
                return False
            count, _ = self._by_network.pop(network, (0, now_s))
            self._by_network[network] = count + 1, now_s
            self._all.append(now_s)
            while len(self._by_network) > _MOST_ADDRESSES:
                self._by_network.popitem(last=False)
            return True

    def forgive(self, network: str) -> None:
        with self._lock:
            self._by_network.pop(network, None)
            if self._all:
                self._all.pop()


def _network(client: str) -> str:
    """What counts as one visitor: an IPv4 address, or the /64 that one household has of IPv6."""
    try:
        address = ipaddress.ip_address(client.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def came_from_here(headers: Mapping[str, str]) -> bool:
    """Whether a form was sent by a page of ours, by what the browser says (Fetch Metadata; RFC 6454 Origin).

    One of the two headers must be there and say so: every browser of the last years sends one with a POST.
    """
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is None:
        return site == "same-origin"
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    # "null" (a sandboxed page, or our own under no-referrer in older browsers) has no host; then the site must vouch.
    if not parts.netloc:
        return origin == "null" and site == "same-origin"
    return parts.scheme in ("http", "https") and parts.netloc.lower() == headers.get("host", "").lower()
