"""What the documents promise is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.cli import build_parser
from monitor.domain import ALARM_KINDS
from monitor.judgement.alarms import RULES

_TOP = Path(__file__).parents[1]
_README = (_TOP / "README.md").read_text(encoding="utf-8")


def _commands() -> list[str]:
    subparsers = next(action for action in build_parser()._actions if action.dest == "command")
    return sorted(subparsers.choices)


@pytest.mark.parametrize("command", _commands())
def test_every_command_is_in_the_readme(command: str) -> None:
    """A command that nobody can read of does not exist for a grower."""
    assert re.search(rf"(?:emberpail |`){command}\b", _README), f"{command} is not in README.md"


@pytest.mark.parametrize("kind", ALARM_KINDS)
def test_every_alarm_kind_is_explained_and_has_its_times(kind: str) -> None:
    """Each alarm kind has a row in the README and its delays in RULES."""
    assert f"| `{kind}` |" in _README
    assert kind in RULES


def test_the_first_paragraph_states_the_job() -> None:
    """A newcomer learns from the first paragraph what it is for."""
    first = next(part for part in _README.split("\n\n") if not part.startswith("#"))
    assert all(word in first for word in ("soap", "thermocouple", "phone", "20 minutes"))


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "recordings/README.md"])
def test_every_link_leads_somewhere(document: str) -> None:
    """Links to files of the project point at files that are there."""
    path = _TOP / document
    for target in re.findall(r"\]\((?!https?:)([^)#]+)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), f"{document} links to {target}, which is not there"


def test_the_cautions_stand_where_a_batch_is_started() -> None:
    """README tells the cautions before it tells how to start a batch."""
    assert _README.index("Never water onto potash") < _README.index("./emberpail start")
    caution = _README[_README.index("## Caustic and hot") : _README.index("## Mind a first batch")]
    for words in (
        "oggles", "erupts", "loosely", "60 °C", "cable's hole", "tilt the far edge first", "half full",
        "residual-current", "75 °C", "aluminium", "paddle", "hydrogen", "Never lift or carry", "tray", "children",
        "30 minutes", "15 minutes", "no\n  vinegar", "do not vomit", "emergency number", "plastic shovel", "ditch",
        "does not\n  neutralise", "corners can hide lye", "Not for skin until tested", "law", "No dose",
        "safety data sheet",
    ):  # fmt: skip
        assert words in caution, words


def test_every_module_part_is_on_the_developers_map() -> None:
    """Each folder of the package is explained in DEVELOPERS.md."""
    text = (_TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    for folder in sorted(path.name for path in (_TOP / "monitor").iterdir() if (path / "__init__.py").exists()):
        assert f"monitor/{folder}/" in text, folder
