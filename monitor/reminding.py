"""Reminders on their way to the phones: ``trade.reminders`` says what stands; here it is worded and put in the outbox.

They go to those who know the trade, once to each, in one message for all that is due. They never escalate and never
repeat. What was told is written down in the transaction of the message, so that no restart reminds twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from monitor.domain import Condition
from monitor.journal.database import Journal
from monitor.journal.database import Message as Outgoing
from monitor.judgement import escalation, wording
from monitor.judgement.messages import Message, lock_screen
from monitor.judgement.reminder_words import cautions_of, reminder_message
from monitor.judgement.summaries import evening_message, took_message
from monitor.phone.people import Person
from monitor.pipeline import Minder
from monitor.settings import Settings
from monitor.trade import reminders
from monitor.trade.reminders import Reminder
from monitor.watch_parts import escalation_rules, for_escalation
from monitor.words import TIME, speaking, when

_MINUTE_S = 60.0
_DAY_MIN = 24 * 60
# The evening's word comes so long before the waking hours end, unless the settings say when.
_BEFORE_NIGHT_MIN = 60
# What the probe showed while it was being pushed in is no evidence that it is in.
_PROBE_SETTLES_S = 60.0
# Until when somebody asked for no reminders, Unix seconds, in the journal.
HELD_FACT = "reminders_held_until_s"
# Nothing is said of what a probe does not read before it has been listened to for so long.
_LISTENS_S = 150.0


def held_until_s(journal: Journal, now_s: float) -> float | None:
    """Until when somebody asked for no reminders, Unix seconds; None where they come."""
    kept = journal.fact(HELD_FACT)
    return float(kept) if isinstance(kept, int | float) and now_s < kept else None


@dataclass(frozen=True, slots=True)
class Reminded:
    """That a person was told of a reminder, in the message ``about``."""

    reminder_id: str
    person: str
    at_s: float
    about: str


@dataclass(slots=True)
class Reminding:
    """Decides and writes reminders. ``people`` as in the settings."""

    journal: Journal
    settings: Settings
    people: Sequence[Person]
    _told: dict[str, list[Reminded]] = field(default_factory=dict)  # by batch
    _listens_from_s: dict[str, float] = field(default_factory=dict)  # by batch

    def remind(self, minders: Sequence[Minder], now_s: float) -> int:
        """Put all reminders that are due at ``now_s`` into the outbox; return how many messages are new."""
        waiting = self._waiting()
        held = held_until_s(self.journal, now_s) is not None  # what is still due then is told then
        new = 0
        for minder in minders:
            standing = {person.name: self._standing(minder, person, now_s) for person in self._who_is_reminded()}
            self._take_back(minder, waiting, standing)
            for person in self._who_is_reminded():
                new += 0 if held else self._tell(minder, person, standing[person.name], now_s)
        names = {minder.batch.name for minder in minders}
        for about in waiting:
            if not any(about.startswith(reminders.identity(name, "")) for name in names):
                self.journal.supersede_messages(about)
        return new

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _who_is_reminded(self) -> list[Person]:
        if not self.settings.reminders.enabled:
            return []
        return [person for person in self.people if person.knows_the_trade and person.reminders and person.labels]

    def _standing(self, minder: Minder, person: Person, now_s: float) -> tuple[Reminder, ...]:
        return reminders.standing(
            minder.log(),
            now_s,
            planned_dilution_s=minder.batch.planned_dilution_s,
            vetoed=bool(_vetoes(minder)),
            paste_read=now_s < self._listens_from_s.setdefault(minder.batch.name, now_s) + _LISTENS_S
            or minder.reads_paste_since(minder.course().blended_at_s + _PROBE_SETTLES_S),
            evening_from=self._evening_from(person),
        )

    def _tell(self, minder: Minder, person: Person, standing: Sequence[Reminder], now_s: float) -> int:
        batch = minder.batch.name
        told = self._load(batch)
        awake = self.settings.reminders.at_night or self._is_awake(person, now_s)
        due = reminders.to_tell(
            standing,
            [one.reminder_id for one in told if one.person == person.name],
            now_s,
            awake=awake,
            held=_must_keep_away(minder),
        )
        if not due:
            return 0
        with speaking(self.settings.site.voice(person.language, person.units)):
            message = self._worded(minder, due)
            screen = lock_screen(message)
            cautions = cautions_of(message, self.settings.site.emergency_number)
        said = "" if screen.body.startswith(message.says) else message.says
        body = "\n\n".join(part for part in (screen.body, said, message.do, "\n".join(cautions)) if part)
        about = reminders.identity(batch, due[0].reminder_id)
        now_told = [*told, *(Reminded(one.reminder_id, person.name, now_s, about) for one in due)]
        with self.journal.transaction():
            added = self.journal.add_messages(
                Outgoing(
                    about=about,
                    what="reminder",
                    person=person.name,
                    route=label,
                    title=screen.title,
                    body=body,
                    created_s=now_s,
                    expires_s=self._expires_s(person, due, now_s),
                )
                for label in person.labels[:1]  # the postman tries the next one where this fails
            )
            self.journal.set_fact(
                _key(batch), [[one.reminder_id, one.person, one.at_s, one.about] for one in now_told]
            )
        self._told[batch] = now_told
        return len(added)

    def _worded(self, minder: Minder, due: Sequence[Reminder]) -> Message:
        steps = {one.step_id for one in due}
        why = [wording.say(one, bucket=minder.batch.bucket, batch=minder.batch.name).says for one in _vetoes(minder)]
        return reminder_message(
            due,
            bucket=minder.batch.bucket,
            took=_took(minder) if "taken" in steps else None,
            evening=self._evening(minder) if "evening" in steps else None,
            why_not_yet=why[0] if why else "",
        )

    def _evening(self, minder: Minder) -> Message:
        standing = {key for key, state in minder.alarms.items() if state.stands}
        return evening_message(
            minder.estimate,
            bucket=minder.batch.bucket,
            conditions=[replace(one, standing=True) for key, one in minder.conditions.items() if key in standing],
            facts=_facts(minder),
            clock=lambda at_s: when(self.settings.local_time(at_s), TIME),
        )

    def _evening_from(self, person: Person) -> Callable[[float], float]:
        """From a time on, the first at which this person is to have the evening's word."""
        sleeper = for_escalation(person)
        minute = self.settings.reminders.evening_minute
        if minute is None or not (self.settings.reminders.at_night or _is_waking(sleeper, minute)):
            minute = int(sleeper.waking_to_min - _BEFORE_NIGHT_MIN) % _DAY_MIN
        if not _is_waking(sleeper, minute):  # waking hours of less than an hour
            minute = int(sleeper.waking_from_min)

        def first_from(at_s: float) -> float:
            local = self.settings.local_time(at_s)
            evening = local.replace(hour=minute // 60, minute=minute % 60, second=0, microsecond=0)
            return (evening if evening.timestamp() >= at_s else evening + timedelta(days=1)).timestamp()

        return first_from

    def _is_awake(self, person: Person, now_s: float) -> bool:
        return escalation.is_awake(for_escalation(person), now_s, escalation_rules(self.settings))

    def _expires_s(self, person: Person, due: Sequence[Reminder], now_s: float) -> float:
        """When the last of it is stale; what a route could not take by day does not ring in the night either."""
        stale_s = max(one.expires_s for one in due)
        if self.settings.reminders.at_night or any(one.wakes for one in due):
            return stale_s
        sleeper = for_escalation(person)
        if sleeper.waking_from_min == sleeper.waking_to_min:
            return stale_s
        until_night_min = (sleeper.waking_to_min - _minute_of_day(self.settings.local_time(now_s))) % _DAY_MIN
        return min(stale_s, now_s + until_night_min * _MINUTE_S)

    def _waiting(self) -> list[str]:
        """What the reminders are about that no service has taken yet."""
        about = (message.about for message in self.journal.messages(open_only=True))
        return list(dict.fromkeys(one for one in about if one.startswith(reminders.PREFIX)))

    def _take_back(
        self, minder: Minder, waiting: Sequence[str], standing: dict[str, tuple[Reminder, ...]]
    ) -> None:
        """What waits for a route is not to come when all its deeds are done, or when nobody is to open the bucket."""
        keep_away = _must_keep_away(minder)
        for about in waiting:
            parts = [one for one in self._load(minder.batch.name) if one.about == about]
            if not parts:
                continue
            by_id = {(name, one.reminder_id): one for name, found in standing.items() for one in found}
            left = [by_id[key] for one in parts if (key := (one.person, one.reminder_id)) in by_id]
            if not left or (keep_away and any(one.deed in reminders.OPENING_DEEDS for one in left)):
                self.journal.supersede_messages(about)

    def _load(self, batch: str) -> list[Reminded]:
        if batch not in self._told:
            self._told[batch] = [Reminded(*one) for one in self.journal.fact(_key(batch), [])]
        return self._told[batch]


def _key(batch: str) -> str:
    return f"reminded/{batch}"


def _must_keep_away(minder: Minder) -> bool:
    """Whether an alarm stands that cannot wait: nobody is sent to open the bucket for anything else."""
    return any(state.stands and state.urgency == "now" for state in minder.alarms.values())


def _vetoes(minder: Minder) -> list[Condition]:
    """The standing alarms by which the heat holds the batch back."""
    return [
        Condition(state.kind, True, False, told.probability, state.urgency, facts=told.facts)
        for state, told in minder.told()
        if state.stands and state.kind in reminders.HEAT_VETOES
    ]


def _facts(minder: Minder) -> dict[str, object]:
    """What the judgement knows of batch and heat, whatever it makes of it."""
    return next((dict(one.facts) for one in minder.conditions.values() if one.kind == "not_taken"), {})


def _took(minder: Minder) -> Message:
    doubt = next((one.probability for one in minder.conditions.values() if one.kind == "not_taken"), None)
    facts = _facts(minder)
    if not minder.course().blended_noted:
        facts["why_unsure"] = "no_blend_time"
    return took_message(minder.estimate, bucket=minder.batch.bucket, probability_not_taken=doubt, facts=facts)


def _is_waking(person: escalation.Person, minute: float) -> bool:
    # The first day of Unix time, in no zone: only the minute of the day counts.
    return escalation.is_awake(person, minute * _MINUTE_S, escalation.Settings())


def _minute_of_day(local: datetime) -> float:
    return local.hour * 60 + local.minute + local.second / 60.0
