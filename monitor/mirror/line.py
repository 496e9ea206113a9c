"""The line protocol: one point as one line of text, as InfluxDB and its like take it (InfluxDB 2 reference, "Line
protocol").

Written by hand, because a line made once a reading is what the whole speed hangs on (the client's own ``Point`` takes
three times as long), and because two things matter here that it leaves to the caller: a backslash in a name, which the
protocol reads in more than one way, and control characters, which end a line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

FieldValue = float | bool | str | None

# Nanoseconds that the protocol can say (reference, "Unix timestamp").
_MOST_NS = 9_223_372_036_854_775_806
# A text field may have 64 KB; nothing of ours that is longer than this can be read anyway.
_MOST_TEXT = 4000
_OF_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_OF_NAME = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})
_OF_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})


def line(measurement: str, tags: Mapping[str, str], fields: Mapping[str, FieldValue], time_s: float) -> str | None:
    """One point as a line, None where it cannot be said: no field with a value, or a time beyond the protocol's.

    An empty tag is left out, as are fields that are None or no finite number. Every number goes as a float, so that a
    field has the same type in every point.
    """
    at_ns = time_ns(time_s)
    said = _fields(fields)
    if at_ns is None or not said:
        return None
    return f"{head(measurement, tags)} {said} {at_ns}"


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags: what all points of one series begin with."""
    parts = [_plain(measurement).translate(_OF_MEASUREMENT)]
    parts += [f"{_name(key)}={_name(value)}" for key, value in sorted(tags.items()) if value.strip()]
    return ",".join(parts)


def time_ns(time_s: float) -> int | None:
    """Unix seconds as whole nanoseconds, reckoned in integers: two times that differ stay apart. None beyond what can
    be said."""
    if not math.isfinite(time_s):
        return None
    above, below = time_s.as_integer_ratio()
    at_ns = (2 * above * 1_000_000_000 + below) // (2 * below)
    return at_ns if abs(at_ns) <= _MOST_NS else None


def text_field(text: str) -> str:
    """A text as the value of a field, in its quotes."""
    return f'"{_plain(text[:_MOST_TEXT]).translate(_OF_TEXT)}"'


def _fields(fields: Mapping[str, FieldValue]) -> str:
    return ",".join(f"{_name(key)}={said}" for key, value in fields.items() if (said := _field(value)) is not None)


def _field(value: FieldValue) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return text_field(value)
    number = float(value)
    return repr(number) if math.isfinite(number) else None


def _name(text: str) -> str:
    # The reference reads two backslashes as one and has no way to write one at the end, so a name carries none.
    return _plain(text).replace("\\", "/").translate(_OF_NAME)


def _plain(text: str) -> str:
    """Without line breaks and other control characters, which no line can hold."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
