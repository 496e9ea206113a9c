"""Small faults put into the program's own text, one at a time: what the tests should notice.

A mutant is the source of one module with one place changed. Python is changed by its syntax tree; SQL, in which much of
the journal's logic lies, word by word inside the strings. Docstrings, annotations and sentences for people
(`tr`, `mark`) are left alone: their words are held by the catalogue's tests.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARE = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==", ast.Is: "is not",
    ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
_TURNED = {ast.Lt: ">", ast.LtE: ">", ast.Gt: "<", ast.GtE: "<"}
_ARITHMETIC = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.FloorDiv: "/", ast.Mod: "*", ast.Pow: "*"}
_FOR_PEOPLE = {"tr", "trn", "trc", "mark"}

_IS_SQL = re.compile(
    r"\b(SELECT|INSERT|UPDATE \w|DELETE FROM|CREATE (TEMP |UNIQUE )?(TABLE|INDEX)|WHERE|FROM \w+ \w+ JOIN|ORDER BY|"
    r"state IN|PRAGMA|ROLLBACK|RELEASE|SAVEPOINT|BEGIN|COMMIT|DROP TABLE)\b|\w+ IS (NOT )?NULL|\w+ (=|<|>=) \?"
)
# What is changed in SQL: pattern -> what stands there instead. A lookaround keeps "<" apart from "<=" and "<>".
_SQL = tuple(
    (re.compile(pattern), instead)
    for pattern, instead in (
        # comparisons and what joins them
        (r"<=", "<"), (r">=", ">"), (r"<>", "="), (r"(?<![<>=])<(?![<>=])", "<="), (r"(?<![<>=])>(?![<>=])", ">="),
        (r"(?<=\w )=(?= )", "<>"), (r"\bAND\b", "OR"), (r"\bOR\b(?! IGNORE| REPLACE)", "AND"),
        (r"\bIS NULL\b", "IS NOT NULL"), (r"\bIS NOT NULL\b", "IS NULL"), (r"\bIS NOT\b(?! NULL)", "IS"),
        (r"\bIN\b", "NOT IN"),
        # a term of a condition, or all of it, left out
        (r" AND [^\"{}()]+?(?= AND | ORDER | LIMIT | GROUP |\"|\))", ""), (r"(?<=WHERE )[^\"{}()]+? AND ", ""),
        (r" WHERE [^\"{}()]+?(?= ORDER | LIMIT | GROUP |\")", ""),
        # order and number
        (r" DESC\b", ""), (r"(?<=ORDER BY )(\w+)\b(?!\()", r"\1 DESC"), (r" ORDER BY [^\"{)]+?(?= LIMIT|\")", ""),
        (r", rowid\b", ""), (r", name\b(?=\")", ""), (r" LIMIT (?:\d+|\?)", ""), (r"\bmin\(", "max("),
        (r"\bmax\(", "min("), (r"\bavg\(", "max("), (r"(?<=attempts )\+(?= 1)", "-"),
        # values
        (r"(?<![\w?.])(\d+)\b(?! (?:rows|bytes))", lambda m: str(int(m[1]) + 1)), (r"'(\w+)'", r"'\1x'"),
        # what happens to a row that is there already
        (r" OR IGNORE\b", ""), (r" OR REPLACE\b", " OR IGNORE"), (r" ON CONFLICT [^\"]*DO NOTHING", ""),
        (r"\bUNION ALL\b", "UNION"),
        # the schema, and how the file is held
        (r" UNIQUE\b(?= \(| INDEX)", ""), (r" NOT NULL\b", ""), (r" DEFAULT '?[\w{}]*'?", ""),
        (r" REFERENCES \w+ \(\w+\)", ""), (r" AUTOINCREMENT\b", ""), (r" PRIMARY KEY\b(?! AUTO)", ""),
        (r"\bFULL\b", "OFF"), (r"\bON\b(?=\")", "OFF"), (r"\bIMMEDIATE\b", "DEFERRED"),
        (r"\bCROSS JOIN\b", "JOIN"),
    )
)  # fmt: skip
_LAST_CLAUSE = re.compile(r"\b(?:SET|WHERE|ON|SELECT)\b")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one module: ``start`` to ``end`` (characters) of its text becomes ``instead``.

    ``where`` is the function it lies in, ``line`` the number of its line, ``was`` what stood there.
    """

    path: str
    start: int
    end: int
    was: str
    instead: str
    line: int
    where: str
    text: str
    nth: int = 0

    @property
    def name(self) -> str:
        """What it is in one line that does not change when lines above it are added."""
        nth = f" #{self.nth}" if self.nth else ""
        return f"{self.path} | {self.where} | {_short(self.was)} -> {_short(self.instead)}{nth} | {self.text}"

    def applied(self, source: str) -> str:
        """The module's text with this change."""
        return source[: self.start] + self.instead + source[self.end :]


def mutants_of(path: str, source: str) -> list[Mutant]:
    """Every change of ``source`` that still compiles, each once, in the order of the text."""
    found: dict[tuple[int, int, str], Mutant] = {}
    lines = source.splitlines()
    for start, end, instead, where in _Finder(source).found():
        key = start, end, instead
        number = source.count("\n", 0, start) + 1
        text = " ".join(lines[number - 1].split())
        mutant = Mutant(path, start, end, source[start:end], instead, number, where, text)
        if key not in found and source[start:end] != instead and _compiles(mutant.applied(source)):
            found[key] = mutant
    return _numbered(sorted(found.values(), key=lambda mutant: (mutant.start, mutant.end)))


def _numbered(mutants: list[Mutant]) -> list[Mutant]:
    """Two that would have one name are told apart by a number."""
    seen: dict[str, int] = {}
    numbered = []
    for mutant in mutants:
        nth = seen.get(mutant.name, 0)
        seen[mutant.name] = nth + 1
        fields = {name: getattr(mutant, name) for name in mutant.__slots__}
        numbered.append(Mutant(**{**fields, "nth": nth}))
    return numbered


def _compiles(source: str) -> bool:
    try:
        compile(source, "mutant", "exec")
    except (SyntaxError, ValueError):
        return False
    return True


def _short(text: str) -> str:
    one_line = " ".join(text.split())
    return one_line if len(one_line) <= 60 else one_line[:57] + "..."


class _Finder(ast.NodeVisitor):
    """Walks one module and notes (start, end, instead, function) for each change."""

    def __init__(self, source: str) -> None:
        self._source = source
        # The tree counts columns in bytes of each line.
        self._lines = source.splitlines(keepends=True)
        self._starts = [0]
        for line in self._lines:
            self._starts.append(self._starts[-1] + len(line))
        self._functions: list[str] = []
        self._changes: list[tuple[int, int, str, str]] = []

    def found(self) -> Iterator[tuple[int, int, str, str]]:
        """All changes there are."""
        self.visit(ast.parse(self._source))
        yield from self._changes

    # ---- places ----

    def _at(self, line: int, column: int) -> int:
        return self._starts[line - 1] + len(self._lines[line - 1].encode()[:column].decode())

    def _span(self, node: ast.AST) -> tuple[int, int]:
        return (
            self._at(node.lineno, node.col_offset),  # type: ignore[attr-defined]
            self._at(node.end_lineno, node.end_col_offset),  # type: ignore[attr-defined]
        )

    def _text(self, node: ast.AST) -> str:
        start, end = self._span(node)
        return self._source[start:end]

    def _note(self, start: int, end: int, instead: str) -> None:
        self._changes.append((start, end, instead, ".".join(self._functions) or "module"))

    def _swap(self, node: ast.AST, instead: str) -> None:
        self._note(*self._span(node), instead)

    def _between(self, left: ast.AST, right: ast.AST, word: str, instead: str) -> None:
        """Change the operator that stands between two expressions."""
        start, end = self._span(left)[1], self._span(right)[0]
        at = self._source.find(word, start, end)
        if at >= 0:
            self._note(at, at + len(word), instead)

    # ---- statements ----

    def _function(self, node: ast.FunctionDef | ast.ClassDef) -> None:
        self._functions.append(node.name)
        body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
        if isinstance(node, ast.FunctionDef):
            for default in [*node.args.defaults, *[value for value in node.args.kw_defaults if value]]:
                self.visit(default)
        for statement in body:
            self.visit(statement)
        self._functions.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self._function(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self._function(node)

    def visit_Module(self, node: ast.Module) -> None:
        body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
        for statement in body:
            self.visit(statement)

    def visit_Import(self, node: ast.Import) -> None:
        pass

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        pass

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Assign(self, node: ast.Assign) -> None:
        named = [target.id for target in node.targets if isinstance(target, ast.Name)]
        if "__all__" in named or "__slots__" in named:
            return
        keeps = isinstance(node.targets[0], (ast.Attribute, ast.Subscript))
        if self._functions and (keeps or (named and self._is_set_before(node, named[0]))):
            self._swap(node, "pass")
        self.visit(node.value)

    def _is_set_before(self, node: ast.Assign, name: str) -> bool:
        """Without the statement the name would still mean something, so the mutant is no mere NameError."""
        return any(isinstance(part, ast.Name) and part.id == name for part in ast.walk(node.value))

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._swap(node, "pass")
        self._between(node.target, node.value, "+=", "-=")
        self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self._swap(node, "pass")
        self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None:
        self._swap(node, "pass")
        self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            self._swap(node, "return None")
        elif node.value is None:
            self._swap(node, "pass")
        self.generic_visit(node)

    def visit_Break(self, node: ast.Break) -> None:
        self._swap(node, "continue")

    def visit_Continue(self, node: ast.Continue) -> None:
        self._swap(node, "break")

    def visit_If(self, node: ast.If) -> None:
        self._turn_round(node.test)
        self.generic_visit(node)

    # ---- expressions ----

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._turn_round(node.test)
        self.generic_visit(node)

    def _turn_round(self, test: ast.expr) -> None:
        # A "not" and a single comparison are turned round where they are visited themselves.
        if not isinstance(test, (ast.UnaryOp, ast.Compare)):
            self._swap(test, f"not ({self._text(test)})")

    def visit_Compare(self, node: ast.Compare) -> None:
        left: ast.expr = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            word = _word_of(operator)
            self._between(left, right, word, _COMPARE[type(operator)])
            if type(operator) in _TURNED:
                self._between(left, right, word, _TURNED[type(operator)])
            left = right
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        word, instead = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            self._between(left, right, word, instead)
        for value in node.values:  # one term left out
            rest = [f"({self._text(other)})" for other in node.values if other is not value]
            self._swap(node, "(" + f" {word} ".join(rest) + ")")
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, (ast.Not, ast.USub)):
            self._swap(node, f"({self._text(node.operand)})")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        # "int | None" in an annotation or isinstance is no arithmetic.
        if type(node.op) in _ARITHMETIC:
            self._between(node.left, node.right, _word_of(node.op), _ARITHMETIC[type(node.op)])
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in ("min", "max"):
            self._swap(node.func, "max" if name == "min" else "min")
        if name in _FOR_PEOPLE:
            return
        for keyword in node.keywords:
            if keyword.arg is not None:
                self._drop(keyword)
        self.generic_visit(node)

    def _drop(self, keyword: ast.keyword) -> None:
        """Leave a named argument out, with the comma behind it."""
        start, end = self._span(keyword)
        comma = re.match(r"\s*,\s*", self._source[end:])
        self._note(start, end + (comma.end() if comma else 0), "")

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self._swap(node, str(not value))
        elif isinstance(value, (int, float)):
            self._swap(node, f"({self._text(node)} + 1)")
        elif isinstance(value, str):
            self._string(node, value)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        # What stands in the braces is left alone: before Python 3.12 it has no place of its own in the tree.
        self._string(node, "".join(part.value for part in node.values if isinstance(part, ast.Constant)))

    def _string(self, node: ast.AST, value: str) -> None:
        start, end = self._span(node)
        text = self._source[start:end]
        if not _IS_SQL.search(value):
            if isinstance(node, ast.Constant) and value:
                self._note(start, end, text[:-1] + "x" + text[-1])
            return
        literal = _outside_braces(text) if isinstance(node, ast.JoinedStr) else [(0, len(text))]
        for pattern, instead in _SQL:
            for match in pattern.finditer(text):
                if not any(low <= match.start() and match.end() <= high for low, high in literal):
                    continue
                if match[0] == "=" and _LAST_CLAUSE.findall(text[: match.start()])[-1:] == ["SET"]:
                    continue  # "SET a <> ?" is no SQL at all: too easy to notice
                changed = match.expand(instead) if isinstance(instead, str) else instead(match)
                self._note(start + match.start(), start + match.end(), changed)


def _outside_braces(text: str) -> list[tuple[int, int]]:
    """The stretches of an f-string that are plain text."""
    parts, depth, began = [], 0, 0
    for at, letter in enumerate(text):
        if letter == "{":
            if depth == 0:
                parts.append((began, at))
            depth += 1
        elif letter == "}":
            depth -= 1
            began = at + 1
    return [*parts, (began, len(text))]


def _word_of(operator: ast.AST) -> str:
    words = {
        ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is",
        ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in", ast.Add: "+", ast.Sub: "-", ast.Mult: "*",
        ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%", ast.Pow: "**",
    }  # fmt: skip
    return words[type(operator)]
