"""Times as people type them: "an hour ago", "20 min ago", "07:30", "yesterday 21:30", "2026-01-17 18:05"."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

_UNITS_S = {"s": 1, "sec": 1, "second": 1, "min": 60, "minute": 60, "m": 60, "h": 3600, "hour": 3600, "d": 86400,
            "day": 86400}  # fmt: skip
_NUMBERS = {"a": 1.0, "an": 1.0, "one": 1.0, "two": 2.0, "three": 3.0, "half an": 0.5, "half a": 0.5}
_SPAN = re.compile(r"(half an?|an?|one|two|three|\d+(?:[.,]\d+)?)\s*([a-z]+)")
_CLOCK = re.compile(r"^(?:(today|yesterday)\s+)?(\d{1,2})[:.](\d{2})$")

# Older than this is most likely a slip of the finger; a batch is four days' work.
OLDEST_S = 7 * 86400.0


class TimeError(ValueError):
    """A time that cannot be read or lies where it cannot; one sentence for the person who typed it."""


def parse_span_s(text: str) -> float:
    """A length of time ("2h", "90 min", "half an hour", "1 h 30 min") in seconds; TimeError if it is none."""
    total = _sum_spans(text.strip().lower().replace(" and ", " "))
    if total is None:
        raise TimeError(f'"{text}" is no length of time; write for example "90 min", "2 h" or "half an hour".')
    return total


def _sum_spans(rest: str) -> float | None:
    total, end = 0.0, 0
    for match in _SPAN.finditer(rest):
        number, unit = match.groups()
        scale = _UNITS_S.get(unit) or _UNITS_S.get(unit.rstrip("s"))
        if scale is None or rest[end : match.start()].strip():
            return None
        total += (_NUMBERS[number] if number in _NUMBERS else float(number.replace(",", "."))) * scale
        end = match.end()
    return total if end and not rest[end:].strip() else None


def parse_when(text: str, now: datetime) -> datetime:
    """A moment in the past or now, as an aware time. ``now`` is aware and in the grower's zone.

    Raises TimeError for what cannot be read, for the future, and for what is over a week old.
    """
    words = " ".join(text.strip().lower().split())
    when = _read(words, now)
    if when is None:
        raise TimeError(
            f'"{text}" is no time that I can read; write for example "20 min ago", "an hour ago", "07:30", '
            '"yesterday 21:30" or "2026-01-17 18:05".'
        )
    if when > now + timedelta(seconds=90):
        raise TimeError(f'"{text}" lies in the future; give the time when it happened.')
    if (now - when).total_seconds() > OLDEST_S:
        raise TimeError(f'"{text}" is more than a week ago; a batch takes four days, so check the date.')
    return min(when, now)


def _read(words: str, now: datetime) -> datetime | None:
    if words in ("now", "just now", ""):
        return now
    if words.endswith(" ago"):
        span_s = _sum_spans(words[:-4])
        return None if span_s is None else now - timedelta(seconds=span_s)
    clock = _CLOCK.match(words)
    if clock is not None:
        day, hour, minute = clock.group(1), int(clock.group(2)), int(clock.group(3))
        if hour > 23 or minute > 59:
            return None
        when = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
        # "23:50" said at ten past midnight means last night.
        if day == "yesterday" or (day is None and when > now + timedelta(seconds=90)):
            when -= timedelta(days=1)
        return when
    try:
        when = datetime.fromisoformat(words.upper().replace(" ", "T", 1))
    except ValueError:
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=now.tzinfo)
