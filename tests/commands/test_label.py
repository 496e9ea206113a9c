"""``label`` as somebody types it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.conftest import Shed


@pytest.mark.parametrize(
    ("options", "file"),
    [
        ((), "quillmarsh-12-label.pdf"),
        (("--png",), "quillmarsh-12-label.png"),
        (("--batch-sheet",), "quillmarsh-12-sheet.pdf"),
        (("--checklist",), "quillmarsh-12-checklist.pdf"),
        (("--sheet-of", "8", "--sheet", "A4", "--out", "cans.pdf"), "cans.pdf"),
    ],
)
def test_each_paper_is_written_and_says_what_to_mind(shed: Shed, options: tuple[str, ...], file: str) -> None:
    """Named after the batch; the cautions of filling stand beside it."""
    shed.start()
    shed.feed("shed-2", 71.0, 10.0)
    shed.estimate("Quillmarsh 12", "shed-2")
    said = shed.ok("label", "shed-2", *options)
    assert Path(file).read_bytes()[:4] in (b"%PDF", b"\x89PNG")
    assert f"Written: {file}" in said.words and "Goggles" in said.words and "data sheet" in said.words
    if "--checklist" not in options:
        assert "with [page] address in the settings" in said.complaint


def test_an_ended_batch_has_a_label_too(shed: Shed) -> None:
    """By its name, with what was noted of it."""
    shed.start()
    shed.ok("record", "shed-2", "free-alkali-percent", "0.04 %")
    shed.ok("end", "shed-2", "--yield", "24L")
    said = shed.ok("label", "Quillmarsh 12", "--json").json
    assert said["files"] == ["quillmarsh-12-label.pdf"] and said["cautions"]


def test_an_empty_checklist_needs_no_journal(shed: Shed) -> None:
    """For the wall of the shed, before the first batch."""
    shed.ok("label", "--checklist")
    assert Path("checklist.pdf").exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "Name a batch"),
        (("nobody",), "nobody"),
        (("shed-2", "--size", "1x1mm"), "cannot be printed"),
        (("shed-2", "--size", "big"), "is no size"),
        (("shed-2", "--sheet-of", "9999"), "from 1 to 500"),
        (("shed-2", "--out", "there.pdf"), "is there already"),
        (("shed-2", "--out", "no/such/x.pdf"), "cannot be written"),
    ],
)
def test_what_cannot_be_printed_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], says: str) -> None:
    """And what is there stays."""
    shed.start()
    Path("there.pdf").write_text("mine", encoding="utf-8")
    assert says in shed.refused("label", *arguments)
    assert Path("there.pdf").read_text(encoding="utf-8") == "mine"
