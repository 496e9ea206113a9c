"""What the page shows, as plain values: the watch fills them from the journal, the page only lays them out.

No field here is worked out by the page, with one exception: how a bucket stands (``BucketView.standing``), because
the rule "no fresh reading never looks well" must not depend on who fills the view. Times are UTC Unix seconds; the
texts are the maker's words (judgement and trade make them), never ids.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.words import mark

# How old the newest paste reading may be before the bucket stops looking well, seconds. Shorter than the 20 minutes
# of the alarm `silent`: nobody is rung for a late reading, but whoever looks is told.
STALE_AFTER_S = 300.0

NOW, DAYLIGHT, STALE, QUIET, EMPTY = "now", "daylight", "stale", "quiet", "empty"
STANDINGS = (NOW, DAYLIGHT, STALE, QUIET, EMPTY)  # in the order in which the page lists buckets
STANDING_WORDS = {  # told through tr
    NOW: mark("Act now"),
    DAYLIGHT: mark("Waits for daylight"),
    STALE: mark("No fresh reading"),
    QUIET: mark("No alarm"),
    EMPTY: mark("No batch"),
}


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm that stands. ``urgency`` is "now" or "daylight"; ``state_words`` e.g. "not yet seen by anyone";
    ``short`` is the whole in two or three short sentences, for where all buckets are seen at once. It may be kept
    quiet for ``max_quiet_s`` at a time (0: not at all); ``quiet_until_s`` while it is."""

    says: str
    do: str
    since_s: float
    urgency: str
    state_words: str
    cautions: tuple[str, ...] = ()
    kind: str = ""
    alarm_id: str = ""
    short: str = ""
    seen: bool = False
    going: bool = False
    max_quiet_s: float = 0.0
    quiet_until_s: float | None = None


@dataclass(frozen=True, slots=True)
class StepView:
    """One step of the checklist, its texts told. ``asks`` is "temperature", "water" or ""; ``times`` of ``wanted``
    counts what is done more than once; ``entry_id`` is the newest entry that ticks it.
    """

    step_id: str
    title: str
    text: str
    day: str = ""
    cautions: tuple[str, ...] = ()
    asks: str = ""
    done_at_s: float | None = None
    entry_id: str = ""
    is_next: bool = False
    times: int = 0
    wanted: int = 1
    due_s: float | None = None


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the batch's log. ``noted_at_s`` only where it was noted noticeably later."""

    at_s: float
    words: str
    noted_at_s: float | None = None
    entry_id: str = ""


@dataclass(frozen=True, slots=True)
class BucketView:
    """One bucket and the batch in it, if any (``batch`` None).

    temperature_c        newest believed paste temperature, None when there is none
    temperature_age_s    its age at the view's ``at_s``
    direction            "rising", "falling", "steady" or "" when it cannot be said
    completeness         potash used up, as a range in words: "86 to 94 %", "" when it cannot be said
    potash_left          grams a litre after dilution, as a range in words, "" when it cannot be said
    outlook              the one sentence to sleep on
    next_action          what the maker does next, with ``cautions`` for that deed
    curve, ambient       (time, temperature) of the paste and of the air
    band                 (time, low, high): where this recipe should run today, 5 to 95 %
    marks                what was done, on the curve: (time, words)
    numbers              the table of figures: (what, value)
    probe_faults         sentences about probes that lie, are open, or came out
    steps                the checklist of the batch
    last_entry           the entry noted last, which can be taken back
    learned              on how many of the grower's own batches this rests, "" where on none
    handling             what to mind at the bucket, whatever is noted there
    """

    name: str
    batch: str | None = None
    stage_words: str = ""
    temperature_c: float | None = None
    temperature_age_s: float | None = None
    direction: str = ""
    completeness: str = ""
    potash_left: str = ""
    outlook: str = ""
    next_action: str = ""
    cautions: tuple[str, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    past_alarms: tuple[AlarmView, ...] = ()
    probe_faults: tuple[str, ...] = ()
    numbers: tuple[tuple[str, str], ...] = ()
    log: tuple[LogLine, ...] = ()
    curve: tuple[tuple[float, float], ...] = ()
    ambient: tuple[tuple[float, float], ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    too_hot_c: float | None = None
    stale_after_s: float = STALE_AFTER_S
    steps: tuple[StepView, ...] = ()
    last_entry: LogLine | None = None
    handling: tuple[str, ...] = ()
    learned: str = ""

    @property
    def is_stale(self) -> bool:
        """Whether the newest reading is too old, or missing, to say anything of the present."""
        return (
            self.temperature_c is None
            or self.temperature_age_s is None
            or not self.temperature_age_s <= self.stale_after_s  # NaN counts as stale
        )

    @property
    def standing(self) -> str:
        """One of STANDINGS: the worst that is true. A bucket with a batch and no fresh reading is never QUIET."""
        if any(alarm.urgency == "now" for alarm in self.alarms):
            return NOW
        if self.alarms:
            return DAYLIGHT
        if self.batch is None:
            return EMPTY
        return STALE if self.is_stale or self.probe_faults else QUIET


@dataclass(frozen=True, slots=True)
class StatusView:
    """Everything the page shows, as of ``at_s``.

    ``watch`` holds one sentence for each trouble of the daemon's own, ``notes`` what is counted and is no trouble.
    ``first_aid`` is what to do when lye or paste has touched someone. ``invented`` marks a demo.
    """

    at_s: float
    place: str = ""
    buckets: tuple[BucketView, ...] = ()
    watch: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    no_phone: bool = False
    emergency_number: str = "112"
    first_aid: str = ""
    invented: bool = False


@dataclass(frozen=True, slots=True)
class RecordView:
    """One batch, running or ended, to read: ``says`` are the sentences of its verdict, ``rows`` the table of what was
    made and what is kept of it, ``corrections`` what was believed before; ``weighed``: its oils were, so that another
    batch can be planned from it.
    """

    name: str
    bucket: str
    at_s: float
    running: bool = False
    weighed: bool = False
    place: str = ""
    says: tuple[str, ...] = ()
    rows: tuple[tuple[str, str], ...] = ()
    corrections: tuple[str, ...] = ()
    log: tuple[LogLine, ...] = ()
    past_alarms: tuple[AlarmView, ...] = ()
    curve: tuple[tuple[float, float], ...] = ()
    ambient: tuple[tuple[float, float], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    too_hot_c: float | None = None
    cautions: tuple[str, ...] = ()
    emergency_number: str = "112"
    first_aid: str = ""
