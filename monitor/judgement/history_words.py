"""On what a judgement rests beside the published values: said with every status and every verdict."""

from __future__ import annotations

from monitor.heat.priors import History
from monitor.words import tr, trn


def based_on(history: History | None) -> str:
    """On how many of the grower's own batches a judgement rests; "" where on none."""
    if history is None or not history.batches:
        return ""
    if history.loss_batches:
        return tr(
            "Based on {n} of your own earlier batches, {here} of them in {bucket}.",
            n=history.batches, here=history.loss_batches, bucket=history.bucket,
        )  # fmt: skip
    return trn(
        "Based on {n} of your own earlier batches.", "Based on {n} of your own earlier batches.", history.batches
    )


def learned_from(history: History | None) -> dict[str, int] | None:
    """The same as plain numbers for the events; None where on none."""
    if history is None or not history.batches:
        return None
    return {"heat": history.heat_batches, "loss": history.loss_batches, "pace": history.pace_batches}
