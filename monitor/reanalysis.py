"""Thousands of recordings through today's judgement, on one machine or many, and one row for each.

    done = reanalyse(recordings, rules, Path("rows.part"), workers=2)

A recording that cannot be replayed is a row that says why. What has been reckoned goes line by line into a file, so
that a run that was stopped goes on where it was. The machines are Dask's (the extra ``fleet``); one worker does without
it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

import monitor
from monitor.domain import Place
from monitor.replay import Replay, batch_file_of, replay_recording
from monitor.sensing.senml import ProbeSettings
from monitor.settings import Settings
from monitor.watch_parts import probe_settings
from monitor.words import ENGLISH, speaking, tr

# A normal distribution holds 90 % within so many standard deviations (any table of it).
_NINETY_PERCENT_SD = 1.645
# The parts that decide what is found in a recording.
_JUDGING = (
    "sensing", "trade", "heat", "judgement", "pipeline.py", "replay.py", "resetting.py", "domain.py", "units.py",
    "words.py", "learned.py", "replay_learned.py", "toml_tables.py", "reanalysis.py", "sources",
)  # fmt: skip
# A byte of a file's name that is no UTF-8, as Python reads it (PEP 383), and what else cannot be written.
_NOT_UTF8 = re.compile("[\ud800-\udfff]")
# Recordings on their way to each worker: enough that none waits, and few megabytes.
_AHEAD = 3
DONE, DAMAGED = "done", "damaged"


class ReanalysisError(ValueError):
    """It cannot be done; the message says what is wrong and how to mend it."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What a replay goes by beside the recording: the same for all of them."""

    place: Place
    probes: Mapping[tuple[str, str], ProbeSettings] = field(default_factory=dict)
    emergency_number: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One batch, judged today. ``state`` is "done" or "damaged"; then ``says`` tells why and the figures are None.

    Completeness is that at the planned dilution, 5 to 95 % from ``completeness_low`` to ``completeness_high``; times
    are Unix seconds; ``alarms`` are the kinds that would have been raised, in that order, parted by blanks.
    """

    recording: str
    state: str
    batch: str = ""
    bucket: str = ""
    says: str = ""
    lines: int = 0
    damaged_lines: int = 0
    readings: int = 0
    peak_c: float | None = None
    peak_at_s: float | None = None
    completeness: float | None = None
    completeness_low: float | None = None
    completeness_high: float | None = None
    self_heating_k: float | None = None
    cooling_time_constant_s: float | None = None
    alarms: str = ""


@dataclass(frozen=True, slots=True)
class Work:
    """One recording to do. ``data`` and ``batch`` hold the files themselves for a worker on another machine."""

    name: str
    path: str
    data: bytes | None = None
    batch: bytes | None = None


@dataclass(frozen=True, slots=True)
class Reanalysed:
    """All rows in the order of their recordings' names; ``kept`` of them were there from a run before."""

    rows: tuple[Row, ...]
    kept: int = 0

    @property
    def damaged(self) -> int:
        """How many recordings could not be judged."""
        return sum(row.state == DAMAGED for row in self.rows)


def rules_of(settings: Settings) -> Rules:
    """What the settings add to each replay."""
    return Rules(settings.place(), probe_settings(settings), settings.site.emergency_number)


def recordings_in(folder: Path) -> list[Path]:
    """Every recording in a folder and those below it, by name."""
    return sorted(path for path in folder.rglob("*.rec") if path.is_file())


def judge(work: Work, rules: Rules) -> Row:
    """Replay one recording and say what was found. Never raises: what cannot be judged is a row, too.

    Speaks English whoever asks, so that rows made on several machines are alike.
    """
    with speaking(ENGLISH), contextlib.ExitStack() as until_done:
        path = Path(work.path)
        try:
            path = until_done.enter_context(_on_disk(work))
            replay = replay_recording(
                path, place=rules.place, probe_settings=rules.probes, emergency_number=rules.emergency_number
            )
            return _row(work.name, replay)
        except ValueError as error:  # ours: one sentence for a person
            return Row(work.name, DAMAGED, says=_without_place(str(error), path))
        except Exception as error:  # one that nobody foresaw must not stop the others
            return Row(work.name, DAMAGED, says=f"{type(error).__name__}: {_without_place(str(error), path)}")


def reanalyse(
    recordings: Sequence[Path],
    rules: Rules,
    kept: Path,
    *,
    folder: Path | None = None,
    workers: int = 1,
    scheduler: str = "",
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Reanalysed:
    """Judge every recording on ``workers`` processes of this machine, or on those of a Dask ``scheduler``.

    ``kept`` takes each row at once and is read at the start: what stands there of the same recording, batch file, rules
    and program is not done again. Names of rows are relative to ``folder``. Raises ReanalysisError.
    """
    wanted = {_name(path, folder): path for path in recordings}
    prints = {name: fingerprint(path, rules) for name, path in wanted.items()}
    rows = {name: row for name, (mark, row) in _read_kept(kept).items() if prints.get(name) == mark}
    before = len(rows)
    progress(before, len(wanted))
    todo = [Work(name, str(path)) for name, path in wanted.items() if name not in rows]
    try:
        with kept.open("a", encoding="utf-8") as file:
            for row in _judged(todo, rules, workers, scheduler):
                rows[row.recording] = row
                # In ASCII: a file's name need not be UTF-8, and must come back as it is.
                file.write(json.dumps([prints[row.recording], asdict(row)]) + "\n")
                file.flush()
                progress(len(rows), len(wanted))
    except OSError as error:
        raise ReanalysisError(
            tr("{path} cannot be written ({reason}).", path=kept, reason=error.strerror or error)
        ) from error
    return Reanalysed(tuple(rows[name] for name in sorted(rows)), before)


def fingerprint(recording: Path, rules: Rules) -> str:
    """What a row hangs on: the bytes of both files, the rules, and the program that judges."""
    found = hashlib.sha256(program().encode())
    found.update(repr((rules.place, sorted(rules.probes.items()), rules.emergency_number)).encode())
    for path in (recording, batch_file_of(recording)):
        with contextlib.suppress(OSError):  # a missing batch file; and one that cannot be read has a row that says so
            found.update(hashlib.sha256(path.read_bytes()).digest())
        found.update(b"|")
    return found.hexdigest()[:32]


@lru_cache(maxsize=1)
def program() -> str:
    """The program that judges, by its text: two machines whose programs differ must not share one table."""
    found = hashlib.sha256()
    root = Path(monitor.__file__).parent
    for part in _JUDGING:
        for path in sorted((root / part).rglob("*.py")) if (root / part).is_dir() else [root / part]:
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:16]


# ---- inside --------------------------------------------------------------------------------------------------------


def _judged(todo: Sequence[Work], rules: Rules, workers: int, scheduler: str) -> Iterator[Row]:
    """Rows in the order in which they come."""
    if not todo:
        return
    if workers <= 1 and not scheduler:
        for work in todo:
            yield judge(work, rules)
        return
    with _client(workers, scheduler) as client:
        yield from _spread(client, todo, rules, carry=bool(scheduler))


@contextlib.contextmanager
def _client(workers: int, scheduler: str) -> Iterator[Any]:
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError:
        raise ReanalysisError(
            tr("Several workers need the extra fleet: ./emberpail add fleet, or leave --workers and --scheduler out.")
        ) from None
    with contextlib.ExitStack() as until_done:
        # A worker that ends three times over one recording is not given a fourth.
        until_done.enter_context(dask.config.set({"distributed.scheduler.allowed-failures": 2}))
        if scheduler:
            try:
                client = until_done.enter_context(Client(scheduler, timeout=10, set_as_default=False))
            except (OSError, ValueError) as error:
                raise ReanalysisError(
                    tr("No scheduler answers at {address} ({reason}): start one there with dask scheduler.",
                       address=scheduler, reason=error)
                ) from error  # fmt: skip
        else:
            cluster = until_done.enter_context(
                LocalCluster(n_workers=workers, threads_per_worker=1, processes=True, host="127.0.0.1",
                             dashboard_address="127.0.0.1:0")
            )  # fmt: skip
            client = until_done.enter_context(Client(cluster, set_as_default=False))
        yield client


def _spread(client: Any, todo: Sequence[Work], rules: Rules, *, carry: bool) -> Iterator[Row]:
    """Hand out a few recordings ahead of the workers, so that thousands do not lie in memory at once."""
    from distributed import as_completed

    waiting = iter(todo)
    under_way: dict[Any, Work] = {}

    def hand_out() -> Any:
        work = next(waiting, None)
        if work is None:
            return None
        # pure=False: nothing of a run before is to be taken for this one.
        future = client.submit(_judge_there, _carried(work) if carry else work, rules, pure=False)
        under_way[future] = work
        return future

    cores = sum(client.nthreads().values()) or 1
    first = [one for one in (hand_out() for _ in range(_AHEAD * cores)) if one is not None]
    finished = as_completed(first, loop=client.loop)
    for future in finished:
        work = under_way.pop(future)
        yield _taken_in(future, work)
        future.release()
        more = hand_out()
        if more is not None:
            finished.add(more)


def _taken_in(future: Any, work: Work) -> Row:
    if future.status != "finished":
        error = future.exception()
        return Row(work.name, DAMAGED, says=f"no worker finished it ({type(error).__name__})")
    row: Row
    row, there = future.result()
    if there != program():
        raise ReanalysisError(
            tr("A worker runs another Emberpail than this one: install the same on all machines, or the rows differ.")
        )
    return row


def _judge_there(work: Work, rules: Rules) -> tuple[Row, str]:
    """On a worker: the row, and which program made it."""
    return judge(work, rules), program()


def _carried(work: Work) -> Work:
    """With its files in it, for a worker that does not share our disk."""
    path = Path(work.path)
    with contextlib.suppress(OSError):
        data, batch = path.read_bytes(), batch_file_of(path)
        return Work(work.name, work.path, data, batch.read_bytes() if batch.is_file() else None)
    return work


@contextlib.contextmanager
def _on_disk(work: Work) -> Iterator[Path]:
    if work.data is None:
        yield Path(work.path)
        return
    with tempfile.TemporaryDirectory(prefix="emberpail-") as folder:
        path = Path(folder) / Path(work.path).name
        path.write_bytes(work.data)
        if work.batch is not None:
            batch_file_of(path).write_bytes(work.batch)
        yield path


def _row(name: str, replay: Replay) -> Row:
    found = replay.verdict.values
    middle, sd = _number(found, "completeness"), _number(found, "completeness_sd")
    low, high = None, None
    if middle is not None and sd is not None:
        low, high = max(0.0, middle - _NINETY_PERCENT_SD * sd), min(1.0, middle + _NINETY_PERCENT_SD * sd)
    raised = [
        str(event.values["kind"])
        for event in replay.events
        if event.event == "alarm" and event.values["state"] == "raised"
    ]
    return Row(
        name,
        DONE,
        batch=replay.batch.name,
        bucket=replay.batch.bucket,
        says=str(found.get("says", "")),
        lines=replay.lines,
        damaged_lines=sum(replay.faults.values()),
        readings=replay.readings,
        peak_c=_number(found, "peak_c"),
        peak_at_s=_number(found, "peak_at"),
        completeness=middle,
        completeness_low=low,
        completeness_high=high,
        self_heating_k=_number(found, "self_heating_k"),
        cooling_time_constant_s=_number(found, "cooling_time_constant_s"),
        alarms=" ".join(dict.fromkeys(raised)),
    )


def _number(values: Mapping[str, object], key: str) -> float | None:
    value = values.get(key)
    return float(value) if isinstance(value, int | float) else None


def _name(path: Path, folder: Path | None) -> str:
    return path.relative_to(folder).as_posix() if folder is not None else path.as_posix()


def _without_place(says: str, recording: Path) -> str:
    """A sentence with the recording's name and not its path: on another machine that is another one."""
    text = " ".join(says.split())
    for path in (recording, batch_file_of(recording)):
        text = text.replace(str(path), path.name)
    return text


def _read_kept(path: Path) -> dict[str, tuple[str, Row]]:
    """Rows of a run before, by recording: (fingerprint, row). A line that a kill has torn is none."""
    found: dict[str, tuple[str, Row]] = {}
    with contextlib.suppress(OSError):
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            with contextlib.suppress(ValueError, TypeError):
                mark, values = json.loads(line)
                row = Row(**values)
                found[row.recording] = (str(mark), row)
    return found


def columns() -> dict[str, str]:
    """The columns of the table and what stands in each: "str", "int" or "float | None"."""
    return {one.name: str(one.type) for one in fields(Row)}


def as_values(rows: Iterable[Row]) -> list[dict[str, object]]:
    """Rows as plain values, for a table: what of a file's name is not UTF-8 shows as the sign for that."""
    return [
        {name: _text(value) if isinstance(value, str) else value for name, value in asdict(row).items()} for row in rows
    ]


def _text(text: str) -> str:
    return _NOT_UTF8.sub("\ufffd", text)
