"""An alarm that stood and that the fold after a restart does not find again: it goes on, can be seen, and ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.domain import Batch, Condition
from monitor.journal.database import Act, AlarmRecord, Journal
from monitor.judgement.alarms import AlarmState
from monitor.left_standing import NEVER_WAS, ended_with_their_batch, go_on_with
from monitor.pipeline import Minder
from monitor.settings import Settings
from monitor.siren.state import NONE, NOW, SEEN, siren_of
from tests.helpers_watch import NIGHT_S, Bench, batch_in, entry, settings_with

MINUTE_S = 60.0
LOW = settings_with("shed-1", people=[("Ash", "print://")])


def at_height(altitude_m: float) -> Settings:
    """Water, and so the paste, boils sooner there."""
    return replace(LOW, site=replace(LOW.site, altitude_m=altitude_m))


def warm_c(at_s: float) -> float:
    """Too hot at 3,500 m, and nowhere near it at the sea: to 84.5 °C, then slowly down."""
    minutes = (at_s - NIGHT_S) / MINUTE_S
    return round(min(50.0 + 2.5 * minutes, 84.5) - max(0.0, minutes - 14.0) * 0.05, 2)


class Shed(Bench):
    """A bench with one batch, too hot by an altitude that was typed wrong."""

    batch: Batch

    def heat(self) -> None:
        self.batch = batch_in("shed-1", NIGHT_S - 300.0, noted_at_s=self.now_s)
        self.begin(self.batch, entry("poured", NIGHT_S - 300.0, self.now_s, temperature_c=50.0))
        self.until(NIGHT_S)
        self.mark(self.batch, entry("blended", NIGHT_S))
        self.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 20 * MINUTE_S, warm_c)
        self.until(self.now_s + 15.0)
        assert [one.kind for one in self.standing()] == ["too_hot"]

    def go_on(self, minutes: float) -> None:
        from_s = self.now_s + 1.0
        self.steady("shed-1", from_s, from_s + minutes * MINUTE_S, warm_c)

    def corrected(self, altitude_m: float = 0.0) -> None:
        """A kill between two ticks, and a start with the altitude put right."""
        self.kill()
        self.settings = at_height(altitude_m)
        self.now_s += 20.0
        self.start()

    # Of this alarm alone: the invented curve has troubles of other kinds, which are found again.

    def standing(self) -> list[AlarmRecord]:
        return [one for one in self._rows() if one.state in ("unacknowledged", "acknowledged")]

    def siren(self) -> str:
        return siren_of(self._rows(), self.now_s).state

    def told(self) -> list[str]:
        return [one.what for one in self.desk.messages() if "too_hot" in one.about]

    def moves(self) -> list[str]:
        return [state for kind, state in self.alarms() if kind == "too_hot"]

    def _rows(self) -> list[AlarmRecord]:
        return [one for one in self.desk.alarms() if one.kind == "too_hot"]


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    one = Shed(tmp_path, NIGHT_S - 10.0, at_height(3500.0))
    one.heat()
    yield one
    one.close()


def test_it_stands_on_until_the_readings_have_shown_it_gone_and_then_is_over_once(shed: Shed) -> None:
    """By the rule of its kind, a quarter of an hour; who was rung is told, and nothing is raised or told anew."""
    [before], told = shed.standing(), shed.told()
    shed.corrected()
    shed.go_on(10)
    assert shed.standing() == [replace(shed.standing()[0], alarm_id=before.alarm_id, raised_at_s=before.raised_at_s)]
    assert shed.siren() == NOW and shed.moves() == ["raised"]
    shed.go_on(8)
    assert shed.standing() == [] and shed.siren() == NONE
    assert shed.moves() == ["raised", "cleared"]
    since = shed.told()[len(told):]
    assert since.count(next(one for one in since if one.startswith("cleared"))) == 1
    assert not any(one.startswith("first") for one in since)
    [over] = [one for one in shed.desk.messages() if one.what.startswith("cleared") and "too_hot" in one.about]
    assert "no longer near boiling over" in over.body
    all_of_it = shed.told()
    shed.corrected()
    shed.go_on(3)
    assert shed.moves() == ["raised", "cleared"] and shed.told() == all_of_it
    # What comes now is another one.
    from_s = shed.now_s + 1.0
    shed.steady("shed-1", from_s, from_s + 9 * MINUTE_S, lambda at_s: 82.5 + (at_s - from_s) / 30.0)
    [again] = shed.standing()
    assert again.alarm_id != before.alarm_id and again.alarm_id.endswith("/2")
    assert shed.told()[len(all_of_it)].startswith("first")


def test_an_all_clear_that_waits_for_the_morning_outlives_another_restart(shed: Shed) -> None:
    """Nobody is woken by good news; it is still told to who was rung."""
    shed.corrected()
    [one] = shed.standing()
    shed.act(shed.batch, one.alarm_id, "acknowledged")
    # Told long before: its good news waits for waking hours, which begin at seven.
    shed.go_on(18)
    assert shed.standing() == []
    before = shed.told()
    shed.corrected()
    shed.until(shed.now_s + 130.0)
    assert [what for what in shed.told() if what.startswith("cleared")] == ["cleared-" + before[-1].split("-")[-1]]


def test_it_can_be_seen_and_ends_with_its_batch(shed: Shed) -> None:
    shed.corrected()
    shed.go_on(2)
    [one] = shed.standing()
    shed.act(shed.batch, one.alarm_id, "acknowledged")
    shed.until(shed.now_s + 5.0)
    assert [(seen.state, seen.acknowledged_by) for seen in shed.standing()] == [("acknowledged", "Ash")]
    assert shed.siren() == SEEN
    shed.desk.end_batch(shed.batch.name, shed.now_s, shed.now_s, "filled")
    shed.until(shed.now_s + 5.0)
    assert shed.standing() == [] and shed.siren() == NONE


def test_what_was_done_about_it_while_nobody_watched_counts(shed: Shed) -> None:
    """At once: the siren goes by it."""
    [one] = shed.standing()
    shed.kill()
    shed.now_s += 30.0
    shed.act(shed.batch, one.alarm_id, "going")
    shed.settings = at_height(0.0)
    shed.now_s += 5.0
    shed.start()
    assert shed.siren() == SEEN
    going = shed.watch.minders[shed.batch.name].alarms["too_hot"]
    assert going.going_at_s == shed.now_s - 5.0
    shed.go_on(2)
    shed.corrected()
    again = shed.watch.minders[shed.batch.name].alarms["too_hot"]
    assert (again.state, again.going_at_s, again.answered_at_s) == ("acknowledged", going.going_at_s, None)
    shed.mark(shed.batch, entry("looked", shed.now_s))
    shed.until(shed.now_s + 5.0)
    shed.corrected()
    assert shed.watch.minders[shed.batch.name].alarms["too_hot"].answered_at_s == shed.now_s - 25.0


@pytest.mark.parametrize("silent", [True, False], ids=["no readings", "near the limit"])
def test_without_readings_or_near_the_limit_it_stands_on(
    shed: Shed, silent: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A probe that a boil-over threw out tells nothing either."""
    taken_over, take_over = list[str](), Minder.take_over

    def took_over(minder: Minder, state: AlarmState, found: Condition) -> None:
        taken_over.append(state.kind)
        take_over(minder, state, found)

    monkeypatch.setattr(Minder, "take_over", took_over)
    shed.corrected(0.0)
    assert "too_hot" in taken_over, "else this tries nothing"
    state = shed.watch.minders[shed.batch.name].alarms["too_hot"]
    limit_c = shed.settings.place().too_hot_c
    if silent:
        shed.until(shed.now_s + 40 * MINUTE_S)
    else:
        from_s = shed.now_s + 1.0
        # Up from what it was, and then for half an hour just below the limit.
        shed.steady(
            "shed-1", from_s, from_s + 40 * MINUTE_S, lambda at_s: min(84.0 + (at_s - from_s) / 30.0, limit_c - 0.5)
        )
    assert state.alarm_id in {one.alarm_id for one in shed.standing()} and shed.siren() == NOW


def test_a_batch_that_ended_meanwhile_takes_it_along(shed: Shed) -> None:
    shed.kill()
    shed.now_s += 30.0
    shed.desk.end_batch(shed.batch.name, shed.now_s, shed.now_s, "filled")
    shed.settings = at_height(0.0)
    shed.now_s += 30.0
    shed.start()
    assert shed.standing() == [] and shed.siren() == NONE


def test_what_a_fault_of_ours_cannot_judge_is_not_called_over(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fold finds nothing because nothing can be judged; once it can again, the readings decide."""
    fails, judged = [True], Minder.tick

    def tick(minder: Minder, now_s: float) -> list[object]:
        return [1 / 0] if fails[0] else judged(minder, now_s)  # type: ignore[list-item]

    monkeypatch.setattr(Minder, "tick", tick)
    shed.corrected(3500.0)
    shed.go_on(20)
    [one] = shed.standing()
    fails[0] = False
    shed.go_on(3)
    assert [(two.alarm_id, two.raised_at_s) for two in shed.standing()] == [(one.alarm_id, one.raised_at_s)]
    assert shed.moves() == ["raised"]


def test_what_is_found_again_is_left_to_the_fold(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Settings and program as they were: nothing is taken over."""
    monkeypatch.setattr(Minder, "take_over", lambda *_: pytest.fail("it was found"))
    shed.corrected(3500.0)
    shed.go_on(1)
    assert [one.kind for one in shed.standing()] == ["too_hot"]


# ---- rows of every kind ----


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


BATCH = batch_in("shed-1")


def row(subject: str, number: str, state: str = "unacknowledged", **more: object) -> AlarmRecord:
    values: dict[str, object] = {"raised_at_s": NIGHT_S + 60.0, "urgency": "now", **more}
    kind = subject.partition(".")[0]
    return AlarmRecord(f"shed-1/{BATCH.name}/{subject}/{number}", kind, "shed-1", BATCH.name, state, **values)  # type: ignore[arg-type]


def after(journal: Journal, *rows: AlarmRecord) -> tuple[Minder, list[AlarmRecord]]:
    for one in rows:
        journal.save_alarm(one)
    minder = Minder(BATCH, minded_from_s=NIGHT_S)
    return minder, go_on_with(journal, minder, NIGHT_S + 120.0, NIGHT_S + 150.0)


def test_each_probe_s_fault_goes_on_by_itself_and_of_each_kind_the_newest(journal: Journal) -> None:
    minder, changed = after(
        journal, row("sensor_fault.core", "1"), row("sensor_fault.top", "2", "acknowledged"), row("too_hot", "1"),
        row("too_hot", "2", "normal", raised_at_s=NIGHT_S + 90.0, cleared_at_s=NIGHT_S + 100.0),
    )  # fmt: skip
    assert {key: (one.state, one.count) for key, one in minder.alarms.items()} == {
        "sensor_fault.core": ("unacknowledged", 1), "sensor_fault.top": ("acknowledged", 2), "too_hot": ("normal", 2),
    }  # fmt: skip
    assert [(one.alarm_id[-9:], one.state, one.cleared_at_s) for one in changed] == [
        ("too_hot/1", "normal", NIGHT_S + 150.0)
    ]


def test_where_the_fold_counts_fewer_nothing_stands_under_an_earlier_number(tmp_path: Path) -> None:
    """Too hot twice by the wrong altitude, once by the right one: what goes on is the second, and with it all ends."""
    shed = Shed(tmp_path, NIGHT_S - 10.0, at_height(3500.0))
    shed.heat()
    from_s = shed.now_s + 1.0
    shed.steady("shed-1", from_s, from_s + 20 * MINUTE_S, lambda at_s: max(70.0, 84.0 - (at_s - from_s) / MINUTE_S))
    again_s = shed.now_s + 1.0
    shed.steady(
        "shed-1", again_s, again_s + 25 * MINUTE_S, lambda at_s: min(96.5, 70.0 + (at_s - again_s) / MINUTE_S * 1.8)
    )
    assert [one.state for one in shed._rows()] == ["returned_unacknowledged", "unacknowledged"]
    shed.corrected()
    assert [one.state for one in shed._rows()] == ["returned_unacknowledged", "unacknowledged"]
    assert shed.siren() == NOW
    shed.act(shed.batch, shed.standing()[0].alarm_id, "acknowledged")
    over_s = shed.now_s + 1.0
    shed.steady("shed-1", over_s, over_s + 40 * MINUTE_S, lambda at_s: max(72.0, 96.5 - (at_s - over_s) / MINUTE_S))
    assert not shed.standing() and shed.siren() != NOW
    shed.desk.end_batch(shed.batch.name, shed.now_s, shed.now_s, "filled")
    shed.until(shed.now_s + 5.0)
    shed.kill()
    shed.start()
    assert {one.state for one in shed._rows()} == {"normal"} and shed.siren() == NONE
    shed.close()


def test_what_was_taken_over_stands_on_when_the_clock_is_set_right(tmp_path: Path) -> None:
    """It was raised since the clock stood wrong, but by another altitude: the clock has nothing to do with it."""
    shed = Shed(tmp_path, NIGHT_S - 10.0, at_height(3500.0))
    shed.heat()
    shed.corrected()
    shed.clock.from_s = NIGHT_S - 600.0
    shed.watch._set_clock_right(3600.0)
    shed.watch._commit()
    [one] = shed._rows()
    assert one.state == "unacknowledged" and NEVER_WAS not in one.facts and shed.siren() == NOW
    shed.close()


def test_what_no_program_knows_is_ended_and_no_judging_fails_by_it(journal: Journal) -> None:
    minder, changed = after(journal, row("too_hot", "x"), row("gone_kind", "1"))
    assert [one.state for one in changed] == ["normal", "normal"] and not minder.alarms
    minder.tick(NIGHT_S + 180.0)


def test_what_only_a_wrong_clock_had_raised_has_no_number(journal: Journal) -> None:
    """A replay knows nothing of it, and must give the same numbers."""
    minder, changed = after(journal, row("silent", "1", "normal", facts={NEVER_WAS: True}))
    assert not minder.alarms and not changed


def test_what_stood_before_the_clock_stood_wrong_is_not_ended_as_if_it_never_was(tmp_path: Path) -> None:
    bench = Bench(tmp_path, NIGHT_S, LOW)
    bench.begin(BATCH)
    bench.until(NIGHT_S + 90.0)
    for one in (row("too_hot", "1"), row("silent", "1", raised_at_s=NIGHT_S + 80.0)):
        bench.desk.save_alarm(one)
    bench.watch._pending.alarms.clear()
    bench.watch._end_what_never_was(BATCH.name, NIGHT_S + 70.0)
    [ended] = bench.watch._pending.alarms
    assert (ended.kind, ended.state, ended.facts) == ("silent", "normal", {NEVER_WAS: True})
    bench.close()


def test_quiet_that_was_out_of_bounds_changes_nothing(journal: Journal) -> None:
    one = row("too_hot", "1")
    journal.add_batch(BATCH)
    for until_s in (NIGHT_S + 99 * 3600.0, NIGHT_S + 600.0):
        act = Act(one.alarm_id, "shelved", NIGHT_S + 130.0, NIGHT_S + 130.0, "Ash", until_s, BATCH.name, "shed-1")
        journal.add_act(act)
    minder, changed = after(journal, one)
    assert minder.alarms["too_hot"].shelved_until_s == NIGHT_S + 600.0
    assert [kept.shelved_until_s for kept in changed] == [NIGHT_S + 600.0]


def test_what_stands_of_ended_batches_ends_and_the_watch_s_own_stands(journal: Journal) -> None:
    journal.add_batch(BATCH)
    own = AlarmRecord("//watch_fault/1", "watch_fault", "", "", "unacknowledged")
    for one in (row("too_hot", "1"), row("silent", "1", "returned_unacknowledged", cleared_at_s=NIGHT_S + 70.0), own):
        journal.save_alarm(one)
    assert ended_with_their_batch(journal) == [], "it runs"
    journal.end_batch(BATCH.name, NIGHT_S + 200.0, NIGHT_S + 210.0, "filled")
    ended = ended_with_their_batch(journal)
    assert {one.alarm_id[-9:]: (one.state, one.cleared_at_s) for one in ended} == {
        "too_hot/1": ("normal", NIGHT_S + 210.0), "/silent/1": ("normal", NIGHT_S + 70.0),
    }  # fmt: skip
