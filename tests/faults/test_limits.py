"""What comes from outside without measure: invented names, long names, floods, files that unpack without end."""

from __future__ import annotations

import json
import os
import queue
import threading
import time
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli import main
from monitor.exchange.carry import export_batches, import_batches
from monitor.exchange.rows import MOST_JSON, ExchangeError, Lines
from monitor.journal.database import Journal
from monitor.sensing.division import Division
from monitor.sensing.floods import MOST_A_MINUTE, TOO_MANY
from monitor.sensing.senml import FAULTS, MOST_NAME, Decoder
from monitor.sensing.strangers import MOST_STRANGERS, KnownBuckets
from monitor.settings import MOST_SETTINGS_BYTES, SettingsError, load_settings
from monitor.sources.batch_file import BatchFileError, read_batch_file
from monitor.sources.line import MAX_LINE_BYTES, Line, Origin
from monitor.sources.waiting import LineQueue
from monitor.standing import status_view
from tests.helpers_watch import NIGHT_S, Bench, batch_in, entry, pack, settings_with

# ---- names without end ---------------------------------------------------------------------------------------------


def invented(number: int, records: int = 1000) -> bytes:
    """A pack of readings of buckets that are nowhere."""
    return json.dumps(
        [{"n": f"no-{number}-{one}/core", "u": "Cel", "v": 20.0 + one % 50} for one in range(records)],
        separators=(",", ":"),
    ).encode()


def resident_bytes() -> int:
    """What this process holds in memory."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path, settings=settings_with("shed-2"))
    yield one
    one.close()


def test_a_hundred_thousand_invented_buckets_take_little_room(bench: Bench) -> None:
    """The journal keeps those that were met first, and every reading of the buckets that somebody named; a batch begun
    in another makes that one known, too. It is said once, and counted."""
    batch = batch_in("shed-2")
    bench.line(NIGHT_S + 1.0, invented(0))
    bench.until(NIGHT_S + 2.0)
    bench.begin(batch, entry("poured", NIGHT_S, NIGHT_S + 2.0))
    bench.until(NIGHT_S + 90.0)
    bench.mark(batch, entry("blended", NIGHT_S + 60.0, NIGHT_S + 90.0))
    bench.line(NIGHT_S + 91.0, invented(1))
    before = resident_bytes()
    sent = 0
    for number in range(2, 101):
        at_s = NIGHT_S + 100.0 + 10.0 * number
        bench.line(at_s, invented(number))
        bench.line(at_s + 1.0, pack("shed-2", 60.0 + 0.01 * number, at_s))
        sent += 1
    grown = resident_bytes() - before
    bench.begin(batch_in("late-1", started_s=bench.now_s))
    bench.until(bench.now_s + 5.0)
    bench.line(bench.now_s + 1.0, pack("late-1", 50.0, bench.now_s))
    bench.until(bench.now_s + 61.0)
    buckets = {bucket for bucket, _ in bench.desk.probes()}
    assert {"shed-2", "late-1"} <= buckets and len(buckets) == MOST_STRANGERS + 2
    assert len(list(bench.desk.readings("shed-2"))) == sent
    assert len(bench.watch._heard_through) <= MOST_STRANGERS + 2
    assert len(bench.watch._decoder._nodes) <= MOST_STRANGERS + 2
    # Judging the batch takes some; each name with a journal row, a clock and two caches would take more than 100 MB.
    assert grown < 40_000_000, f"{grown} bytes more after 99,000 further names"
    said = [words for words in bench.said if "nobody named" in words]
    assert len(said) == 1 and "wire" in said[0]
    assert bench.desk.counters()[("wire", "strange_bucket")] == 101
    notes = status_view(bench.desk, bench.settings, bench.now_s).notes
    assert [note for note in notes if "nobody named" in note] and not [note for note in notes if "damaged" in note]
    # Same answer: the replay of that flood says what was said then.
    assert bench.replayed(batch) == bench.events("shed-2")


def test_a_new_watch_knows_the_buckets_of_all_batches(bench: Bench) -> None:
    """After a restart in the middle of a flood an old bucket is not taken for one of the strangers."""
    batch = batch_in("old-1")
    bench.begin(batch)
    bench.until(NIGHT_S + 70.0)
    bench.desk.end_batch(batch.name, bench.now_s, bench.now_s, "filled")
    bench.until(NIGHT_S + 140.0)
    bench.stop()
    bench.start()
    bench.line(NIGHT_S + 150.0, invented(0))
    bench.line(NIGHT_S + 151.0, pack("old-1", 20.0, NIGHT_S + 150.0))
    bench.until(NIGHT_S + 220.0)
    assert len(list(bench.desk.readings("old-1"))) == 1


def test_a_restart_makes_no_room_for_more_strangers(bench: Bench) -> None:
    """Those of the watch before count; they go on being taken, a bucket that is named now does too, and it is said
    again. So do nodes of which nothing but the supply is known."""
    for run in range(3):
        bench.line(bench.now_s + 1.0, invented(run))
        bench.line(bench.now_s + 1.0, json.dumps([{"n": f"no-{run}/supply", "u": "V", "v": 3.0}]).encode())
        bench.until(bench.now_s + 70.0)
        bench.stop()
        bench.settings = settings_with("shed-2", "no-2-999")
        bench.said.clear()
        bench.start()
    bench.line(bench.now_s + 1.0, invented(2))
    bench.line(bench.now_s + 1.0, invented(0))
    bench.until(bench.now_s + 70.0)
    buckets = {bucket for bucket, _ in bench.desk.probes()}
    assert buckets == {f"no-0-{number}" for number in range(MOST_STRANGERS)} | {"no-2-999"}
    assert len(list(bench.desk.readings("no-0-7"))) == 2 and len(list(bench.desk.readings("no-2-999"))) == 2
    assert [words for words in bench.said if "nobody named" in words]


def test_supplies_count_among_the_strangers_over_a_restart(bench: Bench) -> None:
    """A bucket of which only the supply came stands in no row of the readings."""
    for run in range(2):
        sent = [{"n": f"node-{run}-{number}/supply", "u": "V", "v": 3.9} for number in range(100)]
        bench.line(bench.now_s + 1.0, json.dumps(sent).encode())
        bench.until(bench.now_s + 70.0)
        known = bench.watch.nodes.supplies.known(bench.now_s)
        assert len(known) == MOST_STRANGERS and all(name.startswith("node-0-") for name in known)
        bench.stop()
        bench.start()


def test_what_the_journal_held_of_other_watches_buckets_is_not_taken() -> None:
    """Of a site that was divided since, the others' buckets are theirs, whatever this journal holds."""
    known = KnownBuckets(["home"], most_strangers=2, division=Division((("hill", ("h*",)), ("dale", ("d*",))), "hill"))
    known.met_before(["home", "h1", "h2", "h3", "d1"])
    assert [known.takes(one) for one in ("home", "h1", "h2", "h3", "h4", "d1")] == [True] * 4 + [False] * 2
    known.know("h4")
    assert known.takes("h4")


def test_a_flood_of_readings_of_one_bucket_is_cut_to_what_a_minute_may_hold(bench: Bench) -> None:
    """Sixty thousand at twenty a second, sent at once as a backlog of an hour: so many of each minute are kept, it is
    counted, said once, and told by ``status``; the named bucket beside it loses nothing."""
    from_s = NIGHT_S - 3600.0
    for number in range(60):
        of_a_second = [{"n": "core", "u": "Cel", "t": round(one * 0.05, 3), "v": 20.0} for one in range(1000)]
        of_a_second[0] |= {"bn": "stranger/", "bt": from_s + 50.0 * number}
        at_s = NIGHT_S + 62.0 + number
        bench.line(at_s, json.dumps(of_a_second, separators=(",", ":")).encode())
        bench.line(at_s + 0.5, pack("shed-2", 60.0 + number / 100.0, at_s))
    bench.until(NIGHT_S + 200.0)
    kept = list(bench.desk.readings("stranger"))
    assert len(kept) == 50 * MOST_A_MINUTE
    assert len(list(bench.desk.readings("shed-2"))) == 60
    assert bench.desk.counters()[("wire", TOO_MANY)] == 60_000 - len(kept)
    said = [words for words in bench.said if "of a probe in a bucket" in words]
    assert len(said) == 1 and "wire" in said[0]
    notes = status_view(bench.desk, bench.settings, bench.now_s).notes
    assert [note for note in notes if "of a probe in a bucket" in note]
    assert not [note for note in notes if "damaged" in note]


def test_of_a_named_bucket_nothing_is_cut_and_it_is_judged_live_as_it_is_replayed(bench: Bench) -> None:
    """What is acknowledged is kept, however quick the node."""
    batch = batch_in("shed-2")
    bench.begin(batch)
    bench.until(NIGHT_S + 61.0)
    for number in range(200):
        at_s = NIGHT_S + 62.0 + number
        flood = [{"n": "core", "u": "Cel", "t": one / 100.0, "v": 60.0 + number * 0.05} for one in range(100)]
        flood[0] |= {"bn": "shed-2/", "bt": at_s - 1.0}
        bench.line(at_s, json.dumps(flood).encode())
    bench.line(NIGHT_S + 399.0, pack("shed-2", 71.0, NIGHT_S + 398.5))  # a replay ends with the last line
    bench.until(NIGHT_S + 400.0)
    assert len(list(bench.desk.readings("shed-2"))) == 200 * 100 + 1 > 5 * MOST_A_MINUTE
    assert bench.events("shed-2") and bench.replayed(batch) == bench.events("shed-2")


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 30)), max_size=120))
def test_those_met_first_stay(steps: list[tuple[bool, int]]) -> None:
    """In any order: a named bucket is always taken, a taken stranger stays, and there are never more than so many."""
    known = KnownBuckets(["home"], most_strangers=5)
    named, strangers = {"home"}, set()
    for names_it, number in steps:
        bucket = f"b{number}"
        if names_it:
            known.know(bucket)
            named.add(bucket)
            strangers.discard(bucket)
        taken = known.takes(bucket)
        assert taken == (bucket in named or bucket in strangers or len(strangers) < 5)
        if taken and bucket not in named:
            strangers.add(bucket)
        assert known.takes("home")
    assert not known.takes("x" * 65) and KnownBuckets().takes("x" * 64)


def test_names_of_sixty_kilobytes_do_not_stay_in_memory() -> None:
    """What is looked up by name is kept for the next line: 4000 such names would be a quarter of a gigabyte."""
    decoder = Decoder()
    line = b'[{"n":"%s","u":"Cel","v":20}]'
    assert not decoder.decode(line % b"warm-up/core", NIGHT_S).faults
    tracemalloc.start()
    for number in range(800):
        name = (b"n%06d" % number).ljust(MAX_LINE_BYTES - 100, b"x") + b"/core"
        assert decoder.decode(line % name, NIGHT_S + number).faults == ("bad_name",)
    grown, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert grown < 2_000_000
    longest = b"b" * (MOST_NAME - 5) + b"/core"
    assert decoder.decode(line % longest, NIGHT_S).readings and decoder.decode(line % (b"b" + longest), NIGHT_S).faults


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"[" * 60_000, "bad_json"),
        (b"[" + b"[" * 30_000 + b"]" * 30_000 + b"]", "bad_json"),
        (b'[{"n":"a/core","u":"Cel","v":' + b"9" * 5000 + b"}]", "bad_json"),
        (b'[{"n":"a/core","u":"Cel","v":20}' + b',{"n":"a/core","u":"Cel","v":20}' * 1000 + b"]", "too_long"),
        (b'[{"n":"a/core","u":"Cel","v":20}' + b" " * 66_000 + b"]", "too_long"),
        (b'[{"n":"a/core","vs":"' + b"open" * 5000 + b'"}]', "bad_value"),
    ],
)
def test_packs_without_measure_are_refused(line: bytes, fault: str) -> None:
    """Nesting, figures, records, length, words: each is a counted fault with words of its own."""
    assert Decoder().decode(line, NIGHT_S).faults == (fault,)
    assert fault in FAULTS


def test_lines_that_wait_are_bounded_by_their_bytes() -> None:
    """A worker that is held up does not let the sources fill the memory: they wait, and go on when it does."""
    waiting = LineQueue(1_000_000)
    big = Line(NIGHT_S, b"x" * 60_000, Origin("mqtt", "hall"))
    with pytest.raises(queue.Full):
        for _ in range(100):
            waiting.put_nowait(big)
    assert 15 <= 1_000_000 // 60_300 <= len(waiting.queue) <= 18
    thread = threading.Thread(target=waiting.put, args=(big,), daemon=True)
    thread.start()
    time.sleep(0.1)
    assert thread.is_alive()
    waiting.get_nowait()
    thread.join(5.0)
    assert not thread.is_alive()
    while not waiting.empty():
        waiting.get_nowait()
    assert waiting.empty() and waiting._bytes == 0
    with pytest.raises(queue.Empty):
        waiting.get(timeout=0.01)


# ---- files -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def exported(tmp_path: Path) -> Path:
    """A whole export as CSV, in a folder."""
    target = tmp_path / "winter"
    with Journal(tmp_path / "home.sqlite") as journal:
        journal.add_batch(batch_in("shed-2"))
        export_batches(journal, ["Invented shed-2"], target, "csv")
    return target


def taken_in(tmp_path: Path, source: Path) -> int:
    """Take it into an empty journal; how many batches it then holds."""
    with Journal(tmp_path / "in.sqlite") as journal:
        import_batches(journal, source, NIGHT_S + 86400.0)
        return len(journal.batches())


@pytest.mark.parametrize(
    "bomb",
    [b"0" * 40_000_000, b'"' + b"\n" * 40_000_000, b'"\n",' * 10_000_000, b"a,b\n" + b'"' + b"x\n" * 20_000_000,
     b"," * 40_000_000],
    ids=["one line", "one cell of empty lines", "one row of short cells", "one cell of short lines", "commas"],
)  # fmt: skip
def test_a_zip_that_unpacks_to_a_line_without_end_is_refused(tmp_path: Path, exported: Path, bomb: bytes) -> None:
    """Some hundred kilobytes that become hundreds of megabytes: one sentence, nothing taken in, little memory used."""
    packed = tmp_path / "bomb.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.write(exported / "batches.csv", "batches.csv")
        archive.writestr("entries.csv", bomb)
    del bomb
    tracemalloc.start()
    with pytest.raises(ExchangeError, match="line"):
        taken_in(tmp_path, packed)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 20_000_000
    with Journal(tmp_path / "in.sqlite") as journal:
        assert journal.batches() == []


def test_an_archive_that_says_it_holds_terabytes_is_not_unpacked(tmp_path: Path, exported: Path) -> None:
    """By what it says of itself, before anything is read; and one of thousands of files likewise."""
    many = tmp_path / "many.zip"
    with zipfile.ZipFile(many, "w") as archive:
        archive.write(exported / "batches.csv", "batches.csv")
        for number in range(200):
            archive.writestr(f"{number}.csv", "")
    with pytest.raises(ExchangeError, match="201 files"):
        taken_in(tmp_path, many)


def test_json_without_measure_is_refused(tmp_path: Path) -> None:
    """A row longer than any of ours, and a document too large to be read as a whole."""
    long = tmp_path / "long.json"
    name = "x" * 2 * MOST_JSON
    long.write_text(f'{{"format":"emberpail-batches","version":1,\n"batches":[\n{{"name":"{name}"}}\n]\n}}\n')
    with pytest.raises(ExchangeError, match="longer than any"):
        taken_in(tmp_path, long)
    whole = tmp_path / "whole.json"
    with whole.open("wb") as file:
        file.write(b'{"batches": [], ')
        file.truncate(60_000_000)
    with pytest.raises(ExchangeError, match="too large"):
        taken_in(tmp_path, whole)
    deep = tmp_path / "deep.json"
    deep.write_text("[" * 100_000)
    with pytest.raises(ExchangeError, match="not JSON"):
        taken_in(tmp_path, deep)


def test_lines_count_anew_for_each_row(tmp_path: Path) -> None:
    """Many short rows are no long one."""
    path = tmp_path / "rows"
    path.write_text(("x" * 99 + "\n") * 20_000)
    with path.open() as file:
        lines = Lines(path, file)
        count = 0
        for _ in lines:
            lines.row_done()
            count += 1
    assert count == 20_000
    with path.open() as file, pytest.raises(ExchangeError):
        list(Lines(path, file))


# ---- the settings file ---------------------------------------------------------------------------------------------


def test_a_settings_file_without_measure_is_refused(tmp_path: Path) -> None:
    """A megabyte, brackets and dotted keys without end: one sentence each."""
    path = tmp_path / "emberpail.toml"
    path.write_text("# " + "x" * MOST_SETTINGS_BYTES)
    with pytest.raises(SettingsError, match="larger than 1 MB"):
        load_settings(path, {})
    for deep in ("a = " + "[" * 100_000, "a" + ".a" * 400 + " = 1", "a = " + "[" * 21 + "]" * 21):
        path.write_text(deep)
        with pytest.raises(SettingsError, match="nested too deeply"):
            load_settings(path, {})
    batch = tmp_path / "x.toml"
    batch.write_text("# " + "x" * MOST_SETTINGS_BYTES)
    with pytest.raises(BatchFileError, match="larger than 1 MB"):
        read_batch_file(batch)
    with pytest.raises(SettingsError, match="larger than 1 MB"):
        load_settings("/dev/zero", {}) if Path("/dev/zero").is_file() else load_settings_of_zero(path)


def load_settings_of_zero(path: Path) -> None:
    """A file of 10 GB that takes no room: it is not read to its end."""
    with path.open("wb") as file:
        file.truncate(10_000_000_000)
    load_settings(path, {})


SECRET = '[page]\npassphrase = "hazel under oak"\n'


@pytest.mark.parametrize(
    ("mode", "text", "word"),
    [(0o600, SECRET, ""), (0o400, SECRET, ""), (0o644, "", ""), (0o644, SECRET, "can read it"),
     (0o640, SECRET, "can read it"), (0o644, '[page]\npassphrase = "${WORD}"\n', "")],
)  # fmt: skip
def test_a_secret_that_others_can_read_is_told(tmp_path: Path, mode: int, text: str, word: str) -> None:
    """As a warning with how to mend it; a file without a secret of its own may be read by anybody."""
    path = tmp_path / "emberpail.toml"
    path.write_text(text)
    path.chmod(mode)
    warnings = load_settings(path, {"WORD": "three or four words"}).warnings
    assert (len(warnings) == 1 and word in warnings[0] and "chmod 600" in warnings[0]) if word else not warnings


def test_check_and_watch_tell_it_when_they_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever starts it sees it: check as a line, watch on standard error."""
    path = tmp_path / "emberpail.toml"
    path.write_text(SECRET + f'[journal]\npath = "{tmp_path}/journal.sqlite"\n')
    path.chmod(0o644)
    monkeypatch.chdir(tmp_path)
    main(["check", "--settings", str(path)])
    assert "chmod 600" in capsys.readouterr().out.replace("\n", " ")
    monkeypatch.setattr("monitor.running.Running.run", lambda self, stop: None)
    assert main(["watch", "--settings", str(path), "--no-page"]) == 0
    said = " ".join(capsys.readouterr().err.split())
    assert "chmod 600" in said and "hazel" not in said


def test_check_tells_of_a_journal_that_others_can_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One made by an Emberpail of before; a new one is for its user only, and so are the files beside it."""
    path = tmp_path / "emberpail.toml"
    path.write_text('[journal]\npath = "journal.sqlite"\n')
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.set_fact("a", 1)
        made = sorted(one for one in tmp_path.iterdir() if one.name.startswith("journal"))
        assert len(made) == 3 and all(one.stat().st_mode & 0o077 == 0 for one in made)
    main(["check", "--settings", str(path)])
    assert "other users" not in " ".join(capsys.readouterr().out.split())
    made[0].chmod(0o644)
    main(["check", "--settings", str(path)])
    assert f"other users of this computer can read {made[0]}" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("mode", [0o602, 0o622, 0o666])
def test_a_file_that_everybody_can_write_is_refused(tmp_path: Path, mode: int) -> None:
    """Whoever can write it says whom the watch rings."""
    path = tmp_path / "emberpail.toml"
    path.write_text("")
    path.chmod(mode)
    with pytest.raises(SettingsError, match="can be written by every user"):
        load_settings(path, {})


@pytest.mark.parametrize("mode", [0o620, 0o660, 0o664])
@pytest.mark.parametrize("text", ["", SECRET])
def test_a_file_that_a_group_can_write_is_told(tmp_path: Path, mode: int, text: str) -> None:
    """With a secret or without: in one sentence that says what to do. It is a warning, for the group may be meant."""
    path = tmp_path / "emberpail.toml"
    path.write_text(text)
    path.chmod(mode)

    def told(group: str) -> list[str]:
        warnings = load_settings(path, {}, group_of=lambda state: group if state.st_mode & 0o020 else "").warnings
        return [one for one in warnings if "written" in one]

    [says] = told("shed")
    assert says == (
        f"{path} can be written by everybody in the group shed, who could change whom Emberpail rings: chmod g-w {path}"
    )
    assert told("") == []
    path.chmod(mode & ~0o020)
    assert told("shed") == []


@pytest.mark.skipif(os.geteuid() != 0, reason="by design: only root can give a file to a group that nobody knows")
def test_check_tells_a_group_that_can_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By the system's own lookups, of which an unknown number is no error."""
    path = tmp_path / "emberpail.toml"
    path.write_text("")
    path.chmod(0o664)
    os.chown(path, -1, 54321)
    main(["check", "--settings", str(path)])
    assert f"in the group 54321, who could change whom Emberpail rings: chmod g-w {path}" in " ".join(
        capsys.readouterr().out.split()
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="by design: only root can give a file away")
def test_a_file_of_another_user_is_refused_and_roots_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As root, whose file is its own; and as somebody whose settings root has written."""
    path = tmp_path / "emberpail.toml"
    path.write_text("")
    path.chmod(0o644)
    os.chown(path, 12345, 12345)
    with pytest.raises(SettingsError, match="belongs to another user"):
        load_settings(path, {})
    monkeypatch.setattr("monitor.settings.os.geteuid", lambda: 12345)
    load_settings(path, {})
    os.chown(path, 0, 0)
    load_settings(path, {})
