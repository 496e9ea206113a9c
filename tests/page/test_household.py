"""The pages of phones, settings and past batches: what they show, what may be changed, and by whom."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
import zxingcpp
from starlette.testclient import TestClient

from monitor.deeds import JournalDeeds
from monitor.household import JournalHousehold
from monitor.journal.database import Journal
from monitor.languages import LANGUAGES, voice_for
from monitor.page.address import code_lines, code_svg, phone_address
from monitor.page.app import make_app
from monitor.reminding import HELD_FACT
from monitor.settings import BucketSettings, MqttSource, PageSettings, Person, Settings, SiteSettings
from monitor.standing import page_view
from monitor.toml_tables import Secret
from monitor.words import UNIT_SYSTEMS
from tests.page.test_press import BATCH, HERE, PASSPHRASE, T0

SECRET = "a-very-secret-word"
ADDRESS = "http://192.168.1.20:8737"


@dataclass
class House:
    """A page over a real journal, with two people in the settings."""

    path: Path
    address: str | None = ADDRESS
    now_s: float = T0 + 60.0
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        settings = Settings(
            site=SiteSettings(name="Quillmarsh allotments", time_zone="Europe/London"),
            buckets=(BucketSettings("shed-2", 25.0),),
            sources=(MqttSource("hall", "broker.example", password=Secret(SECRET)),),
            people=(
                Person("Ash", (Secret("print://"), Secret(f"nonsense://{SECRET}"))),
                Person("Rowan <b>", (Secret("print://"),), knows_the_trade=False),
            ),
            page=PageSettings(passphrase=Secret(PASSPHRASE)),
        )
        self.deeds = JournalDeeds(lambda: Journal(self.path), lambda: self.now_s)
        self.household = JournalHousehold(
            settings, lambda: Journal(self.path, read_only=True), lambda: Journal(self.path), lambda: self.now_s,
            lambda: self.address,
        )  # fmt: skip
        app = make_app(
            page_view(lambda: Journal(self.path, read_only=True), settings, lambda: self.now_s, {}),
            deeds=self.deeds, passphrase=PASSPHRASE, now_s=lambda: self.now_s, household=self.household,
            voices={(a, b): voice_for(a, b) for a in LANGUAGES for b in UNIT_SYSTEMS},
        )  # fmt: skip
        self.client = TestClient(app, base_url="http://localhost")

    def enter(self) -> None:
        self.client.post("/enter", data={"passphrase": PASSPHRASE, "back": "/"}, headers=HERE)

    def post(self, address: str, **fields: str) -> object:
        found = re.search(r'name="token" value="([0-9a-f]+)"', self.client.get("/phones").text)
        data = {"token": found[1] if found else "", **fields}
        return self.client.post(address, data=data, headers=HERE)

    def fact(self, key: str) -> object:
        with Journal(self.path) as journal:
            return journal.fact(key)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
    one = House(tmp_path / "journal.sqlite")
    yield one
    one.deeds.close()
    one.household.close()


def test_a_visitor_reads_and_changes_nothing(house: House) -> None:
    """Every page shows; no form is offered but those that change words on that phone or look something up."""
    for address in ("/phones", "/settings", "/batches"):
        words = house.client.get(address).text
        assert 'name="token"' not in words
    for address, fields in (("/phones/do", {"what": "ring", "person": "Ash"}), ("/settings/do", {"hold": "1"})):
        assert house.client.post(address, data=fields, headers=HERE).status_code == 403
    assert house.fact(HELD_FACT) is None


def test_no_secret_shows_on_any_page(house: House) -> None:
    """Routes go by names that give nothing away; names are escaped."""
    house.enter()
    for address in ("/phones", "/settings", "/batches"):
        words = house.client.get(address).text
        assert SECRET not in words and PASSPHRASE not in words
        assert "<b>" not in words
    assert "Rowan &lt;b&gt;" in house.client.get("/phones").text


def test_a_test_of_a_phone_shows_what_became_of_each_route(house: House, capsys: pytest.CaptureFixture[str]) -> None:
    """Taken, or not and why; and the page of phones keeps it."""
    house.enter()
    assert "nothing has been sent by it yet" in house.client.get("/phones").text
    words = house.post("/phones/do", what="ring", person="Ash").text  # type: ignore[attr-defined]
    assert "TEST from Emberpail" in capsys.readouterr().out
    assert "&#10003;" in words and "<strong>!</strong>" in words and SECRET not in words
    after = house.client.get("/phones").text
    assert "taken" in after and "<strong>failed</strong>" in after


@pytest.mark.parametrize("person", ["", "Nobody", "Ash' --"])
def test_an_unknown_person_is_refused_in_one_sentence(house: House, person: str) -> None:
    """By a form that was made by hand."""
    house.enter()
    answer = house.post("/phones/do", what="ring", person=person)
    assert answer.status_code == 409 and "Nothing was noted" in answer.text  # type: ignore[attr-defined]


def test_reminders_can_be_held_until_noon_and_let_come_again(house: House) -> None:
    """The journal says until when."""
    house.enter()
    house.post("/settings/do", hold="1")
    until_s = house.fact(HELD_FACT)
    assert isinstance(until_s, float) and datetime.fromtimestamp(until_s, UTC).hour in (11, 12)
    assert "held back until" in house.client.get("/settings").text
    house.post("/settings/do", hold="0")
    assert "come as they are set" in house.client.get("/settings").text


def test_who_is_rung_first_tonight_can_be_said_and_left_to_the_settings_again(house: House) -> None:
    """The order on the page is that of ringing; a stranger's name is refused."""
    house.enter()

    def order() -> list[str]:
        return re.findall(r"<h2>(\w+)", house.client.get("/phones").text)

    assert order()[:2] == ["Ash", "Rowan"]
    house.post("/phones/do", what="on-call", person="Rowan <b>")
    assert order()[:2] == ["Rowan", "Ash"]
    assert "On call: Rowan" in house.client.get("/phones").text
    assert house.post("/phones/do", what="on-call", person="Nobody").status_code == 409  # type: ignore[attr-defined]
    house.post("/phones/do", what="on-call", person="")
    assert order()[:2] == ["Ash", "Rowan"]


def test_a_phone_has_its_own_words(house: House) -> None:
    """Without the passphrase; another phone keeps the place's."""
    assert house.client.get("/").text.count('lang="en"') == 1
    house.client.post("/settings/words", data={"language": "es", "units": "us"}, headers=HERE)
    assert 'lang="es"' in house.client.get("/").text
    assert "203 °F" in house.client.get("/settings").text.replace("\u00a0", " ")
    assert house.client.get("/batches").text.count("Quillmarsh 12") == 1
    other = TestClient(house.client.app, base_url="http://localhost")
    assert 'lang="en"' in other.get("/").text


@pytest.mark.parametrize("cookie", ["xx.us", "es.stone", "es", "", "es.us.es", "../../etc"])
def test_a_strange_choice_of_words_is_passed_over(house: House, cookie: str) -> None:
    """The place's own words then."""
    house.client.cookies.set("emberpail-words", cookie)
    assert 'lang="en"' in house.client.get("/").text


def test_batches_are_found_by_words_of_their_record(house: House) -> None:
    """Each word must be found; the list leads to the record."""
    assert "/batch/Quillmarsh%2012" in house.client.get("/batches").text
    assert "/batch/Quillmarsh%2012" in house.client.get("/batches", params={"words": "SUNFLOWER shed-2"}).text
    assert "No batch fits" in house.client.get("/batches", params={"words": "sunflower castor"}).text
    strange = house.client.get("/batches", params={"words": '"><script>'}).text
    assert "<script>" not in strange.partition("<main")[2]


# ---- the code ----


@pytest.mark.parametrize("address", [ADDRESS, "http://shed.local:8737", "http://[fd00::12]:8737"])
def test_the_code_says_the_address(address: str) -> None:
    """Read back by another library (ZXing) from what the terminal shows, and the page's drawing has the same cells."""
    import numpy as np
    import segno

    cells = []
    for line in code_lines(address):
        above, below = [], []
        for sign in line:
            above.append(sign in "\u2588\u2580")
            below.append(sign in "\u2588\u2584")
        cells += [above, below]
    picture = np.kron(np.array(cells), np.ones((6, 6))).astype(np.uint8) * 255
    assert [found.text for found in zxingcpp.read_barcodes(picture)] == [address]
    size = segno.make(address, error="m", micro=False).symbol_size(border=4)[0]
    assert f'viewBox="0 0 {size} {size}"' in code_svg(address)
    assert "style=" not in code_svg(address)  # the content policy forbids it


def test_where_no_phone_can_open_it_the_page_says_how(house: House) -> None:
    """Rather than a code that leads nowhere."""
    house.address = None
    words = house.client.get("/phones").text
    assert "0.0.0.0" in words and 'class="code"' not in words


@pytest.mark.parametrize(
    ("host", "address", "found", "expected"),
    [
        ("127.0.0.1", "", "192.168.1.20", None),
        ("::1", "", "192.168.1.20", None),
        ("localhost", "", "192.168.1.20", None),
        ("0.0.0.0", "", "192.168.1.20", "http://192.168.1.20:8737"),
        ("0.0.0.0", "", None, None),
        ("0.0.0.0", "http://shed.local:8737", None, "http://shed.local:8737"),
        ("192.168.1.7", "", None, "http://192.168.1.7:8737"),
        ("fd00::7", "", None, "http://[fd00::7]:8737"),
    ],
)
def test_where_a_phone_finds_the_page(host: str, address: str, found: str | None, expected: str | None) -> None:
    """What the settings say goes before what is found."""
    assert phone_address(host, 8737, address, find=lambda: found) == expected
