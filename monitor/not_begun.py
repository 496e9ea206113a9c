"""A watch that the system starts and that cannot begin: nobody minds, and nobody reads what it prints.

It ends with its sentence, the system starts it again, and so on until what is wrong has been mended; meanwhile the
phones are told past the journal. So they are of one that begins anew again and again, which may never come to the tick
that would tell of it. When they were told stands in a file in memory, because the disk may be what refuses.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from monitor.domain import Condition
from monitor.journal.remembered import short_name
from monitor.judgement import wording
from monitor.judgement.messages import lock_screen
from monitor.phone import routes
from monitor.phone.routes import Rung
from monitor.settings import Settings
from monitor.watch_parts import people_of
from monitor.words import speaking

# Nobody can say "I have seen it" to a watch that does not run.
EVERY_S = 3600.0
# After a power cut the router may need some minutes: where no route took it, it is tried again so soon.
AGAIN_S = 60.0
# Set by systemd for a service that says when it is ready, as ours does; whoever starts by hand reads the sentence.
_SERVICE = "NOTIFY_SOCKET"


def ring_not_begun(
    settings: Settings,
    says: str,
    environ: Mapping[str, str],
    *,
    problem: str = "journal",
    by_hand: bool = False,
    tell: Callable[..., Iterable[Rung]] = routes.tell,
    wall: Callable[[], float] = time.time,
    folder: Path | None = None,
) -> bool:
    """Tell every phone that the watch cannot begin, and why (``says``); at most once an hour, and only as a service, or
    ``by_hand``, too. ``problem`` is one of those that an alarm of the watch's own knows.

    Returns whether it was tried. Where no route took it, it is tried again after ``AGAIN_S``. Where the time cannot be
    kept, they are told: too often is better than not at all.
    """
    if not (environ.get(_SERVICE) or by_hand):
        return False
    if folder is None:
        # The unit's own folder, which outlives the restarts; else memory that every user may write in, where the worst
        # that somebody can do is to keep a second ring away.
        folder = Path(environ.get("RUNTIME_DIRECTORY", "").partition(":")[0] or "/dev/shm")  # nosec B108 # the worst: see above
    stamp, now_s = folder / f"emberpail-not-begun-{short_name(settings.journal_path)}", wall()
    with contextlib.suppress(OSError, ValueError):
        if 0.0 <= now_s - float(stamp.read_text(encoding="ascii")) < EVERY_S:
            return False
    # Whoever is killed in the middle, or finds no network, has told nobody.
    _keep(stamp, now_s - EVERY_S + AGAIN_S)
    taken = False
    facts = {"problem": problem, "detail": says, "emergency_number": settings.site.emergency_number}
    condition = Condition("watch_fault", True, False, 1.0, "now", facts=facts)
    for person in people_of(settings):
        with speaking(settings.site.voice(person.language, person.units)):
            message = wording.say(condition, batch="", bucket="")
            screen = lock_screen(message)
        addresses = [(person.name, route) for route in person.routes]
        rung = tell(addresses, screen.title, f"{screen.body}\n\n{says}\n\n{message.do}")
        taken = any(one.ok for one in rung) or taken
    if taken:
        _keep(stamp, now_s)
    return True


def _keep(stamp: Path, at_s: float) -> None:
    with contextlib.suppress(OSError):
        stamp.write_text(repr(at_s), encoding="ascii")
