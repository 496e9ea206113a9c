"""NAME.toml: what the grower entered about one batch -> (Batch, log entries), and back.

Written by people, so it is read kindly: what can be understood is taken, and told in ``warnings`` where it was odd;
what cannot be is told all at once, each in one sentence with its line and how to mend it. Whoever starts a batch must
mend that; beside a recording it is too late, so there it counts as not entered (``beside``).
"""

from __future__ import annotations

import difflib
import math
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, NamedTuple

from monitor.domain import (
    INSULATIONS,
    LOG_KINDS,
    PLANNED_DILUTION_S,
    Batch,
    LogEntry,
    OilShare,
    Recipe,
    Vessel,
)
from monitor.toml_tables import KeyPath, NotTomlError, line_numbers, one_line, shown, toml_of
from monitor.words import tr

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TIME_EXAMPLE = "2026-03-14T08:10:00+00:00"
# Later than any batch of ours, earlier than milliseconds mistaken for seconds.
_LATEST_S = 7.3e9
_MOST_KG = 10_000.0
# The log of a batch that was written down for a year.
_MOST_BYTES = 1_000_000


class BatchFileError(ValueError):
    """The batch file cannot be used. ``problems`` holds one sentence for each thing to mend."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class BatchFile(NamedTuple):
    """What stands in a batch file; ``log`` in the order it was noted."""

    batch: Batch
    log: tuple[LogEntry, ...]
    warnings: tuple[str, ...] = ()


class Recorded(NamedTuple):
    """What a recording itself tells of its batch: whose readings they are, and when they begin (Unix seconds)."""

    bucket: str
    started_s: float


def read_batch_file(
    path: Path | str, *, default_bucket: str | None = None, beside: Callable[[], Recorded] | None = None
) -> BatchFile:
    """Read and check a batch file. Raises BatchFileError with every problem found.

    ``default_bucket`` is taken, with a warning, where the file names no bucket. With ``beside``, which is asked only
    for what is missing, a recording is to be read whatever stands beside it: every problem becomes a warning, and what
    it is about counts as not entered. Only a file that is no TOML is then refused.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        raise BatchFileError(
            [tr("There is no batch file {path}: correct the path, or write one.", path=path)]
        ) from None
    except IsADirectoryError:
        raise BatchFileError([tr("{path} is a folder: name the batch file (.toml) in it.", path=path)]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise BatchFileError(
            [tr("{path} cannot be read ({reason}): see that you own it.", path=path, reason=reason)]
        ) from None
    if len(raw) > _MOST_BYTES:
        raise BatchFileError([tr("{path} is larger than 1 MB: that is no batch file; name another.", path=path)])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        if beside is not None:
            read = parse_batch(raw.decode("latin-1"), path, default_bucket=default_bucket, beside=beside)
            return read._replace(
                warnings=(
                    tr("{path}, line {line}: this is not UTF-8 text; it is taken as Latin-1.", path=path, line=line),
                    *read.warnings,
                )
            )
        raise BatchFileError(
            [tr("{path}, line {line}: this is not UTF-8 text; save the file as UTF-8.", path=path, line=line)]
        ) from None
    return parse_batch(text, path, default_bucket=default_bucket, beside=beside)


# A time to the minute, as TOML 1.1 allows it and TOML 1.0 does not, outside of quotes.
_TO_THE_MINUTE = re.compile(r"""^(\s*[\w.-]+\s*=\s*\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d)(?=[Zz+\s#-]|$)""", re.MULTILINE)


def parse_batch(
    text: str,
    path: Path | str = "batch.toml",
    *,
    default_bucket: str | None = None,
    beside: Callable[[], Recorded] | None = None,
) -> BatchFile:
    """Check the text of a batch file; ``path`` is for the sentences and the name of a batch that has none."""
    try:
        data = toml_of(_TO_THE_MINUTE.sub(r"\1:00", text))
    except NotTomlError as error:
        at = tr(", line {line}", line=error.line) if error.line else ""
        raise BatchFileError(
            [
                tr(
                    '{path}{at}: this is not TOML ({what}); texts stand in "quotes", every key on its own line.',
                    path=path,
                    at=at,
                    what=one_line(error.what),
                )
            ]
        ) from None
    reader = _Reader(str(path), line_numbers(text))
    result = _read_all(_Table(reader, data, ()), Path(path), default_bucket, beside)
    problems = [sentence for _, sentence in sorted(reader.problems, key=lambda problem: problem[0])]
    if problems and beside is None:
        raise BatchFileError(problems)
    return result._replace(
        warnings=(
            *reader.warnings,
            *(tr("{sentence} Here it counts as not entered.", sentence=sentence) for sentence in problems),
        )
    )


# ---- the tables ----------------------------------------------------------------------------------------------------


def _read_all(top: _Table, path: Path, default_bucket: str | None, beside: Callable[[], Recorded] | None) -> BatchFile:
    if not top.has("batch"):
        no_batch = tr('there is no [batch] table; begin with [batch], name = "...", bucket = "...", started = ...')
        if beside is None:
            raise BatchFileError([f"{path}: {no_batch}"])
        top.problem("batch", no_batch)
    tables = top.tables("event")
    if top.has("events"):
        top.warn("events", tr("the entries are taken; the heading is [[event]], without an s."))
        tables += top.tables("events")
    log = tuple(
        sorted(
            (entry for table in tables if (entry := _read_event(table))),
            key=lambda entry: (entry.noted_at_s, entry.at_s),
        )
    )
    recipe = _read_recipe(top.table("recipe"))
    vessel = _read_vessel(top.table("vessel"))
    batch = _read_batch(top.table("batch"), path, default_bucket, log, beside)
    top.finish()
    return BatchFile(replace(batch, recipe=recipe, vessel=vessel), log)


def _read_batch(
    table: _Table,
    path: Path,
    default_bucket: str | None,
    log: tuple[LogEntry, ...],
    beside: Callable[[], Recorded] | None,
) -> Batch:
    name = table.text("name")
    if name is None:
        name = path.stem
        table.warn("name", tr('the batch has no name; it is called "{name}" after the file.', name=name))
    bucket = (table.text("bucket") or "").rstrip("/") or None  # a base name may have been copied
    if bucket is None:
        if default_bucket is None and beside is not None:
            default_bucket = beside().bucket
        if default_bucket is None:
            table.problem(
                "bucket", tr('the batch names no bucket; add bucket = "shed-2" to [batch], as its probes are named.')
            )
        else:
            table.warn(
                "bucket",
                tr(
                    'the batch names no bucket; "{bucket}" is taken, the one in the recording.',
                    bucket=default_bucket,
                ),
            )
        bucket = default_bucket or ""
    started_s = table.time("started")
    if started_s is None and not table.has("started"):
        began = [entry.at_s for entry in log if entry.kind == "poured"] or [entry.at_s for entry in log]
        if began:
            started_s = min(began)
            table.warn("started", tr("the batch has no start; it is taken to have started with its first entry."))
        elif beside is None:
            table.problem(
                "started",
                tr("the batch has no start; add started = {example} to [batch].", example=_TIME_EXAMPLE),
            )
    if started_s is None and beside is not None:
        # A start that cannot be read is told above; the pour is the next best, then the recording's own beginning.
        began = [entry.at_s for entry in log if entry.kind == "poured"]
        started_s = min(began) if began else beside().started_s
        table.warn(
            "started",
            tr(
                "the batch is taken to have started {time:%F %H:%M} UTC.",
                time=datetime.fromtimestamp(started_s, UTC),
            ),
        )
    planned_h = table.number("planned_dilution_h", 0.0, 24.0 * 365, " h", "72")
    noted_at_s = table.time("noted_at")
    table.finish()
    planned_s = PLANNED_DILUTION_S if planned_h is None else planned_h * 3600.0
    return Batch(name, bucket, started_s or 0.0, planned_dilution_s=planned_s, noted_at_s=noted_at_s)


def _read_recipe(table: _Table) -> Recipe:
    oils = tuple(oil for item in table.tables("oils") if (oil := _read_oil(item)))
    recipe = Recipe(
        oils,
        table.number("koh_kg", 0.0, _MOST_KG, " kg", "0.850"),
        _purity(table),
        table.number("water_kg", 0.0, _MOST_KG, " kg", "1.30"),
    )
    table.finish()
    return recipe


def _read_oil(table: _Table) -> OilShare | None:
    name = table.text("name")
    kg = table.number("kg", 0.0, _MOST_KG, " kg", "4.20")
    table.finish()
    if name is None:
        table.problem("name", tr('an oil has no name; write for example {{ name = "sunflower", kg = 4.20 }}.'))
        name = "unnamed"  # its mass still counts, as that of some oil
    return OilShare(name, kg)


def _purity(table: _Table) -> float | None:
    purity = table.number("koh_purity", 0.0, 100.0, "", "0.90")
    if purity is None:
        return None
    if purity > 1.0:
        table.warn(
            "koh_purity",
            tr("koh_purity = {purity:g} is taken as per cent: {share:g}.", purity=purity, share=purity / 100.0),
        )
        purity /= 100.0
    if purity < 0.05:
        table.problem(
            "koh_purity", tr("that is hardly any potash; write the bag's figure, for example koh_purity = 0.90.")
        )
        return None
    return purity


def _read_vessel(table: _Table) -> Vessel:
    litres = table.number("litres", 0.0, _MOST_KG, tr(" litres"), "25")
    if litres == 0.0:
        table.problem("litres", tr("a bucket of 0 litres holds nothing; write litres = 25, or leave the line out."))
        litres = None
    insulation = (table.text("insulation") or "bare").strip().lower()
    if insulation not in INSULATIONS:
        table.problem(
            "insulation",
            tr('"{insulation}" is none of "bare", "blanket", "box"; write insulation = "bare".', insulation=insulation),
        )
        insulation = "bare"
    table.finish()
    return Vessel(litres, insulation)


def _read_event(table: _Table) -> LogEntry | None:
    at_s = table.time("at")
    noted_at_s = table.time("noted_at")
    kind = table.text("kind")
    temperature_c = table.number("temperature_c", -60.0, 300.0, " °C", "56")
    kg = table.number("kg", 0.0, _MOST_KG, " kg", "1.2")
    text = table.text("text") or ""
    table.finish()
    if at_s is None:
        if not table.has("at"):
            table.problem("at", tr("the entry has no time; add at = {example}.", example=_TIME_EXAMPLE))
        return None
    if kind is None:
        table.warn("kind", tr('the entry has no kind; it is kept as a "note".'))
        kind = "note"
    kind, text = _known_kind(table, kind, text)
    if noted_at_s is not None and noted_at_s < at_s:
        table.warn("noted_at", tr("it was noted before it happened; the time it happened is taken for both."))
    noted_at_s = at_s if noted_at_s is None else max(noted_at_s, at_s)
    return LogEntry(kind, at_s, noted_at_s, temperature_c, kg, text)


def _known_kind(table: _Table, kind: str, text: str) -> tuple[str, str]:
    plain = kind.strip().lower().replace("_", "-").replace(" ", "-")
    if plain in LOG_KINDS:
        return plain, text
    near = difflib.get_close_matches(plain, LOG_KINDS, 1, 0.8)
    hint = tr('; did you mean "{name}"?', name=near[0]) if near else "."
    table.warn(
        "kind",
        tr('"{kind}" is no kind of entry that is known here; it is kept as a "note"{hint}', kind=kind, hint=hint),
    )
    return "note", f"{kind}: {text}" if text else kind


# ---- reading one table ---------------------------------------------------------------------------------------------


@dataclass
class _Reader:
    path: str
    lines: dict[KeyPath, int]
    problems: list[tuple[int, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def where(self, key_path: KeyPath) -> tuple[int, str]:
        while key_path:
            if key_path in self.lines:
                return self.lines[key_path], tr("{path}, line {line}", path=self.path, line=self.lines[key_path])
            key_path = key_path[:-1]
        return 10**9, self.path


class _Table:
    """One table of the file: look-ups that note what is wrong and go on with None."""

    def __init__(self, reader: _Reader, data: dict[str, Any], where: KeyPath) -> None:
        self.reader, self.data, self.where = reader, data, where
        self._asked: set[str] = set()

    @property
    def title(self) -> str:
        """How a person finds it: [recipe], or the third [[event]]."""
        if not self.where:
            return tr("the file")
        if isinstance(self.where[-1], int):
            return tr("[[{table}]] number {number}", table=self.where[-2], number=self.where[-1] + 1)
        return f"[{self.where[-1]}]"

    def problem(self, key: str, sentence: str) -> None:
        line, place = self.reader.where((*self.where, key))
        self.reader.problems.append((line, one_line(f"{place}: {sentence}")))

    def warn(self, key: str, sentence: str) -> None:
        _, place = self.reader.where((*self.where, key))
        self.reader.warnings.append(one_line(f"{place}: {sentence}"))

    def has(self, key: str) -> bool:
        return key in self.data

    def text(self, key: str) -> str | None:
        self._asked.add(key)
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, str):
            # Control characters would break the lines of events and pages; there is no honest use for one here.
            return " ".join("".join(c if c.isprintable() else " " for c in value).split()) or None
        if isinstance(value, int | float) and not isinstance(value, bool):
            return str(value)  # name = 12 is clear enough
        self.problem(
            key, tr('{key} in {title} is not a text; write for example {key} = "shed-2".', key=key, title=self.title)
        )
        return None

    def number(self, key: str, low: float, high: float, unit: str, example: str) -> float | None:
        self._asked.add(key)
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, str):
            try:
                value = float(value.strip().replace(",", "."))
                self.warn(key, tr("{key} stands in quotes; it is taken as {value:g}.", key=key, value=value))
            except ValueError:
                pass
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.problem(
                key,
                tr(
                    "{key} in {title}: {value} is not a number; write for example {key} = {example}.",
                    key=key,
                    title=self.title,
                    value=shown(value),
                    example=example,
                ),
            )
            return None
        if not low <= value <= high:  # NaN fails here, too
            self.problem(
                key,
                tr(
                    "{key} in {title}: {value} is out of range; {low:g} to {high:g}{unit} is allowed, "
                    "for example {key} = {example}.",
                    key=key,
                    title=self.title,
                    value=shown(value),
                    low=low,
                    high=high,
                    unit=unit,
                    example=example,
                ),
            )
            return None
        return float(value)

    def time(self, key: str) -> float | None:
        """A time as UTC Unix seconds: TOML date-time, date, ISO text, or Unix seconds as they are."""
        self._asked.add(key)
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, str):
            try:
                value = datetime.fromisoformat(value.strip())
            except ValueError:
                value = shown(value)
        if isinstance(value, datetime):
            if value.tzinfo is None:
                self.warn(key, tr("{key} in {title} has no time zone; it is taken as UTC.", key=key, title=self.title))
                value = value.replace(tzinfo=UTC)
            time_s = (value - _EPOCH).total_seconds()
        elif isinstance(value, date):
            self.warn(key, tr("{key} in {title} has no time of day; midnight UTC is taken.", key=key, title=self.title))
            time_s = (datetime(value.year, value.month, value.day, tzinfo=UTC) - _EPOCH).total_seconds()
        elif isinstance(value, int | float) and not isinstance(value, bool):
            time_s = float(value) if math.isfinite(value) and abs(value) < 1e300 else math.nan
        else:
            time_s = math.nan
        if not 0.0 <= time_s <= _LATEST_S:
            self.problem(
                key,
                tr(
                    "{key} in {title}: {value} is not a time; write for example {key} = {example}.",
                    key=key,
                    title=self.title,
                    value=value,
                    example=_TIME_EXAMPLE,
                ),
            )
            return None
        return time_s

    def table(self, key: str) -> _Table:
        self._asked.add(key)
        value = self.data.get(key, {})
        if isinstance(value, list) and len(value) == 1 and isinstance(value[0], dict):
            value = value[0]  # [[batch]] for [batch]
        if not isinstance(value, dict):
            self.problem(key, tr("{key} is not a table; write it as a heading on its own line: [{key}].", key=key))
            value = {}
        return _Table(self.reader, value, (*self.where, key))

    def tables(self, key: str) -> list[_Table]:
        self._asked.add(key)
        value = self.data.get(key, [])
        if isinstance(value, dict) or (key == "oils" and isinstance(value, str)):
            value = [value]
        if isinstance(value, list):
            value = [{"name": item} if key == "oils" and isinstance(item, str) else item for item in value]
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            example = 'oils = [{ name = "sunflower", kg = 4.20 }]' if key == "oils" else f"[[{key}]]"
            self.problem(
                key, tr("{key} is not a list of tables; write for example {example}.", key=key, example=example)
            )
            return []
        return [_Table(self.reader, item, (*self.where, key, number)) for number, item in enumerate(value)]

    def finish(self) -> None:
        """Warn of every key that nobody asked for: a slip in a name would else be silently without effect."""
        for key in self.data:
            if key not in self._asked:
                near = difflib.get_close_matches(key.lower(), self._asked, 1, 0.6)
                hint = tr(" (did you mean {name}?)", name=near[0]) if near else ""
                self.warn(
                    key,
                    tr(
                        "{key} in {title} is not known here and has no effect{hint}.",
                        key=key,
                        title=self.title,
                        hint=hint,
                    ),
                )


# ---- writing -------------------------------------------------------------------------------------------------------


def batch_file_text(batch: Batch, log: Sequence[LogEntry] = ()) -> str:
    """The text of a batch file that reads back as the same batch and entries."""
    head = [
        "[batch]",
        f"name = {_quoted(batch.name)}",
        f"bucket = {_quoted(batch.bucket)}",
    ]
    head.append(f"started = {_time(batch.started_s)}")
    if batch.noted_at_s is not None:
        head.append(f"noted_at = {_time(batch.noted_at_s)}")
    if batch.planned_dilution_s != PLANNED_DILUTION_S:
        head.append(f"planned_dilution_h = {batch.planned_dilution_s / 3600.0!r}")
    oils = ", ".join(
        f"{{ name = {_quoted(oil.name)} }}" if oil.kg is None else f"{{ name = {_quoted(oil.name)}, kg = {oil.kg!r} }}"
        for oil in batch.recipe.oils
    )
    recipe = ["[recipe]"] + ([f"oils = [{oils}]"] if oils else [])
    recipe += _numbers(koh_kg=batch.recipe.koh_kg, koh_purity=batch.recipe.koh_purity, water_kg=batch.recipe.water_kg)
    vessel = [
        "[vessel]",
        *_numbers(litres=batch.vessel.litres),
        f"insulation = {_quoted(batch.vessel.insulation)}",
    ]
    events = []
    for entry in log:
        lines = [
            "[[event]]",
            f"at = {_time(entry.at_s)}",
            f"kind = {_quoted(entry.kind)}",
        ]
        if entry.noted_at_s != entry.at_s:
            lines.append(f"noted_at = {_time(entry.noted_at_s)}")
        lines += _numbers(temperature_c=entry.temperature_c, kg=entry.kg)
        if entry.text:
            lines.append(f"text = {_quoted(entry.text)}")
        events.append(lines)
    return "\n".join("\n".join(lines) + "\n" for lines in [head, recipe, vessel, *events])


def write_batch_file(path: Path | str, batch: Batch, log: Sequence[LogEntry] = ()) -> None:
    """Write a batch file whole or not at all. Raises BatchFileError."""
    path = Path(path)
    beside = path.with_name(path.name + ".part")
    try:
        with open(beside, "w", encoding="utf-8") as file:
            file.write(batch_file_text(batch, log))
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError as error:
        raise BatchFileError(
            [tr("{path} cannot be written ({reason}): choose another place.", path=path, reason=error.strerror)]
        ) from None


def _numbers(**values: float | None) -> list[str]:
    return [f"{key} = {value!r}" for key, value in values.items() if value is not None]


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'


def _time(unix_s: float) -> str:
    """A date-time with offset where that gives the same float back, else the number itself."""
    moment = datetime.fromtimestamp(unix_s, UTC)
    return moment.isoformat() if (moment - _EPOCH).total_seconds() == unix_s else repr(float(unix_s))
