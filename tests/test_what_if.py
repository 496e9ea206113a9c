"""Would it have rung? The invented evening through the judgement once more, with these settings and with others."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from monitor.journal.database import Journal
from monitor.page.what_if_view import SOONER, SURER, Comparison, Outcome, Trial, TriedPerson
from monitor.settings import Settings
from monitor.what_if import NotTried, Stopped, compare, limits_for, trial_of, with_trial
from monitor.what_if_jobs import WhatIfJobs
from tests.browser.night import PASSPHRASE, Shed, evening
from tests.page.test_press import BATCH, HERE
from tests.sources.conftest import wait_until

GOOD, POOR = "Quillmarsh 21", "Quillmarsh 22"


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    with evening(tmp_path_factory.mktemp("evening"), only_the_night=True) as one:
        yield one


def told(shed: Shed, batch: str = POOR, trial: Trial | None = None) -> Comparison:
    with Journal(shed.folder / "journal.sqlite", read_only=True) as journal:
        return compare(journal, batch, shed.settings, trial or trial_of(shed.settings))


def rings(outcome: Outcome | None) -> list[tuple[str, float, float | None]]:
    assert outcome is not None
    return [(ring.kind, ring.raised_at_s, ring.cleared_at_s) for ring in outcome.rings]


def people(shed: Shed, **hours: tuple[int, int]) -> tuple[TriedPerson, ...]:
    """The people named, in that order, with their waking hours."""
    return tuple(TriedPerson(name, *span) for name, span in hours.items())


def test_with_the_settings_as_they_are_it_rings_as_it_rang(shed: Shed) -> None:
    """The same alarms at the same ticks, told to the same people in the same order."""
    found = told(shed)
    assert rings(found.then) and rings(found.then) == rings(found.now)
    assert [[call.person for call in ring.calls] for ring in found.then.rings] == [
        [call.person for call in ring.calls] for ring in found.now.rings
    ]
    assert found.tried is None and not found.watch_assumed
    assert next(call.at_s for ring in found.now.rings for call in ring.calls) >= found.now.rings[0].raised_at_s


def test_higher_up_it_is_too_hot_sooner(shed: Shed) -> None:
    """At 3000 m water boils at about 90 °C (IAPWS, standard atmosphere): there a good batch's peak is too hot."""
    found = told(shed, GOOD, dataclasses.replace(trial_of(shed.settings), altitude_m=3000.0))
    assert "too_hot" not in [kind for kind, *_ in rings(found.now)]
    assert "too_hot" in [kind for kind, *_ in rings(found.tried)]
    assert found.too_hot_tried_c < found.too_hot_now_c == 95.0


def test_who_is_woken_follows_the_waking_hours_that_are_tried(shed: Shed) -> None:
    """The alarm of half past six wakes nobody; with an evening that ends at six it does."""
    trial = Trial(None, people(shed, Ash=(7 * 60, 18 * 60), Wren=(7 * 60, 22 * 60)))
    found = told(shed, POOR, trial)
    assert rings(found.tried) == rings(found.now)
    assert found.now.woken == ()
    assert found.tried is not None and [name for name, _ in found.tried.woken] == ["Ash"]


def test_who_is_rung_follows_the_order_that_is_tried(shed: Shed) -> None:
    """Who is left out is not rung."""
    found = told(shed, POOR, Trial(None, people(shed, Wren=(420, 1320))))
    assert found.tried is not None
    first = found.tried.rings[0]
    assert [call.person for call in first.calls] == ["Wren"]
    assert next(call.person for call in found.now.rings[0].calls) == "Ash"


def test_sooner_is_not_later_and_surer_not_sooner(shed: Shed) -> None:
    """The first alarm of the poor blend moves the way it is asked to, or stays."""
    usual = told(shed).now.rings[0].raised_at_s
    for sureness, sign in ((SOONER, -1.0), (SURER, 1.0)):
        tried = told(shed, POOR, dataclasses.replace(trial_of(shed.settings), sureness=sureness)).tried
        assert tried is not None
        assert all(sign * (ring.raised_at_s - usual) >= 0.0 for ring in tried.rings[:1])
    assert limits_for(SOONER) != limits_for(SURER)


def test_the_journal_is_only_read_and_nobody_is_rung(shed: Shed) -> None:
    """No message, no fact, no event is added; what it worked in is removed."""
    before = _state(shed)
    told(shed, POOR, Trial(2000.0, people(shed, Wren=(420, 1320)), SOONER))
    assert _state(shed) == before


def _state(shed: Shed) -> tuple[object, ...]:
    with Journal(shed.folder / "journal.sqlite", read_only=True) as journal:
        return journal.messages(), journal.events(POOR), journal.alarms(), journal.fact("told")


def test_what_cannot_be_tried_is_said_in_one_sentence(shed: Shed, tmp_path: Path) -> None:
    """A batch that is not there, and one that was never read."""
    with pytest.raises(NotTried, match="There is no batch"):
        told(shed, "Nothing 1")
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
        with pytest.raises(NotTried, match="no reading"):
            compare(journal, BATCH.name, Settings(), Trial())


def test_it_can_be_given_up(shed: Shed) -> None:
    """At the next tick."""
    with Journal(shed.folder / "journal.sqlite", read_only=True) as journal, pytest.raises(Stopped):
        compare(journal, POOR, shed.settings, trial_of(shed.settings), progress=lambda share: share < 0.2)


def test_a_tried_order_holds_whoever_is_on_call(shed: Shed) -> None:
    """The nights of the settings belong to their order."""
    first, second = shed.settings.people
    settings = dataclasses.replace(shed.settings, people=(dataclasses.replace(first, on_call=(0, 1)), second))
    same = with_trial(settings, trial_of(settings))
    turned = with_trial(settings, dataclasses.replace(trial_of(settings), people=trial_of(settings).people[::-1]))
    assert same.people[0].on_call == (0, 1)
    assert [one.on_call for one in turned.people] == [(), ()]


# ---- one at a time ----


def test_one_comparison_at_a_time(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same again is the same; another is refused until the first is over; its result can be looked at after."""
    go, began = threading.Event(), threading.Event()
    real = compare

    def slow(*given: Any, **more: Any) -> Comparison:
        began.set()
        go.wait(20.0)
        return real(*given, **more)

    monkeypatch.setattr("monitor.what_if_jobs.compare", slow)
    jobs = WhatIfJobs(lambda: Journal(shed.folder / "journal.sqlite", read_only=True), shed.settings)
    number = jobs.start(POOR, jobs.present())
    assert began.wait(5.0) and jobs.start(POOR, jobs.present()) == number
    with pytest.raises(NotTried, match="being worked out"):
        jobs.start(GOOD, jobs.present())
    go.set()
    wait_until(lambda: (found := jobs.look(number)) and found.result, 30.0, what="the result")
    assert jobs.start(GOOD, jobs.present()) != number
    jobs.close()
    assert jobs.look("unknown") is None


# ---- the page ----


def test_the_page_asks_waits_and_shows(shed: Shed) -> None:
    """A visitor may look at a result and start none; a bad height is told beside its field and stays."""
    address = shed.serve()
    app = shed.running._page._served._server.config.app
    host = address.removeprefix("http://")
    client = TestClient(app, base_url=address)
    here = {**HERE, "origin": f"http://{host}"}
    path = f"/batch/{POOR.replace(' ', '%20')}/would-ring"
    assert 'name="altitude"' not in client.get(path).text
    assert client.post(f"{path}/do", data={"altitude": "10"}, headers=here).status_code == 403
    client.post("/enter", data={"passphrase": PASSPHRASE, "back": "/"}, headers=here)
    form = client.get(path).text
    token = form.partition('name="token" value="')[2].partition('"')[0]
    wrong = client.post(f"{path}/do", data={"token": token, "altitude": "very high"}, headers=here)
    assert wrong.status_code == 422 and "very high" in wrong.text and "is no height" in wrong.text
    data = {"token": token, "altitude": "3000 m", "hours-0": "07:00-18:00", "hours-1": "07:00-22:00", "sure": "usual"}
    begun = client.post(f"{path}/do", data=data, headers=here, follow_redirects=False)
    assert begun.status_code == 303
    wait_until(lambda: "In short" in client.get(begun.headers["location"]).text, 60.0, what="the result")
    result = client.get(begun.headers["location"]).text
    assert "Has not taken" in result and "as tried" in result and "woken: Ash" in result
    assert client.get("/batch/Nothing/would-ring").status_code == 404
    shed.stop_serving()
