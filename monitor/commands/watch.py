"""``watch``: the daemon. Minds every running batch until it is stopped."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands import CANNOT, YES
from monitor.commands.common import (
    CommandError,
    add_as_watch,
    in_words,
    open_journal,
    parser_for,
    say,
    settings_of,
    warn,
)
from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.remembered import must_be_there, remember
from monitor.journal.reserve import give_up_reserve
from monitor.journal.store import has_no_room
from monitor.settings import Settings
from monitor.words import tr

if TYPE_CHECKING:
    from monitor.service import Beginnings, Service

# How long the ringing of a watch that begins anew again and again may hold up its beginning.
_RINGING_S = 30.0
# One that begins anew goes on under the same number, and so the system's watchdog does, too (commands/unit.py).
_SIGN_EVERY_S = 5.0


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "watch", tr("mind the buckets: read, judge, ring"), "emberpail watch --record night.rec",
        description=tr(
            "Mind the buckets until stopped with Ctrl-C: read the sources, judge every minute, ring the "
            "phones, serve the page."
        ),
    )  # fmt: skip
    parser.add_argument(
        "--record", metavar="NAME.rec", type=Path, help=tr("append everything that comes over the wire")
    )
    parser.add_argument("--events", metavar="OUT.jsonl", type=Path, help=tr("append what it judges, as JSON Lines"))
    parser.add_argument("--no-page", action="store_true", help=tr("do not serve the page"))
    add_as_watch(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Wire from the settings and run; SIGTERM and Ctrl-C end it in order."""
    from monitor.clock import arrival_clock
    from monitor.copying import TakenOver
    from monitor.running import Running
    from monitor.service import Service, begin_anew
    from monitor.watch_parts import CLOCK_KEY, sources_of

    settings = settings_of(args)
    if not settings.sources:
        warn(
            tr(
                "No [[source]] is set in emberpail.toml, so nothing will be read and every batch will be silent; "
                "emberpail check says what is missing."
            )
        )
    stop, service = threading.Event(), Service(os.environ)
    service.alive()  # opening the journal may take its time, and what was before us gave no sign for some seconds
    with contextlib.suppress(ValueError):  # not in the main thread: a test stops it otherwise
        signal.signal(signal.SIGTERM, lambda *_: stop.set())
    with _journal_to_watch(settings, args.events) as journal:
        running: Running | None = None
        try:
            # Nothing may be judged a second time under another clock: not before the newest reading, nor the last tick.
            clock = arrival_clock(
                max(journal.last_arrival_s() or 0.0, journal.fact("last_tick_s") or 0.0), journal.fact(CLOCK_KEY)
            )
            if clock.behind_s > 60.0:
                warn(
                    tr(
                        "The clock stands {minutes:.0f} min before what the journal holds: going on from that until "
                        "the clock is set.",
                        minutes=clock.behind_s / 60,
                    )
                )
            running = Running(
                settings,
                journal,
                clock,
                sources_of(settings, clock),
                record=args.record,
                events_file=args.events,
                serve_page=not args.no_page,
                say=say,
                service=service,
                begin_anew=begin_anew,
            )
            _after_those_before(settings, running.beginnings, stop, service)
            with contextlib.suppress(KeyboardInterrupt):
                running.run(stop)
        except TakenOver as error:  # another machine minds, or this one was never to
            if not error.known:
                _ring(settings, error, problem="")
            raise
        except Exception as error:
            if running is None or not running.minds:
                _ring(settings, error)
            raise
        finally:
            stop.set()
            if running is not None:
                running.close()
    if running.lost:
        if running.never_held:
            _ring(settings, CommandError(running.lost), problem="", by_hand=True)  # it may have minded for days
        warn(running.lost)
        return CANNOT
    say(tr("Stopped. Nothing is minded now."))
    return YES


def _after_those_before(
    settings: Settings, beginnings: Beginnings, stop: threading.Event, service: Service
) -> None:
    """After one that was given up again and again: wait, so that a fault at every start does not keep the computer
    busy, and ring. It may never come to the tick that would tell of it; and who started it by hand has gone since.
    """
    from monitor.not_begun import ring_not_begun

    wait_s, says = beginnings.wait_s(), beginnings.trouble()
    ringing = threading.Thread(
        target=partial(ring_not_begun, settings, says, os.environ, problem="worker", by_hand=True),
        name="ringing", daemon=True,
    )  # fmt: skip
    if says:
        ringing.start()

    def rung(seconds: float) -> bool:
        ringing.join(seconds)
        return not ringing.is_alive()

    _wait_with_signs(stop.wait, wait_s, service)
    if says:  # as long as routes that do not answer may take; the buckets wait meanwhile
        _wait_with_signs(rung, _RINGING_S - wait_s, service)
    service.alive()


def _wait_with_signs(wait: Callable[[float], bool], seconds: float, service: Service) -> None:
    """Wait no longer than that, or until ``wait`` says that it is over; the system hears meanwhile that we live."""
    until = time.monotonic() + seconds
    while (left_s := until - time.monotonic()) > 0.0:
        service.alive(tr("The watch has begun anew several times: it waits a moment before it goes on."))
        if wait(min(_SIGN_EVERY_S, left_s)):
            return


def _journal_to_watch(settings: Settings, events_file: Path | None) -> Journal:
    """Open and claimed. Where that is refused, the phones hear of it before the command fails."""
    with contextlib.ExitStack() as until_claimed:
        try:
            if events_file is not None:
                _must_be_writable(events_file)
            must_be_there(settings.journal_path, os.environ)
            journal = until_claimed.enter_context(_opened(settings))
            journal.claim_watch()
            remember(settings.journal_path, os.environ)
        except Refused:  # another watch minds
            raise
        except Exception as error:
            _ring(settings, error)
            raise
        until_claimed.pop_all()
    return journal


def _opened(settings: Settings) -> Journal:
    """The journal; on a full disk by the room that was kept for this, for then it can judge and ring."""
    try:
        return open_journal(settings)
    except JournalError:
        path = settings.journal_path
        if not (has_no_room(path.parent) and give_up_reserve(path)):
            raise
        return open_journal(settings)


def _ring(settings: Settings, error: Exception, *, problem: str | None = None, by_hand: bool = False) -> None:
    """The system starts it again and again, and nobody reads why it ends."""
    from monitor.not_begun import ring_not_begun

    if problem is None:
        problem = "journal" if isinstance(error, JournalError | OSError) else "worker"
        if isinstance(error, JournalError) and error.damaged:
            problem = "damaged"
    ring_not_begun(settings, in_words(error), os.environ, problem=problem, by_hand=by_hand)


def _must_be_writable(path: Path) -> None:
    try:
        with path.open("a", encoding="utf-8"):
            pass
    except OSError as error:
        raise CommandError(
            tr(
                "Events cannot be written to {path} ({reason}): choose another place.",
                path=path,
                reason=error.strerror,
            )
        ) from None
