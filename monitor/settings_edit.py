"""Writes one thing into the settings and leaves the rest as it was: comments, order, blanks. Text in, text out."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from datetime import date

from monitor.toml_tables import KeyPath, line_numbers
from monitor.words import tr


class EditError(ValueError):
    """It cannot be written there; the sentence says so, and what to write by hand."""


def with_two_point(
    text: str, bucket: str, probe: str, points: Sequence[tuple[float, float]], checked: date
) -> str:
    """The settings with these two points (shown, true) and the day under ``[bucket.probe.PROBE]`` of ``bucket``."""
    lines = text.splitlines()
    new = [
        "two_point = [" + ", ".join(f"[{shown:.2f}, {true:.2f}]" for shown, true in points) + "]",
        f"checked = {checked.isoformat()}",
    ]
    number = next(
        (place for place, one in enumerate(_tables(text)) if one.get("name") == bucket), None
    )
    if number is None:
        raise EditError(
            tr('There is no [[bucket]] "{bucket}" in the settings; add it, and under it: {lines}', bucket=bucket,
               lines=" ".join([f"[bucket.probe.{probe}]", *new]))
        )  # fmt: skip
    places = line_numbers(text)
    here: KeyPath = ("bucket", number, "probe", probe)
    if here in places:
        lines = _replaced(lines, places, here, new)
    elif ("bucket", number) in places:
        end = _end_of(lines, places, ("bucket", number))
        lines[end:end] = ["", f"[bucket.probe.{probe}]", *new]
    out = "\n".join(lines) + "\n"
    probes = _tables(out)[number].get("probe")
    kept = probes.get(probe, {}) if isinstance(probes, dict) else {}
    if kept.get("two_point") != [[round(a, 2), round(b, 2)] for a, b in points] or kept.get("checked") != checked:
        raise EditError(
            tr("The settings are laid out in a way that nothing can be put into; add by hand under the probe: {lines}",
               lines=" ".join(new))
        )  # fmt: skip
    return out


def _tables(text: str) -> list[dict[str, object]]:
    found = tomllib.loads(text).get("bucket", [])
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _replaced(lines: list[str], places: dict[KeyPath, int], here: KeyPath, new: list[str]) -> list[str]:
    """Old points out, new ones in their place; an offset that they replace stays to be read, as a comment."""
    out = list(lines)
    old = sorted(places[(*here, key)] - 1 for key in ("two_point", "checked") if (*here, key) in places)
    offset = places.get((*here, "offset_c"))
    if offset is not None:
        out[offset - 1] = "# " + out[offset - 1]
    at = old[0] if old else places[here]
    for place in reversed(old):
        del out[place]
    return out[:at] + new + out[at:]


def _end_of(lines: list[str], places: dict[KeyPath, int], here: KeyPath) -> int:
    """The line after the last one that belongs to a table, blanks and comments before the next heading left to that."""
    begin = places[here]
    later = [
        line for path, line in places.items()
        if line > begin and path[: len(here)] != here and re.match(r"\s*\[", lines[line - 1])
    ]  # fmt: skip
    end = min(later) - 1 if later else len(lines)
    while end > begin and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end
