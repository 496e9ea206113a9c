"""``emberpail mirror`` and what ``check`` says of the mirror's server, with a stand-in for it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.domain import Event
from tests.commands.conftest import Shed
from tests.mirror.servers import StandIn, refusal, stand_in
from tests.sources.conftest import free_port


@pytest.fixture
def other() -> Iterator[StandIn]:
    with stand_in() as one:
        yield one


def _mirror(url: str) -> str:
    return f'[mirror]\nurl = "{url}"\ntoken = "canarytoken"\norg = "quillmarsh"\nbucket = "emberpail"\n'


def _batch(shed: Shed, name: str = "Quillmarsh 12", bucket: str = "shed-2") -> None:
    shed.start(name, bucket)
    shed.feed(bucket, 60.0, 0.0)
    with shed.journal() as journal:
        started_s = journal.batches()[0].batch.started_s
        journal.add_events([Event("estimate", started_s, bucket, name, {"completeness": 0.5})])


def test_without_a_mirror_it_says_where_one_is_shown(shed: Shed) -> None:
    """In one sentence."""
    assert "sample_settings.toml" in shed.refused("mirror")


def test_a_batch_is_sent_once_more(shed: Shed, other: StandIn) -> None:
    """Its readings and what was judged; another batch's are not."""
    _batch(shed)
    _batch(shed, "Quillmarsh 13", "shed-3")
    shed.add_settings(_mirror(other.url))
    said = shed.ok("mirror", "--again", "Quillmarsh 12")
    assert "25 points have been sent" in said.words
    assert len(other.took) == 25 and all("bucket=shed-2" in line for line in other.took)
    assert shed.ok("mirror", "--again", "shed-2", "Quillmarsh 12", "--json").json["points"] == 25
    assert shed.ok("mirror", "--again", "all", "--json").json == {"points": 50, "refused": 0, "why": ""}


def test_what_is_refused_is_told_and_the_rest_is_sent(shed: Shed, other: StandIn) -> None:
    """And the exit code says so."""
    _batch(shed)
    shed.add_settings(_mirror(other.url))
    other.answers = lambda lines: (400, refusal("no such field")) if "estimate" in "".join(lines) else (204, "")
    said = shed.say("mirror", "--again", "all")
    assert said.code == 1 and "24 points have been sent" in said.words and "1 point was refused (no such" in said.words


def test_a_server_that_is_away_is_tried_for_a_while(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then it is said what to do; the token is not."""
    _batch(shed)
    shed.add_settings(_mirror(f"http://127.0.0.1:{free_port()}"))
    monkeypatch.setattr("monitor.mirror_again._WAITS_S", (0.0, 0.0, 0.0))
    complaint = shed.refused("mirror", "--again", "all")
    assert "nothing answers there" in complaint and "again later" in complaint and "canary" not in complaint


def test_how_far_the_copy_is(shed: Shed, other: StandIn) -> None:
    """Not begun; well; in trouble."""
    _batch(shed)
    shed.add_settings(_mirror(other.url))
    said = shed.say("mirror")
    assert said.code == 1 and "Nothing has been copied" in said.words
    assert shed.say("mirror", "--json").json["begun"] is False
    with shed.journal() as journal:
        journal.settle_mirror({"readings": 3, "events": 0, "refused": 2, "why": "too old"})
        journal.set_health("mirror", True, "everything is copied to there.", 0.0)
    said = shed.ok("mirror")
    assert "Everything is copied" in said.words and "refused 2 points" in said.words
    with shed.journal() as journal:
        journal.set_health("mirror", False, "there: nothing answers there.", 0.0)
    told = shed.say("mirror", "--json")
    assert told.code == 1 and told.json["refused"] == 2 and told.json["oldest_not_copied_s"] > 0


def test_check_tries_the_mirrors_server(shed: Shed, other: StandIn) -> None:
    """It writes a point with which nothing is wrong, so that the token is tried, too."""
    shed.add_settings(_mirror(other.url))
    lines = {line["part"]: line for line in shed.say("check", "--json").json}
    assert lines["mirror"]["ok"] is True and len(other.took) == 1
    other.answers = lambda lines: (401, "")
    lines = {line["part"]: line for line in shed.say("check", "--json").json}
    assert lines["mirror"]["ok"] is False and "token" in lines["mirror"]["says"]
