"""The MQTT source against a real mosquitto."""

from __future__ import annotations

import gc
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import publish

from monitor.clock import ArrivalClock
from monitor.sources.line import MAX_LINE_BYTES, Line
from monitor.sources.mqtt import COMMIT_AT, IN_FLIGHT_WINDOW, MOST_HANDED_ON, MqttSource, check_broker
from tests.sources.conftest import Broker, Moved, Running, free_port, wait_until, with_full_window

pytestmark = pytest.mark.broker

TOPIC = "emberpail/node-1/readings"


def pack(number: int) -> bytes:
    return b'[{"n":"shed-2/core","u":"Cel","v":%d}]' % number


def source_at(broker: Broker, clock: ArrivalClock, **how: Any) -> MqttSource:
    return MqttSource("127.0.0.1", broker.port, clock=clock, **how)


def acknowledge(lines: list[Line]) -> None:
    for line in lines:
        assert line.ack is not None
        line.ack()


# ---- messages ------------------------------------------------------------------------------------------------------


def test_a_message_becomes_a_line_with_topic_and_arrival(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Line feeds inside the payload become spaces; the rest stays as it came."""
    run = running(source_at(broker, clock, name="shed broker"))
    assert TOPIC.replace("node-1", "+") in run.wait_state("connected")
    before_s = clock.now()
    broker.publish(TOPIC, b'[{"n":"shed-2/core",\r\n"u":"Cel","v":56.2}]\n')
    broker.publish("elsewhere/readings", pack(1))
    broker.publish(TOPIC, b"\xff\x00damaged")
    first, second = run.wait_lines(2)
    assert first.data == b'[{"n":"shed-2/core",\r "u":"Cel","v":56.2}] '
    assert second.data == b"\xff\x00damaged"
    assert (first.origin.kind, first.origin.name, first.origin.topic) == ("mqtt", "shed broker", TOPIC)
    assert not first.retained and not first.duplicate
    assert before_s <= first.arrival_s <= second.arrival_s <= clock.now()


def test_a_retained_message_is_marked(broker: Broker, running: Callable[..., Running], clock: ArrivalClock) -> None:
    """What the broker had kept may be old, and says so; what comes live does not."""
    broker.publish(TOPIC, pack(1), retain=True)
    run = running(source_at(broker, clock))
    run.wait_lines(1)
    broker.publish(TOPIC, pack(2), retain=True)
    run.wait_lines(2)
    assert [line.retained for line in run.lines] == [True, False]


def test_deleting_a_retained_message_is_no_damaged_line(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """An empty payload is how the broker is told to forget one."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    broker.publish(TOPIC, b"", retain=True)
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)
    assert run.data == [pack(1)]
    assert run.source.health().faults == {}


def test_a_message_that_is_too_long_is_counted_and_not_sent_for_ever(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """It is acknowledged at once, for it will not get shorter."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    broker.publish(TOPIC, b"x" * (MAX_LINE_BYTES + 1))
    broker.publish(TOPIC, b"y" * MAX_LINE_BYTES)
    run.wait_lines(1)
    assert run.data == [b"y" * MAX_LINE_BYTES]
    assert run.source.health().faults == {"too_long": 1}
    assert run.source.unacknowledged == 1


SENDS_WITHOUT_MEASURE = """
import sys
from paho.mqtt import publish

publish.single(sys.argv[1], b"x" * 50_000_000, qos=1, hostname="127.0.0.1", port=int(sys.argv[2]))
"""


def test_a_message_without_measure_takes_no_memory_and_what_is_behind_it_comes(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """A stock broker passes on up to 256 MB. It is counted and acknowledged, so it does not come again."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    tracemalloc.start()
    try:
        subprocess.run(  # elsewhere, for the sender's own memory is not what is looked at
            [sys.executable, "-c", SENDS_WITHOUT_MEASURE, TOPIC, str(broker.port)], check=True, timeout=20.0
        )
        broker.publish(TOPIC, pack(1))
        acknowledge(run.wait_lines(1))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert run.data == [pack(1)]
    assert run.source.health().faults == {"too_long": 1}
    assert peak < 5_000_000, f"{peak} bytes for a message of 50 MB"
    time.sleep(0.3)
    run.end()
    again = running(source_at(broker, clock))
    again.wait_state("connected")
    broker.publish(TOPIC, pack(2))
    again.wait_lines(1)
    assert again.data == [pack(2)] and again.source.health().faults == {}


# ---- acknowledging -------------------------------------------------------------------------------------------------


def test_the_broker_stops_at_its_window_until_lines_are_acknowledged(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """PUBACKs go out only after ack(): the broker sends 20 and no more, then the rest."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    for number in range(30):
        broker.publish(TOPIC, pack(number))
    run.wait_lines(IN_FLIGHT_WINDOW)
    time.sleep(0.5)
    assert len(run.lines) == run.source.unacknowledged == IN_FLIGHT_WINDOW
    acknowledge(run.lines[:COMMIT_AT])
    run.wait_lines(30)
    assert run.data == [pack(number) for number in range(30)]
    assert run.source.unacknowledged == IN_FLIGHT_WINDOW
    acknowledge(run.lines)
    assert run.source.unacknowledged == 0


def test_a_broker_that_sends_far_more_than_its_window_is_held_to_what_can_be_known_again(
    new_broker: Callable[..., Broker], running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Mosquitto 2.0.11 does, after a lost connection with much to send. The others come when these are acknowledged."""
    broker = new_broker("max_inflight_messages 5000\nmax_queued_messages 0").start()
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    many = 2 * MOST_HANDED_ON + 50
    publish.multiple(
        [{"topic": TOPIC, "payload": pack(n), "qos": 1} for n in range(many)], hostname="127.0.0.1", port=broker.port
    )
    run.wait_lines(MOST_HANDED_ON)
    time.sleep(0.5)
    assert len(run.lines) == MOST_HANDED_ON == run.source.unacknowledged
    done = 0
    while done < many:
        lines = run.wait_lines(done + 1)[done:]
        acknowledge(lines)
        done += len(lines)
    assert run.data == [pack(number) for number in range(many)]


def test_acknowledging_twice_does_no_harm(broker: Broker, running: Callable[..., Running], clock: ArrivalClock) -> None:
    """The second call must not acknowledge a later message that got the same id."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)
    for _ in range(3):
        acknowledge(run.lines[:1])
    broker.publish(TOPIC, pack(2))
    run.wait_lines(2)
    acknowledge(run.lines[:1])
    assert run.source.unacknowledged == 1


def test_an_unacknowledged_message_comes_again_after_a_restart_and_an_acknowledged_one_does_not(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """The session is the broker's; what was committed is gone from it, what was not is sent again."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    for number in range(4):
        broker.publish(TOPIC, pack(number))
    acknowledge(run.wait_lines(4)[:2])
    time.sleep(0.3)
    run.end()
    broker.publish(TOPIC, pack(9))  # while nobody listens
    again = running(source_at(broker, clock))
    again.wait_lines(3)
    time.sleep(0.3)
    assert again.data == [pack(2), pack(3), pack(9)]
    assert [line.duplicate for line in again.lines] == [True, True, False]


KILLED = """
import sys, threading, time
from monitor.clock import ArrivalClock
from monitor.sources.mqtt import MqttSource

def deliver(line):
    print(line.data.decode(), flush=True)
    if b'"v":0}' in line.data:
        line.ack()

source = MqttSource("127.0.0.1", int(sys.argv[1]), clock=ArrivalClock())
threading.Thread(target=source.run, args=(deliver, threading.Event())).start()
while source.health().state != "connected":
    time.sleep(0.01)
print("listening", flush=True)
"""


def test_a_watch_killed_with_minus_nine_loses_no_message(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """kill -9 between receiving and committing: the broker sends it all again."""
    command = [sys.executable, "-c", KILLED, str(broker.port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as watch:
        told = threading.Timer(20.0, watch.kill)  # so that a watch that stays mute fails the test, not the evening
        told.start()
        try:
            assert watch.stdout is not None
            assert watch.stdout.readline().strip() == b"listening"
            for number in range(3):
                broker.publish(TOPIC, pack(number))
            assert [watch.stdout.readline().strip() for _ in range(3)] == [pack(number) for number in range(3)]
            time.sleep(0.7)
        finally:
            told.cancel()
            os.kill(watch.pid, signal.SIGKILL)
    run = running(source_at(broker, clock))
    run.wait_lines(2)
    time.sleep(0.3)
    assert run.data == [pack(1), pack(2)]


def test_an_old_acknowledgement_is_not_sent_into_a_new_connection(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """After a broker restart that forgot everything its ids begin at 1 again: an old ack must not hit a new message."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    broker.publish(TOPIC, pack(1))
    old = run.wait_lines(1)[0]
    broker.stop()
    run.wait_state("waiting")
    (broker.folder / "mosquitto.db").unlink()
    broker.start()
    run.wait_state("connected")
    broker.publish(TOPIC, pack(2))
    run.wait_lines(2)
    assert run.data == [pack(1), pack(2)]
    acknowledge([old])
    time.sleep(0.5)
    assert run.source.unacknowledged == 1
    run.end()
    again = running(source_at(broker, clock))
    assert again.wait_lines(1)[0].data == pack(2), "the new message was acknowledged by the old line"


def test_the_first_line_of_a_session_begun_anew_says_so_and_no_other_does(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """At the first connection ever, and after the broker forgot us; not after a restart of watch or broker."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    for number in range(2):
        broker.publish(TOPIC, pack(number))
    acknowledge(run.wait_lines(2))
    time.sleep(0.3)
    run.end()
    again = running(source_at(broker, clock))
    again.wait_state("connected")
    broker.publish(TOPIC, pack(2))
    acknowledge(again.wait_lines(1))
    for forgets in (False, True):
        broker.stop()
        again.wait_state("waiting")
        if forgets:
            (broker.folder / "mosquitto.db").unlink()
        broker.start()
        again.wait_state("connected")
        broker.publish(TOPIC, pack(3))
        acknowledge(again.wait_lines(3 if forgets else 2))
    assert [line.new_session for line in run.lines] == [True, False]
    assert [line.new_session for line in again.lines] == [False, False, True]


def test_a_session_begun_anew_is_told_at_once_to_whoever_asks(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Nothing needs to come for it, and the first line does not say it again; a session that was kept is no news."""
    for lost in (True, False):
        source = source_at(broker, clock)
        source.tells_new_session = True
        run = running(source)
        run.wait_state("connected")
        time.sleep(0.3)
        told = [(line.data, line.new_session, line.origin.name) for line in run.lines]
        assert told == [(b"", True, source.name)] * lost
        assert source.health().last_line_s is None, "it is no line"
        broker.publish(TOPIC, pack(1))
        acknowledge(run.wait_lines(1 + lost)[lost:])
        assert [line.new_session for line in run.lines] == [True, False][1 - lost :]
        time.sleep(0.3)
        run.end()


def test_a_line_the_worker_refuses_stays_unacknowledged(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """An exception in deliver is counted, ends nothing, and the message comes again later."""

    def refuse(line: Line) -> None:
        raise RuntimeError("full")

    run = running(source_at(broker, clock), deliver=refuse)
    run.wait_state("connected")
    broker.publish(TOPIC, pack(1))
    wait_until(lambda: run.source.health().faults.get("not_taken_in") == 1)
    assert run.source.unacknowledged == 1
    run.end()
    again = running(source_at(broker, clock))
    assert again.wait_lines(1)[0].data == pack(1)


def test_a_journal_that_does_not_commit_is_told(broker: Broker, running: Callable[..., Running]) -> None:
    """A full window for a minute: the broker holds back what comes, and nobody else would notice."""

    clock = Moved()
    run = running(MqttSource("127.0.0.1", broker.port, clock=clock))
    with_full_window(run, broker, clock, ((TOPIC, pack(number)) for number in range(IN_FLIGHT_WINDOW)))
    assert "has not taken in the last 20 messages" in run.wait_state("trouble")
    assert "judged as they come" in run.wait_says("judged")
    acknowledge(run.lines)
    run.wait_state("connected")


# ---- losing the broker ---------------------------------------------------------------------------------------------


def test_absent_at_start_is_waited_for(
    new_broker: Callable[..., Broker], running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """A broker that starts later is found by itself."""
    broker = new_broker()
    run = running(source_at(broker, clock))
    assert "nothing answers at 127.0.0.1" in run.wait_state("waiting")
    broker.start()
    run.wait_state("connected")
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)


def test_a_restarted_broker_goes_on_where_it_was(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """With persistence on, unacknowledged messages outlive the broker's restart, and new ones come again."""
    run = running(source_at(broker, clock))
    run.wait_state("connected")
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)
    broker.stop()
    run.wait_state("waiting")
    assert run.source.unacknowledged == 0
    broker.start()
    run.wait_state("connected")
    run.wait_lines(2)
    broker.publish(TOPIC, pack(2))
    run.wait_lines(3)
    assert run.data == [pack(1), pack(1), pack(2)]
    assert run.lines[1].duplicate
    assert run.source.health().faults["disconnected"] == 1


def test_a_frozen_broker_is_noticed_by_the_keepalive(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """The connection stands, but nothing answers: after two keepalives it is given up, and found again later."""
    run = running(source_at(broker, clock, keepalive_s=1))
    run.wait_state("connected")
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    try:
        run.wait_state("waiting", 8.0)
    finally:
        broker.process.send_signal(signal.SIGCONT)
    run.wait_state("connected", 20.0)
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)


def test_restarts_leave_no_file_and_no_thread_behind(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Every connection has a client of its own, and each goes away whole."""
    gc.collect()
    run = running(source_at(broker, clock))
    counts = []
    for _ in range(4):
        run.wait_state("connected")
        counts.append((len(os.listdir("/proc/self/fd")), threading.active_count()))
        broker.stop()
        run.wait_says("nothing answers")
        broker.start()
    assert counts[1:] == counts[:-1]


def test_two_watches_under_one_client_id_are_told(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """They throw each other out for ever; the sentence says what to change."""
    one = running(source_at(broker, clock))
    one.wait_state("connected")
    other = running(source_at(broker, clock))
    wait_until(
        lambda: any("another client_id" in run.source.health().says for run in (one, other)), 30.0, what="the sentence"
    )


# ---- what a person has to mend -------------------------------------------------------------------------------------


@pytest.fixture
def locked_broker(new_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker that knows one user, maker/parsley-41."""
    mosquitto_passwd = "mosquitto_passwd"
    passwords = tmp_path / "passwords"
    subprocess.run([mosquitto_passwd, "-b", "-c", passwords, "maker", "parsley-41"], check=True, capture_output=True)
    return new_broker(f"password_file {passwords}", anonymous=False).start()


def test_user_name_and_password_open_a_locked_broker(
    locked_broker: Broker, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """With the right ones it listens."""
    run = running(source_at(locked_broker, clock, username="maker", password="parsley-41"))
    run.wait_state("connected")


@pytest.mark.parametrize(
    ("login", "word"),
    [({"username": "maker", "password": "wrong-77"}, 'refuses the user name "maker"'), ({}, "wants a user name")],
)
def test_a_wrong_password_is_said_in_words_and_never_shown(
    locked_broker: Broker, running: Callable[..., Running], clock: ArrivalClock, login: dict[str, str], word: str
) -> None:
    """The sentence says what to correct, the check says the same, neither holds the password."""
    run = running(source_at(locked_broker, clock, **login))
    says = run.wait_state("trouble")
    assert word in says and "wrong-77" not in says
    assert check_broker("127.0.0.1", locked_broker.port, **login) == (False, says)


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """A certificate authority of our own, and a certificate for localhost, made with openssl."""
    folder = tmp_path / "certificates"
    folder.mkdir()

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "stranger"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN=Quillmarsh {name}",
                "-keyout", f"{name}.key", "-out", f"{name}.pem")  # fmt: skip
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-keyout", "broker.key",
            "-out", "broker.csr")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
            "-extfile", "names", "-out", "broker.pem")  # fmt: skip
    return folder


@pytest.fixture
def tls_broker(new_broker: Callable[..., Broker], certificates: Path) -> Broker:
    return new_broker(
        f"certfile {certificates}/broker.pem\nkeyfile {certificates}/broker.key\ncafile {certificates}/ca.pem"
    ).start()


def test_tls_with_the_right_authority_listens(
    tls_broker: Broker, certificates: Path, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Many messages at once arrive through TLS, too, though it keeps bytes the operating system does not show."""
    run = running(MqttSource("localhost", tls_broker.port, clock=clock, tls=True, ca_file=certificates / "ca.pem"))
    run.wait_state("connected")
    from paho.mqtt import publish

    publish.multiple(
        [(TOPIC, pack(number), 1, False) for number in range(15)], hostname="localhost", port=tls_broker.port,
        tls={"ca_certs": str(certificates / "ca.pem")},
    )  # fmt: skip
    run.wait_lines(15)
    acknowledge(run.lines)
    wait_until(lambda: run.source.unacknowledged == 0)


def test_a_certificate_of_a_stranger_or_for_another_name_is_refused(
    tls_broker: Broker, certificates: Path, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """Verifying is on; there is no way to talk to a broker that cannot prove itself."""
    for host, ca in (("localhost", "stranger.pem"), ("127.0.0.1", "ca.pem")):
        run = running(MqttSource(host, tls_broker.port, clock=clock, tls=True, ca_file=certificates / ca))
        assert "is not trusted" in run.wait_state("trouble")


def test_other_mistakes_with_tls_are_told_apart(
    tls_broker: Broker, broker: Broker, certificates: Path, tmp_path: Path
) -> None:
    """A missing file, an empty file, TLS to a plain port, plain to a TLS port."""
    empty = tmp_path / "empty.pem"
    empty.write_text("")
    assert "cannot be used" in check_broker("localhost", tls_broker.port, tls=True, ca_file=tmp_path / "none.pem")[1]
    assert "cannot be used" in check_broker("localhost", tls_broker.port, tls=True, ca_file=empty)[1]
    says = check_broker("127.0.0.1", broker.port, tls=True, ca_file=certificates / "ca.pem")[1]
    assert "TLS" in says or "cannot be reached" in says
    assert "before it said hello" in check_broker("localhost", tls_broker.port)[1]


def test_check_says_when_the_broker_lets_us_read(broker: Broker, running: Callable[..., Running]) -> None:
    """Without throwing out the watch that is connected."""
    run = running(MqttSource("127.0.0.1", broker.port, clock=ArrivalClock()))
    run.wait_state("connected")
    works, says = check_broker("127.0.0.1", broker.port)
    assert works and "lets us read" in says
    time.sleep(0.3)
    assert run.source.health().state == "connected" and run.source.health().faults == {}


# ---- other ends that are no broker: no mosquitto needed ------------------------------------------------------------


class Impostor:
    """Answers the first bytes of each connection with a script of bytes, then holds the line."""

    def __init__(self, *answers: bytes) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.answers = answers
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        try:
            while True:
                connection, _ = self.server.accept()
                self._open.append(connection)
                for answer in self.answers:
                    connection.recv(4096)
                    connection.sendall(answer)
        except OSError:
            return

    def close(self) -> None:
        for one in (self.server, *self._open):
            one.close()


@pytest.fixture
def impostor() -> Iterator[Callable[..., Impostor]]:
    made: list[Impostor] = []

    def make(*answers: bytes) -> Impostor:
        made.append(Impostor(*answers))
        return made[-1]

    yield make
    for one in made:
        one.close()


CONNACK = bytes([0x20, 2, 0, 0])  # MQTT 3.1.1 section 3.2: accepted
SUBACK_REFUSED = bytes([0x90, 3, 0, 1, 0x80])  # section 3.9.3: failure


def test_a_refused_topic_is_said(impostor: Callable[..., Impostor], running: Callable[..., Running]) -> None:
    """A subscription that the broker refuses would else look connected and stay mute for ever."""
    end = impostor(CONNACK, SUBACK_REFUSED)
    run = running(MqttSource("127.0.0.1", end.port, clock=ArrivalClock(), topic="private/#"))
    says = run.wait_state("trouble")
    assert 'does not let us read the topic "private/#"' in says


@pytest.mark.parametrize(
    "answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\xff" * 40, b"\x00" * 40, b"\x30\xff\xff\xff\xff"]
)
def test_what_is_no_broker_does_not_end_the_thread(
    impostor: Callable[..., Impostor], running: Callable[..., Running], answer: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever answers at the port, the source goes on trying and says that something is wrong."""
    monkeypatch.setattr("monitor.sources.mqtt._HELLO_TIMEOUT_S", 1.0)
    end = impostor(answer)
    run = running(MqttSource("127.0.0.1", end.port, clock=ArrivalClock()))
    wait_until(lambda: run.source.health().state in ("waiting", "trouble"), 12.0)
    assert run.thread.is_alive()
    assert "nobody foresaw" not in run.source.health().says


def test_an_unknown_host_is_named() -> None:
    """The name is in the sentence. (".invalid" never resolves, RFC 6761.)"""
    works, says = check_broker("broker.invalid", free_port())
    assert not works and "broker.invalid" in says


def test_a_library_that_fails_inside_its_loop_gets_a_new_client(
    broker: Broker, running: Callable[..., Running], clock: ArrivalClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library's best known trap is a loop that dies unseen; here it is counted, and a new client takes over."""
    import paho.mqtt.client as paho

    run = running(source_at(broker, clock))
    run.wait_state("connected")
    sound, clients = paho.Client.loop_read, []

    def fails_once(client: paho.Client, *arguments: Any) -> Any:
        if client._client_id == b"emberpail":  # the test publishes through the same library
            clients.append(client)
            if len(clients) == 1:
                raise ZeroDivisionError("a bug")
        return sound(client, *arguments)

    monkeypatch.setattr(paho.Client, "loop_read", fails_once)
    broker.publish(TOPIC, pack(1))
    run.wait_lines(1)
    run.wait_state("connected")
    assert clients[-1] is not clients[0]
    assert run.source.health().faults["unexpected"] == 1
