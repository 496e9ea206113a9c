"""Who gets past a real broker, and what is said to whoever does not: certificates, users, access lists, stored junk."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.clock import ArrivalClock
from monitor.sensing.senml import Decoder
from monitor.sources.mqtt import MqttSource, check_broker
from tests.sources.conftest import Broker, Running, wait_until

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
USERS = {"emberpail": "willow-in-frost", "node-1": "reed-and-rush", "node-2": "moss-on-slate"}
READINGS = "emberpail/node-1/readings"
PACK = b'[{"n":"shed-2/core","u":"Cel","v":71.4}]'


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority of our own, and what it signed for localhost: one that holds, one that ran out yesterday."""
    folder = tmp_path_factory.mktemp("certificates")
    openssl(folder, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=Quillmarsh authority",
            "-keyout", "ca.key", "-out", "ca.pem")  # fmt: skip
    openssl(folder, "req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-keyout", "broker.key",
            "-out", "broker.csr")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    for name, days in (("broker", "2"), ("old", "-1")):
        openssl(folder, "x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
                "-days", days, "-extfile", "names", "-out", f"{name}.pem")  # fmt: skip
    return folder


def with_tls(certificates: Path, name: str = "broker", more: str = "") -> str:
    key, ca = f"{certificates}/broker.key", f"{certificates}/ca.pem"
    return f"certfile {certificates}/{name}.pem\nkeyfile {key}\ncafile {ca}\n{more}"


@pytest.fixture
def farm_broker(new_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker set up as the README says, access list and all, with the users in it."""
    passwords, acl = tmp_path / "passwords", tmp_path / "acl"
    for number, (user, password) in enumerate(USERS.items()):
        new = ["-c"] if number == 0 else []
        subprocess.run(["mosquitto_passwd", "-b", *new, passwords, user, password], check=True, capture_output=True)
    told = README.partition("# /etc/mosquitto/acl:")[2].partition("\n\nmosquitto grants")[0].splitlines()[1:]
    rules = "\n".join(line.strip() for line in told)
    assert "topic write emberpail/watch" in rules and "topic read emberpail/+/readings" in rules
    assert "topic write emberpail/node-1/readings" in rules
    acl.write_text(rules + "\n")
    assert re.search(r"^    message_size_limit 65536$", README, re.MULTILINE)
    extra = f"password_file {passwords}\nacl_file {acl}\nmessage_size_limit 65536"
    return new_broker(extra, anonymous=False).start()


def login(user: str) -> dict[str, str]:
    return {"username": user, "password": USERS[user]}


def watching(broker: Broker, running: Callable[..., Running], **how: object) -> Running:
    run = running(MqttSource("127.0.0.1", broker.port, clock=ArrivalClock(), **login("emberpail"), **how))  # type: ignore[arg-type]
    run.wait_state("connected")
    return run


# ---- certificates --------------------------------------------------------------------------------------------------


def test_a_certificate_that_ran_out_is_refused_and_told(
    new_broker: Callable[..., Broker], certificates: Path, running: Callable[..., Running]
) -> None:
    """The sentence says that it ran out, so that nobody looks for another file."""
    broker = new_broker(with_tls(certificates, "old")).start()
    works, says = check_broker("localhost", broker.port, tls=True, ca_file=certificates / "ca.pem")
    assert not works and "expired" in says and "is not trusted" in says
    run = running(MqttSource("localhost", broker.port, clock=ArrivalClock(), tls=True, ca_file=certificates / "ca.pem"))
    assert run.wait_state("trouble") == says


def test_a_broker_that_wants_our_certificate_is_told_in_words(
    new_broker: Callable[..., Broker], certificates: Path
) -> None:
    """We have none to show: the end is a sentence, not silence."""
    broker = new_broker(with_tls(certificates, more="require_certificate true")).start()
    works, says = check_broker("localhost", broker.port, tls=True, ca_file=certificates / "ca.pem")
    assert not works and "localhost" in says and "nobody foresaw" not in says


@pytest.mark.parametrize("wrong", ["broker.key", "names", "."])
def test_a_file_that_is_no_certificate_is_named(
    new_broker: Callable[..., Broker], certificates: Path, wrong: str
) -> None:
    """The key instead of the certificate, a text file, a folder."""
    broker = new_broker(with_tls(certificates)).start()
    works, says = check_broker("localhost", broker.port, tls=True, ca_file=certificates / wrong)
    assert not works and "cannot be used" in says and "ca_file" in says


# ---- users and access lists ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "word"),
    [({}, "wants a user name"), ({"username": "emberpail", "password": "guess-9"}, 'refuses the user name "emberpail"'),
     ({"username": "nobody", "password": "willow-in-frost"}, 'refuses the user name "nobody"'),
     ({"username": "emberpail"}, 'refuses the user name "emberpail"')],
)  # fmt: skip
def test_whoever_the_broker_does_not_know_is_told_what_to_correct(
    farm_broker: Broker, who: dict[str, str], word: str
) -> None:
    """Nobody, a wrong password, a stranger, a user without a password: one sentence, without the password."""
    works, says = check_broker("127.0.0.1", farm_broker.port, **who)
    assert not works and word in says
    assert not any(password in says for password in (*USERS.values(), "guess-9"))


def test_the_access_list_of_the_readme_lets_each_do_its_own_and_no_more(
    farm_broker: Broker, running: Callable[..., Running]
) -> None:
    """A node's readings come; those that it sends as another node, or that a stranger sends, do not; and the watch's
    own user cannot write at all."""
    run = watching(farm_broker, running)
    for user, topic in (("node-2", READINGS), ("node-1", "emberpail/node-2/readings"), ("emberpail", READINGS)):
        auth = login(user)
        farm_broker.publish(topic, b'[{"n":"forged/core","u":"Cel","v":20}]', auth=auth)
    farm_broker.publish(READINGS, PACK, auth=login("node-1"))
    run.wait_lines(1)
    time.sleep(0.3)
    assert run.data == [PACK]


def test_a_list_that_lets_us_read_nothing_is_told_though_the_broker_says_yes(
    farm_broker: Broker, running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    """mosquitto grants the subscription and sends nothing: after a while the sentence says where to look. What comes
    ends it."""
    monkeypatch.setattr("monitor.sources.mqtt.MUTE_AFTER_S", 0.5)
    run = running(MqttSource("127.0.0.1", farm_broker.port, clock=ArrivalClock(), **login("node-2")))  # type: ignore[arg-type]
    run.wait_state("connected")
    farm_broker.publish(READINGS, PACK, auth=login("node-1"))
    says = run.wait_says("access list")
    assert "nothing has come" in says and "emberpail/+/readings" in says
    assert run.source.health().state == "connected" and run.lines == []
    heard = watching(farm_broker, running, client_id="another")
    heard.wait_says("access list")
    farm_broker.publish(READINGS, PACK, auth=login("node-1"))
    heard.wait_lines(1)
    heard.wait_says("listening to")


def test_a_message_that_the_broker_will_not_pass_on_does_not_reach_us(
    farm_broker: Broker, running: Callable[..., Running]
) -> None:
    """With message_size_limit as in the README a payload of a megabyte ends at the broker."""
    run = watching(farm_broker, running)
    try:
        farm_broker.publish(READINGS, b"x" * 1_000_000, auth=login("node-1"))
    except Exception as error:  # the broker may cut off whoever sends it
        assert "node" not in str(error)
    farm_broker.publish(READINGS, PACK, auth=login("node-1"))
    run.wait_lines(1)
    assert run.data == [PACK] and "too_long" not in run.source.health().faults


# ---- stored junk ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "fault"),
    [(b"online", "bad_json"), (b"\xff\xfe\x00junk", "bad_json"), (b"{}", "bad_json"), (b"[]", "bad_pack"),
     (b'[{"n":"shed-2/core","u":"Cel","v":71.4}]', "stale_retained"),
     (b'[{"bt":1e9,"n":"shed-2/core","u":"Cel","v":71.4}]', "stale_retained")],
)  # fmt: skip
def test_what_the_broker_has_stored_is_no_reading_of_today(
    broker: Broker, running: Callable[..., Running], payload: bytes, fault: str
) -> None:
    """Junk, and a good pack without a time: each is a counted fault, and what comes after it is read."""
    broker.publish(READINGS, payload, retain=True)
    run = running(MqttSource("127.0.0.1", broker.port, clock=ArrivalClock()))
    run.wait_lines(1)
    assert run.lines[0].retained
    decoder = Decoder()
    stored = decoder.decode(run.lines[0].data, run.lines[0].arrival_s, retained=run.lines[0].retained)
    assert stored.readings == () and stored.faults == (fault,)
    broker.publish(READINGS, PACK)
    line = run.wait_lines(2)[1]
    assert decoder.decode(line.data, line.arrival_s, retained=line.retained).readings
    wait_until(lambda: run.source.health().state == "connected")
