"""The picture of the curve: there when it can be, and never the cause of a late or a lost message."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from monitor.journal.database import Journal, Message
from monitor.phone.people import Person, routes_of
from monitor.phone.pictures import Pictures, as_file
from monitor.phone.postman import Postman, bucket_of
from monitor.phone.routes import Outcome, label, takes_picture
from tests.phone.receiver import Receiver

T0 = 1_773_480_000.0
PNG = b"\x89PNG\r\n\x1a\n and the rest of it"
ROUTE = "a://one"
TAKEN, REFUSED = Outcome(True, False, "took it"), Outcome(False, False, "too large")


class Phone:
    """Takes words; ``picture_answer`` is what it says to a picture. ``sent`` holds the bytes of each try's picture."""

    def __init__(self, picture_answer: Outcome = TAKEN) -> None:
        self.picture_answer = picture_answer
        self.sent: list[bytes | None] = []
        self.paths: list[Path] = []

    def __call__(self, url: str, title: str, body: str, *, attach: str | None = None, **_: object) -> Outcome:
        self.sent.append(None if attach is None else Path(attach).read_bytes())
        if attach is None:
            return TAKEN
        self.paths.append(Path(attach))
        return self.picture_answer


def deliver(journal: Journal, phone: Phone, picture: object, about: str = "shed-2/b/too_hot/1", **more: object) -> None:
    journal.add_messages([Message(about, "first-1", "Ada", label(ROUTE), "title", "body", T0, "now")])
    man = Postman(
        journal, routes_of([Person("Ada", (ROUTE,))]), lambda: T0, sender=phone, picture=picture,  # type: ignore[arg-type]
        takes_picture=lambda url: True, **more,  # type: ignore[arg-type]
    )  # fmt: skip
    for _ in range(3):
        man.deliver_due(T0, wait_s=5.0)


def test_the_picture_of_the_bucket_goes_with_its_alarm(journal: Journal) -> None:
    """As a file that is gone afterwards."""
    asked: list[tuple[str, float]] = []
    phone = Phone()
    deliver(journal, phone, lambda bucket, now_s: asked.append((bucket, now_s)) or PNG)
    assert (asked, phone.sent) == ([("shed-2", T0)], [PNG])
    assert not phone.paths[0].exists()


def test_words_do_not_wait_for_the_pictures_of_others(journal: Journal) -> None:
    """Of many alarms at once the last few have theirs."""
    asked: list[str] = []
    phone = Phone()
    for number in range(1, 10):
        about = f"shed-{number}/b/too_hot/1"
        journal.add_messages([Message(about, "first-1", "Ada", label(ROUTE), "title", "body", T0 + number, "now")])
    man = Postman(
        journal, routes_of([Person("Ada", (ROUTE,))]), lambda: T0 + 10, sender=phone,
        picture=lambda bucket, now_s: asked.append(bucket) or PNG, takes_picture=lambda url: True,  # type: ignore[func-returns-value]
    )  # fmt: skip
    man.deliver_due(T0 + 10, wait_s=5.0)
    assert phone.sent == [None] * 6 + [PNG] * 3
    assert asked == ["shed-7", "shed-8", "shed-9"]


def test_a_picture_that_is_refused_costs_nothing_but_itself(journal: Journal) -> None:
    """At once again, without; the message counts as told."""
    phone = Phone(REFUSED)
    deliver(journal, phone, lambda bucket, now_s: PNG)
    assert phone.sent == [PNG, None]
    assert [one.state for one in journal.messages()] == ["sent"]


def test_after_a_time_out_the_words_are_not_sent_twice_in_one_breath(journal: Journal) -> None:
    """They may have arrived: the outbox tries again after its wait, without the picture."""
    moments = iter([0.0] * 50)
    clock = {"at": 0.0}

    def slow(url: str, title: str, body: str, *, attach: str | None = None, **_: object) -> Outcome:
        sent.append(attach is not None)
        clock["at"] += 20.0
        return Outcome(False, True, "no answer")

    sent: list[bool] = []
    deliver(journal, slow, lambda bucket, now_s: PNG, monotonic=lambda: clock["at"] + next(moments))  # type: ignore[arg-type]
    assert sent == [True]


@pytest.mark.parametrize("made", [None, b"", b"<svg/>", "text", PNG + bytes(3_000_000)])
def test_what_is_no_picture_is_left_out(journal: Journal, made: object) -> None:
    """The words go alone."""
    phone = Phone()
    deliver(journal, phone, lambda bucket, now_s: made)
    assert phone.sent == [None]


def test_a_maker_that_fails_or_hangs_delays_nothing() -> None:
    """A moment's patience, then without; and no second thread for one that hangs."""
    def broken(bucket: str, now_s: float) -> bytes:
        raise MemoryError

    assert Pictures(broken).of("shed-2", T0) is None
    go, begun = threading.Event(), []

    def hangs(bucket: str, now_s: float) -> bytes:
        begun.append(bucket)
        go.wait(10)
        return PNG

    pictures = Pictures(hangs, patience_s=0.05)
    began = time.monotonic()
    assert [pictures.of("shed-2", T0 + 300.0 * n) for n in range(4)] == [None] * 4
    assert time.monotonic() - began < 2.0
    assert begun == ["shed-2"]
    go.set()


def test_one_picture_serves_a_minute_s_messages() -> None:
    """Made once for all who are told; anew when it is old."""
    made: list[float] = []
    pictures = Pictures(lambda bucket, now_s: made.append(now_s) or PNG)
    for at_s in (T0, T0 + 1, T0 + 59, T0 + 60, T0 + 61):
        assert pictures.of("shed-2", at_s) == PNG
    assert made == [T0, T0 + 60]


@pytest.mark.parametrize(
    ("about", "bucket"),
    [
        ("shed-2/Quillmarsh 12/too_hot/1", "shed-2"), ("shed-2/a/b/sensor_fault.core/2", "shed-2"),
        ("//watch_fault/1", ""), ("reminder/Quillmarsh 12/evening", ""), ("a1", ""), ("reminder/a/b/c/d", ""),
    ],
)  # fmt: skip
def test_only_an_alarm_of_a_bucket_has_a_picture(about: str, bucket: str) -> None:
    """The daemon's own trouble and the reminders have none."""
    assert bucket_of(about) == bucket


def test_a_route_that_takes_no_picture_is_not_made_one() -> None:
    """Asked of the library, without asking the service; a route that is none takes nothing."""
    assert takes_picture("ntfy://topic") and takes_picture("json://localhost/x")
    assert not takes_picture("print://x") and not takes_picture("nonsense") and not takes_picture("zzz://x")


def test_through_the_library_to_a_service(journal: Journal, receiver: Receiver) -> None:
    """The bytes arrive, under a name that says PNG."""
    url = receiver.url("ok")
    journal.add_messages([Message("shed-2/b/too_hot/1", "first-1", "Ada", label(url), "title", "body", T0, "now")])
    man = Postman(journal, routes_of([Person("Ada", (url,))]), lambda: T0, picture=lambda bucket, now_s: PNG)
    for _ in range(20):
        if man.deliver_due(T0, wait_s=1.0):
            break
    (attachment,) = receiver.taken[0]["attachments"]
    assert attachment["filename"].endswith(".png") and attachment["mimetype"] == "image/png"


def test_a_disk_without_room_sends_the_words_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """No file, no picture, no error."""
    def full(**_: object) -> tuple[int, str]:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.mkstemp", full)
    with as_file(PNG) as path:
        assert path is None
