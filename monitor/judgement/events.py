"""The lines of the events file: JSON, one event a line, the same bytes for the same values.

Format: keys ``event``, ``at``, ``bucket``, ``batch`` and then what the kind of event adds, in a fixed order.
Numbers are rounded here, once, so that live and replay print alike.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping

from monitor.domain import Estimate, Event
from monitor.judgement.alarms import Transition
from monitor.judgement.messages import Message

# Digits that a reader can use; more would only show noise of the last bit.
_DIGITS = {"_c": 2, "_k": 2, "_kj": 1, "_w": 1, "_s": 0, "_at": 0, "probability": 3, "completeness": 4}


def estimate_event(
    bucket: str, batch: str, estimate: Estimate, learned_from: Mapping[str, int] | None = None
) -> Event:
    """One estimate as an event; ``learned_from`` on how many earlier batches it rests, where on any."""
    return Event(
        "estimate",
        estimate.at_s,
        bucket,
        batch,
        {
            "completeness": estimate.completeness,
            "completeness_sd": estimate.completeness_sd,
            "self_heating_k": estimate.self_heating_k,
            "self_heating_sd_k": estimate.self_heating_sd_k,
            "final_completeness": estimate.final_completeness,
            "final_completeness_sd": estimate.final_completeness_sd,
            "heat_released_kj": estimate.heat_released_kj,
            "heat_released_sd_kj": estimate.heat_released_sd_kj,
            "heat_rate_w": estimate.heat_rate_w,
            "heat_rate_sd_w": estimate.heat_rate_sd_w,
            "cooling_time_constant_s": estimate.cooling_time_constant_s,
            "cooling_time_constant_sd_s": estimate.cooling_time_constant_sd_s,
            "mean_temperature_c": estimate.mean_temperature_c,
            "mean_temperature_sd_c": estimate.mean_temperature_sd_c,
            "core_temperature_c": estimate.core_temperature_c,
            "causes": _rounded(estimate.causes),
            "probabilities": _rounded(estimate.probabilities),
            "assumed": list(estimate.assumed),
            **({} if learned_from is None else {"learned_from": dict(learned_from)}),
        },
    )


def alarm_event(move: Transition, probability: float, message: Message) -> Event:
    """An alarm that was raised or has cleared, as an event; an alarm's ``at`` is the tick that raised it."""
    return Event(
        "alarm",
        move.at_s,
        move.bucket,
        move.batch,
        {
            "alarm": move.alarm_id,
            "kind": move.kind,
            "state": move.change,
            "urgency": move.urgency,
            "probability": probability,
            "says": message.says,
            "do": message.do,
            "message_id": message.message_id,
        },
    )


def verdict_event(bucket: str, batch: str, at_s: float, estimate: Estimate | None, says: str) -> Event:
    """The last line of a batch. Its completeness is the one expected at the planned dilution."""
    if estimate is None:
        nothing = ("completeness", "completeness_sd", "peak_c", "peak_at", "self_heating_k", "cooling_time_constant_s")
        return Event("verdict", at_s, bucket, batch, {**dict.fromkeys(nothing), "says": says})
    return Event(
        "verdict",
        at_s,
        bucket,
        batch,
        {
            "completeness": estimate.final_completeness,
            "completeness_sd": estimate.final_completeness_sd,
            "peak_c": estimate.peak_c,
            "peak_at": estimate.peak_at_s,
            "self_heating_k": estimate.self_heating_k,
            "cooling_time_constant_s": estimate.cooling_time_constant_s,
            "says": says,
        },
    )


def event_line(event: Event) -> str:
    """The event as one line of JSON without the line feed. Infinite and undefined numbers become null."""
    record: dict[str, object] = {
        "event": event.event,
        "at": round(event.at_s, 3),
        "bucket": event.bucket,
        "batch": event.batch,
    }
    record.update({key: _plain(key, value) for key, value in event.values.items()})
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _rounded(numbers: Mapping[str, float]) -> dict[str, float]:
    return {name: round(float(number), 3) for name, number in sorted(numbers.items())}


def _plain(key: str, value: object) -> object:
    if isinstance(value, bool) or value is None or isinstance(value, str | list | dict | int):
        return value
    number = float(value)  # type: ignore[arg-type]
    if not math.isfinite(number):
        return None
    for ending, digits in _DIGITS.items():
        if key.endswith(ending) or (ending in key and digits == 4):
            return round(number, digits) if digits else float(round(number))
    return round(number, 4)
