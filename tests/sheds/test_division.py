"""The buckets of one site divided among watches: each keeps its own, and none falls between them unseen."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.sensing.division import NOBODY_MINDS, Division, faults
from monitor.settings import MqttSource, Settings, SettingsError, load_settings
from monitor.telling import Teller
from monitor.watch import Watch
from monitor.watch_parts import people_of, sources_of
from tests.commands.conftest import Shed
from tests.helpers_watch import NIGHT_S, Bench, batch_in, pack
from tests.sources.conftest import Broker, Running, wait_until

DIVIDED = """
[place]
name = "Quillmarsh allotments (invented)"
time_zone = "UTC"
[journal]
path = "journal.sqlite"
[watch.minds]
north = ["shed-1", "n-*"]
south = ["s-*"]
[[bucket]]
name = "shed-1"
[[bucket]]
name = "n-7"
[[bucket]]
name = "s-1"
"""
BROKER = '[[source]]\nkind = "mqtt"\nname = "broker"\nhost = "127.0.0.1"\nport = {port}\n'


def settings_in(folder: Path, text: str = DIVIDED, watch: str | None = None) -> Settings:
    """The settings of a file as one watch reads them."""
    path = folder / "emberpail.toml"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    return load_settings(path, {}, watch=watch)


def test_one_file_gives_each_watch_its_own_buckets_and_names(tmp_path: Path) -> None:
    """Where two watches would meet they have names of their own: journal, client id, heartbeat, siren."""
    text = DIVIDED + BROKER.format(port=1883) + '[heartbeat]\ntopic = "emberpail/watch"\nurl = "http://h/{watch}"\n'
    text += '[siren]\nhost = "localhost"\n'
    north, south = settings_in(tmp_path, text, "north"), settings_in(tmp_path, text, "south")
    assert [one.name for one in north.buckets] == ["shed-1", "n-7"]
    assert [one.name for one in south.buckets] == ["s-1"]
    assert (north.journal_path.name, south.journal_path.name) == ("journal-north.sqlite", "journal-south.sqlite")
    ids = [one.client_id for settings in (north, south) for one in settings.sources if isinstance(one, MqttSource)]
    assert ids == ["emberpail-north", "emberpail-south"]
    assert north.heartbeat.topic == "emberpail/watch/north"
    assert south.heartbeat.url is not None and south.heartbeat.url.reveal() == "http://h/south"
    assert north.siren is not None and south.siren is None
    assert any("siren" in one and "north" in one for one in south.warnings)


def test_a_source_can_belong_to_one_watch(tmp_path: Path) -> None:
    """A cable hangs on one machine; the others do not look for it."""
    text = DIVIDED + '[[source]]\nkind = "serial"\nname = "cable"\nwatch = "south"\n'
    assert settings_in(tmp_path, text, "north").sources == ()
    assert [one.name for one in settings_in(tmp_path, text, "south").sources] == ["cable"]


def test_the_environment_or_the_file_says_which_watch_this_is(tmp_path: Path) -> None:
    """In that order, after the command's own word; an unknown one is refused by name."""
    path = tmp_path / "emberpail.toml"
    settings_in(tmp_path, '[watch]\nname = "south"\n' + DIVIDED)
    assert load_settings(path, {}).division.own == "south"
    assert load_settings(path, {"EMBERPAIL_WATCH": "north"}).division.own == "north"
    assert load_settings(path, {"EMBERPAIL_WATCH": "north"}, watch="south").division.own == "south"
    with pytest.raises(SettingsError, match=r'no watch "west".*north, south'):
        load_settings(path, {}, watch="west")


def test_a_bucket_that_nobody_or_two_mind_is_named(tmp_path: Path) -> None:
    """It is a fault of the settings as a whole, and shows on every machine."""
    text = DIVIDED.replace('["s-*"]', '["s-2", "n-?"]')
    for watch in ("north", "south", None):
        found = settings_in(tmp_path, text, watch).division_faults
        assert [("No watch minds s-1" in one, "n-7 is minded by" in one) for one in found] == [
            (False, True), (True, False),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('"North one" = ["a"]', "no name of a watch"),
        ('north = ["a/b"]', "fits no bucket"),
        ("north = 3", "north"),
    ],
)
def test_a_division_that_cannot_be_used_is_refused_in_a_sentence(tmp_path: Path, line: str, says: str) -> None:
    """Which key, and what is allowed."""
    with pytest.raises(SettingsError) as refused:
        settings_in(tmp_path, f"[watch.minds]\n{line}\n")
    assert any(says in one for one in refused.value.problems)


@pytest.mark.parametrize("key", ["password", "passphrase", "token", "metrics_token", "routes", "url"])
@pytest.mark.parametrize("value", ['"canary-77"', '["json://canary-77@shed.example/"]'])
def test_a_secret_below_the_wrong_heading_is_not_shown(tmp_path: Path, key: str, value: str) -> None:
    """The heading of its table was forgotten, and every name is one of a watch here. (Found by fuzzing.)"""
    with pytest.raises(SettingsError) as refused:
        settings_in(tmp_path, f"[watch.minds]\n{key} = {value}\n")
    assert [f"{key} in [watch.minds]" in one and "in brackets" in one for one in refused.value.problems] == [True]
    assert "canary" not in str(refused.value)


@pytest.mark.parametrize("key", ["pasword", "log-in", "log_in"])
@pytest.mark.parametrize(
    ("value", "says"),
    [('"canary-77"', "not a list in square brackets"),
     ('["json://canary-77@shed.example/"]', "number 1 of the list fits"),
     ('["shed-1", ["canary-77"]]', "number 2 of the list is not a text")],
)  # fmt: skip
def test_nor_is_one_whose_name_has_a_slip_in_it(tmp_path: Path, key: str, value: str, says: str) -> None:
    """It is taken for the name of a watch; where it stands is told by key, line and place."""
    with pytest.raises(SettingsError) as refused:
        settings_in(tmp_path, f"[watch.minds]\n{key} = {value}\n")
    assert any(f"line 2: {key} in [watch.minds]" in one and says in one for one in refused.value.problems)
    assert "canary" not in str(refused.value)


_NAMES = st.text("abn-1", min_size=1, max_size=4)


@given(
    st.dictionaries(st.sampled_from(["north", "south", "west"]), st.lists(_NAMES | st.just("a*"), max_size=3)),
    st.lists(_NAMES, max_size=5, unique=True),
)
def test_without_faults_every_bucket_has_exactly_one_watch(
    shares: dict[str, list[str]], buckets: list[str]
) -> None:
    """The sentences and what each watch takes for its own never disagree."""
    division = Division(tuple((name, tuple(patterns)) for name, patterns in shares.items()))
    minding = {
        bucket: [name for name in shares if Division(division.shares, name).minds(bucket)] for bucket in buckets
    }
    wrong = [bucket for bucket in buckets if shares and len(minding[bucket]) != 1]
    assert len(list(faults(division, buckets))) == len(wrong)
    assert all(division.minded_by_nobody(bucket) == (bool(shares) and not minding[bucket]) for bucket in buckets)


def test_readings_of_another_watch_are_not_kept_and_of_nobody_are_told_once(tmp_path: Path) -> None:
    """Only one's own come into the journal; what fell between the watches is counted and said."""
    bench = Bench(tmp_path, settings=settings_in(tmp_path, watch="north"))
    try:
        for number, bucket in enumerate(("n-1", "s-1", "lost-1", "lost-1", "shed-1")):
            bench.line(NIGHT_S + 1.0 + number, pack(bucket, 40.0))
        bench.until(NIGHT_S + 70.0)
        rows = bench.desk._rows("SELECT DISTINCT bucket FROM probes ORDER BY bucket")
        assert [row[0] for row in rows] == ["n-1", "shed-1"]
        counters = bench.desk.counters()
        assert counters[("wire", NOBODY_MINDS)] == 2
        assert not any(what == "strange_bucket" for _, what in counters)
        assert [one.partition(":")[0] for one in bench.said if "no watch minds" in one] == [
            "wire sends readings of buckets that no watch minds"
        ]
    finally:
        bench.close()


def test_a_batch_that_runs_here_stays_minded_when_the_settings_give_its_bucket_away(tmp_path: Path) -> None:
    """A change of the division never leaves a running batch alone."""
    bench = Bench(tmp_path, settings=settings_in(tmp_path, watch="north"))
    try:
        bench.begin(batch_in("s-1"))
        bench.until(NIGHT_S + 2.0)
        bench.line(NIGHT_S + 3.0, pack("s-1", 40.0))
        bench.until(NIGHT_S + 70.0)
        assert bench.desk._row("SELECT count(*) FROM readings")[0] == 1
    finally:
        bench.close()


def test_the_commands_know_whose_journal_is_meant(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a word of it they refuse, and a batch starts only where its bucket is minded."""
    shed.settings.write_text(DIVIDED, encoding="utf-8")
    monkeypatch.setenv("EMBERPAIL_SETTINGS", str(shed.settings))
    assert "north, south" in shed.refused("status")
    assert "EMBERPAIL_WATCH=north" in shed.refused("start", "One", "--bucket", "n-7", "--unweighed")
    assert "n-7" in shed.ok("status", "--name", "north").words
    assert "s-1" not in shed.ok("status", "--name", "north").words
    assert "This is the watch north; it minds shed-1 and n-*" in shed.ok("status", "--name", "north").words
    monkeypatch.setenv("EMBERPAIL_WATCH", "north")
    assert "minded by the watch south, and this is north" in shed.refused(
        "start", "One", "--bucket", "s-1", "--unweighed"
    )
    assert "No watch minds \"lost-1\"" in shed.refused("start", "One", "--bucket", "lost-1", "--unweighed")
    shed.ok("start", "One", "--bucket", "n-7", "--unweighed")
    assert (shed.folder / "journal-north.sqlite").exists() and not shed.journal_path.exists()


def test_check_finds_what_falls_between_the_watches(shed: Shed) -> None:
    """From any machine, and before anybody has said which one it is."""
    shed.settings.write_text(DIVIDED.replace('"s-*"', '"s-2"'), encoding="utf-8")
    said = shed.say("check", "--json")
    assert said.code == 1
    lines = {line["says"]: line["ok"] for line in said.json if line["part"] == "watches"}
    assert [ok for says, ok in lines.items() if "No watch minds s-1" in says] == [False]
    shed.settings.write_text(DIVIDED, encoding="utf-8")
    said = shed.say("check", "--json", "--name", "north")
    assert [line["says"] for line in said.json if line["part"] == "watches" and line["ok"]] == [
        "each bucket of the settings is minded by one of north and south."
    ]


def _watch(folder: Path, broker: Broker, name: str) -> tuple[Watch, Journal, list[Running]]:
    settings = settings_in(folder, DIVIDED + BROKER.format(port=broker.port), name)
    journal, clock = Journal(settings.journal_path), ArrivalClock()
    sources = sources_of(settings, clock)
    watch = Watch(
        settings, journal, clock, sources, teller=Teller(journal, settings, people_of(settings)), say=lambda _: None
    )
    watch._open()
    return watch, journal, [Running(source, deliver=watch.deliver) for source in sources]


@pytest.mark.broker
def test_two_watches_on_one_broker_share_every_reading_out(tmp_path: Path, broker: Broker) -> None:
    """Both hear the same topic, each keeps its own, and all of it is acknowledged for both."""
    both = {name: _watch(tmp_path, broker, name) for name in ("north", "south")}
    try:
        for _, _, running in both.values():
            running[0].wait_state("connected")
        sent = [("n-1", 41.0), ("s-1", 42.0), ("shed-1", 43.0), ("s-9", 44.0)]
        for bucket, value_c in sent:
            broker.publish("emberpail/node/readings", pack(bucket, value_c, 1.8e9))

        def kept(name: str) -> list[tuple[str, float]]:
            watch, journal, _ = both[name]
            watch.step()
            watch._commit()
            return [tuple(row) for row in journal._rows(
                "SELECT p.bucket, r.temperature_c FROM readings r JOIN probes p ON p.id = r.probe ORDER BY r.id"
            )]  # fmt: skip

        wait_until(lambda: len(kept("north")) == 2 and len(kept("south")) == 2, what="both to keep their own")
        assert kept("north") == [("n-1", 41.0), ("shed-1", 43.0)]
        assert kept("south") == [("s-1", 42.0), ("s-9", 44.0)]
        for _, _, running in both.values():
            wait_until(lambda one=running[0]: one.source.unacknowledged == 0, what="all to be acknowledged")
    finally:
        for watch, journal, running in both.values():
            for one in running:
                one.end()
            watch._close()
            journal.close()


@pytest.mark.broker
def test_check_hears_of_the_other_watches_on_the_broker(shed: Shed, broker: Broker) -> None:
    """A watch that is gone, one with other settings and one that nobody knows are told from any machine."""
    text = DIVIDED + BROKER.format(port=broker.port) + '[heartbeat]\ntopic = "emberpail/watch"\n'
    shed.settings.write_text(text, encoding="utf-8")
    for name, word in (
        ("north", {"state": "minding", "at": round(time.time()) - 60, "minds": ["shed-1", "n-*"]}),
        ("south", {"state": "gone", "minds": ["s-*"]}),
        ("west", {"state": "minding"}),
    ):
        broker.publish(f"emberpail/watch/{name}", json.dumps(word).encode(), retain=True)

    def told() -> dict[str, bool | None]:
        lines = shed.say("check", "--json", "--name", "north").json
        return {line["says"]: line["ok"] for line in lines if line["part"] == "watches"}

    assert told().items() >= {
        "the watch north is minding, as it says on the broker.": True,
        'the watch south says "gone" on the broker.': False,
        "a watch west runs that these settings do not know: it goes by others.": False,
    }.items()
    broker.publish("emberpail/watch/south", b'{"state":"minding","minds":["s-1"]}', retain=True)
    assert told()["the watch south goes by other settings: it minds s-1."] is False


@pytest.mark.broker
def test_a_word_that_outlived_its_watch_is_not_taken_for_a_living_one(shed: Shed, broker: Broker) -> None:
    """Broker and watch lose their power together: the broker comes back with the word, and no last will fires."""
    text = DIVIDED + BROKER.format(port=broker.port) + '[heartbeat]\ntopic = "emberpail/watch"\n'
    shed.settings.write_text(text, encoding="utf-8")

    def told(state: str, at: object, watch: str = "south") -> tuple[bool | None, str]:
        word = {"state": state} | ({} if at is None else {"at": at})
        broker.publish(f"emberpail/watch/{watch}", json.dumps(word).encode(), retain=True)
        lines = shed.say("check", "--json", "--name", "north").json
        return next((line["ok"], line["says"]) for line in lines if f"watch {watch} " in line["says"])

    now = time.time()
    broker.publish("emberpail/watch/south", json.dumps({"state": "minding", "at": round(now - 7200)}).encode(),
                   retain=True)  # fmt: skip
    broker.stop()
    broker.start()
    lines = [line for line in shed.say("check", "--json", "--name", "north").json if "south said" in line["says"]]
    assert [line["ok"] for line in lines] == [False] and 'said "minding"' in lines[0]["says"]
    assert "2 h ago" in lines[0]["says"] or "120 min ago" in lines[0]["says"]
    assert told("minding", now - 150.0) == (True, "the watch south is minding, as it says on the broker.")
    assert told("minding", now - 240.0)[0] is False
    assert told("amiss", now - 240.0)[0] is False and "ago and nothing since" in told("amiss", now - 240.0)[1]
    assert told("minding", now + 3600.0)[0] is False and "ahead of this" in told("minding", now + 3600.0)[1]
    assert told("minding", None)[0] is False and "not since when" in told("minding", None)[1]
    assert told("minding", float("nan"))[0] is False and told("minding", 10**400)[0] is False
    assert told("stopped", now - 7200.0) == (False, 'the watch south says "stopped" on the broker.')
    # One of another day whose word nobody took back does not run, and says nothing against these settings.
    assert told("minding", now - 86400.0, "west")[0] is None
    assert told("minding", now, "west")[0] is False
