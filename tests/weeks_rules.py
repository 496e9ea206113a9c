"""The rules of the messages, each as a check of what the phones got.

They are said here once more, and otherwise than in the program: from the far end, by what rang and not by what was
decided.
"""

from __future__ import annotations

from collections import Counter

from monitor.duty import ringing_order
from monitor.judgement.escalation import CLEARED, FIRST, REPEAT, Told
from monitor.phone.people import Person
from tests.phones_at_will import ACCEPTS, AWAY, REFUSED, REFUSES, Rang
from tests.weeks_world import DAY, HOUR, MINUTE, PEOPLE, Slot, World, rings, wakes

# Raised at a tick, gathered for a minute, told at the tick after, handed over within the minute that follows.
PROMPT_S = 2 * MINUTE + 30.0
# The third person's turn comes after twenty minutes, the steady repeats every thirty; a route that is back is tried
# within five, and ticks are five minutes apart when nothing has happened for an hour.
AT_LAST_S = 41 * MINUTE
NEXT_PERSON_S = 10 * MINUTE


class Rules:
    """Holds what was seen so far. ``look_at_rings`` after each round of the postman, ``look_at_alarms`` each tick."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.seen = 0
        self.got: Counter[tuple[str, str, str]] = Counter()  # (message, person, route)
        self.lost_replies: Counter[tuple[str, str]] = Counter()  # (about and what, person)
        self.told_seen = 0
        self.order: list[str] = []
        world.after_round = self.look_at_rings
        world.after_tick = self.look_at_alarms

    # ---- each message that reached a phone -------------------------------------------------------------------------

    def look_at_rings(self) -> None:
        rang = self.world.phones.rang
        for one in rang[self.seen :]:
            self._is_wanted(one)
            self._lets_sleep(one)
            self._is_no_double(one)
            assert ("http://shed.local/" + one.person in one.body) == (not one.over), "the address to answer at"
        self.seen = len(rang)

    def _is_wanted(self, one: Rang) -> None:
        """None is told after it was acknowledged, while it is kept quiet, or when it is over."""
        states = self.world.states_of(self.world.group_of(one.letter.about))
        if one.over:
            assert not any(state.stands for state in states), f"back to normal, and it is not: {one}"
        else:
            assert any(rings(state, self.world.now_s) for state in states), f"nobody is to be rung for this: {one}"

    def _lets_sleep(self, one: Rang) -> None:
        """Quiet hours hold back what can wait; what wakes is marked so, and nothing else is."""
        states = self.world.states_of(self.world.group_of(one.letter.about))
        if not one.over:
            must = any(wakes(state) and rings(state, one.at_s) for state in states)
            # A group is asked at once what was done, and aloud if that wakes for one of them, be it a little early.
            may = any(wakes(state) and rings(state, one.at_s + 30 * MINUTE) for state in states)
            assert one.urgency == "now" if must else one.urgency != "now" or may, one
        if one.urgency == "now" or not self.world.asleep(one.person, one.at_s):
            return
        assert one.over, f"it could have waited for the morning: {one}"
        rung_s = [told.at_s for told in self._told_of(one.letter.about, one.person) if told.reason != CLEARED]
        assert one.at_s - max(rung_s) <= 2 * HOUR, f"nobody was awake for these good news: {one}"

    def _is_no_double(self, one: Rang) -> None:
        """One message reaches a phone once, but for a lost reply."""
        letter = one.letter
        message, told = f"{letter.about}/{letter.what}", (f"{letter.about}/{letter.what}", one.person)
        self.got[message, one.person, one.route] += 1
        doubles = self.got[message, one.person, one.route] - 1
        # What wakes may come by several routes on purpose; that all is well comes once to a person.
        if one.over:
            doubles = sum(n for (its, who, _), n in self.got.items() if (its, who) == (message, one.person)) - 1
        assert doubles <= self.lost_replies[told], f"a double without a lost reply: {one}"
        self.lost_replies[told] += not one.known

    # ---- each tick -------------------------------------------------------------------------------------------------

    def look_at_alarms(self) -> None:
        self._told_in_order()
        order = [person.name for person in self._order()]
        if order != self.order:
            self.order, self.world.order_since_s = order, self.world.now_s
        for slot in self.world.slots:
            state = self.world.state(slot.bucket, slot.kind)
            if slot.open_since_s is None:
                self._asks_in_time(slot)
            elif wakes(state):
                self._is_told_promptly(slot)
                self._ends_at_a_person(slot)
                self._next_person_joins(slot)
            else:
                self._is_told_by_day(slot)

    def _told_in_order(self) -> None:
        """No telling is decided twice, and no repeat comes sooner than two minutes after the last."""
        told = self.world.told()
        for place, one in enumerate(told[self.told_seen :], self.told_seen):
            before = (other for other in told[:place] if other.alarm_id == one.alarm_id)
            same = [other for other in before if other.person == one.person]
            assert all(other.what != one.what for other in same), f"decided twice: {one}"
            assert one.reason != CLEARED or all(other.reason != CLEARED for other in same), f"over twice: {one}"
            if one.reason == REPEAT and same:
                assert one.at_s - same[-1].at_s >= 2 * MINUTE, f"too soon: {one}"
        self.told_seen = len(told)

    def _is_told_promptly(self, slot: Slot) -> None:
        """With a route of the first person in order, what wakes rings within two minutes at the most."""
        since_s, first = slot.round_since_s, self._order()[0]
        if since_s is None or self._unsure(since_s) or self._rings_already(slot, since_s):
            return
        waited_s = self.world.now_s - since_s
        if waited_s >= PROMPT_S and self._works_since(first.routes[0], since_s):
            assert self._rang_for(slot, since_s), f"{slot} was not told at once to {first.name}"
        # What is not gathered rings by any route of the first person before that person's first repeat.
        some_work = any(self._works_since(url, since_s) for url in first.routes)
        if waited_s >= MINUTE and slot.kind != "silent" and some_work:
            assert self._rang_for(slot, since_s), f"{slot} waits for a route of {first.name} that does not work"

    def _ends_at_a_person(self, slot: Slot) -> None:
        """As long as anybody can be reached by any route, it rings somebody, and goes on doing so."""
        assert slot.open_since_s is not None
        now_s, worse_s = self.world.now_s, self.world.state(slot.bucket, slot.kind).worsened_at_s or 0.0
        for person in PEOPLE:
            for url in person.routes:
                since_s = max(slot.open_since_s, worse_s, self.world.phones.since_s[url], self.world.minded_since_s)
                if self._works_since(url, since_s) and now_s - since_s > AT_LAST_S:
                    assert self._rang_for(slot, now_s - AT_LAST_S), f"{slot} reaches nobody, and {url} works"

    def _next_person_joins(self, slot: Slot) -> None:
        """Every ten minutes another person, or sooner; never later."""
        since_s = slot.round_since_s
        if since_s is None or self._unsure(since_s) or self._rings_already(slot, since_s):
            return
        if self.world.now_s - since_s > HOUR:
            return
        this_round = [one for one in self._told_of(self._id(slot)) if one.at_s >= since_s and one.reason != CLEARED]
        if not this_round:
            assert self.world.now_s - since_s < PROMPT_S, f"{slot} is not told to anybody"
            return
        # Of a group that was told in part before, the round may be older than this alarm's.
        asked_s = self.world.now_s - this_round[0].at_s - 2 * MINUTE
        expected = min(len(PEOPLE), 1 + int(max(0.0, asked_s) // (NEXT_PERSON_S + MINUTE)))
        persons = len({one.person for one in this_round})
        assert persons >= expected, f"{slot}: the next person is not told"
        # Who is reached by no route is passed over after the second try, which is ten seconds after the first.
        first = self._order()[0]
        dead = all(self._fails_since(url, since_s) for url in first.routes)
        if dead and self.world.now_s - this_round[0].at_s >= 2 * MINUTE:
            assert persons >= 2, f"{slot}: it waits for {first.name}, whom no route reaches"

    def _is_told_by_day(self, slot: Slot) -> None:
        """What can wait is told once its first reader is awake."""
        reader = next(person for person in self._order() if person.knows_the_trade)
        since_s = slot.open_since_s
        assert since_s is not None
        early_s = self.world.now_s - 10 * MINUTE
        if early_s < since_s or self._unsure(early_s) or self.world.asleep(reader.name, early_s):
            return
        if not self.world.asleep(reader.name, self.world.now_s):
            assert self._told_of(self._id(slot)), f"{slot} is kept from {reader.name} who is awake"

    def _asks_in_time(self, slot: Slot) -> None:
        """Half an hour after "I am going" it is asked what was done, while nobody has answered and it stands."""
        state = self.world.state(slot.bucket, slot.kind)
        if not rings(state, self.world.now_s) or not wakes(state) or state.going_at_s is None:
            return
        due_s = max(state.going_at_s + 30 * MINUTE, state.shelved_until_s or 0.0)
        if self.world.now_s - due_s < 6 * MINUTE or self._unsure(due_s) or state.kind == "silent":
            return  # a group of silent buckets is asked when nobody of them rings any more
        asked = [one for one in self._told_of(state.alarm_id) if one.at_s >= due_s - 31 * MINUTE]
        assert [one for one in asked if one.at_s >= due_s or one.at_s > self.world.now_s - AT_LAST_S], (
            f"{slot}: nobody asks what was done"
        )

    def four_at_once(self, ids: frozenset[str], since_s: float) -> None:
        """Four buckets that fell silent together are one subject of the messages, not four."""
        subjects = {one.alarm_id for one in self.world.told() if one.reason == FIRST and one.at_s >= since_s and (
            one.is_about(ids)
        )}  # fmt: skip
        assert len(subjects) <= 1, f"one dead router, and messages about {sorted(subjects)}"

    # ---- in the end ------------------------------------------------------------------------------------------------

    def look_at_the_end(self) -> None:
        """A day and a half after all went well, each who was rung for an alarm has heard once that it is over."""
        over = [one for one in self.world.phones.rang if one.over]
        for slot in self.world.slots:
            state = self.world.state(slot.bucket, slot.kind)
            if not state.count:
                continue
            assert not state.stands, f"{slot} does not end"
            mine = self._told_of(state.alarm_id)
            rung = {one.person for one in mine if one.reason != CLEARED}
            heard = Counter(one.person for one in mine if one.reason == CLEARED)
            assert heard == Counter(rung), f"{slot}: rung were {rung}, told that it is over {heard}"
            leaders = {one.alarm_id for one in mine}
            reached = {one.person for one in over if one.letter.about in leaders}
            # A route that refuses for good what can wait is not tried again with it, and after a day it is no news.
            refused = {
                one.person for one in self.world.journal.messages()
                if one.about in leaders and one.state == "given_up" and (
                    one.last_error == REFUSED or (one.expires_s or 0.0) >= one.created_s + DAY
                )
            }  # fmt: skip
            assert reached | refused >= rung, f"{slot}: good news are lost for {rung - reached - refused}"
        assert not self.world.journal.messages(open_only=True), "something waits for ever"

    # ---- small things ----------------------------------------------------------------------------------------------

    def _order(self) -> list[Person]:
        return ringing_order(self.world.journal, PEOPLE, self.world.now_s, self.world.settings.local_time)

    def _unsure(self, since_s: float) -> bool:
        """Whether nobody watched, or another came first in the order, since then."""
        return since_s < max(self.world.minded_since_s, self.world.order_since_s)

    def _rings_already(self, slot: Slot, since_s: float) -> bool:
        """Whether it was told with others of its source before: the group goes on as it began, naming this one, too."""
        return any(one.covers and one.at_s < since_s for one in self._told_of(self._id(slot)))

    def _works_since(self, url: str, since_s: float) -> bool:
        phones = self.world.phones
        return phones.modes[url] == ACCEPTS and phones.since_s[url] <= since_s

    def _fails_since(self, url: str, since_s: float) -> bool:
        phones = self.world.phones
        return phones.modes[url] in (AWAY, REFUSES) and phones.since_s[url] <= since_s

    def _id(self, slot: Slot) -> str:
        return self.world.state(slot.bucket, slot.kind).alarm_id

    def _told_of(self, alarm_id: str, person: str | None = None) -> list[Told]:
        return [one for one in self.world.told_of(alarm_id) if person in (None, one.person)]

    def _rang_for(self, slot: Slot, since_s: float) -> bool:
        leaders = {one.alarm_id for one in self._told_of(self._id(slot))}
        return any(one.letter.about in leaders and one.at_s >= since_s for one in reversed(self.world.phones.rang))
