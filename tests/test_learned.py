"""What ended batches teach, through the real watch: kept, shown, replayed the same, switched off, left out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from monitor.commands import YES
from monitor.domain import LogEntry
from monitor.heat import lessons as heat_lessons
from monitor.heat.learning import Lesson
from monitor.journal.state import LEFT_OUT, TAUGHT
from monitor.learned import (
    alkali_test_words,
    begun_with,
    history_for,
    history_of_values,
    history_values,
    lessons,
)
from monitor.relearning import redo, redone, to_redo
from monitor.replay import replay_recording
from monitor.replay_learned import BEGUN_WITH_HISTORY, NoHistory, history_of_folder
from monitor.settings import load_settings
from monitor.sources.batch_file import read_batch_file, write_batch_file
from monitor.standing import status_view
from monitor.trade.recipe import heat_budget
from monitor.units import KOH_G_PER_MOL
from tests.helpers_watch import NIGHT_S, RECORDINGS, Bench, recorded_lines, settings_with

GOOD = "night-shed-1"
SETTINGS = settings_with("shed-1", "shed-2")
ENTERED = read_batch_file(RECORDINGS / f"{GOOD}.toml")
BATCH = ENTERED.batch
UNTIL_S = BATCH.started_s + 2400.0


def _lesson(number: int, **more: object) -> Lesson:
    usual = Lesson(
        f"Quillmarsh {number}", BATCH.bucket, NIGHT_S - 86400.0 * (20 - number), BATCH.vessel.litres,
        BATCH.vessel.insulation, heat_ln=0.09, heat_sd=0.05, mol_sd=0.02, loss_ln=-0.4, loss_sd=0.1, pace_ln=-5.4,
        pace_sd=0.2,
    )  # fmt: skip
    return replace(usual, **more)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path, NIGHT_S - 6 * 60.0, SETTINGS)
    yield one
    one.close()


def _teach(bench: Bench, *taught: Lesson) -> None:
    for lesson in taught:
        bench.desk.set_fact(TAUGHT + lesson.batch, asdict(lesson))


def _evening(bench: Bench) -> None:
    """The first forty minutes of the good batch, through the watch; then it is ended."""
    bench.until(BATCH.started_s)
    bench.begin(BATCH)
    waiting = sorted(ENTERED.log, key=lambda one: one.noted_at_s)
    for at_s, data, origin, retained in recorded_lines(GOOD):
        if at_s > UNTIL_S:
            break
        while waiting and waiting[0].noted_at_s <= at_s:
            one = waiting.pop(0)
            bench.until(one.noted_at_s)
            bench.mark(BATCH, one)
        bench.line(at_s, data, origin, retained=retained)


def _end(bench: Bench) -> None:
    bench.desk.end_batch(BATCH.name, bench.now_s, bench.now_s, "filled")
    bench.until(bench.now_s + 5.0)


def test_what_was_learned_counts_is_shown_and_is_replayed_the_same(bench: Bench) -> None:
    """Begun with three lessons, restarted on the way: events and status say so, and the replay gives the same bytes."""
    _teach(bench, *(_lesson(n) for n in range(1, 4)))
    _evening(bench)
    _teach(bench, _lesson(4))  # what is learned later does not change a batch that runs
    bench.stop()
    bench.start()
    view = next(one for one in status_view(bench.desk, SETTINGS, bench.now_s).buckets if one.batch == BATCH.name)
    assert view.learned == "Based on 3 of your own earlier batches, 3 of them in shed-1."
    _end(bench)
    live = bench.events(BATCH.bucket, verdict=True)
    estimates = [json.loads(line) for line in live if json.loads(line)["event"] == "estimate"]
    assert estimates
    assert all(one["learned_from"] == {"heat": 3, "loss": 3, "pace": 3} for one in estimates)
    assert bench.replayed(BATCH, verdict=True) == live
    assert BEGUN_WITH_HISTORY in bench.record.read_text(encoding="utf-8")
    unlearned = replay_recording(bench.record, bench.folder / f"{BATCH.bucket}.toml", learn=False)
    assert next(event.values.get("learned_from") for event in unlearned.events if event.event == "estimate") is None
    # It has ended, and is kept with the reason why it teaches nothing: forty minutes are too few.
    assert {one.batch: one.why_not for one in lessons(bench.desk)}[BATCH.name] == "short"


def test_switched_off_nothing_is_learned(tmp_path: Path) -> None:
    """With learning off the same lessons change nothing, and nothing is noted."""
    bench = Bench(tmp_path, NIGHT_S - 6 * 60.0, replace(SETTINGS, learning=False))
    try:
        _teach(bench, *(_lesson(n) for n in range(1, 4)))
        bench.until(BATCH.started_s)
        bench.begin(BATCH)
        bench.until(BATCH.started_s + 120.0)
        assert begun_with(bench.desk, BATCH.name) is None
        assert BEGUN_WITH_HISTORY not in bench.record.read_text(encoding="utf-8")
    finally:
        bench.close()


def test_the_setting(tmp_path: Path) -> None:
    """On unless switched off."""
    path = tmp_path / "emberpail.toml"
    path.write_text("[learning]\nenabled = false\n", encoding="utf-8")
    assert not load_settings(path, {}).learning
    path.write_text("", encoding="utf-8")
    assert load_settings(path, {}).learning


def test_a_batch_is_left_out(bench: Bench) -> None:
    """Two of three that are left teach nothing; a history is read back as it was kept."""
    _teach(bench, *(_lesson(n) for n in range(1, 4)))
    history = history_for(bench.desk, BATCH)
    assert history is not None
    assert history_of_values(json.loads(json.dumps(history_values(history)))) == history
    bench.desk.set_fact(LEFT_OUT + "Quillmarsh 2", True)
    assert history_for(bench.desk, BATCH) is None


def test_damaged_facts_teach_nothing(bench: Bench) -> None:
    """What cannot be read is passed over."""
    _teach(bench, *(_lesson(n) for n in range(1, 3)))
    bench.desk.set_fact(TAUGHT + "Quillmarsh 3", {"batch": "Quillmarsh 3", "ended_s": "never"})
    bench.desk.set_fact(TAUGHT + "Quillmarsh 4", 17)
    assert [one.batch for one in lessons(bench.desk)] == ["Quillmarsh 1", "Quillmarsh 2"]
    assert history_of_values({"heat_ln": "hot"}) is None


def test_a_folder_without_recordings_is_told(tmp_path: Path) -> None:
    """One sentence, and which folder."""
    with pytest.raises(NoHistory, match="no recording"):
        replay_recording(RECORDINGS / f"{GOOD}.rec", history_folder=tmp_path)


def test_a_folder_teaches_as_the_watch_did(bench: Bench, tmp_path: Path) -> None:
    """What the watch kept of a batch is what its recording teaches; those that began later are not looked at."""
    _evening(bench)
    _end(bench)
    live = lessons(bench.desk)[0]
    folder = tmp_path / "earlier"
    folder.mkdir()
    record = bench.desk.batch(BATCH.name)
    assert record is not None
    (folder / "a.rec").write_bytes(bench.record.read_bytes())
    write_batch_file(folder / "a.toml", record.batch, bench.desk.entries(BATCH.name))
    run = replay_recording(folder / "a.rec")
    from monitor.learned import lesson_from

    assert run.minder is not None
    assert lesson_from(run.minder, run.verdict.at_s) == live
    # It is younger than the batch below, and one would be too few.
    again = replay_recording(RECORDINGS / f"{GOOD}.rec", history_folder=folder)
    assert again.minder is not None
    assert again.minder.history is None


def test_copies_of_a_recording_teach_once(tmp_path: Path) -> None:
    """Under whatever name: three files of one batch are one batch, and which were passed over is told."""
    for copy in ("a", "b", "c"):
        for kind in ("rec", "toml"):
            (tmp_path / f"{copy}.{kind}").write_bytes((RECORDINGS / f"{GOOD}.{kind}").read_bytes())
    (tmp_path / "other.rec").write_bytes(b"")
    write_batch_file(tmp_path / "other.toml", replace(BATCH, name="Quillmarsh other"), ())
    later = replace(BATCH, name="Quillmarsh later", started_s=BATCH.started_s + 7 * 86400.0, noted_at_s=None)
    judged: list[str] = []
    said: list[str] = []

    def lesson_with(path: Path, history: object) -> Lesson:
        judged.append(path.name)
        return _lesson(len(judged))

    history = history_of_folder(tmp_path, tmp_path / "later.rec", later, lesson_with, said.append)
    assert judged == ["a.rec", "other.rec"] and history is None, "two batches are too few"
    assert said == ["Passed over, since another recording here holds the same batch: b.rec, c.rec."]


def test_a_noted_test_of_its_free_alkali_lets_a_doubted_batch_teach(bench: Bench) -> None:
    """With next to no potash left it had reacted, whatever alarm rang; with much left it had not."""
    known = {"loss_sd": 0.1, "completeness": 0.95, "completeness_sd": 0.04, "heat_per_completeness": -1.0}
    _teach(bench, _lesson(2, why_not="doubted", **known))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))

    def reason() -> str:
        return lessons(bench.desk)[0].why_not

    assert reason() == "doubted"
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", "0.02", bench.now_s)
    assert reason() == ""
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", "3.0", bench.now_s)
    assert reason() == "tested_short"


def _free_alkali_percent(completeness: float, water_kg: float) -> float:
    """What a titration finds where so much has reacted, by the same mass balance."""
    budget = heat_budget(BATCH.recipe, BATCH.vessel)
    left_mol = budget.koh_mol - completeness * budget.limiting_mol
    return 100.0 * left_mol * KOH_G_PER_MOL / 1000.0 / (budget.mass_kg + water_kg)


@pytest.mark.parametrize(
    ("entries", "tested", "why_not"),
    [
        ((("water-added", 0.0, 17.0), ("diluted", 1.0, None)), 0.72, "tested_short"),
        ((("water-added", 0.0, 17.0, 9.0), ("diluted", 1.0, None)), 0.72, "tested_short"),  # noted after the test
        ((("water-added", 0.0, None), ("diluted", 1.0, None)), None, "tested_unclear"),
        ((("diluted", 1.0, None),), None, "tested_unclear"),
        ((("filled", 1.0, None),), None, "tested_unclear"),
    ],
)
def test_a_failed_batch_tested_after_dilution_does_not_teach(
    bench: Bench, entries: tuple[tuple, ...], tested: float | None, why_not: str
) -> None:
    """A little alkali in much water is much alkali; where nobody noted how much water, the test says nothing."""
    _teach(bench, _lesson(2, why_not="doubted", completeness=0.93, completeness_sd=0.04, heat_per_completeness=-1.0))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    day_three_s = BATCH.started_s + 72 * 3600.0
    for kind, hours, kg, *noted in entries:
        at_s = day_three_s + 3600.0 * hours
        noted_at_s = day_three_s + 3600.0 * noted[0] if noted else at_s
        bench.desk.add_entry("Quillmarsh 2", LogEntry(kind, at_s, noted_at_s, kg=kg))
    percent = _free_alkali_percent(0.72, 17.0)
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", f"{percent:.3f}", day_three_s + 2 * 3600.0)
    (lesson,) = lessons(bench.desk)
    assert (lesson.tested, lesson.why_not) == (tested if tested is None else pytest.approx(tested, abs=0.01), why_not)
    assert bool(alkali_test_words(bench.desk, "Quillmarsh 2")) == (tested is None)


def test_much_alkali_in_nobody_knows_how_much_water_is_too_much(bench: Bench) -> None:
    """Water only thins it: a batch that looked good does not teach then, though how far it went is not known."""
    _teach(bench, _lesson(2))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    bench.desk.add_entry("Quillmarsh 2", LogEntry("diluted", BATCH.started_s - 1.0, BATCH.started_s + 1.0))
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", "2.5", BATCH.started_s + 2.0)
    assert lessons(bench.desk)[0].why_not == "tested_short"
    assert alkali_test_words(bench.desk, "Quillmarsh 2") == ""


def test_an_unclear_test_takes_nothing_from_a_good_batch(bench: Bench) -> None:
    """It says nothing, so the curve alone teaches."""
    _teach(bench, _lesson(2))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    bench.desk.add_entry("Quillmarsh 2", LogEntry("diluted", BATCH.started_s + 1.0, BATCH.started_s + 1.0))
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", "0.1", BATCH.started_s + 2.0)
    assert lessons(bench.desk) == [_lesson(2)]


_ENDED_S = _lesson(2).ended_s


@pytest.mark.parametrize(
    ("kind", "at_s", "noted_at_s", "changed"),
    [
        ("reblended", _ENDED_S - 7200.0, _ENDED_S + 900.0, True),
        ("reblended", _ENDED_S - 7200.0, _ENDED_S - 900.0, False),  # known by the end
        ("covered", _ENDED_S + 300.0, _ENDED_S + 900.0, False),  # it happened after the end
        ("tested", _ENDED_S - 7200.0, _ENDED_S + 900.0, False),
    ],
)
def test_what_was_put_right_after_the_end_teaches_nothing_as_it_was(
    bench: Bench, kind: str, at_s: float, noted_at_s: float, changed: bool
) -> None:
    """A late entry, one that was struck, a weight put right: the lesson is of another batch."""

    def reason() -> str:
        return lessons(bench.desk)[0].why_not

    _teach(bench, _lesson(2))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    entry = bench.desk.add_entry("Quillmarsh 2", LogEntry(kind, at_s, noted_at_s))
    assert reason() == ("changed" if changed else "")
    bench.desk.undo_entry(entry.entry_id, _ENDED_S + 1000.0)
    known_by_the_end = kind == "reblended" and not changed
    assert reason() == ("changed" if known_by_the_end else ""), "noted and struck again it is as it was"
    recipe = replace(BATCH.recipe, koh_purity=0.80)
    bench.desk.amend_batch("Quillmarsh 2", recipe, BATCH.vessel, _ENDED_S + 2000.0)
    bench.desk.add_detail("Quillmarsh 2", "free_alkali_percent", "0.02", _ENDED_S + 3000.0)
    assert (reason(), lessons(bench.desk)[0].tested) == ("changed", None), "nor is a test reckoned with two recipes"
    _teach(bench, replace(_lesson(2), known_s=_ENDED_S + 4000.0))
    assert reason() == "" and lessons(bench.desk)[0].tested is not None


def test_the_maker_is_who_stands_in_the_record(bench: Bench) -> None:
    """Noted late, or put right."""
    _teach(bench, _lesson(2, maker="Ash"))
    assert lessons(bench.desk)[0].maker == "Ash"
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    bench.desk.add_detail("Quillmarsh 2", "maker", "Wren", _ENDED_S + 1000.0)
    assert lessons(bench.desk)[0].maker == "Wren"


def test_what_was_put_right_is_worked_out_again(bench: Bench, tmp_path: Path, monkeypatch, capsys) -> None:
    """By the readings of the journal: the same where nothing changed, another heat by another purity, nothing where it
    was blended again; and it is done once."""
    from monitor.cli import main

    monkeypatch.setattr(heat_lessons, "LEAST_HOURS", 0.5)
    _evening(bench)
    _end(bench)
    (kept,) = lessons(bench.desk)
    assert kept.why_not in ("", "unsure") and kept.heat_sd is not None
    place = SETTINGS.place()
    assert replace(redone(bench.desk, kept, place, bench.now_s), known_s=0.0) == kept
    bench.desk.amend_batch(BATCH.name, replace(BATCH.recipe, koh_purity=0.75), BATCH.vessel, bench.now_s + 60.0)
    assert lessons(bench.desk)[0].why_not == "changed"
    settings = tmp_path / "emberpail.toml"
    settings.write_text(f'[journal]\npath = "{bench.desk.path}"\n', encoding="utf-8")
    monkeypatch.setenv("EMBERPAIL_SETTINGS", str(settings))
    assert main(["learned"]) == YES
    assert "put right after its end; emberpail learned --anew" in " ".join(capsys.readouterr().out.split())
    assert main(["learned", "--anew"]) == YES
    (anew,) = lessons(bench.desk)
    assert anew.why_not in ("", *heat_lessons.DOUBTS) and anew.heat_ln > kept.heat_ln + 0.05, "as much heat of less"
    assert anew.ended_s == kept.ended_s
    assert to_redo(bench.desk) == []
    late_s = anew.known_s + 60.0
    bench.desk.add_entry(BATCH.name, LogEntry("reblended", BATCH.started_s + 1800.0, late_s))
    assert [one.batch for one in to_redo(bench.desk)] == [BATCH.name]
    assert redo(bench.desk, anew, place, late_s + 60.0).why_not == "mended"
    assert (lessons(bench.desk)[0].why_not, to_redo(bench.desk)) == ("mended", [])


def test_the_command(bench: Bench, tmp_path: Path, monkeypatch, capsys) -> None:
    """It tells who teaches and who does not, and leaves one out."""
    from monitor.cli import main

    _teach(bench, *(_lesson(n) for n in range(1, 4)), _lesson(5, why_not="failed"))
    bench.begin(replace(BATCH, name="Quillmarsh 2"))
    bench.desk.end_batch("Quillmarsh 2", BATCH.started_s + 60.0, BATCH.started_s + 60.0, "filled")
    settings = tmp_path / "emberpail.toml"
    settings.write_text(f'[journal]\npath = "{bench.desk.path}"\n', encoding="utf-8")
    monkeypatch.setenv("EMBERPAIL_SETTINGS", str(settings))
    assert main(["learned"]) == YES
    told = " ".join(capsys.readouterr().out.split())
    assert "Quillmarsh 5 in shed-1 does not teach: an alarm rang about the batch itself." in told
    assert "Next in shed-1: Based on 3 of your own earlier batches" in told
    assert main(["learned", "--leave-out", "Quillmarsh 2"]) == YES
    assert "fewer than three good batches" in " ".join(capsys.readouterr().out.split())
    assert main(["learned", "--take-in", "Quillmarsh 2", "--json"]) == YES
    assert json.loads(capsys.readouterr().out)["next"]["shed-1"]["heat_batches"] == 3
