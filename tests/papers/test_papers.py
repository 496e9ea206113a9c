"""Label, batch sheet and checklist: what they must hold, whatever there is of a batch, in any language and units."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, date, datetime

import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from monitor.domain import OilShare, Recipe, Vessel
from monitor.papers.checklist import checklist_pdf
from monitor.papers.label import Printed, label_pdf, read_size
from monitor.papers.paper import PaperError, as_png, pages_of
from monitor.papers.sheet import sheet_pdf
from monitor.papers.view import Line, SheetView
from monitor.trade.steps import STEPS, checklist
from monitor.words import Voice, speaking

MADE = datetime(2026, 1, 17, 18, 0, tzinfo=UTC)
PRINTED = datetime(2026, 1, 22, 9, 30, tzinfo=UTC)
CURVE = tuple((hour / 10.0, 90.0 - hour * 0.5) for hour in range(120))
VIEW = SheetView(
    "Quillmarsh 12", "12/26", "shed-2", MADE, PRINTED,
    Recipe((OilShare("sunflower oil", 3.0), OilShare("coconut oil", 1.2)), 0.85, 0.9, 1.3), Vessel(25, "blanket"),
    outcome="filled", maker="Ada", place="Quillmarsh allotments", paste=CURVE, air=((0.0, 8.0), (12.0, 3.0)),
    band=((0.3, 70.0, 92.0), (6.0, 40.0, 60.0)), too_hot_c=95.0, log=(Line(MADE, "poured, 56 °C", 0.0),),
    verdict=("By the dilution: about 93 % (88 to 98) of the soap this recipe promises.",), water_kg=17.3,
    potash_left="Potash left: 0.0 to 3.1 g/L after dilution to 21 L.", filled_on=date(2026, 1, 22),
    address="http://shed.local:8737", emergency_number="112",
)  # fmt: skip
# The worst that a record can hold: forty entries, letters of other scripts, names without end.
LONG = replace(
    VIEW, name="Ñandú łódź 油 " * 12, number="x" * 90, maker="Ö" * 200,
    log=tuple(Line(MADE, f"stirred, number {n} " + "and on " * 40, n / 4.0) for n in range(40)),
    remarks=tuple(Line(MADE, "a remark " * 60) for _ in range(20)),
    facts=tuple((f"field {n}", "v" * 300) for n in range(9)),
)  # fmt: skip
EMPTY = SheetView("A", "A", "shed-2", MADE, PRINTED)


def words(pdf: bytes) -> str:
    """The text of all pages, as another program reads it."""
    document = pypdfium2.PdfDocument(pdf)
    told = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return " ".join(told.split())


def code(pdf: bytes) -> list[str]:
    """What a QR reader that nobody here made sees in the picture."""
    picture = Image.open(io.BytesIO(as_png(pdf)))
    return [found.text for found in zxingcpp.read_barcodes(picture)]


def list_of(view: SheetView) -> Printed:
    return checklist_pdf(checklist([], 0.0), PRINTED, view.emergency_number, batch=view.name)


PAPERS = {"label": label_pdf, "sheet": sheet_pdf, "checklist": list_of}


@pytest.mark.parametrize("view", [VIEW, LONG, EMPTY], ids=["usual", "long", "empty"])
@pytest.mark.parametrize("paper", PAPERS)
def test_every_paper_carries_its_cautions_whatever_it_holds(paper: str, view: SheetView) -> None:
    """Goggles, gloves, eyes and swallowing, the emergency number, what comes first; never a promise."""
    told = words(PAPERS[paper](view).pdf)
    for must in ("Goggles", "gloves", "Eyes: rinse at once, up to 30 minutes", "no vinegar", "do not vomit",
                 "Call 112" if view.emergency_number else "Call", "data sheet"):  # fmt: skip
        assert must in told, must
    assert "safe" not in told.replace("safety data sheet", "")


def test_a_label_tells_what_is_in_the_can_and_that_nobody_tested_it() -> None:
    """Oils by their mass, the batch, both days; untested is said first and in full."""
    told = words(label_pdf(VIEW).pdf)
    for must in ("Liquid potash soap", "12/26", "17 Jan 2026", "22 Jan 2026", "not tested", "Not for skin until tested",
                 "children and animals", "drink bottle", "frost", "cosmetics or on detergents", "By: Ada"):  # fmt: skip
        assert must in told, must
    assert told.index("water") < told.index("sunflower") < told.index("coconut") < told.index("potash (KOH)")


def test_a_tested_batch_shows_value_and_day_and_promises_nothing() -> None:
    """The figure stands with its day, and skin is not promised."""
    told = words(label_pdf(replace(VIEW, free_alkali="0.04 %", tested_on=date(2026, 1, 21))).pdf)
    assert "0.04 %" in told and "21 Jan 2026" in told and "this label does not say" in told
    assert "not tested" not in told


@pytest.mark.parametrize("paper", ["label", "sheet"])
def test_another_program_reads_the_code_and_it_opens_the_batch(paper: str) -> None:
    """The address of the batch's page with its name encoded; without an address, the batch in words."""
    assert code(PAPERS[paper](VIEW).pdf) == ["http://shed.local:8737/batch/Quillmarsh%2012"]
    odd = replace(VIEW, name="a/b ñ?#")
    assert code(PAPERS[paper](odd).pdf) == ["http://shed.local:8737/batch/a%2Fb%20%C3%B1%3F%23"]
    assert code(PAPERS[paper](replace(VIEW, address="")).pdf) == ["batch 12/26, made 17 Jan 2026"]


@pytest.mark.parametrize("view", [VIEW, LONG, EMPTY], ids=["usual", "long", "empty"])
def test_the_batch_sheet_is_one_page_and_counts_what_it_leaves_out(view: SheetView) -> None:
    """Long records are cut and say by how much; a batch without readings says so."""
    pdf = sheet_pdf(view).pdf
    assert pages_of(pdf) == 1
    told = words(pdf)
    assert ("more, see the record" in told) == (view is LONG)
    assert ("there is no curve" in told) == (view is EMPTY)


def test_labels_fill_sheets_of_paper() -> None:
    """Thirteen labels of the usual size take two pages of A4; one too large for it is refused."""
    assert pages_of(label_pdf(VIEW, sheet="A4", copies=8).pdf) == 1
    assert pages_of(label_pdf(VIEW, sheet="A4", copies=13).pdf) == 2
    with pytest.raises(PaperError, match="cannot be printed"):
        read_size("300x300mm")
    with pytest.raises(PaperError, match="is no size"):
        read_size("large")
    assert read_size("4x3in") == pytest.approx((101.6, 76.2))


def test_a_label_too_small_for_its_cautions_is_refused_and_never_cut() -> None:
    """One sentence instead of half a caution."""
    with pytest.raises(PaperError):
        label_pdf(replace(VIEW, place="Quillmarsh allotments, the third gate " * 6), (50.0, 40.0))


def test_the_checklist_has_every_step_with_a_box_and_every_caution_in_full() -> None:
    """On paper nothing can be unfolded, so all of it stands there."""
    told = words(list_of(VIEW).pdf)
    for step in STEPS:
        assert step.told_title() in told
    assert "Never pour water onto solid potash" in told


def test_a_picture_has_the_size_of_the_paper_and_is_not_empty() -> None:
    """90 x 60 mm at 200 dots per inch."""
    picture = Image.open(io.BytesIO(as_png(label_pdf(VIEW).pdf, 200.0))).convert("L")
    assert picture.size == (pytest.approx(709, abs=1), pytest.approx(473, abs=1))
    dark = sum(picture.histogram()[:100])
    assert 0.02 < dark / (picture.width * picture.height) < 0.5


@pytest.mark.parametrize("paper", PAPERS)
def test_papers_speak_the_readers_language_and_units(paper: str) -> None:
    """Nothing bypasses the catalogue, and in US units no °C is left."""
    with speaking(Voice(units="us", translate=lambda text: f"¡{text}", decimal_sign=",")):
        told = words(PAPERS[paper](replace(VIEW, log=(), verdict=(), potash_left="")).pdf)
    assert "¡" in told and "°C" not in told


def test_letters_that_cannot_be_printed_are_told() -> None:
    """A sentence names what stands differently on the paper; nothing falls over."""
    assert label_pdf(replace(VIEW, number="油 7")).warnings
