"""No value ever becomes part of the text of an SQL statement: values travel beside it, in the marks' places."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

_MONITOR = Path(__file__).parents[2] / "monitor"
_EXECUTING = ("_run", "_run_many", "_row", "_rows", "execute", "executemany", "executescript")

# What stands in a statement beside constants of the module, each with where its text comes from.
_OURS = {
    ("alarms.py", "marks"): "question marks, as many as there are columns",
    ("alarms.py", "of_batch"): "one of two literals",
    ("alarms.py", "standing"): "one of two literals",
    ("alarms.py", "where"): "literals of the line before",
    ("batches.py", "column"): "a column of the list in the same loop",
    ("batches.py", "table"): "a table of that list",
    ("batches.py", "which"): "one of two literals",
    ("migrations.py", "step.number"): "a number of MIGRATIONS",
    ("outbox.py", "', '.join('?' * 16)"): "question marks",
    ("outbox.py", "where"): "literals of the line before",
    ("putting_back.py", "page_bytes"): "a number of SQLite's",
    ("retiming.py", "table"): "a table of the module's own list",
    ("retiming.py", "one"): "a column of that list",
    ("retiming.py", "noted"): "a column of that list",
    ("retiming.py", "moves"): "columns of that list",
    ("readings.py", "marks"): "question marks, as many as there are buckets",
    ("readings.py", "extreme"): "'min' or 'max', in the same loop",
    ("store.py", "int(self._busy_s * 1000)"): "a number of ours",
    ("whole.py", "by"): "'name' or 'batch'",
    ("whole.py", "marks"): "question marks, as many as there are columns",
    ("whole.py", "named"): "columns of TABLES",
    ("whole.py", "table"): "a key of TABLES",
    ("whole.py", "there"): "a literal",
}


def statements() -> Iterator[tuple[str, ast.expr]]:
    """(file, statement) for each call that executes one in the journal."""
    for path in sorted((_MONITOR / "journal").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = node.func if isinstance(node, ast.Call) else None
            if isinstance(called, ast.Attribute) and called.attr in _EXECUTING and node.args:
                yield path.name, node.args[0]


def strange_parts(file: str, statement: ast.AST) -> list[str]:
    """What stands in the text of a statement and is neither a constant nor known above."""
    if isinstance(statement, ast.FormattedValue):
        text = ast.unparse(statement.value)
        return [] if text.isupper() or (file, text) in _OURS else [text]
    if isinstance(statement, ast.BinOp | ast.Call):
        return [ast.unparse(statement)]
    return [part for node in ast.iter_child_nodes(statement) for part in strange_parts(file, node)]


def test_statements_hold_only_words_of_ours() -> None:
    """A new one that puts anything else into its text is looked at first, and then stands in the list above."""
    every = list(statements())
    assert len(every) > 60
    assert [(file, part) for file, statement in every for part in strange_parts(file, statement)] == []


def test_only_the_journal_speaks_sql() -> None:
    """Elsewhere nobody may open a database, except for what copies a foreign one to read it."""
    speak = {
        path.relative_to(_MONITOR).as_posix()
        for path in _MONITOR.rglob("*.py")
        if "sqlite3.connect(" in path.read_text(encoding="utf-8")
    }
    assert {name for name in speak if not name.startswith("journal/")} <= _MAY


# Each copies or restores a whole file, by SQLite's own means.
_MAY = {"exchange/carry.py"}


@pytest.mark.parametrize(
    "text",
    ['self._run(f"SELECT {name}")', 'self._rows("SELECT " + name)', 'db.execute("SELECT {}".format(name))',
     'db.execute("SELECT %s" % name)', 'self._row(f"SELECT 1 WHERE x = \'{batch.name}\'")'],
)  # fmt: skip
def test_a_value_in_a_statement_is_found(text: str) -> None:
    """The test itself: what it is there to find."""
    call = ast.parse(text, mode="eval").body
    assert isinstance(call, ast.Call)
    assert strange_parts("batches.py", call.args[0])
