"""What the journal hands out beyond the nouns of domain.py: frozen values, one per kind of row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.domain import Batch, LogEntry, Reading, Recipe, Vessel

ACTS = ("acknowledged", "shelved", "unshelved", "going")
# ISA-18.2 / IEC 62682 names; "shelved" is told by shelved_until_s, because a shelved alarm keeps its state beneath.
ALARM_STATES = ("unacknowledged", "acknowledged", "returned_unacknowledged", "normal")
# ``Change.what`` is batch-started, batch-ended, batch-amended, entry-added, entry-undone or act; ``Message.state`` is
# waiting, failed, sent, given_up, summed_up or superseded.
# Nobody tries these any more; the latter's person has been told of it in a summary.
GIVEN_UP = ("given_up", "summed_up")

# A message that wakes is worth telling for a day; after that the morning has told it. Reasoning, no source.
EXPIRES_AFTER_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """A batch and how it ended; ``ended_s`` is None while it runs."""

    batch: Batch
    ended_s: float | None = None
    ended_noted_s: float | None = None
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class LoggedEntry:
    """A log entry as the journal keeps it: whose, of which batch, and when it was taken back (None: it stands)."""

    entry: LogEntry
    batch: str
    who: str = ""
    undone_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did about an alarm. ``alarm`` is the alarm's id; ``until_s`` is the end of "quiet until"."""

    alarm_id: str
    act: str
    at_s: float
    noted_at_s: float
    who: str = ""
    until_s: float | None = None
    batch: str = ""
    bucket: str = ""
    act_id: str = ""


@dataclass(frozen=True, slots=True)
class Detail:
    """One thing noted of a batch beside its log, by the name of its field. An empty ``value`` takes the field back."""

    batch: str
    field: str
    value: str
    noted_at_s: float
    who: str = ""
    detail_id: str = ""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph of a batch: where its file lies, and the hash by which it is known again."""

    batch: str
    path: str
    sha256: str
    caption: str
    at_s: float
    noted_at_s: float
    who: str = ""
    photo_id: str = ""
    undone_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Amendment:
    """Recipe and vessel as corrected, whole. What was entered before stays in the journal."""

    batch: str
    recipe: Recipe
    vessel: Vessel
    noted_at_s: float
    who: str = ""
    amendment_id: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that a person entered, for watch to take up. Which of the fields is set follows from ``what``."""

    seq: int
    what: str
    batch: BatchRecord | None = None
    entry: LoggedEntry | None = None
    act: Act | None = None
    amendment: Amendment | None = None


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading with the reason why it is not believed (None: it is)."""

    reading: Reading
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """The present state of one alarm. ``message_id`` names the wording; ``facts`` is all that the wording needs."""

    alarm_id: str
    kind: str
    bucket: str
    batch: str
    state: str
    urgency: str = "daylight"
    probability: float | None = None
    raised_at_s: float | None = None
    cleared_at_s: float | None = None
    acknowledged_at_s: float | None = None
    acknowledged_by: str = ""
    shelved_until_s: float | None = None
    message_id: str = ""
    says: str = ""
    do: str = ""
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one person by one route. ``route`` is the route's label, never its address (a secret).

    ``about`` is the alarm's id (or another subject), ``what`` which message about it ("raised", "repeat-3",
    "cleared"). ``message_id`` is made from both, the person and the route when left empty; ``expires_s`` and
    ``next_try_s`` follow from ``created_s`` and ``not_before_s`` when left None.
    """

    about: str
    what: str
    person: str
    route: str
    title: str
    body: str
    created_s: float
    urgency: str = "daylight"
    not_before_s: float | None = None
    expires_s: float | None = None
    message_id: str = ""
    state: str = "waiting"
    attempts: int = 0
    last_error: str = ""
    next_try_s: float | None = None
    sent_s: float | None = None


@dataclass(frozen=True, slots=True)
class Health:
    """What a part of watch last said about itself, for ``status``."""

    part: str
    ok: bool
    says: str
    at_s: float
