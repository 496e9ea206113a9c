"""What the journal's batches taught, for what is expected of one that has not begun."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.commands.common import CommandError, now_s, open_journal_to_read, warn
from monitor.domain import Batch, Recipe, Vessel
from monitor.journal.database import Journal, JournalError
from monitor.settings import Settings
from monitor.words import tr

if TYPE_CHECKING:  # its libraries are heavy
    from monitor.heat.learning import Lesson
    from monitor.heat.priors import History


class Taught:
    """The lessons of the batches that had ended by ``at_s``, Unix seconds; without any the published values alone."""

    def __init__(self, lessons: Sequence[Lesson] = (), at_s: float = 0.0) -> None:
        self._lessons, self._at_s = lessons, at_s
        self._known: dict[tuple[str, Vessel, str], History | None] = {}

    def history(self, bucket: str, vessel: Vessel, maker: str = "") -> History | None:
        """With what a batch there, so covered, would begin; None where nothing has been learned."""
        if not self._lessons:
            return None
        key = (bucket, vessel, maker)
        if key not in self._known:
            from monitor.learned import history_among

            self._known[key] = history_among(
                self._lessons, Batch("planned", bucket, self._at_s, Recipe(), vessel, noted_at_s=self._at_s), maker
            )
        return self._known[key]


def taught_in(journal: Journal, settings: Settings, at_s: float) -> Taught:
    """What a journal teaches by ``at_s``; nothing where learning is switched off."""
    if not settings.learning:
        return Taught()
    from monitor.learned import lessons

    return Taught(lessons(journal), at_s)


def taught_now(settings: Settings) -> Taught:
    """The same of the journal of the settings, as of now. Nothing where there is none yet; where it cannot be read, a
    warning, for a plan does not wait for that."""
    try:
        journal = open_journal_to_read(settings)
        if journal is None:
            return Taught()
        with journal:
            return taught_in(journal, settings, now_s())
    except (CommandError, JournalError) as error:
        warn(tr("By the published values alone, for what your batches taught cannot be read: {reason}", reason=error))
        return Taught()
