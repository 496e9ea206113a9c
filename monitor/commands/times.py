"""Times as people type them: "an hour ago", "20 min ago", "07:30", "yesterday 21:30", "2026-01-17 18:05".

All arithmetic is on Unix seconds, because an hour ago is an hour ago also in the night in which the clocks change.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, tzinfo

from monitor.words import DATE, TIME, mark, tr
from monitor.words import when as told

_UNITS_S = {"s": 1, "sec": 1, "second": 1, "min": 60, "minute": 60, "m": 60, "h": 3600, "hr": 3600, "hour": 3600,
            "d": 86400, "day": 86400}  # fmt: skip
_NUMBERS = {"a": 1.0, "an": 1.0, "one": 1.0, "two": 2.0, "three": 3.0, "half an": 0.5, "half a": 0.5}
# A number in words needs a blank behind it: "and" is not "an d".
_SPAN = re.compile(r"((?:half an?|an?|one|two|three)(?=\s)|\d{1,9}(?:[.,]\d{1,9})?)\s*([a-z]+)")
_CLOCK = re.compile(
    r"(?:(?P<day>today|yesterday)(?:\s+at)?\s+)?(?:at\s+)?(?P<hour>\d{1,2})(?:[:.](?P<minute>\d{2}))?"
    r"\s*(?P<half>am|pm|a\.m\.|p\.m\.)?(?:\s+(?P<later_day>today|yesterday))?"
)
_DATED = re.compile(r"\d{4}-\d\d-\d\d[ t]\d\d:\d\d(:\d\d(\.\d+)?)?\s*(z|[+-]\d\d:?\d\d)?")

# Older than this is most likely a slip of the finger; a batch is four days' work.
OLDEST_S = 7 * 86400.0
# A clock on the wall is rarely right to the second.
_AHEAD_S = 90.0
_EXAMPLES = mark('"20 min ago", "an hour ago", "07:30", "yesterday 21:30" or "2026-01-17 18:05"')


class TimeError(ValueError):
    """A time that cannot be read or lies where it cannot; one sentence for the person who typed it."""


def parse_span_s(text: str) -> float:
    """A length of time ("2h", "90 min", "half an hour", "1 h 30 min") in seconds; TimeError if it is none."""
    total = _sum_spans(" ".join(text.lower().replace(" and ", " ").split()))
    if total is None:
        raise TimeError(
            tr('"{text}" is no length of time; write for example "90 min", "2 h" or "half an hour".', text=_clip(text))
        )
    return total


def _sum_spans(rest: str) -> float | None:
    total, end = 0.0, 0
    for match in _SPAN.finditer(rest):
        number, unit = match.groups()
        scale = _UNITS_S.get(unit) or _UNITS_S.get(unit.removesuffix("s"))
        if scale is None or rest[end : match.start()].strip():
            return None
        total += (_NUMBERS[number] if number in _NUMBERS else float(number.replace(",", "."))) * scale
        end = match.end()
    return total if end and not rest[end:].strip() else None


def parse_when(text: str, now_s: float, zone: tzinfo | None) -> float:
    """A moment in the past or now, Unix seconds. ``zone`` is that of the place; None for the system's own.

    Raises TimeError for what cannot be read, for the future, and for what is over a week old.
    """
    words = " ".join(text.lower().split())
    when_s = _read(words, now_s, zone)
    if when_s is None or not math.isfinite(when_s):
        raise TimeError(
            tr(
                '"{text}" is no time that can be read; write for example {examples}.',
                text=_clip(text),
                examples=tr(_EXAMPLES),
            )
        )
    if when_s > now_s + _AHEAD_S:
        raise TimeError(tr('"{text}" lies in the future; give the time when it happened.', text=_clip(text)))
    if now_s - when_s > OLDEST_S:
        raise TimeError(
            tr('"{text}" is more than a week ago; a batch takes four days, so check the date.', text=_clip(text))
        )
    return min(when_s, now_s)


def _read(words: str, now_s: float, zone: tzinfo | None) -> float | None:
    if words in ("now", "just now"):
        return now_s
    if words.endswith(" ago"):
        span_s = _sum_spans(words[:-4].replace(" and ", " "))
        return None if span_s is None else now_s - span_s
    clock = _CLOCK.fullmatch(words)
    if clock is not None:
        return _read_clock(clock, now_s, zone)
    if _DATED.fullmatch(words) is None:
        return None
    try:
        when = datetime.fromisoformat(words.upper().replace(" ", "T", 1).replace(" ", ""))
        return when.timestamp() if when.tzinfo is not None else _unix_s(when, now_s, zone)
    except (ValueError, OverflowError, OSError) as error:
        if isinstance(error, TimeError):
            raise
        return None


def _read_clock(clock: re.Match[str], now_s: float, zone: tzinfo | None) -> float | None:
    """A time of day. "23:50" said at ten past midnight means last night."""
    hour, minute, half = int(clock["hour"]), int(clock["minute"] or 0), (clock["half"] or "").replace(".", "")
    if clock["minute"] is None and not half:
        return None  # a bare number may be anything
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "pm" else 0)
    if hour > 23 or minute > 59 or (clock["day"] and clock["later_day"]):
        return None
    day = clock["day"] or clock["later_day"]
    today = _wall(now_s, zone).replace(hour=hour, minute=minute, second=0, microsecond=0)
    if day == "yesterday":
        return _unix_s(today - timedelta(days=1), now_s, zone)
    when_s = _unix_s(today, now_s, zone)
    if day is None and when_s > now_s + _AHEAD_S:
        return _unix_s(today - timedelta(days=1), now_s, zone)
    return when_s


def _wall(at_s: float, zone: tzinfo | None) -> datetime:
    """What the clock on the wall shows, without a zone."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone).replace(tzinfo=None)


def _unix_s(wall: datetime, now_s: float, zone: tzinfo | None) -> float:
    """The moment at which the wall clock showed ``wall``.

    An hour that came twice (the clocks went back) is meant as the later one, unless that is still to come; an hour
    that never was (they went forward) is a TimeError.
    """
    found = [_unix_of(wall.replace(fold=fold), zone) for fold in (1, 0)]
    there = [at_s for at_s in found if _wall(at_s, zone) == wall.replace(fold=0)]
    if not there:
        raise TimeError(
            tr(
                "{time} on {day} never was: the clocks went forward over it; give the time they showed "
                "then, or how long ago it is.",
                time=told(wall, TIME),
                day=told(wall, DATE),
            )
        )
    return next((at_s for at_s in there if at_s <= now_s + _AHEAD_S), there[-1])


def _unix_of(wall: datetime, zone: tzinfo | None) -> float:
    # A naive time is taken as the system's own, with the right summer time for that day.
    return wall.timestamp() if zone is None else wall.replace(tzinfo=zone).timestamp()


def _clip(text: str) -> str:
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return plain if len(plain) <= 60 else plain[:60] + "…"
