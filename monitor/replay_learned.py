"""With what history a batch is replayed: as its recording notes it, or as the recordings of a folder teach it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from monitor.domain import Batch
from monitor.heat.learning import Lesson
from monitor.heat.priors import History
from monitor.learned import history_among, history_of_values, history_values
from monitor.sources.batch_file import BatchFileError, read_batch_file
from monitor.sources.recording import read_recording
from monitor.words import tr

# What a recording notes when a batch begins to be minded: what earlier batches had taught by then.
BEGUN_WITH_HISTORY = "begun with history"


class NoHistory(ValueError):
    """There is nothing to learn from in the folder; the message says why."""


def history_note(batch: str, history: History, at_s: float) -> dict[str, object]:
    """What a recording notes of the history a batch was begun with; ``noted_history`` reads it back."""
    return {"at": at_s, "note": BEGUN_WITH_HISTORY, "batch": batch, "history": history_values(history)}


def noted_history(recording: Path, batch: str) -> History | None:
    """The history that a recording notes for ``batch``; None where it notes none."""
    with recording.open("rb") as file:
        # As good as all hold none, and need not be gone through with their stamps.
        if not any(BEGUN_WITH_HISTORY.encode() in line for line in file):
            return None
    for line in read_recording(recording):
        if line.note is not None and line.note.get("note") == BEGUN_WITH_HISTORY and line.note.get("batch") == batch:
            return history_of_values(line.note.get("history"))
    return None


def history_of_folder(
    folder: Path, recording: Path, batch: Batch, lesson_with: Callable[[Path, History | None], Lesson],
    say: Callable[[str], None] = lambda _: None,
) -> History | None:  # fmt: skip
    """What the recordings of ``folder`` teach ``batch``: those that ended before it began, each judged, in their order,
    with what those before it had taught, as a watch would have done. Each takes seconds.

    A recording without a batch file beside it is passed over and told of, and so is a second one of the same batch (a
    copy under another name): each teaches once. Raises NoHistory where there is none at all.
    """
    found: dict[tuple[float, str], tuple[Batch, Path]] = {}
    copies: list[str] = []
    for path in sorted(folder.glob("*.rec")):
        if path.resolve() == recording.resolve():
            continue
        try:
            entered = read_batch_file(path.with_suffix(".toml"))
        except BatchFileError as error:
            say(str(error))
            continue
        earlier = entered.batch
        if earlier.known_from_s >= batch.known_from_s or earlier.name == batch.name:
            continue
        if (earlier.started_s, earlier.name) in found:
            copies.append(path.name)
        else:
            found[earlier.started_s, earlier.name] = (earlier, path)
    if copies:
        say(
            tr("Passed over, since another recording here holds the same batch: {names}.", names=", ".join(copies))
        )
    if not found and not any(folder.glob("*.rec")):
        raise NoHistory(
            tr("{folder} holds no recording (.rec) to learn from: name the folder of your earlier ones.", folder=folder)
        )
    lessons: list[Lesson] = []
    for earlier, path in sorted(found.values(), key=lambda one: (one[0].known_from_s, one[0].name)):
        lessons.append(lesson_with(path, noted_history(path, earlier.name) or history_among(lessons, earlier)))
    return history_among(lessons, batch)
