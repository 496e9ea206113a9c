"""The page of a bucket's log: an entry noted at the wrong bucket is put to the right one, and back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from monitor.deeds import JournalDeeds
from monitor.domain import Batch, LogEntry, Vessel
from monitor.exchange.carry import export_batches, import_batches
from monitor.journal.database import Journal
from monitor.log_reading import page_log
from monitor.moving import NotMoved, move_entry, moved_from
from monitor.page.app import make_app
from monitor.page.log_routes import log_room
from monitor.settings import BucketSettings, Settings
from monitor.standing import page_record, page_view
from tests.page.test_press import BATCH as HERE_BATCH
from tests.page.test_press import HERE, PASSPHRASE, T0

THERE = replace(HERE_BATCH, name="Quillmarsh 13 <i>", bucket="shed-3", started_s=T0 + 600.0, vessel=Vessel(20, "bare"))


@dataclass
class Shed:
    """A phone in the shed, in which two batches run and a third bucket is empty."""

    path: Path
    now_s: float = T0 + 3600.0
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        settings = Settings(buckets=tuple(BucketSettings(name, 25.0) for name in ("shed-2", "shed-3", "shed-4")))

        def read() -> Journal:
            return Journal(self.path, read_only=True)

        def now_s() -> float:
            return self.now_s

        self.deeds = JournalDeeds(lambda: Journal(self.path), now_s)
        app = make_app(
            page_view(read, settings, now_s, {}), deeds=self.deeds, passphrase=PASSPHRASE, now_s=now_s,
            record=page_record(read, settings, now_s), more=[log_room(page_log(read, settings, now_s))],
        )  # fmt: skip
        self.client = TestClient(app, base_url="http://localhost", raise_server_exceptions=False)

    def enter(self) -> None:
        self.client.post("/enter", data={"passphrase": PASSPHRASE, "back": "/"}, headers=HERE)

    def page(self, bucket: str) -> str:
        return self.client.get(f"/bucket/{bucket}/log").text

    def press(self, bucket: str, choose: str, number: int = 0) -> int:
        """Press the button of this name in one of the forms that have one; the form's own fields go with it."""
        forms = re.findall(r"<form.*?</form>", self.page(bucket), re.DOTALL)
        form = [one for one in forms if choose in one][number]
        data = dict(re.findall(r'<input type="hidden" name="([a-z]+)" value="([^"]*)">', form))
        button = re.search(rf'<button[^>]*?name="(\w+)" value="([^"]*)">{re.escape(choose)}', form)
        if button:
            data[button[1]] = button[2]
        data = {name: value.replace("&lt;", "<").replace("&gt;", ">") for name, value in data.items()}
        action = re.search(r'action="([^"]+)"', form)
        assert action
        return self.client.post(action[1], data=data, headers=HERE).status_code

    def log(self, batch: Batch) -> list[LogEntry]:
        with Journal(self.path) as journal:
            return journal.entries(batch.name)


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(HERE_BATCH)
        journal.add_batch(THERE)
        journal.add_entry(HERE_BATCH.name, LogEntry("poured", T0 + 660.0, T0 + 700.0, 56.0, text="<b>warm"), who="Ash")
    one = Shed(tmp_path / "journal.sqlite")
    yield one
    one.deeds.close()


def test_an_entry_is_moved_with_its_own_time_and_both_logs_keep_it(shed: Shed) -> None:
    """Struck here with where it went, entered there with where it came from; the figures and who noted it go along."""
    shed.enter()
    assert shed.press("shed-2", "It was shed-3") == 200
    assert shed.log(HERE_BATCH) == []
    (moved,) = shed.log(THERE)
    assert (moved.kind, moved.at_s, moved.noted_at_s) == ("poured", T0 + 660.0, shed.now_s)
    assert (moved.temperature_c, moved.text) == (56.0, "<b>warm")
    here, there = shed.page("shed-2"), shed.page("shed-3")
    assert "<s>poured" in here and "moved to shed-3" in here
    assert "moved from shed-2" in there and "noted by Ash" in there and "<s>" not in there
    assert "<b>" not in here + there and "<i>" not in here + there
    assert "moved from shed-2" in shed.client.get("/bucket/shed-3").text
    assert "moved from shed-2" in shed.client.get("/batch/Quillmarsh%2013%20%3Ci%3E").text


def test_a_move_can_be_taken_back_and_done_again(shed: Shed) -> None:
    """From where it stands struck; each time the log tells the way."""
    shed.enter()
    for _ in range(2):
        assert shed.press("shed-2", "It was shed-3") == 200
        assert [entry.at_s for entry in shed.log(THERE)] == [T0 + 660.0]
        shed.now_s += 60.0
        assert shed.press("shed-2", "It was shed-2 after all") == 200
        assert [entry.at_s for entry in shed.log(HERE_BATCH)] == [T0 + 660.0]
        assert shed.log(THERE) == []
        shed.now_s += 60.0
    assert "moved from shed-3" in shed.page("shed-2")


def test_a_wet_glove_moves_once(shed: Shed) -> None:
    """The same press again changes nothing and is no error."""
    entry_id = shed.log(HERE_BATCH)[0].entry_id
    for _ in range(2):
        shed.deeds.move("shed-2", HERE_BATCH.name, entry_id, "shed-3")
    assert len(shed.log(THERE)) == 1 and shed.log(HERE_BATCH) == []
    shed.deeds.undo("shed-3", THERE.name, shed.log(THERE)[0].entry_id)
    with pytest.raises(ValueError, match="taken back already"):
        shed.deeds.move("shed-2", HERE_BATCH.name, entry_id, "shed-3")


@pytest.mark.parametrize(
    ("bucket", "batch", "entry", "to", "says"),
    [
        ("shed-2", HERE_BATCH.name, "", "shed-2", "is where it stands"),
        ("shed-2", HERE_BATCH.name, "", "shed-4", "No batch runs in shed-4"),
        ("shed-2", HERE_BATCH.name, "", "nowhere" * 99, "No batch runs"),
        ("shed-2", "Another", "", "shed-3", "no longer runs"),
        ("shed-2", HERE_BATCH.name, "made-up", "shed-3", "no such entry"),
        ("shed-3", THERE.name, "", "shed-2", "no such entry"),  # an entry of another bucket's log
    ],
)
def test_what_cannot_be_moved_is_refused_in_one_sentence(  # noqa: PLR0917
    shed: Shed, bucket: str, batch: str, entry: str, to: str, says: str
) -> None:
    """And both logs stay as they were."""
    entry_id = entry or shed.log(HERE_BATCH)[0].entry_id
    with pytest.raises(ValueError, match=says) as refusal:
        shed.deeds.move(bucket, batch, entry_id, to)
    assert str(refusal.value).count(".") <= 2 and len(str(refusal.value)) < 200
    assert len(shed.log(HERE_BATCH)) == 1 and shed.log(THERE) == []


def test_an_entry_from_days_before_the_other_batch_stays(shed: Shed) -> None:
    """It cannot have been that one."""
    with Journal(shed.path) as journal:
        old = journal.add_entry(HERE_BATCH.name, LogEntry("looked", THERE.started_s - 25 * 3600.0, T0))
        with pytest.raises(NotMoved, match="more than a day before"):
            move_entry(journal, HERE_BATCH, old.entry_id, THERE, T0 + 900.0)


def test_a_visitor_reads_the_log_and_moves_nothing(shed: Shed) -> None:
    """The page shows; there is no form, and one made by hand is refused."""
    words = shed.page("shed-2")
    assert "poured" in words and 'method="post"' not in words
    data = {"what": "move", "batch": HERE_BATCH.name, "entry": shed.log(HERE_BATCH)[0].entry_id, "to": "shed-3"}
    assert shed.client.post("/bucket/shed-2/do", data=data, headers=HERE).status_code == 403
    assert len(shed.log(HERE_BATCH)) == 1


def test_buckets_without_a_batch_and_unknown_ones(shed: Shed) -> None:
    """A bucket of the settings says that nothing runs there; another name is not found."""
    assert "No batch runs in shed-4" in shed.page("shed-4")
    assert shed.client.get("/bucket/shed-9/log").status_code == 404
    assert "/bucket/shed-2/log" in shed.client.get("/bucket/shed-2").text
    assert "/bucket/shed-4/log" not in shed.client.get("/bucket/shed-4").text


def test_where_it_came_from_goes_along_in_an_export(shed: Shed, tmp_path: Path) -> None:
    """Another journal tells it too, also where the batch gets another name there."""
    entry_id = shed.log(HERE_BATCH)[0].entry_id
    shed.deeds.move("shed-2", HERE_BATCH.name, entry_id, "shed-3")
    with Journal(shed.path) as journal:
        journal.end_batch(THERE.name, T0 + 4000.0, T0 + 4000.0)
        export_batches(journal, [THERE.name], tmp_path / "out.json", "json")
    with Journal(tmp_path / "other.sqlite") as other:
        other.add_batch(replace(THERE, started_s=THERE.started_s + 1.0))
        taken = import_batches(other, tmp_path / "out.json", T0 + 5000.0, rename="-2")
        (entry,) = other.entries(taken.added[0])
        assert moved_from(entry.entry_id) == "shed-2"
