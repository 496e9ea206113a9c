"""Batches as flat tables: plain columns for CSV, pandas data frames for a notebook and Parquet.

Columns carry their units. ``*_sd`` is one standard deviation; a range of 90 of 100 is 1.645 of them to either side.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.curve import finite, finite_rows
from monitor.words import tr

from .curves import rise_over_air
from .groups import BY, group_of
from .mixed import LibraryMissing
from .story import Story
from .table import row_of

if TYPE_CHECKING:
    import pandas as pd

Record = dict[str, object]


class Frames(NamedTuple):
    """``batches``: a row each. ``curves``: a row for each batch, quantity ("core_c", "air_c", "rise_k",
    "heat_kj_kg", "completeness") and time, with ``value`` and ``sd`` (missing where it was read, not estimated)."""

    batches: pd.DataFrame
    curves: pd.DataFrame


def frames_of(stories: Sequence[Story]) -> Frames:
    """Both as data frames. Raises LibraryMissing, one sentence."""
    try:
        import pandas as pd
    except ImportError:
        raise LibraryMissing(
            tr("Data frames and Parquet need pandas and pyarrow, which are not installed: run ./emberpail add seasons, "
               "or pip install 'emberpail[seasons]'. CSV needs neither.")
        ) from None  # fmt: skip
    batches = pd.DataFrame(batch_records(stories), columns=list(BATCH_COLUMNS))
    curves = pd.DataFrame(curve_records(stories), columns=list(CURVE_COLUMNS))
    for name in ("started", "poured", "blended"):
        batches[name] = pd.to_datetime(batches.pop(f"{name}_s"), unit="s", utc=True)
    for name in _FLOATS:
        batches[name] = pd.to_numeric(batches[name])
    return Frames(batches, curves.astype({"seconds": float, "value": float, "sd": float}))


_FLOATS = (
    "pour_c", "mass_kg", "koh_kg", "koh_purity", "water_kg", "oil_kg", "litres", "peak_c", "peak_after_s",
    "above_60c_s", "air_c", "blend_after_s", "completeness", "completeness_sd", "tested_completeness",
    "tested_completeness_sd", "self_heating_k", "self_heating_sd_k",
    "cooling_time_constant_s", "cooling_time_constant_sd_s", "heat_kj_kg", "heat_sd_kj_kg", "yield_litres", "yield_kg",
)  # fmt: skip
BATCH_COLUMNS = (
    "batch", "bucket", "state", "outcome", *(by.replace("-", "_") for by in BY if by != "bucket"), "oil_lot",
    "started_s", "poured_s", "blended_s", *_FLOATS[:9], "peak_is_at_least", "above_60c_s", "above_60c_is_at_least",
    *_FLOATS[10:], "completeness_at", "tested_is_at_most", "learned_from", "alarms", "verdict",
)  # fmt: skip
CURVE_COLUMNS = ("batch", "quantity", "seconds", "value", "sd")


def batch_records(stories: Sequence[Story]) -> list[Record]:
    """A row for each batch, by the names of BATCH_COLUMNS."""
    return [_batch(story) for story in stories]


def _batch(story: Story) -> Record:
    row, recipe = row_of(story), story.recipe
    weighed = bool(recipe.oils) and all(share.kg is not None for share in recipe.oils)

    def pair(found: tuple[float, float] | None) -> tuple[float | None, float | None]:
        return (None, None) if found is None else found

    done, tested, heated, slow, heat = map(
        pair, (story.completeness, story.tested, story.self_heating, story.time_constant_s, story.heat_per_kg)
    )
    values: Record = {
        "batch": story.name, "bucket": story.bucket, "state": story.state, "outcome": story.outcome,
        **{by.replace("-", "_"): group_of(story, by) for by in BY}, "oil_lot": story.oil_lot,
        "started_s": story.started_s, "poured_s": story.poured_s, "blended_s": story.blended_s,
        "pour_c": story.pour_c, "mass_kg": story.mass_kg, "koh_kg": recipe.koh_kg, "koh_purity": recipe.koh_purity,
        "water_kg": recipe.water_kg, "oil_kg": sum(share.kg or 0.0 for share in recipe.oils) if weighed else None,
        "litres": story.vessel.litres, "peak_c": row.peak_c, "peak_after_s": row.peak_after_s,
        "peak_is_at_least": row.at_least, "above_60c_s": row.warm_s, "above_60c_is_at_least": row.warm_at_least,
        "air_c": row.air_c, "blend_after_s": row.blend_after_s, "completeness": done[0], "completeness_sd": done[1],
        "completeness_at": story.completeness_at, "tested_completeness": tested[0],
        "tested_completeness_sd": tested[1], "tested_is_at_most": story.tested_at_most,
        "self_heating_k": heated[0], "self_heating_sd_k": heated[1], "cooling_time_constant_s": slow[0],
        "cooling_time_constant_sd_s": slow[1], "heat_kj_kg": heat[0], "heat_sd_kj_kg": heat[1],
        "yield_litres": story.yield_litres, "yield_kg": story.yield_kg,
        "learned_from": story.learned_from, "alarms": " ".join(story.alarms),
        "verdict": story.says,
    }  # fmt: skip
    return {name: values[name] for name in BATCH_COLUMNS}


def curve_records(stories: Sequence[Story]) -> list[Record]:
    """A row for each point, by the names of CURVE_COLUMNS; seconds after the pour."""
    found: list[Record] = []
    for story in stories:
        mass_kg = story.mass_kg
        rows: list[tuple[str, float, float, float | None]] = [
            *(("core_c", time_s, level, None) for time_s, level in finite(story.core)),
            *(("air_c", time_s, level, None) for time_s, level in finite(story.air)),
            *(("rise_k", time_s, level, None) for time_s, level in rise_over_air(story)),
            *(("heat_kj_kg", at_s, kj / mass_kg, sd / mass_kg) for at_s, kj, sd in finite_rows(story.heat) if mass_kg),
            *(("completeness", at_s, part, sd) for at_s, part, sd in finite_rows(story.done)),
        ]
        found += [
            {"batch": story.name, "quantity": name, "seconds": time_s - story.origin_s, "value": value, "sd": sd}
            for name, time_s, value, sd in rows
        ]
    return found
