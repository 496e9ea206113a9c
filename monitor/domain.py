"""The nouns of the project as frozen values: readings, recipes, batches, log entries, estimates, alarms.

Nothing here computes, reads a clock or does I/O. Times are UTC Unix seconds (float), temperatures degrees
Celsius, masses kilograms; a unit stands in every name. ``None`` means "nobody measured it", never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

PASTE_PROBES = ("core", "wall", "top", "bottom")
AMBIENT = "ambient"
PROBES = (*PASTE_PROBES, AMBIENT)

ALARM_KINDS = (
    "not_taken",
    "too_hot",
    "cooled_early",
    "incomplete",
    "separated",
    "sensor_fault",
    "silent",
    "watch_fault",
)
# The alarms about the batch itself; a good batch has none of these due.
BATCH_ALARM_KINDS = ALARM_KINDS[:5]

INSULATIONS = ("bare", "blanket", "box")

STAGES = ("planned", "lye", "blending", "ageing", "ready", "diluting", "filled", "held", "discarded")

LOG_KINDS = (
    "weighed", "lye-clear", "poured", "blended", "reblended", "lid-off", "lid-on", "covered", "uncovered",
    "probe-in", "probe-out", "water-added", "stirred", "looked", "tested", "cut", "diluted", "filled",
    "spilled", "note",
)  # fmt: skip

# How long after the pour the paste is planned to be diluted, unless the grower says otherwise. Common practice.
PLANNED_DILUTION_S = 72 * 3600.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One probe's temperature at one time.

    ``temperature_c`` is None exactly when ``state`` is not "ok": then the probe could not measure, and
    ``state`` is the SenML string it sent ("open", "short-gnd", "short-vcc", or another word).
    ``retimed`` is true when the node's own clock could not be used and the arrival placed the reading.
    """

    bucket: str
    probe: str
    time_s: float
    arrival_s: float
    temperature_c: float | None
    state: str = "ok"
    retimed: bool = False


@dataclass(frozen=True, slots=True)
class ProbeHealth:
    """What is wrong with a probe now.

    problem            None, "open", "short", "stuck", "noisy", "out_of_range", "lost", "reversed",
                       "out_of_paste", "rate" (went up at once, further than a batch can), "silent" (others
                       of the bucket go on sending)
    since_s            when it began: the first bad reading
    bad_share          rejected / all readings of the last five minutes (of the last four, if they are fewer)
    last_good_s, last_good_c   the newest believed reading
    suddenly           it was hot and believed just before: a boil-over may have taken it
    noise_k            robust standard deviation about the trend, K
    constant_since_s   since when the value has been the same to the last bit
    fell_from_c        what it showed before it fell, when "out_of_paste"
    doubted            stands still where it should move: in some minutes it moves again or is called stuck
    """

    problem: str | None = None
    since_s: float | None = None
    bad_share: float = 0.0
    last_good_s: float | None = None
    last_good_c: float | None = None
    suddenly: bool = False
    noise_k: float = 0.0
    constant_since_s: float | None = None
    fell_from_c: float | None = None
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class OilShare:
    """So many kilograms of one oil. ``kg`` is None when nobody weighed it."""

    name: str
    kg: float | None


@dataclass(frozen=True, slots=True)
class Recipe:
    """What went into the bucket, as weighed. ``koh_purity`` is a mass fraction (0.90), as on the bag."""

    oils: tuple[OilShare, ...] = ()
    koh_kg: float | None = None
    koh_purity: float | None = None
    water_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Vessel:
    """The bucket: its brim volume and what is round it ("bare", "blanket" or "box")."""

    litres: float | None = None
    insulation: str = "bare"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """Something the grower did or saw: when it happened, and when it was noted (never earlier in effect)."""

    kind: str
    at_s: float
    noted_at_s: float
    temperature_c: float | None = None
    kg: float | None = None
    text: str = ""
    entry_id: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """One making in one bucket. The log is kept apart, because it grows."""

    name: str
    bucket: str
    started_s: float
    recipe: Recipe = field(default_factory=Recipe)
    vessel: Vessel = field(default_factory=Vessel)
    planned_dilution_s: float = PLANNED_DILUTION_S
    noted_at_s: float | None = None

    @property
    def known_from_s(self) -> float:
        """When the tool first knew of the batch, Unix seconds."""
        return self.started_s if self.noted_at_s is None else max(self.started_s, self.noted_at_s)


@dataclass(frozen=True, slots=True)
class Place:
    """What the place adds to the physics: the boiling point of water there, degrees Celsius."""

    boiling_point_c: float = 100.0

    @property
    def too_hot_c(self) -> float:
        """Where a boil-over threatens: 95 °C, or the local boiling point less 5 K if that is lower."""
        return min(95.0, self.boiling_point_c - 5.0)


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the curve so far says of a batch, at ``at_s``; every ``_sd`` is one standard deviation.

    completeness            soap formed so far / soap the recipe as entered promises (its limiting reagent used up)
    final_completeness      the same, expected at the planned dilution if nobody does anything
    self_heating_k          rise the batch would have shown had it lost nothing, K
    heat_released_kj        heat of reaction released so far
    heat_rate_w             heat of reaction released now
    mean_temperature_c      mean over the paste (one core probe is not the mean)
    core_temperature_c      smoothed core temperature now
    peak_c, peak_at_s       highest core temperature seen or still expected, and when
    probabilities           named probabilities, 0..1, of what judgement asks, see heat/README.md
    causes                  posterior weight of each discrete hypothesis ("good", "poor_blend", "split",
                            "short_potash", ...), sums to 1
    too_hot_in_s            median seconds until the hottest part passes the limit, None when not expected
    assumed                 what had to be guessed, as short ids ("no_ambient", "pour_temperature", "unweighed_koh")
    """

    at_s: float
    completeness: float
    completeness_sd: float
    final_completeness: float
    final_completeness_sd: float
    self_heating_k: float
    self_heating_sd_k: float
    heat_released_kj: float
    heat_released_sd_kj: float
    heat_rate_w: float
    heat_rate_sd_w: float
    cooling_time_constant_s: float
    cooling_time_constant_sd_s: float
    mean_temperature_c: float
    mean_temperature_sd_c: float
    core_temperature_c: float
    peak_c: float
    peak_at_s: float
    probabilities: Mapping[str, float] = field(default_factory=dict)
    causes: Mapping[str, float] = field(default_factory=dict)
    too_hot_in_s: float | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Condition:
    """What judgement finds about one alarm kind at one tick, before delays and states.

    ``standing``: the criterion to raise holds now. ``gone``: the (stricter) criterion to clear holds now; between
    the two lies the deadband. ``facts`` is all that the wording needs.
    """

    kind: str
    standing: bool
    gone: bool
    probability: float
    urgency: str = "daylight"
    message_id: str = ""
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Event:
    """One line of the events file. ``values`` holds what the kind of event adds, in printing order."""

    event: str
    at_s: float
    bucket: str
    batch: str
    values: Mapping[str, object] = field(default_factory=dict)
