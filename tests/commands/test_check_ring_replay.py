"""``check``, ``ring``, ``replay`` and ``watch``: what a night depends on, and what came of one."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.phone.routes import route_problem
from tests.commands.conftest import Shed, assert_one_sentence
from tests.phone.receiver import Receiver

RECORDINGS = Path(__file__).parents[2] / "recordings"
SECRET = "s3cr3tt0k3n"


def lines(shed: Shed, code: int) -> dict[str, tuple[bool | None, str]]:
    said = shed.say("check", "--json")
    assert said.code == code, said
    return {line["part"]: (line["ok"], line["says"]) for line in said.json}


# ---- check ----


def test_check_walks_settings_source_journal_clock_and_phone(shed: Shed) -> None:
    """One line each; what is missing is bad, and nothing is made by looking."""
    found = lines(shed, 1)
    assert found["settings"][0] is True and found["clock"][0] is True
    assert found["journal"][0] is True and "not there yet" in found["journal"][1]
    assert found["sources"][0] is False and found["phone"][0] is False
    assert not shed.journal_path.exists()
    text = shed.say("check").out
    assert re.search(r"^BAD +phone ", text, re.M) and re.search(r"^ok +clock ", text, re.M)
    assert max(map(len, text.splitlines())) <= 80 or str(shed.folder) in text


def test_check_is_content_when_all_is_there(shed: Shed) -> None:
    """Exit code 0: a source that is there, a journal that is sound, a phone."""
    (shed.folder / "night.rec").write_text("")
    shed.add_settings(
        '\n[[source]]\nkind = "recording"\nname = "tape"\npath = "night.rec"\n'
        '[[person]]\nname = "Ash"\nroutes = ["print://"]\n'
    )
    shed.start()
    found = lines(shed, 0)
    assert found["tape"][0] is True and "sound" in found["journal"][1] and "Ash" in found["phone"][1]


def test_check_tells_each_mistake_of_the_settings(shed: Shed) -> None:
    """All at once, each with its line; what depends on them is not tried."""
    shed.settings.write_text('[[bucket]]\nname = "a b"\nlitres = -3\n[plaice]\n', encoding="utf-8")
    said = shed.say("check", "--json")
    assert said.code == 1
    bad = [line["says"] for line in said.json if line["ok"] is False]
    assert len(bad) == 3 and all("line" in one for one in bad)


@pytest.mark.parametrize(
    ("text", "words"),
    [(b"[place\n", "not TOML"), (b'name = "\xff"\n', "UTF-8"), (b'[journal]\npath = 5\n', "path")],
)
def test_every_command_refuses_settings_with_errors_in_a_sentence(shed: Shed, text: bytes, words: str) -> None:
    """No command runs on settings that it does not understand."""
    shed.settings.write_bytes(text)
    for command in (["status"], ["plan", "--oil", "sunflower 4 kg"], ["mark", "shed-2", "blended"], ["ring"],
                    ["ack", "shed-2"], ["watch", "--no-page"], ["replay", "x.rec"]):  # fmt: skip
        assert words in shed.refused(*command)
    said = shed.say("check")
    assert said.code == 1 and words in said.words


def test_settings_that_are_not_there_are_missed(shed: Shed) -> None:
    """A file that was named must be there; a folder is none."""
    assert "There is no settings file" in shed.refused("status", "--settings", "nowhere.toml")
    assert "There is no settings file" in shed.refused("status", "--settings", str(shed.folder))
    shed.settings.unlink()
    assert shed.say("check").code == 1


def test_check_finds_a_source_that_does_not_answer(shed: Shed) -> None:
    """A port that is not there, a broker that nobody runs, a recording that is missing."""
    shed.add_settings(
        '\n[[source]]\nkind = "serial"\nname = "cable"\nport = "/dev/ttyNOWHERE7"\n'
        '[[source]]\nkind = "mqtt"\nname = "broker"\nhost = "127.0.0.1"\nport = 9\n'
        '[[source]]\nkind = "recording"\nname = "tape"\npath = "gone.rec"\n'
    )
    found = lines(shed, 1)
    assert [found[name][0] for name in ("cable", "broker", "tape")] == [False, False, False]


def test_check_takes_the_word_of_a_running_watch_for_its_ports(shed: Shed) -> None:
    """The watch holds the port; trying it from beside would find it taken and call that bad."""
    shed.add_settings('\n[[source]]\nkind = "serial"\nname = "cable"\nport = "/dev/ttyNOWHERE7"\n')
    with shed.journal() as journal:
        journal.set_fact("last_tick_s", time.time())
        journal.set_health("cable", True, "reading from /dev/ttyUSB0.", time.time())
    assert lines(shed, 1)["cable"] == (True, "reading from /dev/ttyUSB0. (as watch says)")
    with shed.journal() as journal:
        journal.set_fact("last_tick_s", time.time() - 3600.0)
    assert lines(shed, 1)["cable"][0] is False


def test_a_journal_that_is_none_is_told_by_every_command(shed: Shed) -> None:
    """A photograph in its place; it is left as it was."""
    shed.journal_path.write_bytes(b"\xff\xd8\xff\xe0 not a journal " * 200)
    for command in (["status"], ["mark", "shed-2", "blended"], ["ack", "shed-2"], ["end", "shed-2"],
                    ["start", "A", "--bucket", "b", "--unweighed"], ["watch", "--no-page"]):  # fmt: skip
        assert "not a journal" in shed.refused(*command)
    assert lines(shed, 1)["journal"][0] is False
    assert shed.journal_path.read_bytes().startswith(b"\xff\xd8")


def test_a_journal_that_is_a_folder_or_lies_under_a_file_is_told(shed: Shed) -> None:
    """One sentence; the rest of the check goes on."""
    shed.journal_path.mkdir()
    shed.refused("start", "A", "--bucket", "b", "--unweighed")
    shed.refused("status")
    assert shed.say("check").code == 1
    shed.journal_path.rmdir()
    shed.settings.write_text('[journal]\npath = "emberpail.toml/journal.sqlite"\n', encoding="utf-8")
    shed.refused("start", "A", "--bucket", "b", "--unweighed")
    assert lines(shed, 1)["journal"][0] is False


def test_a_folder_that_cannot_be_written_is_told(shed: Shed) -> None:
    """A read-only card."""
    if os.geteuid() == 0:
        target = "/proc/emberpail/journal.sqlite"  # root may write anywhere but here
    else:
        (shed.folder / "locked").mkdir(mode=0o500)
        target = "locked/deep/journal.sqlite"
    shed.settings.write_text(f'[journal]\npath = "{target}"\n', encoding="utf-8")
    assert "Journal" in shed.refused("start", "A", "--bucket", "b", "--unweighed")
    shed.ok("status")
    if os.geteuid() != 0:
        assert lines(shed, 1)["journal"][0] is False


def test_a_bad_route_is_found_without_ringing_and_its_secret_stays_one(shed: Shed) -> None:
    """The name of the service and a number, no more."""
    shed.add_settings(f'\n[[person]]\nname = "Ash"\nroutes = ["nosuch://{SECRET}@host", "print://"]\n')
    said = shed.say("check")
    assert said.code == 1 and "nosuch 1 is a route that cannot be used" in said.words
    assert SECRET not in said.out + said.err and "…" not in said.out + said.err


@pytest.mark.parametrize(
    ("url", "fine"),
    [
        ("print://", True),
        ("json://127.0.0.1:9/ring", True),
        (f"ntfy://{SECRET}", True),
        (f"nosuch://{SECRET}", False),
        (f"tgram://{SECRET}", False),
        (SECRET, False),
        ("", False),
        ("   ", False),
        (f"mailto://{SECRET}\udcff", False),
    ],
)
def test_a_route_s_problem_is_one_sentence_without_the_address(url: str, fine: bool) -> None:
    """None for a route that the library knows; nobody is asked."""
    problem = route_problem(url)
    assert (problem is None) == fine
    if problem is not None:
        assert SECRET not in problem
        assert_one_sentence(problem)


# ---- ring ----


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    one = Receiver()
    yield one
    one.close()


def test_ring_without_a_route_is_2_and_warns(shed: Shed) -> None:
    """Nothing could be tested."""
    assert "nobody will be rung" in shed.refused("ring")
    assert shed.say("ring", "--json").out == ""


def test_ring_says_of_each_route_whether_it_was_taken(shed: Shed, receiver: Receiver) -> None:
    """0 when all were, 1 when one was not."""
    shed.add_settings(f'\n[[person]]\nname = "Ash"\nroutes = ["{receiver.url("ok")}"]\n')
    said = shed.ok("ring")
    assert "Ash" in said.words and "the service took it" in said.words and "look at the phone" in said.words
    assert len(receiver.taken) == 1 and "TEST" in receiver.taken[0]["title"]
    shed.add_settings(f'[[person]]\nname = "Wren"\nroutes = ["{receiver.url("status/403")}"]\n')
    said = shed.say("ring", "--json")
    assert said.code == 1 and [one["ok"] for one in said.json] == [True, False]
    shed.ok("ring", "--person", "Ash")
    assert 'Did you mean "Wren"' in shed.refused("ring", "--person", "Wrenn")
    assert shed.refused("ring", "--person", "")


# ---- replay ----


def test_replay_says_what_would_have_been_said(shed: Shed) -> None:
    """0 whenever it ran, whatever the batch did; the verdict stands last."""
    said = shed.ok("replay", str(RECORDINGS / "night-shed-3.rec"))
    assert said.words.index("cooled_early") < said.words.index("Verdict:")
    out = shed.folder / "events.jsonl"
    answer = shed.ok("replay", str(RECORDINGS / "night-shed-2.rec"), "--json", "--events", str(out)).json
    assert answer["readings"] > 1000 and answer["verdict"]["completeness_sd"] > 0
    events = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert events[-1]["event"] == "verdict"


def _copy_batch(shed: Shed, name: str) -> None:
    shutil.copy(RECORDINGS / "night-shed-1.toml", shed.folder / f"{name}.toml")


@pytest.mark.parametrize("content", [b"", b"\x00\xff\xfe" * 5000, b"no tab\n" * 50, b"#{}\n", b"1e400\t{}\n"])
def test_a_recording_with_nothing_in_it_is_replayed_and_told(shed: Shed, content: bytes) -> None:
    """It ran, so 0; that nothing was read is said, and the verdict does not look well."""
    (shed.folder / "odd.rec").write_bytes(content)
    _copy_batch(shed, "odd")
    said = shed.ok("replay", "odd.rec", "--json")
    assert said.json["readings"] == 0 and said.complaint
    assert "no verdict" in said.json["verdict"]["says"]


def test_what_cannot_be_replayed_gets_one_sentence(shed: Shed) -> None:
    """A folder, a file that is missing, a batch file with nonsense, events that cannot be written."""
    assert "folder" in shed.refused("replay", str(shed.folder))
    assert "There is no recording" in shed.refused("replay", "gone.rec")
    assert "no name" in shed.refused("replay", "")
    assert "too long" in shed.refused("replay", "x" * 500)
    (shed.folder / "night.rec").write_bytes(b"")
    assert "There is no batch file" in shed.refused("replay", "night.rec")
    (shed.folder / "night.toml").write_text("]] nonsense [[", encoding="utf-8")
    assert "not TOML" in shed.refused("replay", "night.rec")
    (shed.folder / "night.toml").write_bytes(b"\xff\xfe\x00")
    shed.refused("replay", "night.rec")
    _copy_batch(shed, "night")
    assert "choose another place" in shed.refused("replay", "night.rec", "--events", str(shed.folder))


# ---- watch ----


@pytest.mark.parametrize("arguments", [("--record", "."), ("--record", "no/where.rec"), ("--events", "."),
                                       ("--events", "no/where.jsonl"), ("--record", "")])  # fmt: skip
def test_watch_does_not_begin_where_it_could_not_write(shed: Shed, arguments: tuple[str, str]) -> None:
    """Better told at dusk than found out in the morning."""
    said = shed.say("watch", "--no-page", *arguments)
    assert said.code == 2, said
    assert_one_sentence(said.err.splitlines()[-1])


def test_watch_says_what_is_missing_and_stops_in_order(shed: Shed) -> None:
    """Neither source nor phone: it runs, and says both; SIGTERM ends it with 0, and a second one is refused."""
    command = [sys.executable, "-u", "-m", "monitor", "watch", "--no-page"]
    log = shed.folder / "watch.log"
    with open(log, "wb") as out:
        watch = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, cwd=shed.folder)
    try:
        until = time.monotonic() + 30.0
        while "Minding" not in log.read_text() and time.monotonic() < until:
            time.sleep(0.05)
        assert "already runs" in shed.refused("watch", "--no-page").replace("a watch already", "already")
        watch.send_signal(signal.SIGTERM)
        assert watch.wait(20) == 0
    finally:
        watch.kill()
    words = " ".join(log.read_text().split())
    assert "No [[source]] is set" in words and "nobody will be rung" in words and "Nothing is minded now" in words
