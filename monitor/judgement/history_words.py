"""On what a judgement rests beside the published values: said with every status and every verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from monitor.words import tr, trn

if TYPE_CHECKING:  # what is only told needs none of its libraries
    from monitor.heat.priors import History


def based_on(history: History | None) -> str:
    """On how many of the grower's own batches a judgement rests; "" where on none."""
    return "" if history is None else _words(history.batches, history.loss_batches, history.bucket)


def based_on_kept(values: object) -> str:
    """The same from the values that the journal keeps of a history; "" where they are none."""
    if not isinstance(values, Mapping):
        return ""
    counts = [values.get(f"{name}_batches") for name in ("heat", "loss", "pace")]
    heat, loss, pace = (count if isinstance(count, int) else 0 for count in counts)
    return _words(max(heat, loss, pace), loss, str(values.get("bucket", "")))


def _words(batches: int, here: int, bucket: str) -> str:
    if not batches:
        return ""
    if here:
        return tr(
            "Based on {n} of your own earlier batches, {here} of them in {bucket}.", n=batches, here=here, bucket=bucket
        )
    return trn("Based on {n} of your own earlier batches.", "Based on {n} of your own earlier batches.", batches)


def learned_from(history: History | None) -> dict[str, int] | None:
    """The same as plain numbers for the events; None where on none."""
    if history is None or not history.batches:
        return None
    return {"heat": history.heat_batches, "loss": history.loss_batches, "pace": history.pace_batches}
