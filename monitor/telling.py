"""From alarm states to messages in the outbox: asks ``escalation`` whom to tell, words it, writes it down.

Each message speaks the language and the units of whom it goes to. Reminders go out after the alarms (``reminding``).

A telling and the message it leads to are written in one transaction; the message's identity is that of the telling,
so deciding it again after a crash changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.domain import Condition
from monitor.drilling import Drilling
from monitor.duty import ringing_order
from monitor.journal.database import GIVEN_UP, AlarmRecord, Journal, JournalError
from monitor.journal.database import Message as Outgoing
from monitor.judgement import escalation, wording
from monitor.judgement.alarms import AlarmState
from monitor.judgement.escalation import AlarmView, Decision, Told
from monitor.judgement.messages import Message, lock_screen
from monitor.morning import Morning
from monitor.phone.people import Person
from monitor.pipeline import Minder
from monitor.reminding import Reminding
from monitor.settings import Settings
from monitor.tellings import keep_tellings, kept_tellings
from monitor.watch_parts import escalation_rules, for_escalation
from monitor.words import speaking, tr

# Kinds that say of the same batch what another alarm of it says already. While that one stands, is not kept quiet and
# is at least as urgent, they are on the page and in the journal but ring nobody: one phone call for one trouble.
_SAID_BY: Mapping[str, tuple[str, ...]] = {
    "cooled_early": ("not_taken",),
    "separated": ("not_taken",),
    "incomplete": ("not_taken", "cooled_early", "separated"),
    "sensor_fault": ("silent",),
}

# Longer than any batch stands, and than anybody keeps an alarm waiting.
_FORGET_AFTER_S = 30 * 86400.0
# Of an alarm that is over and done with, as long as a message about it may still wait (a day), and the night be told.
_FORGET_GONE_AFTER_S = 2 * 86400.0


# The alarm, the name of who is told and the time -> the address of a page on which that person may answer, or None.
LinkMaker = Callable[[AlarmView, str, float], str | None]


def no_link(_alarm: AlarmView, _person: str, _now_s: float) -> str | None:
    """No page to answer on."""
    return None


def no_drill_link(_person: str, _now_s: float) -> str | None:
    """No page to say on that a drill was heard."""
    return None


@dataclass(slots=True)
class Teller:
    """Decides and writes messages. ``people`` in the order of the settings, which is the order of ringing but for who
    is on call. ``link`` gives the address at which somebody may answer an alarm, for the end of the message;
    ``drill_link`` that at which they say that they heard a drill. ``on_given_up`` is called when a message has been
    given up here, for `untold` to sum up.
    """

    journal: Journal
    settings: Settings
    people: Sequence[Person]
    link: LinkMaker = no_link
    _told: list[Told] | None = field(default=None)
    drill_link: Callable[[str, float], str | None] = no_drill_link
    on_given_up: Callable[[], None] = lambda: None
    _gone: set[str] = field(default_factory=set)  # alarms that are no more, of which nothing is left to do
    _reminding: Reminding = field(init=False)
    _drilling: Drilling = field(init=False)
    _morning: Morning = field(init=False)

    def __post_init__(self) -> None:
        self._reminding = Reminding(self.journal, self.settings, self.people)
        self._drilling = Drilling(self.journal, self.settings, self.people, self.drill_link)
        self._morning = Morning(self.journal, self.settings, self.people)

    def tell(  # noqa: PLR0917
        self,
        minders: Iterable[Minder],
        now_s: float,
        sources: Mapping[str, str] | None = None,
        own: tuple[AlarmState, Condition] | None = None,
        only: Collection[str] | None = None,
        nodes: Iterable[tuple[AlarmState, Condition]] = (),
    ) -> int:
        """Everything that is due at ``now_s`` goes into the outbox; returns how many messages are new.

        ``sources`` names the source through which each bucket is heard, so that a dead link makes one message;
        ``own`` is the daemon's own trouble. ``only`` names the batches that have been judged at ``now_s`` where not all
        have; what is told of several buckets together waits for all. ``nodes``: those whose supply was low.
        """
        words, views, said, standing = self._seen(minders, now_s, sources or {}, own, nodes)
        rules = escalation_rules(self.settings)
        order = ringing_order(self.journal, self.people, now_s, self.settings.local_time)
        people = [for_escalation(person) for person in order]
        # What was told of alarms that are gone would only be gone through again at every tick.
        ids = frozenset(view.alarm_id for view in views)
        of_these = [one for one in self._load() if one.is_about(ids)]
        grouped = _grouped(views, of_these, rules, sources or {})
        self._take_back(grouped, said, rules, now_s)
        about = _by_alarm(of_these)
        unreached = [
            one for one in grouped if _has_somebody_left(one, _all_about(one, about), len(people), rules, now_s)
        ]
        about = _by_alarm(self._marked_failed(of_these, {view.alarm_id for view in unreached}))
        new = 0
        for view in grouped:
            if only is not None and (view.batch not in only or view.kind == "silent"):
                continue
            for decision in escalation.all_due(view, _all_about(view, about), now_s, people, rules):
                new += self._write(view, decision, words, now_s)
        self._give_up_on_gone(ids | said, standing)
        return new

    def take_back(
        self,
        minders: Iterable[Minder],
        now_s: float,
        sources: Mapping[str, str] | None = None,
        own: tuple[AlarmState, Condition] | None = None,
        nodes: Iterable[tuple[AlarmState, Condition]] = (),
    ) -> None:
        """Only that: what waits and is not wanted any more is taken back, for an outbox that has just come to hold
        more than it did. All as for ``tell``.
        """
        _, views, said, _ = self._seen(minders, now_s, sources or {}, own, nodes)
        rules = escalation_rules(self.settings)
        self._take_back(_grouped(views, self._load(), rules, sources or {}), said, rules, now_s)

    def forget(self) -> None:
        """What was told is read from the journal again: its times have been moved there."""
        self._told = None

    def remind(self, minders: Iterable[Minder], now_s: float) -> int:
        """Every reminder that is due at ``now_s`` goes into the outbox, and so do the drill and the night's summary;
        returns how many messages are new.
        """
        new = self._reminding.remind(list(minders), now_s)
        return new + self._drilling.drill(now_s) + self._morning.tell(now_s)

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _seen(
        self, minders: Iterable[Minder], now_s: float, sources: Mapping[str, str],
        own: tuple[AlarmState, Condition] | None, nodes: Iterable[tuple[AlarmState, Condition]],
    ) -> tuple[dict[str, Condition], list[AlarmView], set[str], set[str]]:
        """By id what each alarm's words are made from; those that may be told of; the ids of those that another alarm
        says already; and of all that stand.
        """
        words: dict[str, Condition] = {}
        views: list[AlarmView] = []
        said: set[str] = set()
        standing: set[str] = set()
        for state, condition in (*([] if own is None else [own]), *nodes):
            if state.count:
                words[state.alarm_id] = condition
                views.append(escalation.view_of(state))
                if state.stands:
                    standing.add(state.alarm_id)
        for minder in minders:
            told_of = minder.told()
            for state, told in told_of:
                condition = Condition(state.kind, True, False, told.probability, state.urgency, facts=told.facts)
                words[state.alarm_id] = condition
                if state.stands:
                    standing.add(state.alarm_id)
                if state.stands and _is_said(state, told.facts, [other for other, _ in told_of], now_s):
                    said.add(state.alarm_id)
                    continue
                views.append(escalation.view_of(state, sources.get(state.bucket, "")))
        return words, views, said, standing

    def _write(
        self, view: AlarmView, decision: Decision, words: Mapping[str, Condition], now_s: float
    ) -> int:
        person = next(person for person in self.people if person.name == decision.person)
        with speaking(self.settings.site.voice(person.language, person.units)):
            message = self._worded(view, decision, words[view.alarm_id], now_s)
            screen = lock_screen(message)
            link = self._link(view, decision, now_s)
        body = "\n\n".join(part for part in (screen.body, message.do, link) if part)
        telling = decision.as_told(now_s)
        # What nobody asks for any more is left out.
        known, before = frozenset(words), self._load()
        told = [
            one for one in before
            if one.at_s > now_s - (_FORGET_AFTER_S if one.is_about(known) else _FORGET_GONE_AFTER_S)
        ]  # fmt: skip
        changed = {telling.alarm_id} | ({one.alarm_id for one in before} - {one.alarm_id for one in told})
        told.append(telling)
        with self.journal.transaction():
            # What this person has not been told yet of the alarm is said by this message, and better; and that it was
            # over the time before is no last word now.
            slots = {_slot(alarm_id) for alarm_id in view.ids}
            earlier = {one.alarm_id for one in before if _slot(one.alarm_id) in slots}
            self.journal.take_back(
                message.message_id
                for alarm_id in view.ids | earlier
                for message in self.journal.messages(alarm_id, open_only=True)
                if message.person == person.name
            )
            added = self.journal.add_messages(
                Outgoing(
                    about=view.alarm_id,
                    what=telling.what,
                    person=person.name,
                    route=label,
                    title=screen.title,
                    body=body,
                    created_s=now_s,
                    urgency="now" if decision.wakes else "daylight",
                )
                for label in person.labels[: decision.routes]
            )
            keep_tellings(self.journal, told, changed)
        self._told = told
        return len(added)

    def _link(self, view: AlarmView, decision: Decision, now_s: float) -> str:
        """The last line of a message that can be answered; '' without an address, for whatever reason."""
        if decision.reason == escalation.CLEARED:
            return ""
        try:
            address = self.link(view, decision.person, now_s)
        except Exception:  # the ring must go out, with or without a way to answer it
            return ""
        return tr("Answer it (only on the farm's network): {link}", link=address) if address else ""

    def _take_back(
        self, views: Sequence[AlarmView], said: set[str], rules: escalation.Settings, now_s: float
    ) -> None:
        """What has not been handed over by now is not to ring for what somebody has seen, or what is over, or of which
        nobody wants to hear. Only that it is over stays, and what was told since the last answer.
        """
        since_s = {alarm_id: _rings_since_s(view, rules, now_s) for view in views for alarm_id in view.ids}
        ended = {one.alarm_id for one in self._load()} - set(since_s) - said
        since_s |= dict.fromkeys(ended)
        stale = []
        for message in self.journal.messages(open_only=True):
            if message.about not in since_s or message.what.startswith(escalation.CLEARED):
                continue
            from_s = since_s[message.about]
            if from_s is None or message.created_s < from_s:
                stale.append(message.message_id)
        self.journal.take_back(stale)

    def _give_up_on_gone(self, live: Collection[str], standing: Collection[str]) -> None:
        """An alarm that came and went while no route worked, and was raised anew before its all-clear was told: nobody
        heard of the first time, nor is to be told of it any more. The last word to each counts as given up (`untold`).

        ``live``: the alarms as they are by now. After the ringing, for nothing here may keep that from being done.
        """
        told, slots = self._load(), {_slot(alarm_id) for alarm_id in live}
        gone = {one.alarm_id for one in told if one.alarm_id not in live and _slot(one.alarm_id) in slots}
        self._gone &= gone
        if gone <= self._gone:
            return
        settled: set[str] = set()
        given_up = 0
        try:
            with self.journal.transaction():
                for alarm_id in sorted(gone - self._gone):
                    last = self._unheard(alarm_id, told, standing)
                    settled.update([] if last is None else [alarm_id])
                    given_up += self.journal.give_up(last or [])
        except JournalError:
            return  # looked at again at the next tick
        self._gone |= settled
        if given_up:
            self.on_given_up()

    def _unheard(self, alarm_id: str, told: Sequence[Told], standing: Collection[str]) -> list[str] | None:
        """The last message to each who was to be told of an alarm of which nobody heard; an empty list where somebody
        did, or had seen it by themselves; None while that is not settled yet, or not to be known.
        """
        if not self.journal.outbox_is_known():
            return None  # the disk can be neither written nor read: that no message is there says nothing
        mine = [one for one in told if one.is_about(frozenset({alarm_id}))]
        if any(covered in standing for one in mine for covered in one.covers):
            return None  # its messages speak of others, too, which go on
        about = sorted({one.alarm_id for one in mine})
        messages = [message for each in about for message in self.journal.messages(each)]
        states = {message.state for message in messages}
        if states & {"waiting", "failed"}:
            return None
        if not messages or "sent" in states or self._was_seen(alarm_id):
            return []
        last = {message.person: message for message in sorted(messages, key=lambda one: one.created_s)}
        known = {message.person for message in messages if message.state in GIVEN_UP}
        return [message.message_id for person, message in last.items() if person not in known]

    def _was_seen(self, alarm_id: str) -> bool:
        record = self.journal.alarm(alarm_id)
        if record is None:
            return False
        return record.acknowledged_at_s is not None or any(
            act.alarm_id == alarm_id for act in self.journal.acts(record.batch)
        )

    def _worded(self, view: AlarmView, decision: Decision, condition: Condition, now_s: float) -> Message:
        bucket, batch = ", ".join(view.buckets) or view.bucket, view.batch
        # From the question on it is later than the half hour after which it was first asked.
        gone_min = 30.0 if view.going_at_s is None else (now_s - view.going_at_s) / 60.0
        if decision.words == escalation.WORDS_BACK_TO_NORMAL:
            return wording.back_to_normal(view.kind, bucket=bucket, batch=batch, condition=condition)
        if decision.words == escalation.WORDS_QUESTION:
            return wording.ask_what_was_done(view.kind, bucket=bucket, batch=batch, minutes=gone_min)
        if decision.words == escalation.WORDS_NO_ANSWER:
            return wording.has_not_answered(
                view.kind, bucket=bucket, batch=batch, who=view.going_by, minutes=gone_min,
                emergency_number=self.settings.site.emergency_number,
            )  # fmt: skip
        if decision.words == escalation.WORDS_LOOK_ONLY:
            call = self._whom_to_call(decision.person)
            return wording.for_someone_else(condition, bucket=bucket, batch=batch, call=call)
        if len(view.buckets) > 1:
            silent_min = condition.facts.get("silent_min")
            return wording.silent_together(
                view.buckets, silent_min=silent_min if isinstance(silent_min, float) else None, source=view.source
            )
        return wording.say(condition, bucket=bucket, batch=batch)

    def _whom_to_call(self, told: str) -> str:
        """The first person who knows the trade; nobody is told to call themselves."""
        others = [person for person in self.people if person.name != told]
        return next((person.name for person in others if person.knows_the_trade), "")

    def _load(self) -> list[Told]:
        if self._told is None:
            self._told = kept_tellings(self.journal)
        return list(self._told)

    def _marked_failed(self, told: list[Told], alarm_ids: set[str]) -> list[Told]:
        """Those that no route of the person took are marked, so that the next person's turn comes at once.

        One refused try may be a moment's trouble; two, with every route among them, are not.
        """
        rows: dict[tuple[str, str, str], list[Outgoing]] = {}
        about = sorted({one.alarm_id for one in told} & alarm_ids)
        for message in (message for alarm_id in about for message in self.journal.messages(alarm_id)):
            rows.setdefault((message.about, message.what, message.person), []).append(message)
        routes = {person.name: person.labels for person in self.people}
        return [
            replace(one, failed=_nobody_took(found, routes.get(one.person, ())))
            if (found := rows.get((one.alarm_id, one.what, one.person)))
            else one
            for one in told
        ]


def _grouped(
    views: Sequence[AlarmView], told: Sequence[Told], rules: escalation.Settings, sources: Mapping[str, str]
) -> list[AlarmView]:
    shared: dict[str, set[str]] = {}
    for bucket, source in sources.items():
        shared.setdefault(source, set()).add(bucket)
    return escalation.group(views, told, rules, {source: frozenset(buckets) for source, buckets in shared.items()})


def _slot(alarm_id: str) -> str:
    """What all raisings of one kind in one batch have in common: the id without its number."""
    return alarm_id.rpartition("/")[0]


def _by_alarm(told: Iterable[Told]) -> dict[str, list[Told]]:
    """What was told, by the id of each alarm that it was about."""
    found: dict[str, list[Told]] = {}
    for one in told:
        for alarm_id in {one.alarm_id, *one.covers}:
            found.setdefault(alarm_id, []).append(one)
    return found


def _all_about(view: AlarmView, about: Mapping[str, list[Told]]) -> list[Told]:
    """What was told of an alarm, or of any of a group, each once."""
    if not view.also:
        return about.get(view.alarm_id, [])
    return list(dict.fromkeys(one for alarm_id in sorted(view.ids) for one in about.get(alarm_id, ())))


def _nobody_took(messages: Sequence[Outgoing], routes: Sequence[str]) -> bool:
    """Whether a telling reached nobody: every route was tried in vain, and there were two tries in all; or it was tried
    in vain and has been taken back since, for a newer one.
    """
    if any(message.state == "sent" for message in messages):
        return False
    tried = {message.route for message in messages if message.attempts or message.state in GIVEN_UP}
    if all(message.state == "superseded" for message in messages):
        return bool(tried)
    last_word = any(message.state in GIVEN_UP for message in messages)
    return tried.issuperset(routes) and (last_word or sum(message.attempts for message in messages) >= 2)


def _rings_since_s(view: AlarmView, rules: escalation.Settings, now_s: float) -> float | None:
    """From when on what was written of an alarm may still ring; None when nothing may."""
    if view.shelved_until_s is not None and now_s < view.shelved_until_s:
        return None
    since_s = escalation.round_start_s(view, rules)
    return None if since_s is None or now_s < since_s else since_s


def _has_somebody_left(
    view: AlarmView, told: Sequence[Told], people: int, rules: escalation.Settings, now_s: float
) -> bool:
    """Whether it rings and not everybody has been told in this round: only then it matters whom no route reached."""
    since_s = _rings_since_s(view, rules, now_s)
    if since_s is None:
        return False
    return len({one.person for one in told if one.at_s >= since_s and one.is_about(view.ids)}) < people


def record_of(
    state: AlarmState, message: Message, probability: float, facts: Mapping[str, object]
) -> AlarmRecord:
    """An alarm as the journal keeps it: its state, and the words that belong to it now, long and short."""
    return AlarmRecord(
        alarm_id=state.alarm_id,
        kind=state.kind,
        bucket=state.bucket,
        batch=state.batch,
        state=state.state,
        urgency=state.urgency,
        probability=probability,
        raised_at_s=state.raised_at_s,
        cleared_at_s=state.cleared_at_s,
        acknowledged_at_s=state.acknowledged_at_s,
        acknowledged_by=state.acknowledged_by,
        shelved_until_s=state.shelved_until_s,
        message_id=message.message_id,
        says=message.says,
        do=message.do,
        facts={**facts, "short": lock_screen(message).body},
    )


def _is_said(
    state: AlarmState, facts: Mapping[str, object], others: Sequence[AlarmState], now_s: float
) -> bool:
    """Whether another alarm of the batch rings for the same trouble. A lost hot probe may be a boil-over: never."""
    if facts.get("suddenly_lost") is True:
        return False
    return any(
        other.stands
        and other.kind in _SAID_BY.get(state.kind, ())
        and not other.is_shelved(now_s)
        and (other.urgency == "now" or state.urgency != "now")
        for other in others
    )
