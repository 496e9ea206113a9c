"""Replay of a recording: the lines as they came, through the same pipeline as live, as fast as they can be read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from operator import eq
from pathlib import Path
from typing import Any

from monitor.domain import AMBIENT, INSULATIONS, Batch, Event, OilShare, Place, Recipe, Vessel
from monitor.heat.estimator import History
from monitor.heat.learning import Lesson
from monitor.judgement.events import event_line
from monitor.judgement.verdict import Limits
from monitor.learned import lesson_from
from monitor.pipeline import PRELUDE_S, Act, Amendment, Arrived, Minder, Pause, mind
from monitor.replay_learned import history_of_folder, noted_history
from monitor.resetting import CLOCK_SET_RIGHT, ClockSet, clock_settings, moved, shift_of, unmoved
from monitor.sensing.senml import Decoder, ProbeSettings
from monitor.sources.batch_file import BatchFile, Recorded, read_batch_file
from monitor.sources.recording import read_recording
from monitor.words import tr

# What a recording notes when the watch that writes it starts: from then on its silence means something.
# "last_tick" says when somebody watched last before that; null where nobody had.
WATCH_STARTED = "watch started"
# ... and when a batch was ended: what comes after it is another batch's.
BATCH_ENDED = "batch ended"

# ... and that what was weighed has been corrected.
RECIPE_CORRECTED = "recipe corrected"

# ... and what somebody did about an alarm: an alarm that stays until it is seen ends by it.
ALARM_ANSWERED = "alarm answered"


# No batch is minded for so long; what is stamped later than that after its start belongs to no batch, or to no time.
MOST_BATCH_S = 60 * 86400.0


class ReplayError(ValueError):
    """The recording or its batch file cannot be replayed; the message says what is wrong and how to mend it."""


@dataclass(slots=True)
class Replay:
    """What a replay gave: the events in order, the counted faults of the wire, and what was odd in the batch file."""

    batch: Batch
    events: list[Event] = field(default_factory=list)
    lines: int = 0
    readings: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    warnings: tuple[str, ...] = ()
    trouble: str | None = None
    minder: Minder | None = None

    @property
    def verdict(self) -> Event:
        """The last event."""
        return self.events[-1]


def batch_file_of(recording: Path) -> Path:
    """The batch file that stands beside a recording under the same name."""
    return recording.with_suffix(".toml")


def replay_recording(
    recording: Path | str,
    batch_file: Path | str | None = None,
    events_file: Path | str | None = None,
    *,
    place: Place | None = None,
    limits: Limits | None = None,
    probe_settings: Mapping[tuple[str, str], ProbeSettings] | None = None,
    history: History | None = None,
    history_folder: Path | str | None = None,
    learn: bool = True,
    emergency_number: str = "",
    say: Callable[[str], None] = lambda _: None,
) -> Replay:
    """Replay ``recording`` with what the grower entered in ``batch_file``; write the events to ``events_file``.

    It is begun with ``history``, else with what the earlier recordings of ``history_folder`` teach, else with what the
    recording notes that it was begun with; with nothing learned where ``learn`` is false.

    Raises ReplayError (or the batch file's own error) with one sentence when a file cannot be used.
    """
    recording = Path(recording)
    batch_path = Path(batch_file) if batch_file is not None else batch_file_of(recording)
    if not recording.is_file():
        raise ReplayError(tr("There is no recording {recording}: give the path of a .rec file.", recording=recording))
    entered = read_batch_file(batch_path, beside=lambda: what_it_holds(recording))
    if not learn:
        history = None
    elif history is None and history_folder is not None:

        def lesson_with(path: Path, earlier: History | None) -> Lesson:
            run = replay_recording(
                path, place=place, limits=limits, probe_settings=probe_settings, history=earlier,
                learn=earlier is not None,
            )  # fmt: skip
            assert run.minder is not None
            return lesson_from(run.minder, run.verdict.at_s)

        history = history_of_folder(Path(history_folder), recording, entered.batch, lesson_with, say)
    elif history is None:
        history = noted_history(recording, entered.batch.name)

    def through(made: BatchFile, settings_of_clock: Sequence[ClockSet], upto: int) -> Replay:
        run = Replay(made.batch)
        arrivals = _arrivals(recording, probe_settings or {}, run, settings_of_clock, upto)
        first = next(arrivals, None)
        minder = Minder(
            made.batch,
            minded_from_s=made.batch.known_from_s if first is None else max(first[0], made.batch.known_from_s),
            place=place, limits=limits, history=history, emergency_number=emergency_number,
        )  # fmt: skip
        run.events = list(mind(minder, _with_first(first, arrivals), made.log))
        run.trouble, run.minder = minder.trouble, minder
        return run

    result = replayed(entered, clock_settings(recording), through)
    result.warnings = (*entered.warnings, *_recipe_warnings(result), *_nothing_heard(recording, result))
    if events_file is not None:
        write_events(Path(events_file), result.events)
    return result


def replayed(
    entered: BatchFile,
    settings_of_clock: Sequence[ClockSet],
    through: Callable[[BatchFile, Sequence[ClockSet], int], Replay],
) -> Replay:
    """All events: up to each setting of the clock as they were judged then, and from there on with the right times."""
    events: list[Event] = []
    from_s = float("-inf")
    for upto, clock_set in enumerate(settings_of_clock):
        result = through(unmoved(entered, settings_of_clock[upto:]), settings_of_clock, upto)
        events += [event for event in result.events if event.at_s > from_s and event.event != "verdict"]
        from_s = clock_set.at_s + clock_set.shift_s
    result = through(entered, settings_of_clock, len(settings_of_clock))
    result.events = events + [event for event in result.events if event.at_s > from_s]
    return result


def _recipe_warnings(result: Replay) -> tuple[str, ...]:
    return () if result.minder is None else tuple(result.minder.recipe_warnings)


def what_it_holds(recording: Path) -> Recorded:
    """The bucket with the most paste readings in the recording, and when its lines begin; for what nobody entered."""
    counts: Counter[str] = Counter()
    began_s: float | None = None
    decoder = Decoder()
    for line in read_recording(recording):
        if line.note is not None:
            continue
        began_s = line.arrival_s if began_s is None else began_s
        for reading in decoder.decode(line.data, line.arrival_s, retained=line.retained).readings:
            counts[reading.bucket] += 1 if reading.probe == AMBIENT else 1000
    bucket = max(sorted(counts), key=lambda name: counts[name], default=recording.stem)
    return Recorded(bucket, began_s or 0.0)


def _nothing_heard(recording: Path, result: Replay) -> tuple[str, ...]:
    if result.readings:
        return ()
    bucket = what_it_holds(recording).bucket
    other = tr('; it holds those of "{bucket}"', bucket=bucket) if bucket != recording.stem else ""
    return (
        tr(
            '{recording} holds no reading of "{bucket}" in the time of this batch{other}.',
            recording=recording,
            bucket=result.batch.bucket,
            other=other,
        ),
    )


def write_events(path: Path, events: Sequence[Event]) -> None:
    """Write events as JSON Lines; ReplayError where the file cannot be written."""
    try:
        path.write_text("".join(event_line(event) + "\n" for event in events), encoding="utf-8")
    except OSError as error:
        raise ReplayError(
            tr(
                "Cannot write the events to {path}: {reason}; choose another place.",
                path=path,
                reason=error.strerror,
            )
        ) from error


def _arrivals(
    recording: Path,
    probe_settings: Mapping[tuple[str, str], ProbeSettings],
    result: Replay,
    settings_of_clock: Sequence[ClockSet] = (),
    upto: int = 0,
) -> Iterator[tuple[float, Arrived]]:
    """Arrival time and this bucket's readings, line by line. A note of when watching began counts as an arrival.

    ``settings_of_clock`` are the times at which a clock that stood wrong was set; the first ``upto`` of them are known
    from the start, and at the next one it ends.
    """
    seen = 0
    batch, prelude_s = result.batch, result.batch.started_s - PRELUDE_S
    takes = partial(eq, batch.bucket)  # however many others there are, this one's clock is not forgotten
    decoder = Decoder(probe_settings, takes)
    default_bucket: str | None = batch.bucket
    lines = read_recording(recording)
    for line in lines:
        moved_s = shift_of(line.arrival_s, settings_of_clock[seen:upto]) if upto else 0.0
        if line.arrival_s + moved_s > batch.started_s + MOST_BATCH_S:
            continue  # a damaged stamp: on the way there every minute would be judged
        if line.note is not None:
            if line.note.get("note") == CLOCK_SET_RIGHT:
                if seen == upto:
                    return
                seen += 1
                continue
            at_s = line.arrival_s + moved_s
            last_tick_s = line.note.get("last_tick")
            if "source" in line.note or "topic" in line.note:
                default_bucket = _bucket_of(line.note, batch.bucket)
            if line.note.get("note") == WATCH_STARTED:
                # The watch that started knew nothing of what the nodes' clocks had shown before.
                decoder = Decoder(probe_settings, takes)
                if isinstance(last_tick_s, int | float) and at_s >= prelude_s:
                    # Nobody watched later than the watch began: such a note is damaged, and would tick for ever.
                    yield at_s, Pause(min(float(last_tick_s), at_s), at_s)
                else:
                    yield max(at_s, prelude_s), ()
            elif line.note.get("note") == BATCH_ENDED and line.note.get("batch") == batch.name:
                yield at_s, ()
                break
            elif line.note.get("note") == ALARM_ANSWERED and line.note.get("batch") == batch.name:
                yield at_s, _act_of(line.note, at_s)
            elif line.note.get("note") == RECIPE_CORRECTED and line.note.get("batch") == batch.name:
                yield at_s, amendment_of(line.note)
            continue
        result.lines += 1
        decoded = decoder.decode(line.data, line.arrival_s, retained=line.retained, default_bucket=default_bucket)
        result.faults.update(decoded.faults)
        if line.arrival_s + moved_s < prelude_s:
            continue
        mine = [moved(reading, moved_s) for reading in decoded.readings if reading.bucket == batch.bucket]
        result.readings += len(mine)
        yield line.arrival_s + moved_s, mine
    result.faults.update(lines.faults)


def act_note(batch: str, act: Act) -> dict[str, object]:
    """What a recording notes of an act; ``replay`` reads it back."""
    return {
        "at": act.at_s, "note": ALARM_ANSWERED, "batch": batch, "alarm": act.alarm_id, "act": act.act,
        "until": act.until_s, "who": act.who,
    }  # fmt: skip


def _act_of(note: Mapping[str, object], at_s: float) -> Act:
    until_s = note.get("until")
    return Act(
        str(note.get("alarm", "")), str(note.get("act", "")), at_s,
        float(until_s) if isinstance(until_s, int | float) else None, str(note.get("who", "")),
    )  # fmt: skip


def amendment_note(batch: str, amendment: Amendment, at_s: float) -> dict[str, object]:
    """What a recording notes of a corrected recipe; ``amendment_of`` reads it back."""
    return {"at": at_s, "note": RECIPE_CORRECTED, "batch": batch, **asdict(amendment)}


def amendment_of(note: Mapping[str, Any]) -> Amendment:
    """A corrected recipe out of a recording's note. What is missing or no number counts as not weighed."""
    recipe, vessel = _table(note.get("recipe")), _table(note.get("vessel"))
    written = recipe.get("oils")
    tables = map(_table, written) if isinstance(written, list | tuple) else ()
    oils = tuple(OilShare(str(oil["name"]), _kg(oil.get("kg"))) for oil in tables if "name" in oil)
    koh_kg, purity, water_kg = (_kg(recipe.get(key)) for key in ("koh_kg", "koh_purity", "water_kg"))
    insulation = vessel.get("insulation")
    return Amendment(
        Recipe(oils, koh_kg, purity, water_kg),
        Vessel(_kg(vessel.get("litres")), insulation if insulation in INSULATIONS else "bare"),
    )


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _kg(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _bucket_of(note: Mapping[str, object], batch_bucket: str) -> str | None:
    """Whose a bare probe's name is: as the note of the origin says; ours where it says nothing."""
    bucket = note.get("bucket", batch_bucket)
    return bucket if isinstance(bucket, str) else None


def _with_first(
    first: tuple[float, Arrived] | None, rest: Iterator[tuple[float, Arrived]]
) -> Iterator[tuple[float, Arrived]]:
    if first is not None:
        yield first
        yield from rest
