"""Whom to tell, when, again, or not, and why. Pure: alarm, what was told so far, time and people in; a reason out.

The phone worker sends; this only decides. Every decision carries its reason and an identity that is the same for the
same telling, so that a restart between deciding and sending rings nobody twice. Whoever decides writes the telling
down (`Told`) in the same transaction as the outbox row.

How it goes for an alarm that wakes ("now"): the first person at once, again after 2, 5, 10, 15 and then every 30
minutes; who has not answered within 10 minutes is joined by the next person, and so on; the last reached keep being
rung until somebody has seen it, it ends, or somebody asked for quiet. What can wait ("daylight") is told within each
person's waking hours only, seldom, and only to people who know the trade. Who said "I am going" is asked after 30
minutes what was done; if nothing changed and nobody answers, the ringing goes on, the next person included, for
somebody may lie beside a bucket of hot caustic.

A person's routes are tried in their order: the first telling of a round goes to the first route, and with each
further one that had to be told a further route joins (`Decision.routes`), so that what wakes rings by the second after
two minutes. Whoever sends lets the next route join at once where one refuses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.judgement.alarms import ACKNOWLEDGED, NORMAL, RETURNED_UNACKNOWLEDGED, UNACKNOWLEDGED, AlarmState

_MINUTE_S = 60.0
_HOUR_S = 3600.0
_DAY_MIN = 1440.0

# Reasons to tell.
FIRST = "first"
REPEAT = "repeat due"
NEXT_PERSON = "next person"
WORSE = "got worse"
ASKED = "asked what was done"
CLEARED = "cleared"
# Reasons not to tell now; `due_at_s` says when it will be due.
SHELVED = "shelved"
QUIET_HOURS = "quiet hours"
GATHERING = "gathering"
NOT_YET = "not yet"
NOBODY = "nobody to tell"

REASONS_TO_TELL = (FIRST, REPEAT, NEXT_PERSON, WORSE, ASKED, CLEARED)

# Which words a telling takes; see wording.py.
WORDS_ALARM = "alarm"
WORDS_LOOK_ONLY = "look only"
WORDS_QUESTION = "what was done"
WORDS_NO_ANSWER = "has not answered"
WORDS_BACK_TO_NORMAL = "back to normal"


@dataclass(frozen=True, slots=True)
class Person:
    """Someone who may be told; the order of a list of them is the order for tonight (who is on call stands first).

    ``waking_from_min`` and ``waking_to_min`` are minutes of the local day (7:00 is 420); equal means always awake.
    ``knows_the_trade`` False: their words are "look only", and what can wait for daylight is not told to them.
    """

    name: str
    knows_the_trade: bool = True
    waking_from_min: float = 7 * 60.0
    waking_to_min: float = 22 * 60.0


def _utc(_now_s: float) -> float:
    return 0.0


@dataclass(frozen=True, slots=True)
class Settings:
    """The times of telling, in seconds. ``utc_offset_s`` gives local time minus UTC at a Unix time, in seconds."""

    # Growing, then steady: close together while a fast rise can still be caught, then no more than one in 30 minutes.
    repeat_after_s: tuple[float, ...] = tuple(minutes * _MINUTE_S for minutes in (2, 5, 10, 15, 30))
    # What waits for daylight is reminded of a few times a day.
    daylight_repeat_after_s: tuple[float, ...] = (3 * _HOUR_S, 6 * _HOUR_S)
    next_person_after_s: float = 10 * _MINUTE_S
    daylight_next_person_after_s: float = 4 * _HOUR_S
    # After "I am going": long enough to dress, look and blend for five minutes.
    question_after_s: float = 30 * _MINUTE_S
    # Good news may still be told at night to somebody who was rung this short a time ago and is likely awake.
    cleared_awake_s: float = _HOUR_S
    # Several silent buckets of one source are gathered for this long into one message; less where it wakes.
    gather_s: float = 120.0
    gather_now_s: float = 60.0
    utc_offset_s: Callable[[float], float] = _utc


@dataclass(frozen=True, slots=True)
class AlarmView:
    """What escalation needs to know of an alarm. `view_of` makes it from an `AlarmState`.

    ``also`` are the ids of further alarms that share this one's messages; ``hold_until_s`` is when gathering ends.
    """

    alarm_id: str
    kind: str
    bucket: str
    batch: str
    urgency: str
    state: str
    raised_at_s: float | None = None
    worsened_at_s: float | None = None
    cleared_at_s: float | None = None
    shelved_until_s: float | None = None
    going_at_s: float | None = None
    going_by: str = ""
    answered_at_s: float | None = None
    source: str = ""
    also: tuple[str, ...] = ()
    buckets: tuple[str, ...] = ()
    hold_until_s: float | None = None

    @property
    def wakes(self) -> bool:
        """Whether it may wake somebody."""
        return self.urgency == "now"

    @property
    def ids(self) -> frozenset[str]:
        """This alarm's id and those that share its messages."""
        return frozenset((self.alarm_id, *self.also))


@dataclass(frozen=True, slots=True)
class Told:
    """One telling that was decided: about which alarm, why, the how-manieth to this person, to whom and when.

    ``covers`` are further alarm ids in the same message. ``failed``: every route of the person was tried and none took
    it.
    """

    alarm_id: str
    reason: str
    number: int
    person: str
    at_s: float
    covers: tuple[str, ...] = ()
    failed: bool = False

    @property
    def what(self) -> str:
        """Which message about the alarm it is, as the outbox has it."""
        return f"{self.reason.replace(' ', '-')}-{self.number}"

    def is_about(self, ids: frozenset[str]) -> bool:
        """Whether it told of any of these alarms."""
        return self.alarm_id in ids or not ids.isdisjoint(self.covers)


@dataclass(frozen=True, slots=True)
class Decision:
    """Tell (``tell``), or why not now and when it will be due (``due_at_s``).

    ``words`` says which text it takes; ``wakes`` whether the phone may ring loud at night; ``routes`` by how many of
    the person's routes, from the first on, it is to go: one more with every telling of a round that was not answered.
    """

    tell: bool
    reason: str
    due_at_s: float | None
    person: str = ""
    number: int = 0
    words: str = WORDS_ALARM
    wakes: bool = False
    alarm_id: str = ""
    covers: tuple[str, ...] = ()
    routes: int = 1

    @property
    def identity(self) -> str:
        """The same for the same telling, whenever it is decided: alarm id, reason, number, person."""
        return f"{self.alarm_id}/{self.reason.replace(' ', '-')}/{self.number}/{self.person}"

    def as_told(self, now_s: float) -> Told:
        """The telling to write down together with the outbox row."""
        return Told(self.alarm_id, self.reason, self.number, self.person, now_s, self.covers)


def view_of(state: AlarmState, source: str = "") -> AlarmView:
    """The view of an alarm; ``source`` names the node or link its readings come through, for `group`."""
    return AlarmView(
        alarm_id=state.alarm_id,
        kind=state.kind,
        bucket=state.bucket,
        batch=state.batch,
        urgency=state.urgency,
        state=state.state,
        raised_at_s=state.raised_at_s,
        worsened_at_s=state.worsened_at_s,
        cleared_at_s=state.cleared_at_s,
        shelved_until_s=state.shelved_until_s,
        going_at_s=state.going_at_s,
        going_by=state.acknowledged_by if state.going_at_s is not None else "",
        answered_at_s=state.answered_at_s,
        source=source,
        buckets=(state.bucket,),
    )


def due(
    alarm: AlarmView, told: Sequence[Told], now_s: float, people: Sequence[Person], settings: Settings | None = None
) -> Decision | None:
    """The next thing to do about one alarm, or None when there is nothing to tell of it now or later.

    At most one telling at a time: write it down as told and ask again until the answer does not tell (`all_due` does).
    """
    settings = settings or Settings()
    if alarm.raised_at_s is None:
        return None
    mine = [one for one in told if one.is_about(alarm.ids)]
    if alarm.state in (RETURNED_UNACKNOWLEDGED, NORMAL):
        return _back_to_normal(alarm, mine, now_s, people, settings)
    if not people:
        return Decision(False, NOBODY, None, alarm_id=alarm.alarm_id)
    if round_start_s(alarm, settings) is None:
        return None
    if alarm.shelved_until_s is not None and now_s < alarm.shelved_until_s:
        return Decision(False, SHELVED, alarm.shelved_until_s, alarm_id=alarm.alarm_id)
    if alarm.hold_until_s is not None and now_s < alarm.hold_until_s:
        return Decision(False, GATHERING, alarm.hold_until_s, alarm_id=alarm.alarm_id)
    return _ring(alarm, mine, now_s, _who_may_be_told(alarm, people), settings)


def all_due(
    alarm: AlarmView, told: Sequence[Told], now_s: float, people: Sequence[Person], settings: Settings | None = None
) -> list[Decision]:
    """Every telling due at ``now_s`` (several people may be due at one tick); only those that tell."""
    so_far, decisions = list(told), []
    while (decision := due(alarm, so_far, now_s, people, settings)) is not None and decision.tell:
        decisions.append(decision)
        so_far.append(decision.as_told(now_s))
    return decisions


# ---- ringing ---------------------------------------------------------------------------------------------------


def round_start_s(alarm: AlarmView, settings: Settings) -> float | None:
    """When the present round of ringing begins; None when there is none.

    Rounds: from the raising; afresh when it gets worse; and, after "I am going", from the question on.
    """
    if alarm.state == UNACKNOWLEDGED:
        return alarm.raised_at_s if alarm.worsened_at_s is None else alarm.worsened_at_s
    if alarm.state == ACKNOWLEDGED and alarm.going_at_s is not None and alarm.answered_at_s is None:
        return alarm.going_at_s + settings.question_after_s
    return None


def _who_may_be_told(alarm: AlarmView, people: Sequence[Person]) -> Sequence[Person]:
    """In order: everybody for what wakes; for what can wait only those who know the trade, if there are any.

    The question what was done goes to whoever went, and then to everybody.
    """
    if alarm.state == ACKNOWLEDGED:
        return sorted(people, key=lambda person: person.name != alarm.going_by)
    if alarm.urgency == "now":
        return people
    return [person for person in people if person.knows_the_trade] or people[:1]


def _ring(
    alarm: AlarmView, mine: Sequence[Told], now_s: float, people: Sequence[Person], settings: Settings
) -> Decision:
    """The earliest telling that is due in this round, or the earliest that will be."""
    began_s = round_start_s(alarm, settings) or 0.0
    wakes = alarm.urgency == "now"
    asking = alarm.state == ACKNOWLEDGED
    waits: list[Decision] = []
    starts_s = began_s
    for place, person in enumerate(people):
        ever = [one for one in mine if one.person == person.name]
        this_round = [one for one in ever if one.at_s >= began_s]
        due_at_s = _next_time_s(this_round, starts_s, wakes, settings)
        reason = _reason(place, ever, this_round, asking, alarm)
        words = _words(person, place, asking)
        telling = Decision(
            True, reason, due_at_s, person.name, len(ever) + 1, words, wakes, alarm.alarm_id,
            tuple(sorted(alarm.also)), len(this_round) + 1,
        )  # fmt: skip
        if not wakes and not is_awake(person, max(now_s, due_at_s), settings):
            awake_s = next_waking_s(person, max(now_s, due_at_s), settings)
            held_back = QUIET_HOURS if now_s >= due_at_s else NOT_YET
            waits.append(replace(telling, tell=False, reason=held_back, due_at_s=awake_s))
        elif now_s >= due_at_s:
            return telling
        else:
            waits.append(replace(telling, tell=False, reason=NOT_YET))
        if not this_round:
            break  # the next person's turn counts from when this one was first told
        starts_s = _turn_of_next_s(this_round, wakes, settings)
    return min(waits, key=lambda wait: wait.due_at_s or now_s)


def _next_time_s(this_round: Sequence[Told], starts_s: float, wakes: bool, settings: Settings) -> float:
    """When this person is to be told next: at their turn, then after growing, at last steady intervals."""
    if not this_round:
        return starts_s
    intervals = settings.repeat_after_s if wakes else settings.daylight_repeat_after_s
    return max(one.at_s for one in this_round) + intervals[min(len(this_round), len(intervals)) - 1]


def _turn_of_next_s(this_round: Sequence[Told], wakes: bool, settings: Settings) -> float:
    """When the next person joins: a set time after this one was first told, at once if no route reached them."""
    first_s = min(one.at_s for one in this_round)
    if wakes and all(one.failed for one in this_round):
        return first_s
    return first_s + (settings.next_person_after_s if wakes else settings.daylight_next_person_after_s)


def _reason(place: int, ever: Sequence[Told], this_round: Sequence[Told], asking: bool, alarm: AlarmView) -> str:
    if this_round:
        return REPEAT
    if asking:
        return ASKED if place == 0 else NEXT_PERSON
    if place > 0 and not ever:
        return NEXT_PERSON
    if alarm.worsened_at_s is not None and ever:
        return WORSE
    return REPEAT if ever else FIRST


def _words(person: Person, place: int, asking: bool) -> str:
    if asking:
        return WORDS_QUESTION if place == 0 else WORDS_NO_ANSWER
    return WORDS_ALARM if person.knows_the_trade else WORDS_LOOK_ONLY


# ---- back to normal --------------------------------------------------------------------------------------------


def _back_to_normal(
    alarm: AlarmView, mine: Sequence[Told], now_s: float, people: Sequence[Person], settings: Settings
) -> Decision | None:
    """Once, to each who had been rung for it; also through quiet asked for, or the ringing would stay unanswered.

    It is no ring: at night it goes only to somebody who was rung a short while ago, else it waits for waking hours.
    """
    waits: list[Decision] = []
    known = {person.name: person for person in people}
    for name in dict.fromkeys(one.person for one in mine):
        heard = [one for one in mine if one.person == name]
        if any(one.reason == CLEARED for one in heard) or name not in known:
            continue
        person = known[name]
        words = Decision(
            True, CLEARED, now_s, name, len(heard) + 1, WORDS_BACK_TO_NORMAL, False, alarm.alarm_id,
            tuple(sorted(alarm.also)),
        )  # fmt: skip
        just_rung = alarm.urgency == "now" and now_s - max(one.at_s for one in heard) <= settings.cleared_awake_s
        if just_rung or is_awake(person, now_s, settings):
            return words
        waits.append(replace(words, tell=False, reason=QUIET_HOURS, due_at_s=next_waking_s(person, now_s, settings)))
    return min(waits, key=lambda wait: wait.due_at_s or now_s) if waits else None


# ---- waking hours ----------------------------------------------------------------------------------------------


def is_awake(person: Person, at_s: float, settings: Settings) -> bool:
    """Whether ``at_s`` lies in the person's waking hours, by local time of day; hours may pass midnight."""
    minute = _minute_of_day(at_s, settings)
    start, end = person.waking_from_min, person.waking_to_min
    if start == end:
        return True
    return start <= minute < end if start < end else (minute >= start or minute < end)


def next_waking_s(person: Person, from_s: float, settings: Settings) -> float:
    """The first time from ``from_s`` on that lies in the person's waking hours, Unix seconds.

    Over a change of daylight saving it may be up to an hour late, never in the quiet hours.
    """
    at_s = from_s
    for _ in range(4):
        if is_awake(person, at_s, settings):
            return at_s
        wait_min = (person.waking_from_min - _minute_of_day(at_s, settings)) % _DAY_MIN
        at_s += max(wait_min, 1.0 / 60) * _MINUTE_S
    return at_s


def _minute_of_day(at_s: float, settings: Settings) -> float:
    return ((at_s + settings.utc_offset_s(at_s)) / _MINUTE_S) % _DAY_MIN


# ---- one message, not ten --------------------------------------------------------------------------------------


def group(
    alarms: Iterable[AlarmView],
    told: Sequence[Told],
    settings: Settings | None = None,
    buckets_of_source: Mapping[str, frozenset[str]] | None = None,
) -> list[AlarmView]:
    """Let several `silent` alarms of one source, raised together, share their messages; the others pass unchanged.

    Give it every alarm that was ever raised, standing or not, so that groups stay what they are, and per source the
    buckets with a running batch. A shared source holds
    back its first telling for a short while (``hold_until_s``), until the others had their time to fall silent too, or
    until all buckets of the source have. Who falls silent after the group has been told makes a group of its own.
    """
    settings = settings or Settings()
    shared = {source: buckets for source, buckets in (buckets_of_source or {}).items() if len(buckets) > 1}
    others: list[AlarmView] = []
    silent: list[AlarmView] = []
    for alarm in alarms:
        gathers = alarm.kind == "silent" and alarm.source != "" and alarm.raised_at_s is not None
        (silent if gathers else others).append(alarm)
    gatherings: list[list[AlarmView]] = []
    for alarm in sorted(silent, key=lambda one: (one.source, one.raised_at_s or 0.0, one.alarm_id)):
        last = gatherings[-1] if gatherings else []
        if last and _belongs(alarm, last, told, settings):
            last.append(alarm)
        else:
            gatherings.append([alarm])
    return others + [_merged(members, shared, settings) for members in gatherings]


def _belongs(alarm: AlarmView, members: Sequence[AlarmView], told: Sequence[Told], settings: Settings) -> bool:
    leader = members[0]
    if alarm.source != leader.source or (alarm.raised_at_s or 0.0) - (leader.raised_at_s or 0.0) > settings.gather_s:
        return False
    about_leader = [one for one in told if one.is_about(frozenset((leader.alarm_id,)))]
    about_this = [one for one in told if one.is_about(frozenset((alarm.alarm_id,)))]
    # Together when nothing was told of either yet, or one telling was about both. Else each goes on as it began.
    if not about_leader and not about_this:
        return True
    return any(one in about_this for one in about_leader)


def _who_speak(members: Sequence[AlarmView]) -> Sequence[AlarmView]:
    """Those of a group by which it is told: who rings comes before who waits for an answer, and both before who is kept
    quiet, or one that was answered would speak for all.
    """
    unseen = [one for one in members if one.state == UNACKNOWLEDGED]
    seen = [one for one in members if one.state == ACKNOWLEDGED]
    ringing = [one for one in unseen if one.shelved_until_s is None]
    asked = [
        one for one in seen if one.going_at_s is not None and one.answered_at_s is None and one.shelved_until_s is None
    ]
    return ringing or sorted(asked, key=lambda one: one.going_at_s or 0.0) or unseen or seen


def _merged(members: Sequence[AlarmView], shared: Mapping[str, frozenset[str]], settings: Settings) -> AlarmView:
    """One view for all: it stands as long as any stands, and has been seen only when all that stand have been."""
    leader = members[0]
    hold_s = settings.gather_now_s if any(one.wakes for one in members) else settings.gather_s
    buckets = tuple(one.bucket for one in members)
    everyone = shared.get(leader.source, frozenset())
    hold = (leader.raised_at_s or 0.0) + hold_s if everyone and not everyone <= set(buckets) else None
    if len(members) == 1:
        return replace(leader, hold_until_s=hold)
    speakers = _who_speak(members)
    standing = [one for one in members if one.state in (UNACKNOWLEDGED, ACKNOWLEDGED)]
    over = [one for one in members if one.state in (RETURNED_UNACKNOWLEDGED, NORMAL)]
    speaker = speakers[0] if speakers else over[0]
    quiet = [one.shelved_until_s for one in speakers]
    # It has waked since the first of them did: were it told from the start again with each that follows, the next
    # person's turn would not come.
    waked_s = [one.raised_at_s if one.worsened_at_s is None else one.worsened_at_s for one in speakers if one.wakes]
    began_s = min((at_s for at_s in waked_s if at_s is not None), default=None)
    return replace(
        leader,
        urgency="now" if any(one.wakes for one in speakers or members) else "daylight",
        state=speaker.state,
        worsened_at_s=began_s if began_s is not None and began_s > (leader.raised_at_s or 0.0) else None,
        cleared_at_s=None if standing else max(one.cleared_at_s or 0.0 for one in over),
        shelved_until_s=None if None in quiet or not quiet else min(until for until in quiet if until is not None),
        going_at_s=speaker.going_at_s,
        going_by=speaker.going_by,
        answered_at_s=speaker.answered_at_s,
        also=tuple(one.alarm_id for one in members[1:]),
        buckets=buckets,
        hold_until_s=hold,
    )
