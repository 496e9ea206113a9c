"""The door of the page: who may press its buttons. Passphrase, session, form token, where a form came from.

A session is a cookie that holds its end, a random name and a signature. The signing key is made from the journal's own
random key and the passphrase, so a changed passphrase ends every session. The server keeps only the names of sessions
that were ended before their time, so that a copy of such a cookie opens nothing. Nothing here reads a clock: ``now_s``
is handed in.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import math
import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlsplit

from monitor.page.tries import Tries
from monitor.page.visitors import network_of

COOKIE = "emberpail"
# Says that this phone was let in once. It opens nothing: only the wrong tries of others do not make it wait.
KNOWN_COOKIE = "emberpail-known"
# A browser keeps a cookie of this name only from a page over TLS, for that very host (RFC 6265bis, section 4.1.3.2).
HOST_ONLY = "__Host-"
SESSION_S = 30 * 86400.0
_MOST_PASSPHRASE = 512
_MOST_COOKIE = 200
# Beyond so many doors closed by hand within 30 days all that were opened before are closed.
MOST_ENDED = 500
_TRIES, _ENDED = "tries", "ended"


class Memory(Protocol):
    """What outlives a restart. Both methods may raise a ValueError, for a disk in trouble."""

    def recall(self, name: str) -> object:
        """What was kept under a name, None where nothing was."""

    def keep(self, name: str, value: object) -> None:
        """Keep something that JSON can hold, in place of what was kept before."""


class _Forgetful:
    """No memory: for a page without a journal."""

    def recall(self, name: str) -> object:
        return None

    def keep(self, name: str, value: object) -> None:
        return None


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
    """Checks passphrases and sessions. ``key`` is the journal's random key, 16 bytes at the least; ``memory`` keeps
    wrong tries and ended sessions over a restart.
    """

    def __init__(self, passphrase: str, key: bytes, memory: Memory | None = None) -> None:
        if not passphrase.strip() or len(key) < 16:
            raise ValueError("The door needs a passphrase and a key of 16 bytes at the least.")
        # scrypt, so that whoever finds a cookie cannot try passphrases against it quickly without the journal, nor with
        # it: RFC 7914. Done once at the start; the passphrase itself is not kept.
        self._key = hashlib.scrypt(passphrase.strip().encode(), salt=key, n=2**14, r=8, p=1, dklen=32)
        self._salt = key
        self._memory: Memory = memory or _Forgetful()
        self._lock, self._one_at_a_time = threading.Lock(), threading.Lock()
        # What cannot be read raises: a door that had forgotten whom it shut out would let them in.
        self._tries = Tries(self._memory.recall(_TRIES))
        self._ended: dict[str, float] = {}
        self._none_before_s = 0.0
        self._take_up_ended(self._memory.recall(_ENDED))

    # ---- coming in -------------------------------------------------------------------------------------------------

    def wait_s(self, client: str, now_s: float, known: str = "") -> float:
        """How long this client has to wait before its next try, 0 when it may try now."""
        who, trusted = self._who(client, known)
        return self._tries.wait_s(who, now_s, trusted=trusted)

    def enter(self, passphrase: str, client: str, now_s: float, known: str = "") -> tuple[Session, str] | None:
        """A new session and its cookie; None for a wrong passphrase, or one that came before its time.

        ``known`` is the cookie of a phone that was let in before (``known_cookie``), "" where it has none.
        """
        who, trusted = self._who(client, known)
        # Counted before it is looked at, so that tries at the same moment do not slip through together.
        if not self._tries.begin(who, now_s, trusted=trusted):
            return None
        typed = passphrase.strip().encode("utf-8", "replace")[:_MOST_PASSPHRASE]
        with self._one_at_a_time:  # each takes 16 MB
            tried = hashlib.scrypt(typed or b"\0", salt=self._salt, n=2**14, r=8, p=1, dklen=32)
        if not hmac.compare_digest(tried, self._key):
            self._keep(_TRIES, self._tries.written(now_s))
            return None
        if self._tries.forgive(who, trusted=trusted):
            self._keep(_TRIES, self._tries.written(now_s))
        ends_s = math.floor(now_s + SESSION_S)
        name = secrets.token_urlsafe(18)
        session = Session(name, float(ends_s), self._sign("form", name))
        return session, f"{ends_s}.{name}.{self._sign('session', f'{ends_s}.{name}')}"

    def known_cookie(self) -> str:
        """For a phone that has just been let in."""
        name = secrets.token_urlsafe(18)
        return f"{name}.{self._sign('known', name)}"

    def _who(self, client: str, known: str) -> tuple[str, bool]:
        """Who tries, and whether the wrong tries of others do not concern them: a phone that was let in before, or
        somebody at this computer itself. Without that one stranger who never stops would lock the owner out for ever.
        """
        name, _, signature = known.partition(".")
        if known.isascii() and len(known) <= _MOST_COOKIE and hmac.compare_digest(
            signature.encode(), self._sign("known", name).encode()
        ):
            return f"known {name}", True
        network = network_of(client)
        return network, network in ("127.0.0.1", "::/64")

    # ---- being in, and leaving -------------------------------------------------------------------------------------

    def session(self, cookie: str, now_s: float) -> Session | None:
        """The session of a cookie, None when it is not ours, over, or ended."""
        parts = cookie.split(".")
        if len(parts) != 3 or len(cookie) > _MOST_COOKIE:
            return None
        ends, name, signature = parts
        expected = self._sign("session", f"{ends}.{name}")
        if not hmac.compare_digest(signature.encode("utf-8", "replace"), expected.encode()):
            return None
        ends_s = float(ends)  # signed by us, so it is a number
        if not now_s < ends_s or name in self._ended or ends_s - SESSION_S < self._none_before_s:
            return None
        return Session(name, ends_s, self._sign("form", name))

    def end(self, session: Session, now_s: float) -> None:
        """End a session before its time: whoever has a copy of its cookie is out, too."""
        with self._lock:
            ended = {name: ends_s for name, ends_s in self._ended.items() if ends_s > now_s}
            ended[session.name] = session.ends_s
            if len(ended) > MOST_ENDED:
                # Rather close the doors of all phones than forget one that was closed.
                ended, self._none_before_s = {}, math.floor(now_s) + 1.0
            self._ended = ended
            self._keep(_ENDED, {"names": ended, "none_before_s": self._none_before_s})

    def _take_up_ended(self, kept: object) -> None:
        if not isinstance(kept, Mapping):
            return
        names, before_s = kept.get("names"), kept.get("none_before_s")
        if isinstance(names, Mapping):
            self._ended = {
                str(name): float(ends_s) for name, ends_s in names.items() if isinstance(ends_s, int | float)
            }
        if isinstance(before_s, int | float):
            self._none_before_s = float(before_s)

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _keep(self, name: str, value: object) -> None:
        with contextlib.suppress(ValueError):  # a full disk shuts no owner out; it holds until a restart
            self._memory.keep(name, value)

    def _sign(self, what: str, text: str) -> str:
        return hmac.new(self._key, f"{what}:{text}".encode("utf-8", "replace"), "sha256").hexdigest()


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
