"""A TOML file read table by table, key by key; every mistake becomes one sentence and the reading goes on.

``monitor.settings`` says which keys there are; this says how a wrong one is told: file, line, key, what is wrong,
what is allowed, how to mend it. Imports nothing of ours but the words.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.words import mark, tr

_CLOCK = re.compile(r"([01]?[0-9]|2[0-4]):([0-5][0-9])")
_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")


class Secret:
    """A text that shows itself only when asked by ``reveal``, so that no log and no error prints it."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The text itself: call it only where it is handed to the service it belongs to."""
        return self._text

    def __repr__(self) -> str:
        return "Secret(hidden)"

    __str__ = __repr__

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and other._text == self._text

    def __hash__(self) -> int:
        return hash(self._text)

    def __bool__(self) -> bool:
        return bool(self._text)


@dataclass(frozen=True, slots=True)
class WakingHours:
    """From when to when a message that can wait may ring: minutes after local midnight, 0 to 1440.

    ``end_minute`` below ``start_minute`` runs over midnight (a baker's day).
    """

    start_minute: int = 7 * 60
    end_minute: int = 22 * 60

    def holds(self, minute_of_day: int) -> bool:
        """Whether that local minute of the day is a waking one."""
        if self.start_minute <= self.end_minute:
            return self.start_minute <= minute_of_day < self.end_minute
        return minute_of_day >= self.start_minute or minute_of_day < self.end_minute

    def __str__(self) -> str:
        return "-".join(f"{minute // 60:02d}:{minute % 60:02d}" for minute in (self.start_minute, self.end_minute))


# ---- the text of a file -------------------------------------------------------------------------------------------


# No file of ours goes deeper than five. A key with a thousand dots is a thousand tables, each in the one before.
_DEEPEST = 20
# A name or a tuple of them, as Python writes it down; not a single sign.
_QUOTED = re.compile(r"""\(?(['"]).{7,}\1,?\)?""", re.DOTALL)
_TOO_DEEP = mark("brackets or dotted keys nested too deeply")


class NotTomlError(ValueError):
    """The text is no TOML: what is wrong, in a few words, and on which line, None where nobody can say."""

    def __init__(self, what: str, line: int | None = None) -> None:
        super().__init__(what)
        self.what, self.line = what, line


def toml_of(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises NotTomlError, whatever Python's own reader raises.

    A whole number beyond 64 bits, which TOML does not know (version 1.0.0, "Integer"), becomes an infinite float: it
    is out of every range, and whoever reads its key says so.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, where = str(error).rpartition(" (at ")
        line = re.search(r"line (\d+)", where)
        if what.startswith("Cannot declare"):
            what = tr("a table that stands here a second time")
        # What the reader quotes may be a secret that slipped to where a name stands; the line says it as well.
        what = _QUOTED.sub("...", what)
        raise NotTomlError(what or str(error), int(line.group(1)) if line else None) from None
    except RecursionError:
        raise NotTomlError(tr(_TOO_DEEP)) from None
    except ValueError:  # thousands of digits, or a time like 25:61
        raise NotTomlError(tr("a number or a time that cannot be")) from None
    return {key: _bounded(value, 1) for key, value in data.items()}


def _bounded(value: Any, depth: int) -> Any:
    if depth > _DEEPEST:
        raise NotTomlError(tr(_TOO_DEEP))
    if isinstance(value, dict):
        return {key: _bounded(inner, depth + 1) for key, inner in value.items()}
    if isinstance(value, list):
        return [_bounded(inner, depth + 1) for inner in value]
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        return math.inf if value > 0 else -math.inf
    return value


# A sentence that quotes what somebody typed is cut here: it has to fit on a screen.
_LONGEST_SENTENCE = 1000


def one_line(sentence: str) -> str:
    """A sentence on one line, of a length to be read, without the signs that would garble a screen."""
    clean = "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in sentence)
    return clean if len(clean) <= _LONGEST_SENTENCE else clean[: _LONGEST_SENTENCE - 3] + "..."


# ---- where a key stands -------------------------------------------------------------------------------------------

KeyPath = tuple[str | int, ...]


def line_numbers(text: str) -> dict[KeyPath, int]:
    """Path of each table and key -> its line. For files laid out plainly; what it misses is told without a line."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$", line):
            keys = [part.strip().strip("\"'") for part in header.group(2).split(".")]
            here = ()
            for depth, key in enumerate(keys):
                here = (*here, key)
                if header.group(1) == "[[" and depth == len(keys) - 1:
                    counts[here] = counts.get(here, -1) + 1
                if here in counts:
                    here = (*here, counts[here])
            lines.setdefault(here, number)
        elif key_line := re.match(r"\s*([A-Za-z0-9_-]+|\"[^\"]+\"|'[^']+')\s*=", line):
            lines.setdefault((*here, key_line.group(1).strip("\"'")), number)
    return lines


# ---- reading one table --------------------------------------------------------------------------------------------


@dataclass
class Reader:
    """What all tables of one file share: the sentences so far, and where a key stands."""

    path: Path
    lines: dict[KeyPath, int]
    environ: Mapping[str, str]
    problems: list[tuple[int, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    holds_secret: bool = False

    def problem(self, where: KeyPath, sentence: str) -> None:
        line = self._line(where)
        at = tr(", line {line}", line=line) if line else ""
        self.problems.append((line or 10**9, one_line(f"{self.path}{at}: {sentence}")))

    def _line(self, where: KeyPath) -> int | None:
        while where:
            if where in self.lines:
                return self.lines[where]
            where = where[:-1]
        return None


MISSING = object()


class Table:
    """One table of the file: typed look-ups that note what is wrong and go on with the default."""

    def __init__(self, reader: Reader, data: Mapping[str, Any], where: KeyPath) -> None:
        self.reader = reader
        self.data = data
        self.where = where
        self.asked: set[str] = set()

    @property
    def title(self) -> str:
        """How a person finds the table: [page], or [[bucket]] "shed-2"."""
        words = [str(part) for part in self.where if isinstance(part, str)]
        if not self.where:
            return tr("the file")
        name = self.data.get("name")
        brackets = f"[[{'.'.join(words)}]]" if isinstance(self.where[-1], int) else f"[{'.'.join(words)}]"
        return f'{brackets} "{name}"' if isinstance(name, str) and isinstance(self.where[-1], int) else brackets

    def wrong(self, key: str, sentence: str) -> None:
        self.reader.problem(
            (*self.where, key), tr("{key} in {title}: {sentence}", key=key, title=self.title, sentence=sentence)
        )

    def has(self, key: str) -> bool:
        return key in self.data

    def take(self, key: str, kind: type | tuple[type, ...], words: str, example: str) -> Any:
        self.asked.add(key)
        value = self.data.get(key, MISSING)
        if value is MISSING:
            return MISSING
        kinds = kind if isinstance(kind, tuple) else (kind,)
        # bool is an int to Python, not to a person.
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            self.wrong(
                key,
                tr(
                    "{value} is not {words}; write for example {key} = {example}.",
                    value=shown(value),
                    words=words,
                    key=key,
                    example=example,
                ),
            )
            return MISSING
        return value

    def text(
        self, key: str, default: str, *, example: str, check: Callable[[str], str | None] | None = None,
        may_be_empty: bool = False,
    ) -> str:  # fmt: skip
        value = self.take(key, str, tr("a text in quotes"), example)
        if value is MISSING:
            return default
        text = self._filled(key, value)
        if not text.strip():
            if may_be_empty:
                return ""
            self.wrong(
                key,
                tr(
                    "it is empty; write for example {key} = {example}, or leave the line out.", key=key, example=example
                ),
            )
            return default
        if check and (fault := check(text)):
            self.wrong(key, tr("{fault}; write for example {key} = {example}.", fault=fault, key=key, example=example))
            return default
        return text

    def optional_text(self, key: str, *, example: str) -> str | None:
        return self.text(key, "", example=example) or None

    def required_text(self, key: str, *, example: str, check: Callable[[str], str | None] | None = None) -> str:
        if not self.has(key):
            self.asked.add(key)
            self.reader.problem(
                self.where,
                tr(
                    "{title} has no {key}; add for example {key} = {example}.",
                    title=self.title,
                    key=key,
                    example=example,
                ),
            )
            return ""
        return self.text(key, "", example=example, check=check)

    def choice(self, key: str, default: str, options: Sequence[str]) -> str:
        value = self.take(key, str, tr("a text in quotes"), f'"{options[0]}"')
        if value is MISSING:
            return default
        if value not in options:
            near = difflib.get_close_matches(value.lower(), [option.lower() for option in options], 1)
            meant = next((option for option in options if near and option.lower() == near[0]), options[0])
            allowed = ", ".join(f'"{option}"' for option in options)
            self.wrong(
                key,
                tr(
                    '"{value}" is none of {allowed}; write for example {key} = "{meant}".',
                    value=value,
                    allowed=allowed,
                    key=key,
                    meant=meant,
                ),
            )
            return default
        return str(value)

    def number(self, key: str, default: float, *, low: float, high: float, unit: str, example: str) -> float:
        value = self.take(key, (int, float), tr("a number"), example)
        if value is MISSING:
            return default
        if not math.isfinite(value) or not low <= value <= high:
            self.wrong(
                key,
                tr(
                    "{value} is out of range; {low:g} to {high:g}{unit} is allowed, for example {key} = {example}.",
                    value=value,
                    low=low,
                    high=high,
                    unit=unit,
                    key=key,
                    example=example,
                ),
            )
            return default
        return float(value)

    def optional_number(self, key: str, *, low: float, high: float, unit: str, example: str) -> float | None:
        value = self.number(key, math.nan, low=low, high=high, unit=unit, example=example)
        return None if math.isnan(value) else value

    def whole(self, key: str, default: int, *, low: int, high: int, example: int) -> int:
        value = self.take(key, int, tr("a whole number"), str(example))
        if value is MISSING:
            return default
        if not low <= value <= high:
            self.wrong(
                key,
                tr(
                    "{value} is out of range; {low} to {high} is allowed, for example {key} = {example}.",
                    value=value,
                    low=low,
                    high=high,
                    key=key,
                    example=example,
                ),
            )
            return default
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self.take(key, bool, tr("true or false"), "true")
        return default if value is MISSING else bool(value)

    def texts(self, key: str, *, example: str) -> tuple[str, ...]:
        value = self.take(key, list, tr("a list of texts in square brackets"), example)
        if value is MISSING:
            return ()
        good = []
        for item in value:
            if isinstance(item, str) and item.strip():
                good.append(item)
            else:
                self.wrong(
                    key,
                    tr(
                        "{item} in the list is not a text in quotes; write for example {key} = {example}.",
                        item=shown(item),
                        key=key,
                        example=example,
                    ),
                )
        return tuple(good)

    def secret(self, key: str, variable: str) -> Secret | None:
        """From the file (where ${NAME} stands for an environment variable), else from ``variable``."""
        self.asked.add(key)
        value = self.data.get(key, MISSING)
        if value is MISSING:
            text = self.reader.environ.get(variable, "")
            return Secret(text) if text else None
        if not isinstance(value, str) or not value:
            self.wrong(
                key,
                tr(
                    'it is not a text in quotes; write {key} = "${{{variable}}}" and set that variable.',
                    key=key,
                    variable=variable,
                ),
            )
            return None
        return self._secret(key, value)

    def secrets(self, key: str, *, example: str) -> tuple[Secret, ...]:
        found = []
        for place, item in self.unshown_texts(key, example=example):
            if "://" not in item and not _VARIABLE.search(item):
                self.wrong(
                    key,
                    tr(
                        "number {place} of the list is not a route: it has no ://; write for example "
                        "{key} = {example}.",
                        place=place,
                        key=key,
                        example=example,
                    ),
                )
            else:
                found.append(self._secret(key, item))
        return tuple(secret for secret in found if secret)

    def unshown_texts(self, key: str, *, example: str) -> list[tuple[int, str]]:
        """The texts of a list, each with its place in it, from 1. What is none is not shown: it may be a secret with a
        slip in it, or below the wrong heading.
        """
        self.asked.add(key)
        value = self.data.get(key, [])
        if not isinstance(value, list):
            self.wrong(
                key,
                tr(
                    "it is not a list in square brackets; write for example {key} = {example}.",
                    key=key,
                    example=example,
                ),
            )
            return []
        found = []
        for place, item in enumerate(value, 1):
            if isinstance(item, str):
                found.append((place, item))
            else:
                self.wrong(
                    key,
                    tr(
                        "number {place} of the list is not a text in quotes; write for example {key} = {example}.",
                        place=place,
                        key=key,
                        example=example,
                    ),
                )
        return found

    def _secret(self, key: str, value: str) -> Secret:
        if _VARIABLE.sub("", value) and not re.fullmatch(r"[a-z]+://(localhost|127\.0\.0\.1)(:\d+)?/?", value):
            # A route or password that stands whole in a variable leaves nothing in the file to steal.
            self.reader.holds_secret = True
        return Secret(self._filled(key, value))

    def _filled(self, key: str, value: str) -> str:
        """The text with each ${NAME} replaced from the environment."""

        def put(match: re.Match[str]) -> str:
            name = match.group(1)
            if name not in self.reader.environ:
                self.wrong(
                    key, tr("the environment variable {name} is not set; set it, or write the value itself.", name=name)
                )
                return ""
            return self.reader.environ[name]

        return _VARIABLE.sub(put, value)

    def clock_pair(self, key: str, default: WakingHours) -> WakingHours:
        example = '["07:00", "22:00"]'
        value = self.take(key, list, tr("two times of day"), example)
        if value is MISSING:
            return default
        minutes = []
        for item in value:
            match = _CLOCK.fullmatch(item) if isinstance(item, str) else None
            if match:
                minutes.append(int(match.group(1)) * 60 + int(match.group(2)))
        if len(value) != 2 or len(minutes) != 2 or max(minutes) > 24 * 60:
            self.wrong(
                key,
                tr(
                    "{value} is not two times from 00:00 to 24:00; write for example {key} = {example}.",
                    value=shown(value),
                    key=key,
                    example=example,
                ),
            )
            return default
        if minutes[0] == minutes[1]:
            self.wrong(
                key,
                tr(
                    "both times are the same, which leaves no waking hour; write for example {key} = {example}.",
                    key=key,
                    example=example,
                ),
            )
            return default
        return WakingHours(*minutes)

    def table(self, key: str) -> Table:
        self.asked.add(key)
        value = self.data.get(key, {})
        if not isinstance(value, dict):
            self.reader.problem(
                (*self.where, key), tr("{key} is not a table; write it as a heading on its own line: [{key}].", key=key)
            )
            value = {}
        return Table(self.reader, value, (*self.where, key))

    def tables(self, key: str) -> list[Table]:
        self.asked.add(key)
        value = self.data.get(key, [])
        if isinstance(value, dict):
            self.reader.problem(
                (*self.where, key),
                tr("there may be several {key}s, so write the heading with two brackets: [[{key}]].", key=key),
            )
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.reader.problem(
                (*self.where, key),
                tr("{key} is not a table; write it as a heading on its own line: [[{key}]].", key=key),
            )
            return []
        return [Table(self.reader, item, (*self.where, key, number)) for number, item in enumerate(value)]

    def finish(self) -> None:
        """Tell every key that nobody asked for: a slip in a name would else be silently without effect."""
        for key in self.data:
            if key in self.asked:
                continue
            near = difflib.get_close_matches(key.lower(), self.asked, 1, 0.6)
            hint = (
                tr("did you mean {near}?", near=near[0])
                if near
                else tr("known are {names}.", names=", ".join(sorted(self.asked)))
            )
            self.reader.problem(
                (*self.where, key),
                tr("{key} is not a setting of {title}: {hint}", key=key, title=self.title, hint=hint),
            )


def shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value).replace("'", '"')
    return text if len(text) <= 60 else text[:57] + "..."
