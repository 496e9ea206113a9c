"""``status``, ``ack`` and ``quiet``: how it stands, and answering."""

from __future__ import annotations

import json
import re
import time

import pytest

from monitor.domain import LOG_KINDS, LogEntry, Reading
from tests.commands.conftest import RECIPE, Shed

# What the trade keeps off phone and page, and the word that nobody may say of a batch.
_FORBIDDEN = re.compile(
    r"τ|limiting reagent|adiabatic|\bestimat|\bshelv|\backnowledg|\bsafe\b|\bsafely\b|\bsuperfat|completeness", re.I
)


def poured(shed: Shed, batch: str, bucket: str, hours: float = 2.0) -> None:
    """Poured and blended so long ago, looked at since."""
    with shed.journal() as journal:
        at_s = time.time() - 3600.0 * hours
        for kind, minutes in (("poured", 0.0), ("blended", 8.0), ("probe-in", 9.0), ("looked", 30.0)):
            journal.add_entry(batch, LogEntry(kind, at_s + 60.0 * minutes, at_s + 60.0 * minutes))


@pytest.fixture
def good(shed: Shed) -> Shed:
    """A batch two hours after the pour, read a moment ago."""
    shed.start("Quillmarsh 12", "shed-2", "--at", "2 h ago")
    poured(shed, "Quillmarsh 12", "shed-2")
    shed.feed("shed-2", 71.0, 4.0)
    shed.estimate("Quillmarsh 12", "shed-2")
    return shed


def bucket(shed: Shed, name: str = "shed-2") -> dict[str, object]:
    view = json.loads(shed.say("status", "--json").out)
    return next(one for one in view["buckets"] if one["name"] == name)


def test_status_makes_nothing(shed: Shed) -> None:
    """To look is not to begin: no journal appears, and what the settings name is shown as empty."""
    said = shed.ok("status")
    assert not shed.journal_path.exists()
    assert "shed-2: no batch." in said.words and "nothing is minded" in said.words
    assert "nobody will be rung" in said.words


def test_status_says_how_it_stands_in_the_makers_words(good: Shed) -> None:
    """Degrees and direction, potash used up and left as ranges, what comes next."""
    words = good.ok("status").words
    assert "No alarm" in words and "71 °C, steady (4 s ago)" in words
    assert "potash used up: about 62 % (52 to 72)" in words
    assert re.search(r"potash left: \d+ to \d+ g in each litre", words)
    assert "By the planned dilution: about 93 % (88 to 98)" in words
    assert "Next:" in words or "Now:" in words


def test_no_share_is_shown_without_its_range(good: Shed) -> None:
    """Where the spread is missing or is no number, the share is not shown at all."""
    for sd in (None, float("nan"), "wide"):
        good.estimate("Quillmarsh 12", "shed-2", completeness_sd=sd, final_completeness_sd=sd, self_heating_sd_k=sd)
        view = bucket(good)
        assert view["completeness"] == "" and view["potash_left"] == "" and view["outlook"] == ""
        assert dict(map(tuple, view["numbers"]))["heat made"] == "cannot be said"  # type: ignore[arg-type]


@pytest.mark.parametrize("age_s", [400.0, 1500.0, 86400.0])
def test_an_old_reading_never_looks_well(shed: Shed, age_s: float) -> None:
    """It is told as what it was; "nothing needed" is not said, and no figure stands without its time."""
    shed.start("A", "shed-2", "--at", "2 h ago")
    poured(shed, "A", "shed-2")
    shed.feed("shed-2", 71.0, age_s)
    shed.estimate("A", "shed-2")
    words = shed.ok("status").words
    assert "No fresh reading" in words and "How warm it is now is not known; 71 °C was read" in words
    assert "potash used up (as of" in words and "Nothing needed" not in words and "No alarm" not in words
    assert bucket(shed)["standing"] == "stale" and bucket(shed)["stale"] is True


def test_a_missing_reading_never_looks_well(shed: Shed) -> None:
    """A batch that has never been heard."""
    shed.start()
    words = shed.ok("status").words
    assert "No fresh reading" in words and "nobody knows" in words and "Nothing needed" not in words


def test_what_a_faulty_probe_shows_is_not_told_as_the_paste_s(good: Shed) -> None:
    """It lies in the air at 2 °C: believable values, and nothing of the paste; another probe takes its place."""
    good.feed("shed-2", 2.0, 0.0, minutes=1)
    good.alarm("Quillmarsh 12", "shed-2", "sensor_fault", urgency="daylight", facts={"probe": "core"})
    words = good.say("status").words
    assert "No paste reading that can be believed" in words and "2 °C" not in words.replace("52 °C", "")
    with good.journal() as journal:
        now_s = time.time()
        journal.add_readings([Reading("shed-2", "wall", now_s - 5.0, now_s - 5.0, 63.0)])
    assert "63 °C" in good.say("status").words


def test_a_reading_from_the_future_is_not_fresh(shed: Shed) -> None:
    """A clock was set: how old it is nobody knows."""
    shed.start()
    shed.feed("shed-2", 71.0, -7200.0)
    assert bucket(shed)["standing"] == "stale"


def test_a_watch_that_has_stopped_is_told(good: Shed) -> None:
    """Its last tick is old: nothing is minded."""
    with good.journal() as journal:
        journal.set_fact("last_tick_s", time.time() - 1200.0)
    assert "watch has not run for 20 min: nothing is minded" in good.ok("status").words


def test_one_that_reads_back_what_was_kept_is_not_told_to_be_started(good: Shed) -> None:
    """It would be refused: a watch runs. One that ended on the way back says nothing more, and is soon gone."""
    now_s = time.time()
    with good.journal() as journal:
        journal.set_fact("last_tick_s", now_s - 1200.0)
        journal.set_fact("reads_back", [now_s - 600.0, now_s - 20.0])
    words = good.ok("status").words
    assert "reads back what was kept before: nothing is judged until it is through" in words
    assert "watch has not run" not in words and "emberpail watch" not in words
    with good.journal() as journal:
        journal.set_fact("reads_back", [now_s - 600.0, now_s - 300.0])
    assert "watch has not run for 20 min" in good.ok("status").words
    with good.journal() as journal:
        journal.set_fact("reads_back", [now_s - 600.0, now_s - 20.0])
        journal.set_fact("last_tick_s", now_s - 5.0)
    assert "reads back" not in good.ok("status").words


def test_no_phone_is_told_and_a_phone_is_not(shed: Shed) -> None:
    """With no route everything else is in vain at night."""
    assert "nobody will be rung" in shed.ok("status").words
    shed.add_settings('\n[[person]]\nname = "Ash"\nroutes = ["print://"]\n')
    assert "nobody will be rung" not in shed.ok("status").words


def test_a_standing_alarm_is_exit_code_1_and_comes_first(good: Shed) -> None:
    """What to do stands with it; the bucket with the alarm is read first."""
    good.start("B", "shed-3")
    good.alarm("B", "shed-3")
    said = good.say("status")
    assert said.code == 1
    assert said.words.index("shed-3: Act now") < said.words.index("shed-2: No alarm")
    assert "ALARM since" in said.words and "nobody has seen it yet" in said.words and "Do: Visor, gloves" in said.words
    assert good.say("status", "shed-2").code == 0, "of this bucket alone the answer is yes"
    assert good.say("status", "shed-3", "--json").json["buckets"][0]["alarms"][0]["kind"] == "not_taken"


def test_nobody_is_sent_to_look_into_a_bucket_that_may_boil_over(shed: Shed) -> None:
    """Twenty minutes after the blend a look is due; while an alarm says to keep away it is not asked for."""
    shed.start("A", "shed-2", "--at", "30 min ago")
    shed.ok("mark", "shed-2", "blended", "--at", "20 min ago")
    shed.feed("shed-2", 96.0, 3.0)
    assert "Now: Look at 20 minutes" in shed.ok("status").words
    shed.alarm("A", "shed-2", "too_hot", says="shed-2 is too hot.", do="Keep away.")
    words = shed.say("status").words
    assert "Look at 20 minutes" not in words and "blend again" not in words
    assert "First what the alarm asks" in words
    assert "mark shed-2 uncovered" in shed.ok("ack", "shed-2", "--going").words


def test_in_its_first_minute_a_watch_counts_as_running(shed: Shed) -> None:
    """Its first tick is still to come."""
    shed.start()
    with shed.journal() as journal:
        journal.set_fact("watched", [[time.time() - 90000.0, time.time() - 80000.0], [time.time(), time.time()]])
    assert "watch has not run" not in shed.ok("status").words


def test_one_bucket_is_shown_with_its_log(good: Shed) -> None:
    """By the bucket's name or the batch's."""
    for name in ("shed-2", "Quillmarsh 12"):
        words = good.ok("status", name).words
        assert "Log:" in words and "poured" in words and "shed-3" not in words
    assert 'Did you mean "shed-2"' in good.refused("status", "shed-22")
    assert "There is no bucket" in good.refused("status", "")


def test_lines_fit_the_terminal(good: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also that of a phone."""
    good.alarm("Quillmarsh 12", "shed-2")
    for columns in (80, 40):
        monkeypatch.setenv("COLUMNS", str(columns))
        assert max(map(len, good.say("status", "shed-2").out.splitlines())) <= columns


def test_no_forbidden_word_is_said_by_any_command(good: Shed) -> None:
    """A whole day of commands and their help: the maker's words, and never "safe"."""
    said = [good.ok("plan", "--oil", "rapeseed 3.6 L").out, good.start("B", "shed-3").out]
    for kind in LOG_KINDS:
        said.append(good.ok("mark", "shed-2", kind).out)
    for kind in ("not_taken", "cooled_early"):
        good.alarm("Quillmarsh 12", "shed-2", kind)
    said += [good.say("status").out, good.say("status", "shed-2").out]
    said += [good.ok("quiet", "shed-2", "--for", "30 min").out]
    said += [good.ok("ack", "shed-2", "--going").out, good.say("check").out, good.ok("end", "shed-2").out]
    for command in ("plan", "start", "mark", "status", "ack", "quiet", "end", "check", "ring", "watch", "demo"):
        said.append(good.ok(command, "--help").out)
    for text in said:
        assert not (found := _FORBIDDEN.search(text)), found and text[max(0, found.start() - 60) : found.end() + 40]


# ---- ack ----


def test_seen_and_going_are_noted_for_all_alarms_of_a_bucket(good: Shed) -> None:
    """By bucket, by batch or by alarm; who said so stands with it."""
    first = good.alarm("Quillmarsh 12", "shed-2")
    second = good.alarm("Quillmarsh 12", "shed-2", "too_hot")
    said = good.ok("ack", "shed-2", "--who", "Ash")
    assert "seen" in said.words and "Visor" in said.words
    assert sorted(good.acts()) == [(first, "acknowledged", "Ash"), (second, "acknowledged", "Ash")]
    assert "you are going" in good.ok("ack", first, "--going", "--who", "Wren").words
    assert (first, "going", "Wren") in good.acts()
    assert sorted(good.ok("ack", "Quillmarsh 12", "--json").json["seen"]) == sorted([first, second])


def test_who_is_going_stands_on_the_status(good: Shed) -> None:
    """Two people must not both go, or both think that the other does."""
    alarm = good.alarm("Quillmarsh 12", "shed-2")
    good.ok("ack", alarm, "--going", "--who", "Wren")
    good.alarm("Quillmarsh 12", "shed-2", state="acknowledged", acknowledged_by="Wren")
    assert "Wren is going" in good.say("status").words


def test_what_does_not_stand_cannot_be_answered(good: Shed) -> None:
    """With what does."""
    assert "No alarm stands" in good.refused("ack", "shed-2")
    assert "No alarm stands" in good.refused("quiet", "shed-2", "--for", "30 min")
    good.alarm("Quillmarsh 12", "shed-2")
    refusal = good.refused("ack", "shed-3")
    assert "shed-2 (not_taken)" in refusal and 'Did you mean "shed-2"' in refusal
    assert "90 characters" in good.refused("ack", "shed-2", "--who", "x" * 90)
    assert good.acts() == []


def test_alarms_of_an_ended_batch_are_nobodys_concern(good: Shed) -> None:
    """Its bucket may hold another batch by now."""
    good.alarm("Quillmarsh 12", "shed-2")
    good.ok("end", "shed-2")
    assert "nothing to answer" in good.refused("ack", "shed-2")


# ---- quiet ----


def test_quiet_ends_by_itself_and_says_when(good: Shed) -> None:
    """The act carries the time at which it rings again."""
    alarm = good.alarm("Quillmarsh 12", "shed-2")
    said = good.ok("quiet", "shed-2", "--for", "half an hour", "--who", "Ash")
    assert re.search(r"quiet until (\w{3} )?\d\d:\d\d, then it rings again", said.words)
    with good.journal() as journal:
        (act,) = journal.acts()
    assert act.alarm_id == alarm and act.until_s == pytest.approx(time.time() + 1800.0, abs=5.0)
    assert "no longer quiet" in good.ok("quiet", alarm, "--end").words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Say how long"),
        (("--for", "30 min", "--end"), "Say how long"),
        (("--for", "ever"), "no length of time"),
        (("--for", "10 s"), "a minute at the least"),
        (("--for", "9 h"), "30 minutes at a time"),
        (("--for", "999999999 h"), "30 minutes at a time"),
    ],
)
def test_an_alarm_cannot_be_kept_quiet_for_too_long(good: Shed, arguments: tuple[str, ...], words: str) -> None:
    """Half an hour for what may boil over; and then none of the bucket's alarms is kept quiet."""
    good.alarm("Quillmarsh 12", "shed-2", "not_taken")
    good.alarm("Quillmarsh 12", "shed-2", "too_hot")
    assert words in good.refused("quiet", "shed-2", *arguments)
    assert good.acts() == []


# ---- what it costs ----


def test_twenty_buckets_with_three_days_are_shown_within_a_second(shed: Shed) -> None:
    """72 h of core and air in each, a reading every two minutes; the time does not hang on how long they run."""
    now_s = time.time()
    names = [f"shed-{number}" for number in range(1, 21)]
    for name in names:
        shed.ok("start", f"Batch {name}", "--bucket", name, "--at", "3 days ago", *RECIPE)
    with shed.journal() as journal:
        times_s = [now_s - 72 * 3600.0 + 60.0 * minute for minute in range(0, 72 * 60 + 1, 2)]
        journal.add_readings(
            Reading(name, probe, at_s, at_s, 40.0)
            for at_s in times_s
            for name in names
            for probe in ("core", "ambient")
        )
        journal.set_fact("last_tick_s", now_s)
    began = time.monotonic()
    said = shed.ok("status")
    assert time.monotonic() - began < 1.0
    assert said.words.count("40 °C") == 20
