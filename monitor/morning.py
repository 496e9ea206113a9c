"""The night's summary on its way to the phones: once a morning, to those who know the trade, in waking hours."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

from monitor.domain import PASTE_PROBES
from monitor.journal.database import AlarmRecord, BatchRecord, Journal
from monitor.journal.database import Message as Outgoing
from monitor.judgement import escalation
from monitor.judgement.escalation import Told
from monitor.judgement.messages import lock_screen
from monitor.judgement.morning import BucketNight, Night, NightAlarm, morning_message
from monitor.page.view import BucketView
from monitor.phone.people import Person
from monitor.reminding import held_until_s
from monitor.retelling import retold
from monitor.settings import Settings
from monitor.standing import status_view
from monitor.stored import WATCHED_KEY
from monitor.tellings import kept_tellings
from monitor.watch_parts import escalation_rules, for_escalation
from monitor.words import TIME, speaking, when

MORNING_FACT = "morning"
NIGHT_S = 12 * 3600.0
# A summary of the night that comes after dinner is none.
_WITHIN_S = 5 * 3600.0
_MINUTE_S = 60.0
# An alarm is not called one that rang nobody before the phone services had their time.
_RINGS_WITHIN_S = 600.0

# An alarm and whether it stands, to how the summary shows it.
_Shown = Callable[[AlarmRecord, bool], NightAlarm]


@dataclass(slots=True)
class Morning:
    """Decides and writes the summaries. ``people`` as in the settings."""

    journal: Journal
    settings: Settings
    people: Sequence[Person]

    def tell(self, now_s: float) -> int:
        """Put the summaries that are due at ``now_s`` into the outbox; return how many messages are new."""
        minute = self.settings.reminders.morning_minute
        if minute is None or not self.settings.reminders.enabled or held_until_s(self.journal, now_s) is not None:
            return 0
        local = self.settings.local_time(now_s)
        due_s = local.replace(hour=minute // 60, minute=minute % 60, second=0, microsecond=0).timestamp()
        if not 0.0 <= now_s - due_s < _WITHIN_S:
            return 0
        day = f"{local:%Y-%m-%d}"
        told = self._told(day)
        waiting = [
            person for person in self.people
            if person.labels and person.reminders and person.knows_the_trade and person.name not in told
            and escalation.is_awake(for_escalation(person), now_s, escalation_rules(self.settings))
        ]  # fmt: skip
        if not waiting or not self._anything(due_s):
            return 0
        new = 0
        for person in waiting:
            told = [*told, person.name]
            new += self._write(person, due_s, now_s, {"day": day, "told": told})
        return new

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _told(self, day: str) -> list[str]:
        kept = self.journal.fact(MORNING_FACT, {})
        same = isinstance(kept, dict) and kept.get("day") == day and isinstance(kept.get("told"), list)
        return list(kept["told"]) if same else []

    def _anything(self, due_s: float) -> bool:
        """Whether there was anything to mind in the night."""
        return bool(self.journal.running_batches() or self._alarms(due_s - NIGHT_S))

    def _alarms(self, from_s: float) -> list[AlarmRecord]:
        """The alarms that were raised or stood since then, also of what has ended, and the watch's own."""
        return [
            alarm for alarm in self.journal.alarms()
            if alarm.raised_at_s is not None
            and (alarm.raised_at_s >= from_s or alarm.cleared_at_s is None or alarm.cleared_at_s >= from_s)
        ]  # fmt: skip

    def _write(self, person: Person, due_s: float, now_s: float, fact: dict[str, object]) -> int:
        with speaking(self.settings.site.voice(person.language, person.units)):
            message = morning_message(self._night(due_s - NIGHT_S, now_s))
            screen = lock_screen(message)
        with self.journal.transaction():
            added = self.journal.add_messages(
                [
                    Outgoing(
                        about=f"morning/{fact['day']}", what="morning", person=person.name, route=label,
                        title=screen.title, body=f"{screen.body}\n\n{message.do}", created_s=now_s,
                        expires_s=due_s + _WITHIN_S,
                    )
                    for label in person.labels[:1]
                ]
            )
            self.journal.set_fact(MORNING_FACT, fact)
        return len(added)

    def _night(self, from_s: float, now_s: float) -> Night:
        view = status_view(self.journal, self.settings, now_s, with_curves=False)
        started = {batch.bucket: batch.started_s for batch in self.journal.running_batches()}
        alarms = self._alarms(from_s)
        shown = partial(self._alarm, told=kept_tellings(self.journal), from_s=from_s, now_s=now_s)
        buckets = [
            self._bucket(
                one, [alarm for alarm in alarms if alarm.batch == one.batch], shown,
                self._gap_min(one.name, max(from_s, started[one.name]), now_s),
            )
            for one in view.buckets
            if one.batch is not None
        ]
        ended = [one for one in self.journal.batches() if one.ended_s is not None and from_s <= one.ended_s <= now_s]
        buckets += [
            self._ended(one, [alarm for alarm in alarms if alarm.batch == one.batch.name], shown, from_s)
            for one in ended
        ]
        own = tuple(shown(alarm, alarm.cleared_at_s is None) for alarm in alarms if not alarm.batch)
        first_s = min([*started.values(), *(one.batch.started_s for one in ended)], default=from_s)
        return Night(tuple(buckets), self._unwatched_min(max(from_s, first_s), now_s), own)

    def _ended(self, one: BatchRecord, alarms: Sequence[AlarmRecord], shown: _Shown, from_s: float) -> BucketNight:
        """A batch that ran for a part of the night only. What ended with it stands no more."""
        ended_s = one.ended_s or from_s
        return BucketNight(
            bucket=one.batch.bucket,
            gap_min=self._gap_min(one.batch.bucket, max(from_s, one.batch.started_s), ended_s),
            alarms=tuple(
                shown(replace(alarm, cleared_at_s=alarm.cleared_at_s or ended_s), False) for alarm in alarms
            ),
            ended=self._clock(ended_s),
        )

    def _bucket(
        self, one: BucketView, alarms: Sequence[AlarmRecord], shown: _Shown, gap_min: float | None
    ) -> BucketNight:
        standing = {alarm.alarm_id for alarm in one.alarms}
        return BucketNight(
            bucket=one.name,
            completeness=one.completeness,
            gap_min=gap_min,
            alarms=tuple(shown(alarm, alarm.alarm_id in standing) for alarm in alarms),
            stands=bool(standing),
            next_action=one.next_action,
            cautions=one.cautions,
        )

    def _alarm(
        self, alarm: AlarmRecord, stands: bool, *, told: Sequence[Told], from_s: float, now_s: float
    ) -> NightAlarm:
        acts = [act for act in self.journal.acts(alarm.batch) if act.alarm_id == alarm.alarm_id]
        went = next((act.who for act in acts if act.act == "going"), "")
        seen = next((act.who for act in acts if act.act == "acknowledged"), "")
        # What was told together with another alarm stands in the outbox under that one.
        about = {one.alarm_id for one in told if alarm.alarm_id in one.covers}
        sent = [
            message for one in sorted({alarm.alarm_id, *about}) for message in self.journal.messages(one)
            if message.state == "sent"
        ]  # fmt: skip
        in_night = [one.person for one in sent if (one.sent_s or one.created_s) >= from_s]
        return NightAlarm(
            says=retold(alarm)[0],
            at=self._clock(alarm.raised_at_s or 0.0),
            end="" if stands or alarm.cleared_at_s is None else self._clock(alarm.cleared_at_s),
            rung=tuple(dict.fromkeys(in_night)),
            went=went,
            seen=seen,
            wakes=alarm.urgency == "now",
            unrung=alarm.urgency == "now" and not sent and not went and not seen
            and from_s <= (alarm.raised_at_s or 0.0) <= now_s - _RINGS_WITHIN_S,
        )  # fmt: skip

    def _clock(self, at_s: float) -> str:
        return when(self.settings.local_time(at_s), TIME)

    def _gap_min(self, bucket: str, from_s: float, now_s: float) -> float | None:
        """The longest time without a believed paste reading, by minutes; None where none came."""
        slots = max(2, math.ceil((now_s - from_s) / _MINUTE_S))
        read = sorted(
            at_s for probe in PASTE_PROBES for at_s, _, _ in self.journal.thinned(bucket, probe, from_s, now_s, slots)
        )
        if not read:
            return None
        return max(later - earlier for earlier, later in pairwise([from_s, *read, now_s])) / _MINUTE_S

    def _unwatched_min(self, from_s: float, now_s: float) -> float:
        """For how long of the night no watch ran, by its own ticks."""
        watched = [(max(from_s, start), min(now_s, end)) for start, end in self.journal.fact(WATCHED_KEY, [])]
        spans = sorted((start, end) for start, end in watched if end > start)
        gaps_s, reached_s = 0.0, from_s
        for start, end in spans:
            gaps_s += max(0.0, start - reached_s)
            reached_s = max(reached_s, end)
        # The present watch has ticked up to now, whatever it has written of that yet.
        return (gaps_s if spans else now_s - from_s) / _MINUTE_S
