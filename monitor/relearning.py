"""A lesson worked out again after its batch was put right: what has ended is judged as if all had been known in time.

A lesson is taken when the batch ends. A weight that was wrong, a second blending that nobody had noted or an entry that
was struck makes it a lesson of another batch; until it has been worked out again it teaches nothing. That takes seconds
for each batch, so a command does it and neither the page nor the watch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from functools import partial
from itertools import pairwise

from monitor.domain import Place
from monitor.heat.learning import Lesson
from monitor.journal.database import BatchRecord, Journal
from monitor.journal.state import TAUGHT
from monitor.learned import begun_with, changed_since, kept_lessons, lesson_from, maker_of
from monitor.pipeline import Act, Minder, Pause
from monitor.stored import AFTER_TICK, BEFORE_TICK, WATCHED_KEY, Timed, fold, stored_readings, stored_ticks


def to_redo(journal: Journal) -> list[Lesson]:
    """The lessons whose batches were put right since, the oldest first."""
    return [lesson for lesson in kept_lessons(journal) if changed_since(journal, lesson)]


def redone(journal: Journal, lesson: Lesson, place: Place, now_s: float) -> Lesson:
    """The lesson anew, by all that is known at ``now_s``; as it was where its batch is gone or runs."""
    record = journal.batch(lesson.batch)
    if record is None or record.ended_noted_s is None:
        return lesson
    minder = _judged_anew(journal, record, record.ended_noted_s, place)
    anew = lesson_from(minder, lesson.ended_s, record.outcome, maker_of(journal, lesson.batch))
    return replace(anew, known_s=now_s)


def redo(journal: Journal, lesson: Lesson, place: Place, now_s: float) -> Lesson:
    """The same, and kept."""
    anew = redone(journal, lesson, place, now_s)
    journal.set_fact(TAUGHT + anew.batch, asdict(anew))
    return anew


def _judged_anew(journal: Journal, record: BatchRecord, until_s: float, place: Place) -> Minder:
    name = record.batch.name
    recipe, vessel = journal.recipe_now(name)
    kept = journal.fact(f"minded_from/{name}")
    minded_from_s = float(kept) if isinstance(kept, int | float) else record.batch.known_from_s
    watched = [(float(began_s), float(last_s)) for began_s, last_s in journal.fact(WATCHED_KEY, [])]
    if not any(began_s <= minded_from_s <= last_s for began_s, last_s in watched):
        watched = [(minded_from_s, until_s)]  # forgotten by now
    minder = Minder(
        replace(record.batch, recipe=recipe, vessel=vessel), minded_from_s=minded_from_s, place=place,
        history=begun_with(journal, name),
    )  # fmt: skip
    deeds = sorted(_deeds(journal, minder, watched, until_s), key=lambda item: item[:2])
    ticks = stored_ticks(minder, watched, until_s + 0.001, minder.tick)
    fold(deeds, ticks, stored_readings(journal, [minder], to_arrival_s=until_s))
    return minder


def _deeds(journal: Journal, minder: Minder, watched: list[tuple[float, float]], until_s: float) -> Iterator[Timed]:
    """Pauses and answers as they were, and of the log what stands now: what was noted after the end, when it
    happened."""
    name = minder.batch.name
    for (_, last_tick_s), (began_s, _) in pairwise(watched):
        if began_s <= until_s:
            yield began_s, BEFORE_TICK, partial(minder.pause, Pause(last_tick_s, began_s))
    for entry in journal.entries(name):
        in_time = entry
        if entry.noted_at_s > until_s:
            in_time = replace(entry, noted_at_s=max(entry.at_s, minder.minded_from_s))
        if in_time.noted_at_s <= until_s:
            yield in_time.noted_at_s, BEFORE_TICK, partial(minder.note, in_time)
    for kept in journal.acts(name):
        if kept.noted_at_s <= until_s:
            did = Act(kept.alarm_id, kept.act, kept.noted_at_s, kept.until_s, kept.who)
            yield kept.noted_at_s, AFTER_TICK, partial(minder.try_act, did)
