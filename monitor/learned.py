"""What earlier batches taught, kept in the journal: a lesson for each that ended, and with what each batch was begun.

A batch keeps the history it was begun with, whatever is learned, left out or switched off later: events that were given
stand, and a replay of the recording, which notes it, says the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from monitor.domain import Batch
from monitor.heat.learning import Lesson, history_from
from monitor.heat.lessons import DOUBTS, LEAST_FINAL, TESTED_SD, lesson_of, why_not, with_test
from monitor.heat.priors import History
from monitor.journal.database import BatchRecord, Journal
from monitor.journal.state import BEGUN_WITH, LEFT_OUT, TAUGHT
from monitor.pipeline import Minder
from monitor.trade.recipe import heat_budget, without_bad_numbers
from monitor.trade.watered import watered
from monitor.units import KOH_G_PER_MOL
from monitor.words import mark, tr

WHY_NOT_WORDS: Mapping[str, str] = {
    "not_judged": mark("it could not be judged"),
    "unweighed": mark("not everything was weighed"),
    "bad_end": mark("it was held back or discarded"),
    "failed": mark("an alarm rang about the batch itself"),
    "probe": mark("a probe was faulty or silent"),
    "mended": mark("it was blended again or poured in two goes"),
    "short": mark("it was watched for too short a time"),
    "doubted": mark("an alarm said that it did not react far enough; a test of its free alkali would settle that"),
    "unsure": mark("it was not clearly a good batch; a test of its free alkali would settle that"),
    "tested_unclear": mark(
        "its free alkali was tested after it was diluted, and the log does not say with how much water"
    ),
    "tested_short": mark("the test of its free alkali says that it did not react far enough"),
    "changed": mark("it was put right after its end; emberpail learned --anew works out again what it teaches"),
    "left_out": mark("left out by hand"),
}
# Entries that change neither the judgement of a curve nor what it is judged by.
_SAYS_NOTHING_OF_THE_CURVE = ("weighed", "lye-clear", "stirred", "looked", "tested", "cut", "spilled", "note")


def lesson_from(minder: Minder, ended_s: float, outcome: str = "", maker: str = "") -> Lesson:
    """What a minder's batch, ended at ``ended_s``, taught."""
    raised = {state.kind for state, _ in minder.told()}
    course = minder.course()
    reason = why_not(minder.batch, minder.log(), minder.estimate, course.poured_at_s, raised, outcome)
    return lesson_of(minder.batch, minder.estimator, ended_s, reason, maker)


# ---- as plain values -------------------------------------------------------------------------------------------------


def history_values(history: History) -> dict[str, object]:
    """For the journal and the notes of a recording."""
    return asdict(history)


def history_of_values(values: object) -> History | None:
    """Read back; None where nothing usable is there. What a newer program added is passed over."""
    if not isinstance(values, dict):
        return None
    try:
        return History(**_typed(values, History))
    except (TypeError, ValueError):
        return None


def lesson_of_values(values: Mapping[str, Any]) -> Lesson | None:
    """Read back; None where it is none."""
    try:
        return Lesson(**_typed(values, Lesson))
    except (TypeError, ValueError):
        return None


def _typed(values: Mapping[str, Any], kind: type) -> dict[str, Any]:
    known: dict[str, Any] = {}
    for field in fields(kind):
        value = values.get(field.name, field.default)
        asked = str(field.type)
        if value is None and "None" in asked:
            known[field.name] = None
        elif asked.startswith("float"):
            known[field.name] = float(value)
        elif asked == "int":
            known[field.name] = int(value)
        else:
            known[field.name] = str(value)
    return known


# ---- in the journal --------------------------------------------------------------------------------------------------


def kept_lessons(journal: Journal, pending: Mapping[str, object] | None = None) -> list[Lesson]:
    """All lessons as they were kept, and those that wait for a commit, in the order in which their batches ended."""
    kept = {**journal.facts_of(TAUGHT), **{k: v for k, v in (pending or {}).items() if k.startswith(TAUGHT)}}
    found = [lesson_of_values(values) for values in kept.values() if isinstance(values, dict)]
    return sorted((one for one in found if one is not None), key=lambda one: (one.ended_s, one.batch))


def lessons(journal: Journal, pending: Mapping[str, object] | None = None) -> list[Lesson]:
    """The same as they count now: by whom they are noted to be, with tests that were noted since, and without those
    that were left out, or put right and not worked out again."""
    out = journal.facts_of(LEFT_OUT)
    return [_as_it_counts(journal, lesson, bool(out.get(LEFT_OUT + lesson.batch))) for lesson in
            kept_lessons(journal, pending)]  # fmt: skip


def _as_it_counts(journal: Journal, kept: Lesson, left_out: bool) -> Lesson:
    known = journal.batch(kept.batch) is not None
    lesson = replace(kept, maker=maker_of(journal, kept.batch)) if known else kept
    if left_out:
        return replace(lesson, why_not="left_out")
    if changed_since(journal, lesson):
        return replace(lesson, why_not="changed")
    return _tested(journal, lesson) if lesson.why_not in ("", *DOUBTS) else lesson


def changed_since(journal: Journal, lesson: Lesson) -> bool:
    """Whether what was weighed, or the log of what happened by its end, was put right since a lesson was worked out."""
    record = journal.batch(lesson.batch)
    # The journal's own time of the end moves with a clock that is set right.
    ended_s = max(lesson.ended_s, 0.0 if record is None else record.ended_noted_s or 0.0)
    known_s = max(lesson.known_s, ended_s)
    if any(amended.noted_at_s > known_s for amended in journal.amendments(lesson.batch)):
        return True
    return any(
        logged.entry.kind not in _SAYS_NOTHING_OF_THE_CURVE
        and logged.entry.at_s <= ended_s
        # What was noted and struck again since is as if it had not been.
        and (logged.entry.noted_at_s > known_s) != (logged.undone_at_s is not None and logged.undone_at_s > known_s)
        for logged in journal.log(lesson.batch)
    )


def _tested(journal: Journal, lesson: Lesson) -> Lesson:
    test = alkali_test(journal, lesson.batch)
    if test is None:
        return lesson
    if test.completeness is None:
        # It settles nothing, so what was doubted stays so.
        return replace(lesson, why_not="tested_unclear") if lesson.why_not in DOUBTS else lesson
    return with_test(lesson, test.completeness)


@dataclass(frozen=True, slots=True)
class Tested:
    """What a noted test of the free alkali says: the completeness and its sd, fractions; ``at_most`` so much where the
    soap had been diluted by then and the log does not say with how much water. None where that may then be anything."""

    completeness: float | None
    sd: float = 0.0
    at_most: bool = False


def alkali_test(journal: Journal, batch: str) -> Tested | None:
    """The newest test of a batch's free alkali; None where none stands. It is taken to be of what stood in the bucket
    when it was noted."""
    record = journal.batch(batch)
    percent = journal.details(batch).get("free_alkali_percent")
    if record is None or percent is None:
        return None
    recipe, vessel = journal.recipe_now(batch)
    recipe = without_bad_numbers(recipe)[0]
    if not recipe.oils:
        return None
    filled_at_s = record.ended_s if record.outcome == "filled" and record.ended_s is not None else math.inf
    water = watered(
        journal.entries(batch), recipe, record.batch.started_s, percent.noted_at_s, filled_at_s=filled_at_s
    )
    budget = heat_budget(recipe, vessel)
    left_mol = float(percent.value) / 100.0 * (budget.mass_kg + water.kg) * 1000.0 / KOH_G_PER_MOL
    completeness = min(max((budget.koh_mol - left_mol) / budget.limiting_mol, 0.0), 1.0)
    # More water than the log knows of can only hold more alkali.
    if not water.known and completeness >= LEAST_FINAL:
        return Tested(None)
    sd = math.hypot(TESTED_SD, budget.limiting_mol_sd / budget.limiting_mol)
    return Tested(completeness, sd, at_most=not water.known)


def alkali_test_words(journal: Journal, batch: str) -> str:
    """One sentence where a test that was just noted cannot be reckoned with, "" where it can."""
    test = alkali_test(journal, batch)
    if test is None or test.completeness is not None:
        return ""
    return tr(
        "It does not say how far the batch reacted, so nothing is learned from it: by then the soap had been diluted, "
        "and the log does not say with how much water. Note that while a batch runs (emberpail mark BUCKET water-added "
        "--mass 16kg), or test the paste."
    )


def history_for(journal: Journal, batch: Batch, pending: Mapping[str, object] | None = None) -> History | None:
    """What the journal's earlier batches teach ``batch``; None where that is nothing yet."""
    return history_among(lessons(journal, pending), batch, maker_of(journal, batch.name))


def history_among(among: Iterable[Lesson], batch: Batch, maker: str = "") -> History | None:
    """What these lessons teach ``batch``; None where that is nothing."""
    vessel = batch.vessel
    history = history_from(
        among, before_s=batch.known_from_s, bucket=batch.bucket, litres=vessel.litres, insulation=vessel.insulation,
        maker=maker,
    )  # fmt: skip
    return history if history.batches else None


def begun_with(journal: Journal, batch: str) -> History | None:
    """The history a batch was begun with; None where there was none."""
    return history_of_values(journal.fact(BEGUN_WITH + batch))


def maker_of(journal: Journal, batch: str) -> str:
    """Who made a batch, as far as that was noted."""
    maker = journal.details(batch).get("maker")
    return "" if maker is None else maker.value


def outcome_of(record: BatchRecord | None) -> str:
    """How a batch ended, in the journal's word."""
    return "" if record is None else record.outcome
