"""Old readings make room, and what a batch was can still be told from those that stay."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Batch, Event, Place, Reading
from monitor.exchange.carry import FORMS, export_batches, import_batches
from monitor.housekeeping import BEFORE_THINNING, Housekeeping
from monitor.journal.database import Journal, Refused
from monitor.keeping import back_up, note_backup
from monitor.pipeline import Minder
from monitor.sensing.thinning import CALM_SLOT_S, IDLE, IDLE_SLOT_S, STEEP_SLOT_S, Plan, kept, plan_for
from monitor.settings import KeepSettings, Settings, SiteSettings
from monitor.stored import fold, stored_deeds, stored_readings, stored_ticks
from monitor.thinning import thin
from tests.exchange.test_carry import out
from tests.heat.batches import POUR_S, RECIPE, curve, entries, readings
from tests.heat.batches import batch as plain_batch

DAY_S, HOUR_S = 86400.0, 3600.0
LATER_S = POUR_S + 400 * DAY_S
SETTINGS = Settings(site=SiteSettings(time_zone="UTC"))


# ---- which stay ----


def test_of_a_slot_the_ends_stay_and_the_extremes_that_stand_out() -> None:
    """What is no more than noise beyond the ends goes: it would make a probe look livelier than it was."""
    quiet = [(10.0 * n, 20.0 + (0.2 if n % 3 == 1 else 0.0), None) for n in range(60)]
    assert kept(quiet, Plan()) == [0, 29, 30, 59]
    rows = [(10.0 * n, 20.0 + (n * 7) % 30, None) for n in range(90)]
    stay = kept(rows, Plan())
    for slot in range(3):
        mine = [row for row in rows if slot * CALM_SLOT_S <= row[0] < (slot + 1) * CALM_SLOT_S]
        left = [rows[place][1] for place in stay if slot * CALM_SLOT_S <= rows[place][0] < (slot + 1) * CALM_SLOT_S]
        assert {min(row[1] for row in mine), max(row[1] for row in mine)} <= set(left) and len(left) <= 4


def test_what_is_not_plain_stays_with_its_neighbours() -> None:
    """A spike, a change of state: the whole slot; a long fault its beginning and end in each slot."""
    rows: list[tuple[float, float | None, str | None]] = [(10.0 * n, 20.0, None) for n in range(120)]
    rows[40] = (400.0, 85.0, "spike")
    rows[60:110] = [(10.0 * n, None, "open") for n in range(60, 110)]
    stay = kept(rows, Plan())
    assert set(range(30, 60)) <= set(stay)
    assert [place for place in stay if 60 <= place < 90] == [60, 89]
    assert set(range(90, 120)) <= set(stay)


def test_what_decides_stays_whole_and_the_peak() -> None:
    """Three hours from each pour and blend, what is round an entry or an alarm, what is round the highest reading."""
    plan = plan_for([10_000.0], [40_000.0])
    rows = [(10.0 * n, 20.0 + (30.0 if n == 7777 else 0.0), None) for n in range(10_000)]
    stay = {rows[place][0] for place in kept(rows, plan)}
    for from_s, to_s in ((9_400.0, 20_800.0), (39_400.0, 40_600.0), (77_770.0 - 1800.0, 77_770.0 + 1800.0)):
        assert {row[0] for row in rows if from_s <= row[0] <= to_s} <= stay
    assert len(stay) < 2800


def test_thinning_what_was_thinned_keeps_all_of_it() -> None:
    rows = [(7.3 * n, (n * 37 % 101) / 7.0, "noise" if n % 97 == 0 else None) for n in range(6000)]
    for plan in (plan_for([5000.0], [9000.0, 20_000.0]), IDLE, Plan()):
        once = [rows[place] for place in kept(rows, plan)]
        assert kept(once, plan) == list(range(len(once)))
    assert kept([], plan) == []


def test_the_slots_are_short_while_the_curve_is_steep() -> None:
    plan = plan_for([0.0], [])
    rows = [(1.0 * n, float(n % 13), None) for n in range(int(8 * HOUR_S))]
    stay = [rows[place][0] for place in kept(rows, Plan(plan.whole, plan.steep))]
    steep = [at_s for at_s in stay if 4 * HOUR_S <= at_s < 5 * HOUR_S]
    calm = [at_s for at_s in stay if 7 * HOUR_S <= at_s < 8 * HOUR_S]
    assert 2 * HOUR_S / STEEP_SLOT_S <= len(steep) <= 4 * HOUR_S / STEEP_SLOT_S
    assert 2 * HOUR_S / CALM_SLOT_S - 2 <= len(calm) <= 4 * HOUR_S / CALM_SLOT_S + 4


# ---- in a journal ----


def judged(journal: Journal, name: str) -> Judged:
    """A batch of the journal through the judgement again: alarms, estimates, and the last word."""
    record = journal.batch(name)
    assert record is not None and record.ended_s is not None
    minder = Minder(record.batch, minded_from_s=record.batch.known_from_s, place=Place())
    watched = [(record.batch.known_from_s, record.ended_s)]
    events: list[Event] = []
    fold(
        stored_deeds(journal, minder, watched, lambda one, act: one.try_act(act)),
        stored_ticks(minder, watched, record.ended_s + 0.001, lambda tick_s: events.extend(minder.tick(tick_s))),
        stored_readings(journal, [minder], to_arrival_s=record.ended_s),
    )
    verdict = minder.last_word(record.ended_s)
    marks = [
        (one.reading.bucket, one.reading.probe, one.reading.time_s, one.reason)
        for one in minder.drain_judged()
        if one.reason
    ]
    if marks:
        journal.mark_readings(marks)
    journal.add_events(events)
    alarms = [(str(one.values["kind"]), str(one.values["state"])) for one in events if one.event == "alarm"]
    estimates = [one.values for one in events if one.event == "estimate"]
    return alarms, [(float(str(v["completeness"])), float(str(v["completeness_sd"]))) for v in estimates], verdict


def keep_backup(journal: Journal, folder: Path, now_s: float = LATER_S) -> None:
    note_backup(journal, back_up(journal.path, folder, SETTINGS.local_time(now_s)), now_s)


def filled(journal: Journal, *, every_s: float = 30.0, hours: float = 72.0) -> Batch:
    """A good batch that has ended, with its readings."""
    made, one = curve(hours=hours), plain_batch()
    journal.add_batch(one)
    for entry in entries(made):
        journal.add_entry(one.name, entry)
    journal.add_readings(readings(made, every_s=every_s))
    journal.end_batch(one.name, POUR_S + hours * HOUR_S, POUR_S + hours * HOUR_S, "filled")
    return one


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


def test_a_batch_is_judged_as_it_was(journal: Journal, tmp_path: Path) -> None:
    """The same alarms, the last word's completeness within 0.005, the very same peak; with faults of the probe in it.

    Many simulated batches: ``python -m tests.faults.soak keep``.
    """
    made, one = curve(hours=15.0), plain_batch()
    journal.add_batch(one)
    for entry in entries(made):
        journal.add_entry(one.name, entry)
    journal.add_readings(_with_faults(readings(made, every_s=30.0)))
    ended_s = POUR_S + 15.0 * HOUR_S
    journal.end_batch(one.name, ended_s, ended_s, "filled")
    as_it_was = judged(journal, one.name)
    count = len(list(journal.readings()))
    keep_backup(journal, tmp_path / "stick")
    assert thin(journal, 30, LATER_S, pause_s=0.0).removed > 0.25 * count
    differs = difference(as_it_was, judged(journal, one.name))
    assert differs == ""
    assert as_it_was[0].count(("sensor_fault", "cleared")) == 2, "both faults were seen, and were over"


def _with_faults(heard: list[Reading]) -> list[Reading]:
    """A spike, half an hour of an open wire, and a probe that sticks while the batch cools."""
    stuck_c = next(one.temperature_c for one in heard if one.probe == "core" and one.time_s >= POUR_S + 5.5 * HOUR_S)
    out = []
    for one in heard:
        after_h = (one.time_s - POUR_S) / HOUR_S
        if one.probe == "core" and abs(after_h - 7.5) < 0.005:
            one = replace(one, temperature_c=85.0)  # noqa: PLW2901
        elif one.probe == "core" and 9.0 <= after_h < 9.5:
            one = replace(one, temperature_c=None, state="open")  # noqa: PLW2901
        elif one.probe == "core" and 5.5 <= after_h < 6.5:
            one = replace(one, temperature_c=stuck_c)  # noqa: PLW2901
        out.append(one)
    return out


# Alarms, (completeness, sd) of each estimate, the last word.
Judged = tuple[list[tuple[str, str]], list[tuple[float, float]], Event]


def difference(before: Judged, after: Judged) -> str:
    """What is told otherwise after thinning, "" for nothing that matters.

    On the way an estimate may differ by a tenth of its own standard deviation: there it says itself how little it
    knows.
    """
    if after[0] != before[0]:
        return f"alarms {before[0]} became {after[0]}"
    for (was, sd), (now, _) in zip(before[1], after[1], strict=True):
        if abs(now - was) >= max(0.005, 0.1 * sd):
            return f"an estimate of {was:.3f} (sd {sd:.3f}) became {now:.3f}"
    one, other = before[2].values, after[2].values
    if abs(float(str(one["completeness"])) - float(str(other["completeness"]))) >= 0.005:
        return f"completeness {one['completeness']:.4f} became {other['completeness']:.4f}"
    return "" if (one["peak_c"], one["peak_at"]) == (other["peak_c"], other["peak_at"]) else "the peak"


def test_without_a_backup_of_late_nothing_is_removed(journal: Journal, tmp_path: Path) -> None:
    """None made, too old, or its file gone: Refused, and every reading is there. A dry run needs none."""
    filled(journal, hours=24.0)
    count = len(list(journal.readings()))
    would = thin(journal, 30, LATER_S, dry_run=True).removed
    with pytest.raises(Refused, match="make one first"):
        thin(journal, 30, LATER_S)
    keep_backup(journal, tmp_path / "stick", LATER_S - 8 * DAY_S)
    with pytest.raises(Refused):
        thin(journal, 30, LATER_S)
    keep_backup(journal, tmp_path / "stick", LATER_S - DAY_S)
    for path in (tmp_path / "stick").iterdir():
        path.unlink()
    with pytest.raises(Refused):
        thin(journal, 30, LATER_S)
    assert len(list(journal.readings())) == count
    keep_backup(journal, tmp_path / "stick", LATER_S - DAY_S)
    assert thin(journal, 30, LATER_S, pause_s=0.0).removed == would > 0


def test_what_runs_or_is_young_is_not_touched(journal: Journal, tmp_path: Path) -> None:
    """Nor are the two hours before it, though an old batch ended in them."""
    old = filled(journal, hours=24.0)
    ended_s = POUR_S + 24 * HOUR_S
    young = Batch("Quillmarsh 13", "shed-2", ended_s + HOUR_S, RECIPE)
    journal.add_batch(young)
    journal.add_readings(
        Reading("shed-2", probe, at_s, at_s, 8.0)
        for n in range(int(3 * HOUR_S / 30))
        for probe in ("core", "ambient")
        for at_s in (ended_s + 30.0 * n,)
    )
    before = [one for one in journal.readings("shed-2") if one.time_s >= young.started_s - 2 * HOUR_S]
    keep_backup(journal, tmp_path / "stick")
    done = thin(journal, 30, LATER_S, pause_s=0.0)
    assert done.batches == [old.name] and done.removed > 1000
    assert [one for one in journal.readings("shed-2") if one.time_s >= young.started_s - 2 * HOUR_S] == before
    assert journal.thinned_note(young.name) is None
    journal.end_batch(young.name, ended_s + 4 * HOUR_S, ended_s + 4 * HOUR_S, "held")
    assert thin(journal, 30, ended_s + 33 * DAY_S, dry_run=True).batches == [young.name]
    assert thin(journal, 30, ended_s + 29 * DAY_S, dry_run=True).batches == []


def test_twice_is_as_once_and_what_was_stopped_is_finished(journal: Journal, tmp_path: Path) -> None:
    one = filled(journal, hours=24.0)
    keep_backup(journal, tmp_path / "stick")
    rounds = iter(range(4))
    stopped = thin(journal, 30, LATER_S, goes_on=lambda: next(rounds, None) is not None, pause_s=0.0)
    assert stopped.removed > 0 and stopped.batches == [] and journal.thinned_note(one.name) is None
    done = thin(journal, 30, LATER_S, pause_s=0.0)
    left = list(journal.readings())
    note = journal.thinned_note(one.name)
    assert done.batches == [one.name] and note is not None and note["kept"] == len(left)
    assert thin(journal, 30, LATER_S, pause_s=0.0).removed == 0
    assert list(journal.readings()) == left
    assert journal.latest("shed-2")["core"].reading.time_s == max(r.time_s for r in left if r.probe == "core")


def test_hours_without_a_batch_are_thinned_harder(journal: Journal, tmp_path: Path) -> None:
    """Of each half hour a handful stays, so does what a clock far off gave; it is not gone through again."""
    filled(journal, hours=24.0)
    from_s = POUR_S + 50 * HOUR_S
    journal.add_readings(
        Reading("shed-2", "core", from_s + 10.0 * n, from_s + 10.0 * n, 8.0 + n % 7) for n in range(8640)
    )
    journal.add_readings([Reading("shed-2", "core", 12_345.0, from_s + 9e4, 8.0)])
    keep_backup(journal, tmp_path / "stick")
    thin(journal, 30, LATER_S, pause_s=0.0)
    left = [one for one in journal.readings() if one.probe == "core" and one.time_s >= from_s]
    assert 2 * 48 <= len(left) <= 4 * 50
    assert any(one.time_s == 12_345.0 for one in journal.readings())
    seen: list[Any] = []
    journal.raw_rows = lambda *given: seen.append(given) or []  # type: ignore[method-assign]
    thin(journal, 30, LATER_S, pause_s=0.0)
    assert seen == []
    assert IDLE_SLOT_S > CALM_SLOT_S


@pytest.mark.parametrize("form", FORMS)
def test_an_export_says_what_was_thinned(journal: Journal, tmp_path: Path, form: str) -> None:
    """And whoever takes it in knows it, too."""
    one = filled(journal, hours=12.0)
    keep_backup(journal, tmp_path / "stick")
    thin(journal, 30, LATER_S, pause_s=0.0)
    export_batches(journal, [one.name], out(tmp_path, form), form)
    with Journal(tmp_path / "other.sqlite") as other:
        import_batches(other, out(tmp_path, form), LATER_S)
        assert other.thinned_note(one.name) == journal.thinned_note(one.name) is not None
        assert {*other.readings()} == {*journal.readings()}


def test_the_room_is_used_again_and_can_be_given_back(journal: Journal, tmp_path: Path) -> None:
    filled(journal, hours=36.0)
    keep_backup(journal, tmp_path / "stick")
    journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    before = journal.path.stat().st_size
    done = thin(journal, 30, LATER_S, pause_s=0.0)
    journal.add_readings(
        Reading("shed-3", "core", LATER_S + n, LATER_S + n, 20.0) for n in range(done.removed // 2)
    )
    journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    assert journal.path.stat().st_size <= before
    journal.shrink()
    assert journal.path.stat().st_size < 0.7 * before
    assert "is sound" in journal.check()


def test_a_commit_does_not_wait_for_it(journal: Journal, tmp_path: Path) -> None:
    """A watch that writes meanwhile gets its turn: none of its commits fails, and many are made."""
    filled(journal)
    keep_backup(journal, tmp_path / "stick")
    done = threading.Event()
    made: list[int] = []

    def write() -> None:
        with Journal(journal.path, busy_s=2.0) as watching:
            while not done.is_set():
                watching.set_fact("n", len(made))
                made.append(len(made))
                done.wait(0.005)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        thin(journal, 30, LATER_S, pause_s=0.005)
    finally:
        done.set()
        thread.join(timeout=10.0)
    assert journal.fact("n") == len(made) - 1 > 10


# ---- at night ----


def test_at_night_after_a_backup_and_with_one_that_stays(journal: Journal, tmp_path: Path) -> None:
    """The first time the journal is put away once more under a name that no rotation removes."""
    one = filled(journal, hours=24.0)
    folder = tmp_path / "stick"
    settings = Settings(
        site=SiteSettings(time_zone="UTC"), keep=KeepSettings(backup_to=folder, backups=1, raw_days=30)
    )
    now_s, trouble = LATER_S, dict[str, str]()
    worker = Housekeeping(settings, journal.path, lambda: now_s, trouble, pause_s=0.0)
    worker.look()
    assert trouble == {} and journal.thinned_note(one.name) is not None
    (aside,) = folder.glob("journal-before-thinning-*.sqlite")
    with Journal(aside) as whole:
        assert len(list(whole.readings())) > 2 * len(list(journal.readings()))
    now_s += DAY_S
    worker.look()
    assert aside.exists() and journal.fact(BEFORE_THINNING)["path"] == str(aside)
    assert len(list(folder.glob("*.sqlite"))) == 2
    folder.rename(tmp_path / "elsewhere")
    (tmp_path / "stick").touch()
    now_s += DAY_S
    worker.look()
    assert "backup" in trouble
