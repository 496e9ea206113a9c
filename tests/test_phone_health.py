"""How the phones are: kept under what stays the same, shown under what gives nothing of an address away."""

from __future__ import annotations

import json
import re
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import ArrivalClock
from monitor.household import JournalHousehold
from monitor.journal.database import Journal, Message
from monitor.metering import metrics
from monitor.phone.people import Person as Rings
from monitor.phone.people import routes_of
from monitor.phone.postman import Postman
from monitor.phone.routes import Outcome, label, ring
from monitor.phone_health import health_to_show, keep_health, part_of
from monitor.running import Running
from monitor.settings import Person, Settings
from monitor.standing import status_view
from monitor.toml_tables import Secret

T0 = 1_773_480_000.0
# Two topics that somebody may have, of whoever guesses neither is to be told which.
TOPICS = ("quillmarsh-soap", "shed-alarm")
_HASH = re.compile(r"…|[0-9a-f]{6}")


def _settings(*routes: str, **more: str) -> Settings:
    people = {"Ada": routes, **{name: (url,) for name, url in more.items()}}
    return Settings(people=tuple(Person(name, tuple(map(Secret, urls))) for name, urls in people.items()))


def _shown(journal: Journal, *routes: str) -> list[tuple[str, bool, str]]:
    return [(one.part, one.ok, one.says) for one in health_to_show(journal, _settings(*routes))]


@pytest.fixture
def journal(tmp_path: Path) -> Any:
    with Journal(tmp_path / "journal.sqlite") as journal:
        yield journal


def test_what_was_kept_of_a_route_before_is_shown_without_its_hash(journal: Journal) -> None:
    """A journal of an Emberpail that showed it: part and sentence; other parts are told as they are."""
    one, was = label("json://a"), label("json://b")
    journal.set_health(f"phone Ada {one}", False, f"{one}: refused.", T0)
    journal.set_health(f"phone Ada {was}", True, f"Ada, {was}: the service took it.", T0)
    journal.set_health("broker", True, "connected.", T0)
    journal.set_health("heartbeat", False, f"Heartbeat {label('http://x/y')}: no answer within 10 s.", T0)
    assert _shown(journal, "json://z", "json://a") == [
        ("broker", True, "connected."),
        ("heartbeat", False, "Heartbeat http: no answer within 10 s."),
        ("phone Ada json", True, "Ada, json: the service took it."),
        ("phone Ada json 2", False, "json 2: refused."),
    ]


def test_it_is_the_route_s_own_when_the_settings_change(journal: Journal) -> None:
    """Its number is another then, and its sentence says the new one."""
    keep_health(journal, ("Ada", label("json://b")), "json 2", False, "json 2: refused.", at_s=T0)
    assert _shown(journal, "json://a", "json://b") == [("phone Ada json 2", False, "json 2: refused.")]
    assert _shown(journal, "json://b", "json://a") == [("phone Ada json 1", False, "json 1: refused.")]
    assert _shown(journal, "json://a") == [("phone Ada json", False, "json: refused.")]


@pytest.mark.parametrize("bad", ["json://a", "json://b", "json://c"])
def test_of_several_that_are_gone_the_worst_speaks(journal: Journal, bad: str) -> None:
    """One name has one figure; of those that are equally well, the newest."""
    for at_s, url in ((T0 + 2, "json://a"), (T0, "json://b"), (T0 + 1, "json://c")):
        keep_health(journal, ("Ada", label(url)), "json", url != bad, f"json: {url[-1]}", at_s=at_s)
    assert _shown(journal) == [("phone Ada json", False, f"json: {bad[-1]}")]
    keep_health(journal, ("Ada", label(bad)), "json", True, "json: well", at_s=T0 - 1)
    [(_, ok, says)] = _shown(journal)
    assert ok and says == f"json: {'c' if bad == 'json://a' else 'a'}"


class _Farm:
    """A farm whose one secret is the topic, and everything that it shows of its phones."""

    def __init__(self, folder: Path, topic: str) -> None:
        folder.mkdir()
        self.url, self.said = f"json://127.0.0.1:9/{topic}", list[str]()
        self.settings = _settings(self.url, f"zzz://{topic}", Ben=self.url)
        clock = ArrivalClock(start_s=T0, monotonic=lambda: 0.0, wall=lambda: T0)
        with Journal(folder / "journal.sqlite") as journal:
            routes = [(one.name, url.reveal()) for one in self.settings.people for url in one.routes]
            journal.add_messages(
                Message("a", "raised", name, label(url), "Hot", "Look.", T0, "now") for name, url in routes
            )
            self.running = Running(self.settings, journal, clock, [], serve_page=False, say=self.said.append)
            try:
                self.running._refused = {part_of(name, label(url)): 2 for name, url in routes}
                until = time.monotonic() + 20.0
                while any(one.attempts == 0 for one in journal.messages()) and time.monotonic() < until:
                    self.running.deliver_now()
                household = JournalHousehold(
                    self.settings, lambda: Journal(journal.path, read_only=True), lambda: Journal(journal.path),
                    lambda: T0, lambda: None,
                )  # fmt: skip
                self.shown = {
                    "said": sorted(self.said),
                    "trouble": dict(self.running.watch.trouble),
                    "status": status_view(journal, self.settings, T0),
                    "figures": metrics(journal, self.settings, T0, {}),
                    "phones": household.view(),
                    "rung": household.ring("Ada"),
                    "after": household.view(),
                    "by hand": [(one.person, one.route, one.ok, one.says) for one in ring(routes)],
                    "drill": journal.fact("drill"),
                }
                household.close()
            finally:
                self.running.close()


def test_all_that_is_shown_is_the_same_whatever_the_topic(tmp_path: Path) -> None:
    """So that there is nothing against which to hold a guess."""
    one, other = (_Farm(tmp_path / topic, topic) for topic in TOPICS)
    assert one.shown == other.shown
    assert set(one.shown["trouble"]) == {"phone Ada json 1", "phone Ada zzz 1", "phone Ben json 1"}  # type: ignore[call-overload]
    assert sum("connection refused" in says for says in one.said) == 2
    assert not _HASH.search(json.dumps([one.said, one.shown["trouble"], one.shown["by hand"]], ensure_ascii=False))


def test_what_waits_under_the_label_of_before_goes_out_once(journal: Journal) -> None:
    """Written by an Emberpail of before, over restarts and with another route set in front of it meanwhile."""
    url, sent = "ntfys://shed.example/quillmarsh-soap", list[tuple[str, object]]()
    journal.add_messages([Message("a", "raised", "Ada", "ntfys …a82fb8", "Hot", "Look.", T0, "now")])
    assert [one.message_id for one in journal.messages()] == ["a/raised/Ada/ntfys …a82fb8"]

    def take(to: str, *_: str, name: str, **__: object) -> Outcome:
        sent.append((to, name))
        return Outcome(True, False, f"{name}: the service took it.")

    for _ in range(3):
        man = Postman(journal, routes_of([Rings("Ada", ("ntfys://other/x", url))]), lambda: T0, sender=take)
        assert man.adopt(T0) == 0
        for _ in range(3):
            man.deliver_due(T0, wait_s=1.0)
        man.close()
    assert sent == [(url, "ntfys 2")]


def test_the_postman_names_no_hash_whatever_goes_wrong(journal: Journal) -> None:
    """A sender that raises, one that hangs, a route that the settings do not have any more; nor do its threads."""
    urls = {name: f"json://x/{name}" for name in ("breaks", "hangs", "gone")}
    journal.add_messages(
        Message("a", what, "Ada", label(url), "Hot", "Look.", T0, "now") for what, url in urls.items()
    )
    go, threads = threading.Event(), list[str]()

    def send(url: str, *_: object, **__: object) -> Outcome:
        threads.append(threading.current_thread().name)
        if url == urls["breaks"]:
            raise KeyError(url)
        go.wait(10.0)
        return Outcome(True, False, "")

    routes = routes_of([Rings("Ada", (urls["breaks"], urls["hangs"]))])
    man = Postman(journal, routes, lambda: T0, sender=send, hung_after_s=0.05)
    says = set[str]()
    until = time.monotonic() + 10.0
    while len(says) < 3 and time.monotonic() < until:
        says |= {one.says for one in man.deliver_due(T0, wait_s=0.1)}
    go.set()
    man.close()
    assert says == {
        "Ada, json: the settings no longer have this route.", "json 1 failed (KeyError).",
        "json 2: no answer within 0 s; it may have arrived all the same.",
    }  # fmt: skip
    assert set(threads) == {"phone json 1", "phone json 2"}


def test_a_fault_that_nobody_foresaw_names_no_hash(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may be about a lane; what is said of it rings as an alarm and stands in the status."""
    clock = ArrivalClock(start_s=T0, monotonic=lambda: 0.0, wall=lambda: T0)
    running = Running(_settings("json://a"), journal, clock, [], serve_page=False, say=lambda words: None)
    stop = threading.Event()

    def broken(*_: object, **__: object) -> None:
        stop.set()
        raise KeyError(("Ada", label("json://a")))

    monkeypatch.setattr(running._postman, "deliver_due", broken)
    running._deliver(stop)
    running.close()
    says = running.watch.trouble["phone"]
    assert says == "handing over failed in a way nobody foresaw: KeyError(('Ada', 'json'))."
