"""The plan on the page: what is asked, what comes of it and in which order, and that it is kept as the command does."""

from __future__ import annotations

import html
import json
import re
import shlex
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from httpx import Response
from starlette.testclient import TestClient

from monitor.cli import main
from monitor.deeds import JournalDeeds
from monitor.domain import OilShare, Recipe
from monitor.heat.learning import Lesson
from monitor.journal.database import Journal
from monitor.journal.state import TAUGHT
from monitor.languages import voice_for
from monitor.page.app import make_app
from monitor.page.plan_page import checklist_page
from monitor.page.plan_routes import plan_room
from monitor.plan_desk import PlanDesk
from monitor.settings import BucketSettings, Settings, SiteSettings
from monitor.sources.batch_file import read_batch_file
from monitor.standing import page_record, page_view
from monitor.trade.steps import STEPS
from monitor.words import US, Voice, speaking
from tests.page.test_press import BATCH, HERE, PASSPHRASE, T0

ENDED = replace(
    BATCH, name="Quillmarsh <11>", bucket="shed-3", started_s=T0 - 9 * 86400.0,
    recipe=Recipe((OilShare("olive", 3.0), OilShare("coconut", 0.5)), 0.70, 0.90, 1.05),
)  # fmt: skip
ASKED = {"oils": "sunflower 4.2 kg", "purity": "90 %", "bucket": "shed-2", "air": "8 °C"}


@dataclass
class Bench:
    """A phone at the bench, over a real journal."""

    path: Path
    speaks: Voice = field(default_factory=lambda: voice_for("en"))
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        settings = Settings(
            site=SiteSettings(emergency_number="112"),
            buckets=(BucketSettings("shed-2", 25.0, "blanket"), BucketSettings("shed-3", 25.0)),
        )
        self.folder = self.path.parent / "plans"

        def to_read() -> Journal:
            return Journal(self.path, read_only=True)

        self.desk = PlanDesk(settings, self.folder, to_read, lambda: T0)
        self.deeds = JournalDeeds(lambda: Journal(self.path), lambda: T0)
        app = make_app(
            page_view(to_read, settings, lambda: T0, {}), deeds=self.deeds, passphrase=PASSPHRASE, now_s=lambda: T0,
            speaks=self.speaks, record=page_record(to_read, settings, lambda: T0), more=[plan_room(self.desk, "112")],
        )  # fmt: skip
        self.client = TestClient(app, base_url="http://localhost", raise_server_exceptions=False)

    def ask(self, name: str = "", **fields: str) -> Response:
        path = f"/plan/{quote(name, safe='')}" if name else "/plan"
        return self.client.get(f"{path}?{urlencode(fields)}" if fields else path)

    def enter(self) -> None:
        self.client.post("/enter", data={"passphrase": PASSPHRASE, "back": "/plan"}, headers=HERE)

    def keep(self, token: str | None = None, **fields: str) -> Response:
        found = re.search(r'name="token" value="([0-9a-f]+)"', self.ask(**ASKED).text)
        known = (found[1] if found else "") if token is None else token
        return self.client.post(
            "/plan/keep", data={"token": known, "recipe": "", **fields}, headers=HERE, follow_redirects=False
        )

    def close(self) -> None:
        self.desk.close()
        self.deeds.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
        journal.add_batch(ENDED)
        journal.end_batch(ENDED.name, T0 - 5 * 86400.0, T0 - 5 * 86400.0, "filled")
    one = Bench(tmp_path / "journal.sqlite")
    yield one
    one.close()


def _value(page: str, name: str) -> str:
    """What stands in a field of the form that asks."""
    form = page.partition('id="ask"')[2]
    if name == "oils":
        return html.unescape(re.search(r'<textarea id="oils"[^>]*>\n(.*?)</textarea>', form, re.DOTALL)[1])  # type: ignore[index]
    if name == "bucket":
        return html.unescape(re.search(r'<option value="([^"]*)" selected', form)[1])  # type: ignore[index]
    return html.unescape(re.search(rf'<input id="{name}"[^>]* value="([^"]*)"', form)[1])  # type: ignore[index]


def _amounts(page: str) -> list[str]:
    return re.findall(r'<td class="mass">([^<]+)</td>', page)


def test_the_cautions_stand_before_the_amounts(bench: Bench) -> None:
    """Anybody may work out a plan; right bag, water first, gear and first aid are read before anything is weighed."""
    page = bench.ask(**ASKED).text
    weigh = page.index("Weigh, twice")
    for words in ("potassium hydroxide, KOH", "Water first, then potash", "Goggles, gloves", "Call 112"):
        assert page.index(words) < weigh
    assert _amounts(page) == ["4.200 kg", "0.826 kg", "1.280 kg"]
    assert page.index("What to expect") > weigh
    assert 'href="/checklist"' in page
    assert 'name="token"' not in page and "/enter?" in page


def test_it_goes_by_what_the_own_batches_taught(bench: Bench) -> None:
    """What is expected is another, and on what it rests stands below the table."""
    published = bench.ask(**ASKED).text
    with Journal(bench.path) as journal:
        for number in range(3):
            lesson = Lesson(
                f"Taught {number}", "shed-2", T0 - 86400.0 * (number + 1), 25.0, "blanket", heat_ln=0.1, heat_sd=0.04,
                loss_ln=-1.6, loss_sd=0.08,
            )  # fmt: skip
            journal.set_fact(TAUGHT + lesson.batch, asdict(lesson))
    learned = bench.ask(**ASKED).text
    words = "Based on 3 of your own earlier batches, 3 of them in shed-2."
    assert words in learned and words not in published

    def table(page: str) -> str:
        return page.partition('<table class="expected">')[2].partition("</table>")[0]

    assert table(learned) != table(published) and table(published)


def test_the_page_says_what_the_command_says(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """One reckoning: each amount and each sentence of the command is on the page."""
    settings = bench.path.parent / "emberpail.toml"
    settings.write_text('[[bucket]]\nname = "shed-2"\nlitres = 25\ninsulation = "blanket"\n', encoding="utf-8")
    arguments = ["--oil", "sunflower 4.2 kg", "--purity", "90%", "--bucket", "shed-2", "--air", "8C", "--json"]
    assert main(["plan", "--settings", str(settings), *arguments]) == 0
    told = json.loads(capsys.readouterr().out)
    page = html.unescape(bench.ask(**ASKED).text).replace("\u00a0", " ")
    for sentence in (*told["says"], *told["recommendation"]["says"], *told["cautions"]):
        assert sentence in page
    assert f"{told['recipe']['koh_kg']:.3f} kg" in page


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"oils": "sunflowr 4 kg"}, "oils", "No oil is called"),
        ({"oils": "sunflower"}, "size", "how much"),
        ({"oils": "\n".join(f"olive {n} kg" for n in range(1, 14))}, "oils", "More than 12 oils"),
        ({"oils": ""}, "oils", "at least one oil"),
        ({"purity": ""}, "purity", "Read the bag"),
        ({"purity": "9"}, "purity", "between 50 and 100 %"),
        ({"opened": "2999-01"}, "opened", "2999"),
        ({"size": "<b>lots"}, "size", "cannot be read"),
        ({"size": "bucket", "bucket": ""}, "litres", "its size must be known"),
        ({"litres": "2 kg"}, "litres", "is a mass"),
        ({"air": "warm"}, "air", "cannot be read"),
    ],
)
def test_one_sentence_stands_beside_what_cannot_be_used_and_what_was_typed_stays(
    bench: Bench, typed: dict[str, str], field: str, words: str
) -> None:
    asked = {**ASKED, "opened": "2026-02", "litres": "25 L", "size": "20 L", **typed}
    if typed.get("size") == "bucket":
        asked["litres"] = ""
    if typed == {"oils": "sunflower"}:
        asked["size"] = ""
    answer = bench.ask(**asked)
    page = answer.text
    assert answer.status_code == 200
    assert re.findall(r'class="wrong" id="wrong-(\w+)"', page) == [field]
    said = re.search(r'class="wrong"[^>]*>([^<]+)<', page)
    assert said is not None and words in html.unescape(said[1]).replace("\u00a0", " ")
    assert f'aria-describedby="wrong-{field}"' in page
    assert _amounts(page) == [] and "<b>lots" not in page
    for name in ("oils", "purity", "opened", "size", "litres", "air"):
        assert _value(page, name) == asked[name]


def test_a_known_recipe_keeps_its_proportions_and_the_potash_follows_the_bag(bench: Bench) -> None:
    """The bag is asked for each time; weaker potash is more of it, the same pure potash to each kilogram of oil."""
    bare = bench.ask(ENDED.name).text
    assert _amounts(bare) == [] and _value(bare, "purity") == "" and "<11>" not in bare
    assert _value(bare, "oils") == "olive 3 kg\ncoconut 0.5 kg" and _value(bare, "bucket") == "shed-3"
    fields = {"oils": _value(bare, "oils").replace("\n", "\r\n"), "bucket": "shed-3"}
    weaker = bench.ask(ENDED.name, **fields, purity="85").text
    assert _amounts(weaker)[2:] == [f"{0.70 * 0.90 / 0.85:.3f} kg", "1.050 kg"]
    assert "Potash and water as in Quillmarsh &lt;11&gt;" in weaker
    doubled = bench.ask(ENDED.name, **fields, purity="90", size="1400 g").text
    assert _amounts(doubled) == ["6.000 kg", "1.000 kg", "1.400 kg", "2.100 kg"]
    other = bench.ask(ENDED.name, **{**fields, "oils": "olive 3 kg"}, purity="90").text
    assert "Potash and water as in" not in other and _amounts(other)[0] == "3.000 kg"


def test_the_record_of_a_batch_leads_to_a_plan_like_it(bench: Bench) -> None:
    """Where its oils were weighed: the link leads to what the desk knows, and stands nowhere else."""
    with Journal(bench.path) as journal:
        unweighed = Recipe((OilShare("olive", None),))
        journal.add_batch(replace(BATCH, name="Not weighed", bucket="shed-8", recipe=unweighed))
    for name, weighed in ((ENDED.name, True), ("Not weighed", False)):
        page = bench.client.get(f"/batch/{quote(name, safe='')}").text
        assert (f'href="/plan/{quote(name, safe="")}"' in page) is weighed
        assert (bench.ask(name).status_code == 200) is weighed


def test_a_recipe_that_stays_caustic_is_not_planned(bench: Bench) -> None:
    with Journal(bench.path) as journal:
        heavy = replace(ENDED, name="Too strong", recipe=Recipe((OilShare("olive", 3.0),), 0.90, 0.90, 1.3))
        journal.add_batch(replace(heavy, bucket="shed-9"))
    page = bench.ask("Too strong", oils="olive 3 kg", purity="90", bucket="shed-2").text
    assert "lye-heavy beyond doubt" in page and _amounts(page) == []


def test_a_plan_is_kept_as_a_batch_file_and_found_again(bench: Bench) -> None:
    bench.enter()
    answer = bench.keep(**ASKED, name="Quillmarsh 13")
    assert (answer.status_code, answer.headers["location"]) == (303, "/plan/Quillmarsh%2013")
    batch = read_batch_file(bench.folder / "Quillmarsh 13.toml").batch
    assert (batch.name, batch.bucket, batch.vessel.litres) == ("Quillmarsh 13", "shed-2", 25.0)
    assert (batch.recipe.koh_kg, batch.recipe.koh_purity, batch.recipe.water_kg) == (0.826, 0.9, 1.28)
    assert [share.kg for share in batch.recipe.oils] == [4.2]
    page = bench.ask("Quillmarsh 13").text
    assert _amounts(page) == ["4.200 kg", "0.826 kg", "1.280 kg"]
    file = f'"{bench.folder}/Quillmarsh 13.toml"'
    assert "This plan is kept" in page and f"start --from {file}" in html.unescape(page)
    assert "/plan/Quillmarsh%2013" in bench.ask().text
    bench.client.cookies.clear()
    seen = bench.ask("Quillmarsh 13").text
    assert "This plan is kept" in seen and str(bench.folder) not in seen


def test_a_kept_plan_is_begun_as_the_page_says(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.enter()
    bench.keep(**ASKED, name="Quillmarsh 13")
    with Journal(bench.path) as journal:
        journal.end_batch(BATCH.name, T0 + 60.0, T0 + 60.0, "filled")
    settings = bench.path.parent / "emberpail.toml"
    settings.write_text(f'[journal]\npath = "{bench.path}"\n', encoding="utf-8")
    said = html.unescape(re.search(r"emberpail (start --from [^<]+)<", bench.ask("Quillmarsh 13").text)[1])  # type: ignore[index]
    assert main([*shlex.split(said), "--settings", str(settings)]) == 0
    with Journal(bench.path) as journal:
        begun = journal.batch_in("shed-2")
    assert begun is not None and (begun.name, begun.recipe.koh_kg) == ("Quillmarsh 13", 0.826)
    capsys.readouterr()


@pytest.mark.parametrize("name", ["", "../out", "a/b", ".hidden", "-x", 'a"b', "x" * 61, "Quillmarsh 12", "there"])
def test_a_name_that_cannot_be_kept_says_so_and_writes_nothing(bench: Bench, name: str) -> None:
    """Also the name of a batch that there is, and of a plan that is kept already."""
    bench.enter()
    bench.keep(**{**ASKED, "purity": "88"}, name="there")
    before = sorted(path.read_text() for path in bench.path.parent.rglob("*.toml"))
    answer = bench.keep(**ASKED, name=name)
    assert answer.status_code == 409 and 'id="wrong-name"' in answer.text
    assert html.escape(name) in answer.text and _amounts(answer.text)
    assert sorted(path.read_text() for path in bench.path.parent.rglob("*.toml")) == before


def test_a_wet_glove_that_presses_twice_keeps_once(bench: Bench) -> None:
    bench.enter()
    assert [bench.keep(**ASKED, name="A").status_code for _ in range(2)] == [303, 303]
    assert [path.name for path in bench.folder.iterdir()] == ["A.toml"]


def test_a_plan_without_a_bucket_or_with_a_fault_is_not_kept(bench: Bench) -> None:
    bench.enter()
    assert 'id="wrong-bucket"' in bench.keep(**{**ASKED, "bucket": ""}, name="A").text
    assert 'id="wrong-purity"' in bench.keep(**{**ASKED, "purity": ""}, name="A").text
    assert not bench.folder.exists()


def test_only_those_inside_keep_a_plan(bench: Bench) -> None:
    assert bench.keep(**ASKED, name="A").status_code == 403
    bench.enter()
    assert bench.keep(token="0" * 64, **ASKED, name="A").status_code == 403
    assert bench.client.get("/plan/keep").status_code == 404
    assert not bench.folder.exists()


def test_a_folder_that_cannot_be_written_is_one_sentence(bench: Bench) -> None:
    bench.enter()
    bench.folder.write_text("in the way", encoding="utf-8")
    answer = bench.keep(**ASKED, name="A")
    assert answer.status_code == 409 and "cannot be kept in" in answer.text


def test_a_damaged_plan_and_an_unknown_one_are_not_found(bench: Bench) -> None:
    bench.folder.mkdir()
    (bench.folder / "bad.toml").write_text("= nothing", encoding="utf-8")
    for name in ("bad", "nowhere", "../journal"):
        answer = bench.ask(name)
        assert answer.status_code == 404 and "There is no plan" in answer.text


def test_the_steps_can_be_read_beforehand_each_caution_before_its_deed(bench: Bench) -> None:
    page = html.unescape(bench.client.get("/checklist").text).replace("\u00a0", " ")
    assert page == html.unescape(checklist_page("112")).replace("\u00a0", " ")
    places = [page.index(step.told_text()) for step in STEPS]
    assert places == sorted(places)
    for item in page.split('<li class="step">')[1:]:
        assert item.index('class="cautions"') < item.index("</div><p>")


def test_it_is_asked_and_told_in_the_language_of_the_reader(tmp_path: Path) -> None:
    """Oils by their Spanish names, a comma in a number, and the word for the bucket."""
    with Journal(tmp_path / "journal.sqlite"):
        pass
    bench = Bench(tmp_path / "journal.sqlite", voice_for("es"))
    try:
        page = bench.ask(oils="girasol 70 %\ncolza 30 %", purity="89,5", bucket="shed-2", size="Cubo", air="8,5").text
    finally:
        bench.close()
    assert re.findall(r'class="wrong"[^>]*>([^<]+)<', page) == []
    assert "aceite de girasol" in page and 'lang="es"' in page
    sunflower, rapeseed = (float(one.split()[0].replace(",", ".")) for one in _amounts(page)[:2])
    assert sunflower / rapeseed == pytest.approx(70 / 30, rel=0.01)


def test_a_bare_number_is_in_the_units_of_the_reader(tmp_path: Path) -> None:
    """46 is 46 °F and 7 is 7 US gallons to whoever reads in those."""
    with Journal(tmp_path / "journal.sqlite"):
        pass
    bench = Bench(tmp_path / "journal.sqlite", voice_for("en", US))
    try:
        with speaking(bench.speaks):
            page = bench.ask(oils="sunflower 9 lb", purity="90", litres="7", air="46", size="5").text
    finally:
        bench.close()
    assert re.findall(r'class="wrong"[^>]*>([^<]+)<', page) == []
    assert "Planned from 5" in html.unescape(page) and "lb" in _amounts(page)[0]
