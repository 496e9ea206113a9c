"""A node that runs down, through the watch: told in time, once, and to nobody at night who can wait for the morning."""

from __future__ import annotations

import importlib
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.clock import ArrivalClock
from monitor.domain import Batch
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.sensing import supply
from monitor.sensing.senml import with_checksum
from monitor.sensing.supply import SUPPLIES_KEY
from monitor.settings import SettingsError, load_settings, settings_from_text
from monitor.standing import status_view
from monitor.watch_parts import sources_of
from tests.helpers_watch import NIGHT_S, Bench, Breaking, batch_in, entry, settings_with
from tests.phone.conftest import receiver
from tests.phone.receiver import Receiver
from tests.sources.conftest import wait_until

__all__ = ["receiver"]
MINUTE_S, HOUR_S = 60.0, 3600.0
# At noon nobody's waking hours matter, and before seven in the morning they do.
NOON_S, SIX_S = NIGHT_S - 6 * HOUR_S, NIGHT_S + 12 * HOUR_S


def at(folder: Path, now_s: float) -> Bench:
    """A watch that began ten seconds before, with an alarm for its own trouble."""
    settings = settings_with("shed-1", "shed-2", people=[("Ash", "print://")])
    return Bench(folder, now_s - 10.0, settings, minds_itself=True)


@pytest.fixture
def noon(tmp_path: Path) -> Iterator[Bench]:
    bench = at(tmp_path, NOON_S)
    yield bench
    bench.close()


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Bench]:
    bench = at(tmp_path, SIX_S)
    yield bench
    bench.close()


def powered(bench: Bench, volts: float, minutes: float, bucket: str = "shed-2", every_s: float = 30.0) -> None:
    """The node sends its paste and its battery for so long."""
    until_s = bench.now_s + minutes * MINUTE_S
    while bench.now_s + every_s <= until_s:
        pack = f'[{{"bn":"{bucket}/","n":"core","u":"Cel","v":60}},{{"n":"supply","u":"V","v":{volts:.3f}}}]'
        bench.line(bench.now_s + every_s, pack.encode())


def rings(bench: Bench) -> list[tuple[str, str]]:
    """(what, body) of every message about a node."""
    return [(one.what, one.body) for one in bench.desk.messages() if one.about.startswith("shed-2//watch_fault/")]


def young_batch(bench: Bench, age_h: float = 1.0) -> Batch:
    batch = batch_in("shed-2", bench.now_s - age_h * HOUR_S, noted_at_s=bench.now_s)
    blended = entry("blended", bench.now_s - age_h * HOUR_S + 60.0, bench.now_s)
    bench.begin(batch, entry("poured", bench.now_s - age_h * HOUR_S, bench.now_s), blended)
    return batch


# ---- told in time, and once ------------------------------------------------------------------------------------------


def test_a_low_battery_is_told_by_day_with_its_bucket_its_volts_and_what_to_do(noon: Bench) -> None:
    powered(noon, 3.9, 5)
    assert rings(noon) == []
    powered(noon, 3.47, 8)
    ((what, body),) = rings(noon)
    assert what == "first-1" and "shed-2" in body and "3.47 V" in body
    assert "nothing there can ring" in body and "Charge or change the battery" in body
    (alarm,) = [one for one in noon.desk.alarms(standing_only=True, batch="") if one.kind == "watch_fault"]
    assert "goes unwatched" in alarm.says and alarm.urgency == "daylight" and "do not rely" not in alarm.says.lower()
    powered(noon, 3.47, 30)
    assert len(rings(noon)) == 1, "once"


def test_one_odd_value_and_none_at_all_ring_nobody(noon: Bench) -> None:
    for volts in (3.9, 0.3, 3.9, 3.9, 3.9, 0.0, 3.9):
        powered(noon, volts, 0.5)
    powered(noon, 3.9, 10)
    powered(noon, 0.0, 30)
    powered(noon, 5.05, 10, bucket="shed-1")  # USB
    assert rings(noon) == [] and noon.alarms() == []


def test_it_clears_when_somebody_has_seen_to_it(noon: Bench) -> None:
    powered(noon, 3.4, 20)
    powered(noon, 4.1, 20)
    assert noon.alarms() == [("watch_fault", "raised"), ("watch_fault", "cleared")]
    assert "4.10 V" in rings(noon)[-1][1]


def test_a_node_that_died_low_does_not_clear_by_its_silence(noon: Bench) -> None:
    """Not by a restart of the watch either; and how old the figure is stands with it."""
    powered(noon, 3.1, 10)
    noon.until(noon.now_s + HOUR_S)
    noon.stop()
    noon.start()
    noon.until(noon.now_s + HOUR_S)
    assert noon.alarms() == [("watch_fault", "raised")]
    (alarm,) = noon.desk.alarms(standing_only=True, batch="")
    assert "2 h ago" in alarm.says and "nothing has come since" in alarm.says, alarm.says
    assert len(rings(noon)) == 1


# ---- at night --------------------------------------------------------------------------------------------------------


def test_at_night_low_waits_for_the_morning(night: Bench) -> None:
    young_batch(night)
    powered(night, 3.4, 15)
    assert ("watch_fault", "raised") in night.alarms() and rings(night) == []


def test_about_to_die_wakes_where_silence_would(night: Bench) -> None:
    """In the first hours after the blend, and once somebody has seen it no more."""
    batch = young_batch(night)
    powered(night, 3.4, 15)
    powered(night, 3.1, 3)
    assert rings(night) and "3.10 V" in rings(night)[0][1]
    assert any("all but empty" in one.says for one in night.desk.alarms(standing_only=True, batch=""))
    before = len(rings(night))
    night.act(replace(batch, name=""), "shed-2//watch_fault/1", "acknowledged")
    powered(night, 3.1, 15)
    assert len(rings(night)) == before


def test_a_node_that_was_forgotten_is_not_said_to_be_well(noon: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supply, "FORGOTTEN_AFTER_S", HOUR_S)
    powered(noon, 3.4, 10)
    noon.until(noon.now_s + 1.2 * HOUR_S)
    assert noon.alarms() == [("watch_fault", "raised"), ("watch_fault", "cleared")]
    assert "does not say that all is well" in noon.events()[-1]


@pytest.mark.parametrize("age_h", [None, 40.0])
def test_about_to_die_waits_for_the_morning_where_silence_does(night: Bench, age_h: float | None) -> None:
    """With no batch in the bucket, or one whose deciding hours are long over."""
    if age_h is not None:
        young_batch(night, age_h)
    powered(night, 3.1, 15)
    assert ("watch_fault", "raised") in night.alarms() and rings(night) == []


# ---- beside another trouble -----------------------------------------------------------------------------------------


def test_another_trouble_of_the_watch_neither_hides_it_nor_makes_it_wake(night: Bench) -> None:
    """A phone that is dead rings at night; a low battery behind it still waits for the morning, and comes then."""
    young_batch(night)
    night.watch.trouble["phone Wren"] = "refused."
    powered(night, 3.4, 10)
    about = {one.about for one in night.desk.messages()}
    assert "//watch_fault/1" in about and rings(night) == []
    night.watch.own.act("acknowledged", night.now_s, "Ash", None)
    night.until(SIX_S + 1.1 * HOUR_S)
    ((what, body),) = rings(night)
    assert what == "first-1" and "3.40 V" in body


def test_a_disk_that_refuses_costs_nothing_of_it(tmp_path: Path) -> None:
    """What could not be kept at one tick is kept at the next that can."""
    settings = settings_with("shed-1", "shed-2", people=[("Ash", "print://")])
    bench = Bench(tmp_path, NOON_S - 10.0, settings, minds_itself=True, journal_type=Breaking)
    powered(bench, 3.4, 1)
    Breaking.full = True
    try:
        powered(bench, 3.4, 8)
        assert bench.desk.alarms(standing_only=True, batch="") == []
    finally:
        Breaking.full = False
    bench.until(bench.now_s + 3 * MINUTE_S)
    kept = {one.alarm_id for one in bench.desk.alarms(standing_only=True, batch="")}
    assert "shed-2//watch_fault/1" in kept and bench.desk.fact(SUPPLIES_KEY)[0][:3] == ["shed-2", 3.4, "low"]
    bench.close()


# ---- nothing else is touched -----------------------------------------------------------------------------------------


def test_a_replay_says_the_same_with_and_without_it(tmp_path: Path) -> None:
    """The two are the same batch, byte for byte in what is said of it; and a replay knows no trouble of the watch."""
    said = []
    for volts in (None, 3.1):
        folder = tmp_path / str(volts)
        folder.mkdir()
        bench = at(folder, NOON_S)
        batch = young_batch(bench)
        for n in range(20):
            more = "" if volts is None else f',{{"n":"supply","u":"V","v":{volts}}}'
            core = f'[{{"bn":"shed-2/","n":"core","u":"Cel","v":{60 + n / 10:.1f}}}{more}]'
            bench.line(NOON_S + 30.0 * n, core.encode())
        of_batch = [one for one in bench.events("shed-2") if "watch_fault" not in one]
        assert (len(of_batch) < len(bench.events("shed-2"))) == (volts is not None)
        assert of_batch and bench.replayed(batch) == of_batch
        said.append(of_batch)
        bench.close()
    assert said[0] == said[1]


def test_the_figures_of_a_bucket_show_it_while_it_is_new(noon: Bench) -> None:
    young_batch(noon)
    powered(noon, 3.85, 5)
    (shown,) = [one for one in status_view(noon.desk, noon.settings, noon.now_s).buckets if one.name == "shed-2"]
    assert ("battery or supply of the node", "3.85 V") in shown.numbers
    (later,) = [
        one for one in status_view(noon.desk, noon.settings, noon.now_s + HOUR_S).buckets if one.name == "shed-2"
    ]
    assert not any("battery" in what for what, _ in later.numbers)


# ---- the settings ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "low_v", "dying_v"),
    [
        ("", 3.6, 3.2),
        ("supply_low_v = 4.6\nsupply_dying_v = 4.3\n", 4.6, 4.3),
        ("supply_low_v = 12\n", 12.0, 10.67),
        ("supply_low_v = 0\n", 0.0, 0.0),
    ],
)
def test_the_limits_are_set_for_each_bucket(tmp_path: Path, text: str, low_v: float, dying_v: float) -> None:
    settings = settings_from_text(f'[[bucket]]\nname = "shed-2"\n{text}', tmp_path / "e.toml", {"HOME": "/"})
    assert settings.bucket("shed-2").supply == pytest.approx((low_v, dying_v), abs=0.005)
    assert settings.bucket("another").supply == (3.6, 3.2)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("supply_low_v = -1", "supply_low_v"), ('supply_low_v = "3.6"', "supply_low_v"),
        ("supply_low_v = nan", "supply_low_v"), ("supply_dying_v = 4", "supply_dying_v"),
    ],
)  # fmt: skip
def test_limits_that_make_no_sense_are_told(tmp_path: Path, text: str, key: str) -> None:
    with pytest.raises(SettingsError, match=key):
        settings_from_text(f'[[bucket]]\nname = "shed-2"\n{text}\n', tmp_path / "e.toml", {"HOME": "/"})


# ---- over a wire, to a phone -----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_over_a_real_wire_it_reaches_the_phone_and_the_status(
    tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    """A minute a second, in this process: a node at the end of a pseudo-terminal runs down, and the phone rings."""
    importlib.import_module("apprise")  # with the first message it would be a minute here
    ours, theirs = os.openpty()
    path = tmp_path / "emberpail.toml"
    path.write_text(
        f'[journal]\npath = "journal.sqlite"\n[place]\nwaking_hours = ["00:00", "23:59"]\n'
        f'[[source]]\nname = "node"\nkind = "serial"\nport = "{os.ttyname(theirs)}"\nbaud = 38400\n'
        '[[bucket]]\nname = "shed-2"\n'
        f'[[person]]\nname = "Ash"\nroutes = ["json://127.0.0.1:{receiver.port}/ok"]\n',
        encoding="utf-8",
    )
    settings = load_settings(path, {"HOME": str(tmp_path)})
    journal, clock = Journal(settings.journal_path), ArrivalClock(speed=60.0)
    running = Running(settings, journal, clock, sources_of(settings, clock), serve_page=False, say=lambda words: None)
    stop = threading.Event()
    threads = [threading.Thread(target=running.run, args=(stop,), daemon=True)]

    def send() -> None:
        while not stop.wait(0.2):
            pack = b'[{"bn":"shed-2/","n":"core","u":"Cel","v":60},{"n":"supply","u":"V","v":3.412}]'
            os.write(ours, with_checksum(pack) + b"\n")

    threads.append(threading.Thread(target=send, daemon=True))
    for thread in threads:
        thread.start()
    try:
        wait_until(lambda: receiver.taken, 60, what="the phone")
        (told,) = [one for one in receiver.taken if "shed-2" in one["title"]]
        assert "3.41 V" in told["message"] and "Charge or change the battery" in told["message"], told
        main(["status", "--settings", str(path)])
        assert "3.41 V" in capsys.readouterr().out
    finally:
        stop.set()
        for thread in threads:
            thread.join(20)
        running.close()
        journal.close()
        os.close(ours)
        os.close(theirs)
