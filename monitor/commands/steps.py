"""``steps``: the checklist of the four days. What is done, what comes next, what is still to come; or step by step."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    clock_words,
    hour_words,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    warn,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.which import batch_called, journal_of_batches
from monitor.domain import Batch, LogEntry
from monitor.journal.database import BatchRecord, Journal
from monitor.settings import Settings
from monitor.trade.amounts import parse_temperature_c, parse_water_kg
from monitor.trade.making import CAUTIONS, DEFERS, STEPS, Step, StepState, caution, cautions_for, checklist
from monitor.trade.steps import STIRRINGS
from monitor.words import tr, voice

_DONE, _NEXT, _TO_COME = "[x]", "[>]", "[ ]"
# A step that is due later than this is for later; the person need not stand and wait for it.
_NOT_YET_S = 300.0
_SKIP = "-"


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "steps", tr("the checklist of the making: what is done, what comes next"),
        "emberpail steps shed-2 --follow",
        description=tr(
            "The steps of the four days with their cautions: what of them is done, what comes next, what is to come. "
            "Without a batch: the empty list, for paper. With --follow it goes from step to step and notes each."
        ),
    )  # fmt: skip
    parser.add_argument("batch", nargs="?", metavar=tr("BATCH"), help=tr("the bucket, or the batch in it"))
    parser.add_argument(
        "--follow", action="store_true", help=tr("go step by step at the terminal: Enter notes a step as done now")
    )
    parser.add_argument("--who", default="", help=tr("who did it"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the checklist, or follow it."""
    settings = settings_of(args)
    if args.batch is None:
        if args.follow:
            raise CommandError(tr("--follow needs the batch: emberpail steps shed-2 --follow, for example."))
        return _for_paper(args, settings)
    if args.follow:
        return _follow(args, settings)
    journal = journal_of_batches(settings)
    with journal:
        record = batch_called(journal, args.batch)
        states = states_of(journal, record.batch)
    if args.json:
        print_json(_as_json(settings, record, states))
        return YES
    _print_states(settings, record, states)
    return YES


def states_of(journal: Journal, batch: Batch) -> tuple[StepState, ...]:
    """The checklist of a batch as its log has it now."""
    return checklist(journal.entries(batch.name), now_s(), planned_dilution_s=batch.planned_dilution_s)


# ---- printed -------------------------------------------------------------------------------------------------------


def _for_paper(args: argparse.Namespace, settings: Settings) -> int:
    number = settings.site.emergency_number
    cautions = [*(caution(key, number) for key in CAUTIONS), tr(DEFERS)]
    if args.json:
        print_json({"batch": None, "steps": [_step_json(StepState(step)) for step in STEPS], "cautions": cautions})
        return YES
    for text in cautions:
        say(text, "! ")
    day = ""
    for step in STEPS:
        if step.day != day:
            day = step.day
            print()
            say(step.told_day()[:1].upper() + step.told_day()[1:])
        say(step.told_title(), f"{_TO_COME} ")
        say(step.told_text(), " " * 4)
        say(_blank_line(step), " " * 4)
    return YES


def _blank_line(step: Step) -> str:
    if step.asks == "temperature":
        return tr("at ____:____   temperature ________   by ____________")
    if step.asks == "water":
        return tr("at ____:____   water ________   by ____________")
    return tr("at ____:____   by ____________")


def _print_states(settings: Settings, record: BatchRecord, states: tuple[StepState, ...]) -> None:
    now = now_s()
    following = next((state for state in states if state.is_next), None)
    if following is not None and record.ended_s is None:
        for text in cautions_for(following.step.deed, emergency_number=settings.site.emergency_number):
            say(text, "! ")
        print()
    batch = record.batch
    say(tr("{batch} in {bucket}", batch=batch.name, bucket=batch.bucket))
    if record.ended_s is not None:
        say(tr("It has ended, {when}.", when=clock_words(settings, record.ended_s)))
    day = ""
    for state in states:
        if state.step.day != day:
            day = state.step.day
            say(state.step.told_day()[:1].upper() + state.step.told_day()[1:])
        is_next = state.is_next and record.ended_s is None
        mark = _DONE if state.done_at_s is not None else _NEXT if is_next else _TO_COME
        say(_state_words(settings, state, now), f"  {mark} ", " " * 6)
        if is_next:
            say(state.step.told_text(), " " * 6)
    if following is None:
        say(tr("All steps are noted."))
    elif record.ended_s is None:
        say(tr("Step by step, noting each: emberpail steps {bucket} --follow", bucket=batch.bucket))


def _state_words(settings: Settings, state: StepState, now: float) -> str:
    title = state.step.told_title()
    if state.done_at_s is not None:
        return tr("{title} (done {when})", title=title, when=hour_words(settings, state.done_at_s, now))
    if state.times:
        return tr("{title} ({times} of {of} done)", title=title, times=state.times, of=_wanted(state.step))
    if state.due_s is not None:
        return tr("{title} (about {when})", title=title, when=hour_words(settings, state.due_s, now))
    return title


def _wanted(step: Step) -> int:
    return STIRRINGS if step.step_id == "stir" else 2


def _as_json(settings: Settings, record: BatchRecord, states: tuple[StepState, ...]) -> dict[str, object]:
    following = next((state for state in states if state.is_next), None)
    deed = None if following is None else following.step.deed
    number = settings.site.emergency_number
    return {
        "batch": record.batch.name,
        "bucket": record.batch.bucket,
        "ended": record.ended_s,
        "steps": [_step_json(state) for state in states],
        "cautions": [] if deed is None else list(cautions_for(deed, emergency_number=number)),
    }


def _step_json(state: StepState) -> dict[str, object]:
    step = state.step
    return {
        "step": step.step_id,
        "day": step.day,
        "title": step.told_title(),
        "text": step.told_text(),
        "log_kind": step.log_kind,
        "done": state.done_at_s,
        "entry": state.entry_id or None,
        "next": state.is_next,
        "times": state.times,
        "due": state.due_s,
    }


# ---- step by step --------------------------------------------------------------------------------------------------


def _follow(args: argparse.Namespace, settings: Settings) -> int:
    if args.json or not can_ask():
        raise CommandError(
            tr("--follow asks at a terminal, and here is none: print the list without it, or note steps with mark.")
        )
    who = one_line(args.who, tr("The name after --who"))
    skipped: set[str] = set()
    with open_journal(settings) as journal:
        record = batch_called(journal, args.batch)
        if record.ended_s is not None:
            raise CommandError(
                tr("{batch} has ended, {when}: no step of it can be noted any more.", batch=record.batch.name,
                   when=clock_words(settings, record.ended_s))
            )  # fmt: skip
        batch = record.batch
        say(tr("Enter alone: done now. -: skip it. q: stop here; what was noted stays."))
        while True:
            state = _next_state(states_of(journal, batch), skipped)
            if state is None:
                say(tr("No step is left."))
                return YES
            answer = _show_and_ask(settings, state)
            if answer == "q":
                return YES
            if answer == _SKIP:
                skipped.add(state.step.step_id)
                continue
            entry = journal.add_entry(batch.name, _entry(state.step), who=who)
            say(tr("Noted ({when}): {title}", title=state.step.told_title(),
                   when=hour_words(settings, entry.at_s, entry.noted_at_s)))  # fmt: skip
            if not _goes_on(settings, journal, batch, state, skipped):
                return YES


def _next_state(states: tuple[StepState, ...], skipped: set[str]) -> StepState | None:
    """The step that comes next, or after those that were skipped."""
    place = next((place for place, state in enumerate(states) if state.is_next), None)
    if place is None:
        return None
    return next(
        (state for state in states[place:] if state.done_at_s is None and state.step.step_id not in skipped), None
    )


def _show_and_ask(settings: Settings, state: StepState) -> str | None:
    step = state.step
    print()
    for text in cautions_for(step.deed, emergency_number=settings.site.emergency_number):
        say(text, "! ")
    print()
    say(tr("{day}: {words}", day=step.told_day()[:1].upper() + step.told_day()[1:],
           words=_state_words(settings, state, now_s())))  # fmt: skip
    say(step.told_text())
    if state.due_s is not None and state.due_s > now_s() + _NOT_YET_S:
        say(tr("It is not time for it yet: q, and come back then."))
    return ask(tr("Done? - to skip, q to stop"), _read_answer, empty=tr("done now"))


def _read_answer(text: str) -> str:
    plain = text.strip().lower()
    # An "s" is a yes elsewhere, and a step must not be skipped by it.
    if plain == "-" or (plain in ("s", "skip") and voice().language == "en"):
        return _SKIP
    if plain == "q":
        return plain
    raise ValueError(tr("Enter alone for done, - to skip, q to stop."))


def _entry(step: Step) -> LogEntry:
    at_s = now_s()
    entry = LogEntry(step.log_kind, at_s, at_s, text=step.entry_text)
    if step.asks == "temperature":
        temperature_c = ask(
            tr("Temperature of the mix by any thermometer, like 56 C"),
            lambda text: parse_temperature_c(text, tr("the mix")),
            empty=tr("not measured"),
        )
        return dataclasses.replace(entry, temperature_c=temperature_c)
    if step.asks == "water":
        kg = ask(
            tr("How much water, like 8 kg or 8 L"),
            lambda text: parse_water_kg(text, tr("the water")),
            empty=tr("not measured"),
        )
        return dataclasses.replace(entry, kg=kg)
    return entry


def _goes_on(
    settings: Settings, journal: Journal, batch: Batch, before: StepState, skipped: set[str]
) -> bool:
    """Whether the next step can be asked for at once; what is to be waited for is told."""
    states = states_of(journal, batch)
    after = next(state for state in states if state.step.step_id == before.step.step_id)
    if after.done_at_s is None and after.times == before.times:
        # A look before its time, or water in the making: it stands in the log and ticks nothing.
        warn(tr("It stands in the log, but it is too early to count for this step."))
        return False
    if after.done_at_s is None and before.step.step_id == "stir":
        say(tr("{times} of {of}. Stir again in an hour: emberpail steps {bucket} --follow", times=after.times,
               of=STIRRINGS, bucket=batch.bucket))  # fmt: skip
        return False
    following = _next_state(states, skipped)
    if following is not None and following.due_s is not None and following.due_s > now_s() + _NOT_YET_S:
        say(tr("Next: {words}. Go on then with: emberpail steps {bucket} --follow",
               words=_state_words(settings, following, now_s()), bucket=batch.bucket))  # fmt: skip
        return False
    return True
