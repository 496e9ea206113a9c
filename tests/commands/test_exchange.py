"""``export`` and ``import`` as somebody types them."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.journal.database import Journal
from tests.commands.conftest import Shed


@pytest.mark.parametrize(
    ("form", "name"), [("csv", "all.zip"), ("csv", "folder"), ("json", "all.json"), ("sqlite", "a.db")]
)
def test_what_is_exported_can_be_imported_elsewhere(shed: Shed, form: str, name: str) -> None:
    """From one shed's journal into an empty one; a second time it is there already."""
    shed.start("Quillmarsh 12", "shed-2")
    shed.ok("record", "shed-2", "maker", "Ada")
    assert "1 batch written" in shed.ok("export", "--format", form, "--out", name).words
    shed.settings.write_text(shed.settings.read_text().replace("journal.sqlite", "other.sqlite"), encoding="utf-8")
    assert "1 batch taken in" in shed.ok("import", name).words
    assert shed.ok("import", name, "--json").json == {"added": [], "known": ["Quillmarsh 12"]}
    with Journal(shed.folder / "other.sqlite") as other:
        assert other.details("Quillmarsh 12")["maker"].value == "Ada"


def test_only_the_batches_asked_for_are_written(shed: Shed) -> None:
    """By name, by bucket, by day."""
    shed.start("Quillmarsh 1", "shed-2")
    shed.start("Quillmarsh 2", "shed-3")
    said = shed.ok("export", "shed-3", "--format", "json", "--out", "a.json", "--json").json
    assert said["batches"] == ["Quillmarsh 2"]
    said = shed.ok("export", "--from", "today", "--format", "json", "--out", "b.json", "--json").json
    assert said["batches"] == ["Quillmarsh 1", "Quillmarsh 2"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("export", "--format", "json", "--out", "there.json"), "is there already"),
        (("export", "--format", "json", "--out", "no/such/x.json"), "cannot be written"),
        (("export", "nobody", "--format", "json", "--out", "x.json"), "no batch"),
        (("import", "missing.json"), "There is no missing.json"),
        (("import", "there.json"), "is not JSON"),
    ],
)
def test_what_cannot_be_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], says: str) -> None:
    """And what was there stays as it was."""
    shed.start("Quillmarsh 12", "shed-2")
    Path("there.json").write_text("mine", encoding="utf-8")
    assert says in shed.refused(*arguments)
    assert Path("there.json").read_text(encoding="utf-8") == "mine"
