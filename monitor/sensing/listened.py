"""What was heard of a node: how often, how quiet, what was damaged, whose clock. Pure: lines in, figures out."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from monitor.domain import Reading
from monitor.sensing.senml import Decoder, ProbeSettings
from monitor.sensing.supply import Supply

# A stamp this far from its arrival is a clock that stands wrong (RFC 8428 stamps are of the measurement itself).
CLOCK_WRONG_S = 60.0
# The median of absolute deviations of a normal distribution is its standard deviation times this.
_MAD = 0.6745


@dataclass(frozen=True, slots=True)
class ProbeHeard:
    """One probe over the time that was listened.

    every_s     the usual time between two readings, None with fewer than two
    longest_s   the longest time without one, begin and end of the listening included
    noise_k     standard deviation of a reading, the paste's own course taken out; None with fewer than four
    lag_s       how late a reading came by its own stamp, None where its arrival is all that places it
    states      how often it said why it could not measure
    """

    bucket: str
    probe: str
    readings: int
    every_s: float | None
    longest_s: float
    latest_c: float | None
    noise_k: float | None
    lag_s: float | None
    retimed: bool
    states: Mapping[str, int]


@dataclass(slots=True)
class Listened:
    """Takes lines; ``probes`` and ``faults`` say what came of them."""

    began_s: float
    probe_settings: Mapping[tuple[str, str], ProbeSettings] = field(default_factory=dict)
    lines: int = 0
    with_checksum: int = 0
    ignored: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    supplies: dict[str, list[Supply]] = field(default_factory=dict)  # by bucket, as they came
    _readings: dict[tuple[str, str], list[Reading]] = field(default_factory=dict)
    _decoder: Decoder = field(init=False)

    def __post_init__(self) -> None:
        self._decoder = Decoder(probe_settings=self.probe_settings)

    def take(self, data: bytes, arrival_s: float, *, retained: bool = False, default_bucket: str | None = None) -> None:
        """One line as it came."""
        if not data.strip():
            return
        self.lines += 1
        self.with_checksum += not data.rstrip().endswith(b"]")
        decoded = self._decoder.decode(data, arrival_s, retained=retained, default_bucket=default_bucket)
        self.faults.update(decoded.faults)
        self.ignored += decoded.ignored
        for supply in decoded.supplies:
            self.supplies.setdefault(supply.bucket, []).append(supply)
        for reading in decoded.readings:
            self._readings.setdefault((reading.bucket, reading.probe), []).append(reading)

    def latest(self, bucket: str, probe: str) -> Sequence[Reading]:
        """All readings of a probe so far, in the order they came."""
        return tuple(self._readings.get((bucket, probe), ()))

    def probes(self, now_s: float) -> list[ProbeHeard]:
        """Each probe that was heard, by name."""
        return [self._heard(key, self._readings[key], now_s) for key in sorted(self._readings)]

    def _heard(self, key: tuple[str, str], readings: list[Reading], now_s: float) -> ProbeHeard:
        arrivals = sorted({reading.arrival_s for reading in readings})
        gaps = [later - earlier for earlier, later in pairwise(arrivals)]
        edges = [self.began_s, *arrivals, now_s]
        values = [one.temperature_c for one in sorted(readings, key=_time) if one.temperature_c is not None]
        stamped = [one.arrival_s - one.time_s for one in readings if not one.retimed and one.time_s != one.arrival_s]
        return ProbeHeard(
            bucket=key[0],
            probe=key[1],
            readings=len(readings),
            every_s=statistics.median(gaps) if gaps else None,
            longest_s=max(later - earlier for earlier, later in pairwise(edges)),
            latest_c=values[-1] if values else None,
            noise_k=noise_k(values),
            lag_s=statistics.median(stamped) if stamped else None,
            retimed=any(one.retimed for one in readings),
            states=Counter(one.state for one in readings if one.temperature_c is None),
        )


def noise_k(values: Sequence[float]) -> float | None:
    """Standard deviation of single values about a course that is smooth: from the second differences, whose variance is
    six times that of a value when the noise of each is its own (1 + 4 + 1). Robust by the median of their sizes.
    """
    if len(values) < 4:
        return None
    second = [abs(a - 2.0 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return statistics.median(second) / _MAD / math.sqrt(6.0)


def _time(reading: Reading) -> float:
    return reading.time_s
