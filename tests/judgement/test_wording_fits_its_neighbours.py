"""The words cover what the neighbouring parts hand over: probe problems, guesses, deeds with cautions."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.domain import ALARM_KINDS, Condition
from monitor.judgement.phrases import guessed, probe_problem
from monitor.judgement.wording import say
from monitor.sensing.screening import PROBLEM_OF
from monitor.trade.making import cautions_for

MONITOR = Path(__file__).parents[2] / "monitor"


@pytest.mark.parametrize("problem", sorted({*PROBLEM_OF.values(), "out_of_paste", "reversed", "stuck", "never_in"}))
def test_every_problem_that_screening_names_has_words(problem: str) -> None:
    """No probe problem falls through to "cannot be believed (its id)"."""
    assert not probe_problem(problem).startswith("cannot be believed")


def test_every_guess_that_recipe_and_fit_name_has_words() -> None:
    """Each id that ends in `assumed` is said in words, not as an id with the underscores taken out."""
    sources = [*MONITOR.glob("heat/*.py"), *MONITOR.glob("trade/*.py")]
    ids = {found for path in sources for found in re.findall(r'assumed\.append\("(\w+)"\)', path.read_text("utf-8"))}
    assert len(ids) >= 8
    for name in ids:
        assert name.replace("_", " ") not in guessed((name,)), name


@pytest.mark.parametrize("kind", ALARM_KINDS)
@pytest.mark.parametrize("facts", [{}, {"temperature_c": 90.0}, {"cause": "short_potash"}, {"suddenly_lost": True}])
def test_every_deed_of_a_message_has_its_cautions(kind: str, facts: dict[str, object]) -> None:
    """The page can show the full cautions of each deed that a message names."""
    message = say(Condition(kind, True, False, 0.9, "now", facts=facts), batch="b", bucket="shed-2")
    for deed in message.deeds:
        assert cautions_for(deed)
