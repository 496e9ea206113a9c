"""What a button of the page does, written into the journal: the same as the commands ``mark`` and ``ack`` do."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from monitor.domain import LOG_KINDS, Batch, LogEntry
from monitor.journal.database import Act, Journal
from monitor.judgement.alarms import LEAST_QUIET_S, rule_for
from monitor.moving import move_entry
from monitor.trade.amounts import parse_temperature_c, parse_water_kg
from monitor.trade.steps import STEP_BY_ID
from monitor.words import US, tr, voice

KEY_FACT = "page_key"
HEARD_FACT = "drill/heard"
_DOOR_FACT = "page_door/"
_KEY_BYTES = 32
_LONGEST_AGO_S = 24 * 3600.0
_MOST_TEXT = 500
# A wet glove presses twice: the same again within so many seconds is the same deed.
_SAME_PRESS_S = 20.0
_ACTS = ("acknowledged", "going", "shelved", "unshelved")


def _same_press(earlier: Act, later: Act) -> bool:
    return (
        (earlier.act, earlier.who) == (later.act, later.who)
        and abs(later.noted_at_s - earlier.noted_at_s) < _SAME_PRESS_S
        and abs((later.until_s or 0.0) - (earlier.until_s or 0.0)) < _SAME_PRESS_S
    )


class NotDone(ValueError):
    """A button's deed was refused: one sentence, nothing was written."""


class JournalDeeds:
    """Writes deeds into a journal of its own connection, opened at the first of them. Every method may be called from
    any thread; each raises a ValueError with one sentence and has then written nothing.
    """

    def __init__(self, open_journal: Callable[[], Journal], now_s: Callable[[], float]) -> None:
        self._open, self._now_s = open_journal, now_s
        self._journal: Journal | None = None
        self._key: bytes | None = None
        self._lock = threading.Lock()

    def key(self) -> bytes:
        """The journal's own random key for the sessions of the page, made at the first call ever and asked for once:
        neither an address that is opened nor a message that carries one has to wait for the right to write.
        """
        if self._key is not None:
            return self._key
        with self._writing() as journal:
            kept = journal.fact(KEY_FACT)
            if not isinstance(kept, str) or len(kept) != 2 * _KEY_BYTES:
                kept = secrets.token_hex(_KEY_BYTES)
                journal.set_fact(KEY_FACT, kept)
        self._key = bytes.fromhex(kept)
        return self._key

    def recall(self, name: str) -> object:
        """What the page's door kept under a name: wrong tries, sessions that were ended."""
        with self._lock:
            return self._opened().fact(f"{_DOOR_FACT}{name}")

    def keep(self, name: str, value: object) -> None:
        """Keep something of the page's door over a restart."""
        with self._writing() as journal:
            journal.set_fact(f"{_DOOR_FACT}{name}", value)

    def tick(
        self, bucket: str, batch: str, step_id: str, *, ago_s: float = 0.0, temperature: str = "", water: str = ""
    ) -> None:
        """Note that a step of the checklist was done."""
        step = STEP_BY_ID.get(step_id)
        if step is None:
            raise NotDone(tr("There is no such step; open the list of steps anew."))
        self.note(
            bucket, batch, step.log_kind, ago_s=ago_s, temperature=temperature if step.asks == "temperature" else "",
            water=water if step.asks == "water" else "", text=step.entry_text,
        )  # fmt: skip

    def note(
        self,
        bucket: str,
        batch: str,
        kind: str,
        *,
        ago_s: float = 0.0,
        temperature: str = "",
        water: str = "",
        text: str = "",
    ) -> None:
        """Note one entry in the log of ``batch``, done ``ago_s`` seconds ago. Figures as typed: a bare one is in the
        units of the voice that speaks.
        """
        if kind not in LOG_KINDS:
            raise NotDone(tr('"{kind}" is no entry of the log.', kind=kind[:40]))
        if not 0.0 <= ago_s <= _LONGEST_AGO_S:
            raise NotDone(tr("A deed is noted up to a day later; for an older one use emberpail mark --at."))
        said = " ".join(text.split())
        if len(said) > _MOST_TEXT or not said.isprintable():
            raise NotDone(tr("The remark is longer than {most} signs: make it shorter.", most=_MOST_TEXT))
        if kind == "note" and not said:
            raise NotDone(tr("Write the remark first."))
        us = voice().units == US
        temperature_c = kg = None
        if temperature.strip():
            typed = temperature.strip()
            bare_us = us and typed[-1:].isdigit()
            temperature_c = parse_temperature_c(f"{typed} F" if bare_us else typed, tr("the mix"))
        if water.strip():
            kg = parse_water_kg(water, tr("the water"), "us gal" if us else "l")
        with self._writing() as journal:
            self._running(journal, bucket, batch)
            noted_at_s = self._now_s()
            at_s = noted_at_s - ago_s
            for there in reversed(journal.entries(batch)):
                if (
                    (there.kind, there.text, there.temperature_c, there.kg) == (kind, said, temperature_c, kg)
                    and abs(there.noted_at_s - noted_at_s) < _SAME_PRESS_S
                    and abs(there.at_s - at_s) < _SAME_PRESS_S
                ):
                    return
            journal.add_entry(batch, LogEntry(kind, at_s, noted_at_s, temperature_c, kg, said), who=tr("the page"))

    def undo(self, bucket: str, batch: str, entry_id: str) -> None:
        """Take back one entry of the running batch; twice does no harm."""
        with self._writing() as journal:
            self._running(journal, bucket, batch)
            if all(logged.entry.entry_id != entry_id for logged in journal.log(batch)):
                raise NotDone(tr("There is no such entry in the log of {batch}.", batch=batch))
            journal.undo_entry(entry_id, self._now_s())

    def move(self, bucket: str, batch: str, entry_id: str, to_bucket: str) -> None:
        """Put an entry of the running batch to the batch that runs in ``to_bucket``; twice is once."""
        with self._writing() as journal:
            here = self._running(journal, bucket, batch)
            other = journal.batch_in(to_bucket)
            if other is None:
                raise NotDone(tr("No batch runs in {bucket}: open the page anew.", bucket=to_bucket[:64]))
            move_entry(journal, here, entry_id, other, self._now_s())

    def act(
        self, bucket: str, alarm_id: str, act: str, *, who: str = "", quiet_s: float = 0.0
    ) -> None:
        """Answer one alarm: "I have seen it" (acknowledged), "I am going" (going), quiet for ``quiet_s`` seconds
        (shelved), or quiet no longer (unshelved). ``who`` says so, as far as known. ``bucket`` is "" where the alarm's
        own id says enough.
        """
        if act not in _ACTS:
            raise NotDone(tr("There is no such answer to an alarm."))
        with self._writing() as journal:
            alarm = journal.alarm(alarm_id)
            if alarm is None or (bucket and alarm.bucket != bucket) or alarm.state == "normal":
                raise NotDone(tr("That alarm stands no longer."))
            at_s = self._now_s()
            if alarm.state == "acknowledged" and act == "acknowledged":
                return
            longest_s = rule_for(alarm.kind).max_quiet_s
            if act == "shelved" and not LEAST_QUIET_S <= quiet_s <= longest_s:
                raise NotDone(
                    tr("This alarm may be kept quiet for {minutes:.0f} minutes at a time.", minutes=longest_s / 60)
                )
            until_s = at_s + quiet_s if act == "shelved" else None
            said = Act(
                alarm_id, act, at_s, at_s, who or tr("the page"), until_s, batch=alarm.batch, bucket=alarm.bucket
            )
            earlier = [there for there in journal.acts(alarm.batch) if there.alarm_id == alarm_id]
            if not earlier or not _same_press(earlier[-1], said):
                journal.add_act(said)

    def heard(self, person: str) -> None:
        """Somebody heard the drill on their phone."""
        with self._writing() as journal:
            heard = journal.fact(HEARD_FACT, {})
            journal.set_fact(HEARD_FACT, {**(heard if isinstance(heard, dict) else {}), person: self._now_s()})

    # ---- inside ----

    @contextmanager
    def _writing(self) -> Iterator[Journal]:
        with self._lock:
            journal = self._opened()
            with journal.transaction():
                yield journal

    def _opened(self) -> Journal:
        if self._journal is None:
            self._journal = self._open()
        return self._journal

    @staticmethod
    def _running(journal: Journal, bucket: str, batch: str) -> Batch:
        """The batch for which the button was shown: a phone left open must not write into the next one."""
        running = journal.batch_in(bucket)
        if running is None or running.name != batch:
            raise NotDone(tr("{batch} no longer runs in {bucket}: open the page anew.", batch=batch, bucket=bucket))
        return running

    def close(self) -> None:
        """Close the connection, if there is one."""
        with self._lock:
            if self._journal is not None:
                self._journal.close()
                self._journal = None
