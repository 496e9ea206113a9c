"""One batch as it is compared with others: what was made, how it ran, and how it ended. Values only.

Times are UTC Unix seconds, temperatures degrees Celsius, heat kilojoules; every ``_sd`` is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.domain import Recipe, Vessel

from .cover import cover_from

# How a batch is marked wherever it is drawn or listed: by a word and a sign, never by a colour alone. RANG: an alarm of
# the batch rang, and it came out well all the same. UNKNOWN: how far it went was never worked out.
WENT_WELL, RANG, FAILED, UNKNOWN, RUNNING = "well", "rang", "failed", "unknown", "running"

# Below this the planned dilution finds less soap than was promised: the alarm "incomplete" of the judgement.
_COMPLETE = 0.90

# "About 62 % (52 to 72)": ranges hold 90 %, as everywhere in this program. Normal quantile, (1 + 0.90) / 2.
RANGE_SD = 1.6449


@dataclass(frozen=True, slots=True)
class Story:
    """What is known of one batch.

    poured_s, blended_s   from the log; the first of each, None where nobody noted it
    month                 1 to 12, of the start, by the clock of the place
    core, air             believed readings; the core is the paste probe to go by
    heat                  (time, heat released, its sd), kJ, as it was known at that time
    done                  (time, completeness, its sd), likewise
    completeness          (fraction, sd): so far while it runs, then what its verdict says of the planned dilution
    tested                (fraction, sd) by a test of its free alkali, None where none stands or it says nothing;
                          ``tested_at_most`` so much where it was diluted by then, nobody knows with how much
    self_heating          (rise it would have shown had it lost nothing, sd), K
    time_constant_s       of cooling, (s, sd)
    mass_kg               oil, potash and water as poured; None where a weight is missing
    covers                (time, whether it was covered from then on), as the log has it; ``vessel`` is as entered
    learned_from          how many earlier batches had taught the judgement by which the estimates were made
    alarms                kinds of batch alarms that were raised
    says                  its verdict in words, "" while it runs
    """

    name: str
    bucket: str
    started_s: float
    month: int
    poured_s: float | None = None
    blended_s: float | None = None
    running: bool = False
    outcome: str = ""
    recipe: Recipe = field(default_factory=Recipe)
    vessel: Vessel = field(default_factory=Vessel)
    maker: str = ""
    oil_lot: str = ""
    potash_lot: str = ""
    yield_litres: float | None = None
    yield_kg: float | None = None
    pour_c: float | None = None
    mass_kg: float | None = None
    covers: tuple[tuple[float, bool], ...] = ()
    core: tuple[tuple[float, float], ...] = ()
    air: tuple[tuple[float, float], ...] = ()
    heat: tuple[tuple[float, float, float], ...] = ()
    done: tuple[tuple[float, float, float], ...] = ()
    completeness: tuple[float, float] | None = None
    tested: tuple[float, float] | None = None
    tested_at_most: bool = False
    self_heating: tuple[float, float] | None = None
    time_constant_s: tuple[float, float] | None = None
    learned_from: int = 0
    alarms: tuple[str, ...] = ()
    says: str = ""

    @property
    def state(self) -> str:
        """WENT_WELL, RANG, FAILED, UNKNOWN or RUNNING. What is not known is never called well; a test of the free
        alkali goes before what the heat tells."""
        if self.running:
            return RUNNING
        if self.outcome in ("held", "discarded"):
            return FAILED
        known = self.completeness if self.tested is None else self.tested
        if known is None:
            return UNKNOWN
        if known[0] < _COMPLETE:
            return FAILED
        return RANG if self.alarms else WENT_WELL

    @property
    def completeness_at(self) -> str | None:
        """As of when the completeness is: "now" while it runs, "dilution" (the planned one) once it has its verdict."""
        if self.completeness is None:
            return None
        return "now" if self.running else "dilution"

    @property
    def origin_s(self) -> float:
        """The pour, or the start where nobody noted it."""
        return self.started_s if self.poured_s is None else self.poured_s

    @property
    def cover(self) -> str:
        """What it stood under in the hours after the blend, see ``cover_from``."""
        from_s = self.origin_s if self.blended_s is None else self.blended_s
        return cover_from(self.vessel.insulation, self.covers, from_s)

    @property
    def heat_per_kg(self) -> tuple[float, float] | None:
        """(kJ for each kg of mix released so far, sd)."""
        if not self.heat or not self.mass_kg:
            return None
        _, kj, sd = self.heat[-1]
        return kj / self.mass_kg, sd / self.mass_kg
