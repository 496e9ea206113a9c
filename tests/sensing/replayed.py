"""Replay with a stand-in for the estimator, to see what is believed; and the comparison with what was measured."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

from monitor.domain import Event, Reading
from monitor.replay import Replay, replay_recording
from tests.sensing.wire_styles import Sent, Shot, batch_text, recorded


class NoEstimator:
    """Stands where the estimator does and says nothing, for what is tested here comes before it."""

    def __init__(self, *_: object, **__: object) -> None:
        self.updated: dict[tuple[str, float], Reading] = {}

    def update(self, reading: Reading) -> None:
        self.updated[reading.probe, reading.time_s] = reading

    def withdraw(self, reading: Reading) -> None:
        self.updated.pop((reading.probe, reading.time_s), None)

    def note(self, entry: object) -> None:
        pass

    def forget(self, entry_id: str) -> None:
        pass

    def estimate(self, now_s: float) -> None:
        return None

    as_fitted = estimate

    def good_now(self, now_s: float) -> tuple[float, float]:
        return 75.0, 88.0


@contextmanager
def without_estimator() -> Iterator[None]:
    """Minders made inside have no estimator."""
    with patch("monitor.pipeline.Estimator", NoEstimator):
        yield


def with_last_tick(lines: Iterable[Sent]) -> list[Sent]:
    """The lines in order of arrival and, two minutes later, one of another bucket: ticks end with the last arrival, so
    that without it the last minute would not be judged any more."""
    ordered = sorted(lines, key=lambda line: line.arrival_s)
    return [*ordered, Sent(ordered[-1].arrival_s + 120.0, b'[{"n":"elsewhere/core","u":"Cel","v":20}]')]


def replayed(folder: Path, lines: Iterable[Sent] | bytes, toml: str | None = None, name: str = "one") -> Replay:
    """The replay of these lines, through the real files, without the estimator."""
    recording, batch_file = folder / f"{name}.rec", folder / f"{name}.toml"
    recording.write_bytes(lines if isinstance(lines, bytes) else recorded(with_last_tick(lines)))
    batch_file.write_text(batch_text() if toml is None else toml, encoding="utf-8")
    with without_estimator():
        return replay_recording(recording, batch_file, folder / f"{name}.jsonl")


def believed(replay: Replay) -> dict[str, list[tuple[float, float]]]:
    """(time, °C) of every reading that is believed at the end, per probe, in order of time."""
    assert replay.minder is not None
    estimator = replay.minder.estimator
    assert isinstance(estimator, NoEstimator)
    found: dict[str, list[tuple[float, float]]] = {}
    for reading in estimator.updated.values():
        assert reading.temperature_c is not None
        found.setdefault(reading.probe, []).append((reading.time_s, reading.temperature_c))
    return {probe: sorted(points) for probe, points in found.items()}


@dataclass
class Compared:
    """Believed against measured, counted over all probes.

    ``kept`` believed within the tolerance of when it was measured, ``lost`` measured but not believed there, ``moved``
    believed but elsewhere in time, ``invented`` believed though no probe ever showed it, ``error_k`` by how much the
    worst believed reading is off the curve at its place, ``late_s`` the largest error of time of the kept ones.
    """

    kept: int = 0
    lost: int = 0
    moved: int = 0
    invented: int = 0
    error_k: float = 0.0
    late_s: float = 0.0
    worst: list[str] = field(default_factory=list)


def compare(
    batch: list[Shot], seen: dict[str, list[tuple[float, float]]], *, within_s: float = 2.0, within_k: float = 1e-6
) -> Compared:
    """Hold what was believed against the samples as they were measured."""
    result = Compared()
    measured: dict[str, list[tuple[float, float]]] = {}
    for shot in batch:
        for sample in shot:
            if isinstance(sample.value, float):
                measured.setdefault(sample.probe, []).append((sample.time_s, sample.value))
    for probe in sorted({*measured, *seen}):
        truth, points = measured.get(probe, []), seen.get(probe, [])
        by_value = sorted((value, time_s) for time_s, value in truth)
        values = [value for value, _ in by_value]
        found: Counter[float] = Counter()
        for time_s, value in points:
            near = by_value[bisect_left(values, value - within_k) : bisect_right(values, value + within_k)]
            if not near:
                result.invented += 1
                result.error_k = max(result.error_k, _off_k(truth, time_s, value))
                result.worst.append(f"invented {probe} {value} at {time_s:.1f}")
                continue
            true_s = min((t for _, t in near), key=lambda t: abs(t - time_s))
            if abs(true_s - time_s) <= within_s:
                found[true_s] += 1
                result.late_s = max(result.late_s, abs(true_s - time_s))
                continue
            result.moved += 1
            result.error_k = max(result.error_k, _off_k(truth, time_s, value))
            result.worst.append(f"moved {probe} {value} by {time_s - true_s:.1f} s to {time_s:.1f}")
        result.kept += len(found)
        result.moved += sum(found.values()) - len(found)  # the same sample twice, as if measured twice
        result.lost += len(truth) - len(found)
    return result


def _off_k(truth: list[tuple[float, float]], time_s: float, value: float) -> float:
    """How far a value is from what was measured nearest to that time, K."""
    i = bisect_left(truth, (time_s,))
    return min((abs(v - value) for _, v in truth[max(0, i - 1) : i + 1]), default=abs(value))


def alarms(replay: Replay) -> list[tuple[str, str]]:
    """(kind, state) of every alarm event."""
    return [(str(e.values["kind"]), str(e.values["state"])) for e in replay.events if _is_alarm(e)]


def raised(replay: Replay) -> list[str]:
    """The kinds that were raised, in order."""
    return [kind for kind, state in alarms(replay) if state == "raised"]


def _is_alarm(event: Event) -> bool:
    return event.event == "alarm"
