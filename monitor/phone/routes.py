"""Ways to reach a person: one URL each, in the notation of the Apprise library, handed to its service once.

``send`` never raises and never shows a secret: it says in one sentence what became of the message and whether
trying again may help. That a service took a message does not mean that anybody has read it.
"""

from __future__ import annotations

import contextvars
import hashlib
import logging
import re
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TextIO

from monitor.phone.lock_screen import lock_screen
from monitor.words import Voice, mark, speaking, tr, voice

# The library's own 4 s to answer are too short for a phone line in a valley; a reply that comes later is taken for a
# failure, and the message goes out twice.
CONNECT_TIMEOUT_S = 10.0
READ_TIMEOUT_S = 20.0

# Our own scheme for the demo and for tests; the library never sees it.
PRINT_SCHEME = "print"

_SCHEME = re.compile(r"^([A-Za-z][A-Za-z0-9+.-]{0,15})://")
_LABEL = re.compile(r"([a-z][a-z0-9+.-]{0,15}) …[0-9a-f]{6}(?![0-9a-f])")
_STATUS = re.compile(r"\berror\s*[=:]\s*(\d{3})\b")
# HTTP answers of the 4xx kind that are worth another try: time-out, too early, too many (RFC 9110, 8470, 6585).
_WORTH_ANOTHER_TRY = (408, 425, 429)

_EMPTY = mark("The route is empty: put an Apprise URL there, or take the route out.")
_UNUSABLE = mark("{name} is a route that cannot be used: its service is unknown or a part of the URL is missing.")

_print_lock = threading.Lock()
_said: contextvars.ContextVar[list[str] | None] = contextvars.ContextVar("said", default=None)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one hand-over: taken or not, whether trying again may help, and that in one sentence."""

    ok: bool
    retry: bool
    says: str


def label(url: str) -> str:
    """By what the journal knows a route: its scheme and a short hash, such as "ntfy …a3f2c1".

    The same in every process and whatever else the settings say, so that a message is told once over restarts and
    edits. Never to be shown: likely addresses could be tried on it (``names_of`` has what is shown).
    """
    digest = hashlib.sha256(url.strip().encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return f"{scheme_of(url)} …{digest}"


def scheme_of(url: str) -> str:
    """All of a route that may be shown by itself: "ntfy"; "route" where it has no scheme."""
    scheme = _SCHEME.match(url.strip())
    return scheme.group(1).lower() if scheme else "route"


def names_of(routes: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """(person, label) in the order of the settings -> the name under which that route is shown.

    A person's routes are numbered by scheme: "ntfy 1", "ntfy 2", "mailto 1". No guess at an address can be held
    against that.
    """
    names: dict[tuple[str, str], str] = {}
    count: Counter[tuple[str, str]] = Counter()
    for person, known_as in routes:
        if (person, known_as) not in names:
            scheme = without_labels(known_as)
            count[person, scheme] += 1
            names[person, known_as] = f"{scheme} {count[person, scheme]}"
    return names


def without_labels(text: str, names: Mapping[str, str] | None = None) -> str:
    """A text with every label in it replaced by the route's name in ``names`` (by label), else by its scheme."""
    return _LABEL.sub(lambda found: (names or {}).get(found[0], found[1]), text)


def route_problem(url: str, name: str = "") -> str | None:
    """Why ``url`` cannot be used as a route, in one sentence that gives nothing of it away; None when it can.

    ``name`` is what the sentence calls it, its scheme without. Asks nobody: whether the service takes a message only
    a message shows (``ring``).
    """
    url = url.strip()
    name, scheme = name or scheme_of(url), _SCHEME.match(url)
    if not url:
        return tr(_EMPTY)
    if scheme is None:
        return tr("{name} is no route: it must begin with a service's name and ://.", name=name)
    if scheme.group(1).lower() == PRINT_SCHEME:
        return None
    try:
        service = _apprise().Apprise.instantiate(url)
    except Exception as error:  # its text may hold the URL
        return tr(
            "{name} cannot be read by its library ({error}): correct the URL.", name=name, error=type(error).__name__
        )
    return None if service is not None else tr(_UNUSABLE, name=name)


def takes_picture(url: str) -> bool:
    """Whether the service behind ``url`` takes a file with a message; asks nobody."""
    try:
        scheme = _SCHEME.match(url.strip())
        if scheme is None or scheme.group(1).lower() == PRINT_SCHEME:
            return False
        return bool(getattr(_apprise().Apprise.instantiate(url.strip()), "attachment_support", False))
    except Exception:  # sending says what is wrong with the route
        return False


def make_ready(urls: Iterable[str]) -> None:
    """Load what the routes need of the library, so that the first message does not wait for it. Asks nobody, and what
    is wrong with a route is for its own hand-over to say.
    """
    for url in urls:
        takes_picture(url)


def send(
    url: str,
    title: str,
    body: str,
    *,
    name: str = "",
    urgency: str = "daylight",
    attach: str | None = None,
    connect_timeout_s: float = CONNECT_TIMEOUT_S,
    read_timeout_s: float = READ_TIMEOUT_S,
    stream: TextIO | None = None,
    at_s: float | None = None,
) -> Outcome:
    """Hand one message to the service behind ``url``.

    ``name`` is what the sentences call the route, its scheme without. ``attach`` is a file to send along, where the
    service takes one; ``stream`` and ``at_s`` are for ``print://`` only. A message longer than the service allows
    goes out in parts. Time-outs that the URL sets itself (``cto``, ``rto``) are kept.
    """
    url = url.strip()
    name = name or scheme_of(url)
    scheme = _SCHEME.match(url)
    if not url:
        return Outcome(False, False, tr(_EMPTY))
    if scheme is None:
        return Outcome(False, False, tr("{name} is no route: it must begin with a service's name and ://.", name=name))
    if scheme.group(1).lower() == PRINT_SCHEME:
        return _print(title, body, stream or sys.stdout, at_s)
    said: list[str] = []
    token = _said.set(said)
    try:
        return _hand_over(url, name, title, body, urgency, attach, (connect_timeout_s, read_timeout_s), said)
    except Exception as error:
        # A fault inside a service's module must not stop the messages of the others; its text may hold the URL.
        return Outcome(
            False, True, tr("{name} failed inside its library ({error}).", name=name, error=type(error).__name__)
        )
    finally:
        _said.reset(token)


def _print(title: str, body: str, stream: TextIO, at_s: float | None) -> Outcome:
    # A locked screen shows the first paragraph; the whole is there when the message is opened.
    shown, _, rest = body.partition("\n\n")
    reference = rest.rstrip().rpartition("\n")[2] if rest else ""
    try:
        with _print_lock:  # two boxes drawn at once would be unreadable
            print(lock_screen(title, f"{shown}\n{reference}".rstrip(), at_s), file=stream, flush=True)
    except (OSError, ValueError) as error:
        return Outcome(False, False, tr("The demo phone could not print ({error}).", error=type(error).__name__))
    return Outcome(True, False, tr("Printed by the demo phone."))


def _hand_over(  # noqa: PLR0917 - all of it belongs to one hand-over
    url: str,
    name: str,
    title: str,
    body: str,
    urgency: str,
    attach: str | None,
    timeouts_s: tuple[float, float],
    said: list[str],
) -> Outcome:
    apprise = _apprise()
    # The service's own notify, in this thread: the library's front door would put every route into one small pool
    # of threads, where a few that hang hold up all others.
    service = apprise.Apprise.instantiate(url)
    if service is None:
        return Outcome(False, False, tr(_UNUSABLE, name=name))
    if "cto=" not in url:
        service.socket_connect_timeout = timeouts_s[0]
    if "rto=" not in url:
        service.socket_read_timeout = timeouts_s[1]
    kind = apprise.NotifyType.WARNING if urgency == "now" else apprise.NotifyType.INFO
    if not service.attachment_support:
        attach = None
    extra: dict[str, Any] = {} if "overflow=" in url else {"overflow": apprise.OverflowMode.SPLIT}
    began = time.monotonic()
    if service.notify(
        body=body, title=title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT, attach=attach, **extra
    ):
        return Outcome(True, False, tr("{name}: the service took it.", name=name))
    return _why_not(name, " ".join(said), time.monotonic() - began)


def _why_not(name: str, said: str, took_s: float) -> Outcome:
    """From what the library logged to a sentence of ours. Its own words may hold addresses, so none are passed on."""
    status = _STATUS.search(said)
    if status:
        code = int(status.group(1))
        retry = not 400 <= code < 500 or code in _WORTH_ANOTHER_TRY
        hint = {
            401: tr("; user, password or token are wrong"),
            403: tr("; user, password or token are wrong"),
            404: tr("; the address is wrong"),
            429: tr("; too many messages in a short time"),
        }.get(code, "")
        return Outcome(
            False, retry, tr("{name}: the service refused it (HTTP {code}{hint}).", name=name, code=code, hint=hint)
        )
    lower = said.lower()
    if "timed out" in lower or "timeout" in lower:
        return Outcome(
            False,
            True,
            tr(
                "{name}: no answer within {s:.0f} s; it may have arrived all the same, and come twice.",
                name=name,
                s=took_s,
            ),
        )
    if "refused" in lower:
        return Outcome(False, True, tr("{name}: nothing listens at that address (connection refused).", name=name))
    if "name or service not known" in lower or "name resolution" in lower or "nodename" in lower:
        return Outcome(False, True, tr("{name}: the address was not found; is there a network?", name=name))
    if "certificate" in lower:
        return Outcome(False, False, tr("{name}: the service's certificate is not to be trusted.", name=name))
    if "connection error" in lower or "exception" in lower:
        return Outcome(False, True, tr("{name}: the service could not be reached.", name=name))
    return Outcome(False, True, tr("{name}: the service did not take it and gave no reason.", name=name))


class _Listener(logging.Handler):
    """Hears what the library logs about the hand-over of this very thread, and nothing else does."""

    def emit(self, record: logging.LogRecord) -> None:
        said = _said.get()
        if said is not None and len(said) < 100:
            said.append(record.getMessage()[:1000])


_library_lock = threading.Lock()
_library: Any = None


def _apprise() -> Any:
    """The library, imported when first needed (28 MB), and kept from logging addresses, which hold secrets."""
    global _library  # noqa: PLW0603 - one import a process
    with _library_lock:
        if _library is None:
            log = logging.getLogger("apprise")
            log.handlers[:] = [_Listener()]
            log.propagate = False
            log.setLevel(logging.DEBUG)  # only here does it say why a connection failed
            logging.getLogger("urllib3").setLevel(logging.WARNING)  # its debug lines name the path of each request
            import apprise

            _library = apprise
        return _library


# ---- testing the phone ----

TEST_TITLE = mark("TEST from Emberpail")
TEST_BODY = mark("This is a test of the phone. Nothing is wrong with any batch, and nothing needs doing.")


def no_routes_warning() -> str:
    """What to say at start, on the status and in the log when nobody can be rung."""
    return tr(
        "No phone route is set: whatever happens to a batch, nobody will be rung. "
        "Put a route under [[person]] in emberpail.toml, then test it with: emberpail ring"
    )


@dataclass(frozen=True, slots=True)
class Rung:
    """What became of one route's message; ``says`` is a whole sentence that names person and route.

    ``route`` is the route's name, to be shown; ``label`` what the journal knows it by.
    """

    person: str
    route: str
    ok: bool
    says: str
    label: str


def tell(
    routes: Iterable[tuple[str, str]],
    title: str,
    body: str,
    *,
    urgency: str = "now",
    patience_s: float = CONNECT_TIMEOUT_S + READ_TIMEOUT_S + 5.0,
    sender: Callable[..., Outcome] = send,
    **more: Any,
) -> list[Rung]:
    """Send one message to all ``routes`` (person, URL) at once, past any outbox; return when all have answered or
    ``patience_s`` is over. For the test, and for the hour when the journal itself cannot be written."""
    routes = list(routes)
    names = names_of((person, label(url)) for person, url in routes)
    lanes = []
    for person, url in routes:
        found: list[Outcome] = []
        name = names[person, label(url)]

        def run(url: str = url, name: str = name, found: list[Outcome] = found) -> None:
            found.append(sender(url, title, body, name=name, urgency=urgency, **more))

        speaking_as_here = contextvars.copy_context().run
        thread = threading.Thread(target=speaking_as_here, args=(run,), name=f"tell {name}", daemon=True)
        thread.start()
        lanes.append((person, url, thread, found))
    until = time.monotonic() + patience_s
    rung = []
    for person, url, thread, found in lanes:
        thread.join(max(0.0, until - time.monotonic()))
        name = names[person, label(url)]
        outcome = (
            found[0]
            if found
            else Outcome(False, True, tr("{name}: no answer within {s:.0f} s.", name=name, s=patience_s))
        )
        rung.append(Rung(person, name, outcome.ok, f"{person}, {outcome.says}", label(url)))
    return rung


def ring(routes: Iterable[tuple[str, str]], *, voices: Mapping[str, Voice] | None = None, **more: Any) -> list[Rung]:
    """Test each route (person, URL) with a message marked TEST; one plain sentence a route, in the settings' order.

    ``voices`` holds by a person's name the voice of their message, where it is not the one that speaks here.
    """
    by_voice: dict[Voice, list[tuple[int, tuple[str, str]]]] = {}
    for place, route in enumerate(routes):
        by_voice.setdefault((voices or {}).get(route[0], voice()), []).append((place, route))
    rung: dict[int, Rung] = {}
    for chosen, placed in by_voice.items():
        with speaking(chosen):
            title, body = tr(TEST_TITLE), tr(TEST_BODY)
        told = tell([route for _, route in placed], title, body, **more)
        rung.update(zip((place for place, _ in placed), told, strict=True))
    note = tr("That it took it does not show that the phone made a sound: look at the phone.")
    return [
        replace(one, says=f"{one.says} {note}") if one.ok else one
        for _, one in sorted(rung.items())
    ]
