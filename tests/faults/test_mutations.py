"""The maker of small faults: what it changes, what it leaves alone."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from tests.faults import soak_mutants
from tests.faults.mutations import mutants_of
from tests.faults.soak_mutants import NOTHING_CHANGES, modules

TOP = Path(__file__).parents[2]
SOURCE = '''
"""About it."""
LIMIT = 5
def found(rows, name="x", *, deep: int = 2) -> list:
    """All."""
    if rows and not name:
        raise ValueError(tr("None of {n} rows.", n=3))
    ask(f"SELECT a FROM t WHERE a >= ? AND b = {LIMIT} ORDER BY a DESC", keep=True)
    rows.total += 1
    return [row for row in rows if row.age < LIMIT]
'''


def changes(source: str) -> set[tuple[str, str]]:
    return {(mutant.was, mutant.instead) for mutant in mutants_of("monitor/x.py", source)}


def test_python_and_sql_are_changed_place_by_place() -> None:
    """Comparison, number, statement, argument, answer; in SQL comparison, join, order and a term."""
    assert {
        ("5", "(5 + 1)"), ("2", "(2 + 1)"), ("and", "or"), ("not name", "(name)"), ('"x"', '"xx"'), ("True", "False"),
        ("rows.total += 1", "pass"), ("+=", "-="), ("<", "<="), ("<", ">"), (">=", ">"),
        ("AND", "OR"), (" DESC", ""), ("=", "<>"),
        ("keep=True", ""),
    } <= changes(SOURCE)  # fmt: skip
    assert any(was.startswith("return [") and instead == "return None" for was, instead in changes(SOURCE))


def test_docstrings_and_sentences_for_people_are_left_alone() -> None:
    """Their words are no logic; the catalogue's tests hold them."""
    left_alone = ('"""About it."""', '"""All."""', '"None of {n} rows."', "3")
    assert not [was for was, _ in changes(SOURCE) if was in left_alone]


@pytest.mark.parametrize("path", modules())
def test_every_mutant_is_one_change_with_a_name_of_its_own(path: str) -> None:
    """The names carry what earlier runs found, and what is written down as harmless."""
    source = (TOP / path).read_text(encoding="utf-8")
    mutants = mutants_of(path, source)
    assert len({mutant.name for mutant in mutants}) == len(mutants)
    assert all(mutant.applied(source) != source for mutant in mutants)
    tests = [test for test in soak_mutants.tests_for(path) if not test.startswith("--")]
    assert tests and all((TOP / test).exists() for test in tests)


def test_what_is_written_down_as_harmless_has_a_reason() -> None:
    """Below the lines that name mutants stands, indented, why nobody could notice them."""
    lines = [line for line in NOTHING_CHANGES.read_text(encoding="utf-8").splitlines() if line.strip()]
    for line, after in pairwise([*lines, "end"]):
        if line.startswith("monitor/"):
            assert after.startswith(("    ", "monitor/")), f"no reason for: {line}"
