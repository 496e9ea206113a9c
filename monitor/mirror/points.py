"""Readings and events as points. The same row of the journal always makes the same point (measurement, tags, time), so
that writing it again changes nothing; and with all of its fields, so that what is put right replaces what stood there.

    emberpail_reading   site, bucket, probe              temperature_c, believed, why
    emberpail_estimate  site, bucket, batch              completeness, self_heating_k, ... of the events file
    emberpail_alarm     site, bucket, batch, kind, probe, state    stands, urgency, probability, alarm, says, do
    emberpail_verdict   site, bucket, batch              completeness, peak_c, ... of the events file
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from monitor.domain import Event, Reading
from monitor.mirror.line import FieldValue, head, line, text_field, time_ns

READING, CHECKED = "emberpail_reading", "emberpail_mirror"


class Points:
    """Makes the points of one place; ``site`` keeps two sheds apart that write into one bucket."""

    def __init__(self, site: str) -> None:
        self._site = site
        self._heads: dict[tuple[str, str], str] = {}  # of the readings of each probe

    def reading(self, reading: Reading, reason: str | None) -> str | None:
        """A reading, with why it is not believed; None where it can be no point (a time beyond all measure).

        What could not be measured has no temperature. ``why`` is said even when there is nothing to say: a reason
        that was taken back would stand there for ever otherwise.
        """
        at_ns = time_ns(reading.time_s)
        if at_ns is None:
            return None
        value = reading.temperature_c
        measured = f"temperature_c={float(value)!r}," if value is not None and math.isfinite(value) else ""
        why = reason or ("" if reading.state == "ok" else reading.state)
        believed = "true" if not why and measured else "false"
        said = f"{measured}believed={believed},why={text_field(why)}"
        return f"{self._head_of(reading.bucket, reading.probe)} {said} {at_ns}"

    def event(self, event: Event) -> str | None:
        """An estimate, an alarm that was raised or cleared, or a verdict; None for what holds nothing to keep."""
        tags = {"site": self._site, "bucket": event.bucket, "batch": event.batch}
        values = event.values
        if event.event == "alarm":
            state = str(values.get("state", ""))
            kind, _, probe = _subject(str(values.get("alarm", "")), str(values.get("kind", ""))).partition(".")
            fields: dict[str, FieldValue] = {"stands": state == "raised"}
            fields |= {key: _text(values.get(key)) for key in ("urgency", "alarm", "says", "do")}
            fields["probability"] = _number(values.get("probability"))
            return line("emberpail_alarm", tags | {"kind": kind, "probe": probe, "state": state}, fields, event.at_s)
        fields = {}
        for key, value in values.items():
            if isinstance(value, Mapping):  # weights of the causes, probabilities: one field each
                fields |= {f"{key}_{name}": _number(one) for name, one in value.items()}
            elif isinstance(value, str):
                fields[key] = value
            else:
                fields[key] = _number(value)
        return line(f"emberpail_{event.event}", tags, fields, event.at_s)

    def known_good(self, now_s: float) -> str:
        """A point that nothing is wrong with: a server that refuses it refuses everything."""
        said = line(CHECKED, {"site": self._site}, {"checked": True}, now_s)
        assert said is not None
        return said

    def _head_of(self, bucket: str, probe: str) -> str:
        known = self._heads.get((bucket, probe))
        if known is None:
            known = head(READING, {"site": self._site, "bucket": bucket, "probe": probe})
            self._heads[bucket, probe] = known
        return known


def _subject(alarm: str, kind: str) -> str:
    """What an alarm is about, kind[.probe], out of its id (see ``AlarmState.alarm_id``)."""
    parts = alarm.rsplit("/", 2)
    return parts[1] if len(parts) == 3 and parts[1].startswith(kind) else kind


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _text(value: object) -> str | None:
    return None if value is None else str(value)
