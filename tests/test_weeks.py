"""The rules of the messages over whole invented weeks, whatever happens and in whatever order.

The real telling, escalation, journal, outbox and postman; the clock is handed in, and the phones do as they are bid.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from monitor.duty import end_on_call, set_on_call
from monitor.judgement import alarms
from tests.alarmed import DAYLIGHT, NOW, WELL
from tests.phones_at_will import ACCEPTS, AWAY, HANGS, MODES, REFUSES
from tests.weeks_rules import Rules
from tests.weeks_world import BUCKETS, DAY, HOUR, KINDS, MINUTE, PEOPLE, URLS, World, wakes

kinds = st.sampled_from(KINDS)
names = st.sampled_from([person.name for person in PEOPLE])


class Weeks(RuleBasedStateMachine):
    """What may happen in Quillmarsh."""

    def __init__(self) -> None:
        super().__init__()
        self.world = World()
        self.rules = Rules(self.world)
        self.together: tuple[frozenset[str], float] | None = None

    @initialize(hours=st.integers(0, 23))
    def begin(self, hours: int) -> None:
        """At any hour of the day."""
        self.world.now_s += hours * HOUR
        self.world.minded_since_s = self.world.order_since_s = self.world.changed_s = self.world.now_s

    # ---- the buckets ----

    @rule(
        slot=st.tuples(st.sampled_from(BUCKETS[:2]), kinds), found=st.sampled_from([NOW, NOW, DAYLIGHT]),
        minutes=st.integers(3, 25), route=st.tuples(st.sampled_from(URLS), st.sampled_from(MODES)),
    )  # fmt: skip
    def goes_wrong(self, slot: tuple[str, str], found: str, minutes: int, route: tuple[str, str]) -> None:
        """Trouble comes, or what can wait becomes what wakes; and a route does as it likes."""
        self.world.set_route(*route)
        self.world.find(*slot, found)
        self._pass(minutes * MINUTE)

    @rule(which=st.integers(0, 11), minutes=st.integers(0, 40))
    @precondition(lambda self: self._standing())
    def goes_well(self, which: int, minutes: int) -> None:
        """It is over by itself, or somebody did something."""
        self.world.find(*self._one(which), WELL)
        self._pass(minutes * MINUTE)

    @rule(which=st.integers(0, 11), minutes=st.integers(1, 30))
    @precondition(lambda self: any(not wakes(self.world.state(*slot)) for slot in self._standing()))
    def gets_worse(self, which: int, minutes: int) -> None:
        """What could wait cannot any more."""
        mild = [slot for slot in self._standing() if not wakes(self.world.state(*slot))]
        self.world.find(*mild[which % len(mild)], NOW)
        self._pass(minutes * MINUTE)

    @rule(
        found=st.sampled_from([NOW, DAYLIGHT]), late=st.integers(0, 3), minutes=st.integers(3, 15),
        answered=st.integers(0, 7),
    )  # fmt: skip
    @precondition(lambda self: all(self._well(bucket) for bucket in BUCKETS))
    def the_router_dies(self, found: str, late: int, minutes: int, answered: int) -> None:
        """Four buckets fall silent in one minute, or some a minute later than the others; when told, somebody
        may answer for one of them, or keep it quiet.
        """
        for bucket in BUCKETS[late:]:
            self.world.find(bucket, "silent", found)
        began_s = self.world.now_s
        self._pass(MINUTE)
        for bucket in BUCKETS[:late]:
            self.world.find(bucket, "silent", found)
        stood = all(self.world.state(bucket, "silent").stands for bucket in BUCKETS[late:])
        self._pass(minutes * MINUTE)
        if stood:
            # Where it wakes it is gathered for a minute only: who falls silent at its end may be too late for it.
            together = BUCKETS[late:] if found == NOW else BUCKETS
            ids = frozenset(self.world.state(bucket, "silent").alarm_id for bucket in together)
            self.together = (ids, began_s)
            self._pass(minutes * MINUTE)
        if answered < len(BUCKETS):
            slot, now_s = (BUCKETS[answered], "silent"), self.world.now_s
            state = self.world.state(*slot)
            quiet = alarms.shelve(state, now_s + 6 * HOUR, now_s)[0]
            self.world.answered(*slot, quiet if late % 2 else alarms.acknowledge(state, now_s, by="Ada")[0])
            self._pass(HOUR)

    def _well(self, bucket: str) -> bool:
        state = self.world.state(bucket, "silent")
        found = self.world.buckets[bucket].found["silent"]
        return found == WELL and not state.stands and self.world.now_s - (state.cleared_at_s or 0.0) > HOUR

    def _standing(self) -> list[tuple[str, str]]:
        slots = ((slot.bucket, slot.kind) for slot in self.world.slots)
        return [slot for slot in slots if self.world.state(*slot).stands]

    def _one(self, which: int) -> tuple[str, str]:
        standing = self._standing()
        return standing[which % len(standing)]

    # ---- the people ----

    @rule(which=st.integers(0, 11), by=names, going=st.booleans(), minutes=st.sampled_from([0, 1, 5, 20, 50]))
    @precondition(lambda self: self._standing())
    def somebody_answers(self, which: int, by: str, going: bool, minutes: int) -> None:
        """ "I have seen it", or "I am going"."""
        slot = self._one(which)
        state = self.world.state(*slot)
        self.world.answered(*slot, alarms.acknowledge(state, self.world.now_s, going=going, by=by)[0])
        self._pass(minutes * MINUTE)

    @rule(by=names, minutes=st.integers(20, 90))
    @precondition(lambda self: self._standing())
    def somebody_goes_to_all(self, by: str, minutes: int) -> None:
        """Every alarm at once, as the command answers all of a bucket; then time goes by."""
        for slot in self._standing():
            state = self.world.state(*slot)
            self.world.answered(*slot, alarms.acknowledge(state, self.world.now_s, going=True, by=by)[0])
        self._pass(minutes * MINUTE)

    @rule(which=st.integers(0, 11))
    @precondition(lambda self: self._standing())
    def somebody_says_what_was_done(self, which: int) -> None:
        """A deed was noted."""
        slot = self._one(which)
        self.world.answered(*slot, alarms.answer(self.world.state(*slot), self.world.now_s)[0])

    @rule(which=st.integers(0, 11), minutes=st.integers(1, 30), then=st.integers(0, 40), ends=st.booleans())
    @precondition(lambda self: self._standing())
    def somebody_wants_quiet(self, which: int, minutes: int, then: int, ends: bool) -> None:
        """For at most half an hour, which every kind allows; or they end it before its time."""
        slot, now_s = self._one(which), self.world.now_s
        self.world.answered(*slot, alarms.shelve(self.world.state(*slot), now_s + minutes * MINUTE, now_s)[0])
        self._pass(then * MINUTE)
        if ends:
            self.world.answered(*slot, alarms.unshelve(self.world.state(*slot), self.world.now_s)[0])

    @rule(person=names, hours=st.integers(0, 48))
    def somebody_is_on_call(self, person: str, hours: int) -> None:
        """Rung first from now on; or nobody, in the order of the settings."""
        if hours:
            set_on_call(self.world.journal, person, self.world.now_s + hours * HOUR, self.world.now_s)
        else:
            end_on_call(self.world.journal)

    # ---- the phones, the program, the time ----

    @rule(url=st.sampled_from(URLS), mode=st.sampled_from(MODES))
    def a_route_changes(self, url: str, mode: str) -> None:
        """It refuses, is away, hangs, takes messages and loses the reply, or works."""
        self.world.set_route(url, mode)

    @rule(mode=st.sampled_from([AWAY, HANGS]), minutes=st.integers(1, 120))
    def the_network_is_away(self, mode: str, minutes: int) -> None:
        """All routes at once, and back again."""
        for url in URLS:
            self.world.set_route(url, mode)
        self._pass(minutes * MINUTE)
        self.the_network_is_back()

    # Oftener what is harder: that the first person's second route is the one, and that the first one hangs.
    @rule(
        works=st.sampled_from(["a://2", "a://2", *URLS]), mode=st.sampled_from([HANGS, HANGS, *MODES[1:]]),
        which=st.integers(0, 1), rest=st.booleans(),
    )  # fmt: skip
    def only_one_route_works(self, works: str, mode: str, which: int, rest: bool) -> None:
        """Of all, or of its person's; and just then a bucket goes wrong."""
        its_person = self.world.phones.person_of[works]
        for url in URLS:
            theirs = self.world.phones.person_of[url] == its_person
            self.world.set_route(url, ACCEPTS if url == works or (rest and not theirs) else mode)
        slot = (BUCKETS[which], "too_hot")
        kind = "cooled_early" if self.world.state(*slot).stands else "too_hot"
        self.world.find(slot[0], kind, NOW)
        self._pass(50 * MINUTE)

    def the_network_is_back(self) -> None:
        """Every route works."""
        for url in URLS:
            self.world.set_route(url, ACCEPTS)

    @rule(minutes=st.integers(0, 180))
    def the_program_is_started_anew(self, minutes: int) -> None:
        """After a power cut, or at once."""
        self.world.restart(minutes * MINUTE)

    @rule(hours=st.integers(1, 30))
    def the_clock_jumps(self, hours: int) -> None:
        """Forward, as after a sleep of the computer."""
        self.world.jump(hours * HOUR)

    @rule(minutes=st.integers(1, 40))
    def minutes_pass(self, minutes: int) -> None:
        """With a tick in each."""
        self._pass(minutes * MINUTE)

    @rule(hours=st.integers(2, 14))
    def hours_pass(self, hours: int) -> None:
        """An evening, a night, a day."""
        self._pass(hours * HOUR)

    def _pass(self, span_s: float) -> None:
        self.world.pass_time(span_s)
        if self.together is not None:
            self.rules.four_at_once(*self.together)

    def teardown(self) -> None:
        """All goes well, every phone works, and a day and a half later all has been said."""
        try:
            self.the_network_is_back()
            for bucket in BUCKETS:
                for kind in KINDS:
                    self.world.find(bucket, kind, WELL)
            self._pass(1.5 * DAY)
            self.rules.look_at_the_end()
        finally:
            self.world.close()


# ---- scenes: what chance seldom brings about, each of them the only one to show some fault ----


def _first_person_is_reached_by_no_route(weeks: Weeks) -> None:
    weeks.only_one_route_works("b://1", REFUSES, 0, rest=False)
    weeks.only_one_route_works("c://3", AWAY, 1, rest=False)


def _first_route_hangs(weeks: Weeks) -> None:
    weeks.only_one_route_works("a://2", HANGS, 0, rest=True)


def _one_of_a_group_is_answered(weeks: Weeks) -> None:
    weeks.the_router_dies(found=NOW, late=0, minutes=3, answered=0)


def _one_of_a_group_is_kept_quiet(weeks: Weeks) -> None:
    weeks.the_router_dies(found=NOW, late=1, minutes=3, answered=2)


def _answered_while_it_waits_in_a_lane(weeks: Weeks) -> None:
    world = weeks.world
    world.set_route("a://1", HANGS)
    for bucket in BUCKETS:
        world.find(bucket, "too_hot", NOW)
    world.pass_time(2 * MINUTE)
    for bucket in BUCKETS:
        world.answered(bucket, "too_hot", alarms.acknowledge(world.state(bucket, "too_hot"), world.now_s)[0])
    world.set_route("a://1", ACCEPTS)
    world.pass_time(10 * MINUTE)


def _two_routes_are_due_at_once(weeks: Weeks) -> None:
    world = weeks.world
    weeks.goes_wrong(("shed-1", "too_hot"), NOW, 5, ("c://3", ACCEPTS))
    for url in ("a://1", "a://2"):
        world.set_route(url, AWAY)
    world.find("shed-1", "too_hot", WELL)

    def failed() -> int:
        waiting = world.journal.messages(open_only=True)
        return sum(message.attempts > 0 and message.what.startswith("cleared") for message in waiting)

    for _ in range(60):
        if failed() < 2:
            world.pass_time(MINUTE)
    assert failed() == 2, "by both routes it was tried in vain to say that all is well"
    for url in ("a://1", "a://2"):
        world.set_route(url, ACCEPTS)
    world.jump(10 * MINUTE)  # so that both are due in one round
    world.pass_time(HOUR)


@pytest.mark.parametrize(
    "scene",
    [
        _first_person_is_reached_by_no_route, _first_route_hangs, _one_of_a_group_is_answered,
        _one_of_a_group_is_kept_quiet, _answered_while_it_waits_in_a_lane, _two_routes_are_due_at_once,
    ],
)  # fmt: skip
def test_the_rules_hold_in_a_scene(scene: Callable[[Weeks], None]) -> None:
    """By evening, with the same checks as the weeks."""
    weeks = Weeks()
    weeks.begin(hours=19)
    try:
        scene(weeks)
    except BaseException:
        weeks.world.close()
        raise
    weeks.teardown()


TestWeeks = Weeks.TestCase
TestWeeks.settings = settings(
    max_examples=35,
    stateful_step_count=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
