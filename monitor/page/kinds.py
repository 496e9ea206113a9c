"""The kinds of log entry as a person reads them, and which of them have a button."""

from __future__ import annotations

from monitor.words import trc

# The usual ones, in the order in which a batch meets them. What carries a figure is on the page of the steps.
BUTTONS = (
    "poured", "blended", "reblended", "lid-off", "lid-on", "covered", "uncovered", "probe-in", "probe-out", "looked",
    "stirred",
)  # fmt: skip


def kind_words(kind: str) -> str:
    """A kind in the language spoken now; in English as the command ``mark`` takes it."""
    words = {
        "weighed": trc("log entry", "weighed"),
        "lye-clear": trc("log entry", "lye-clear"),
        "poured": trc("log entry", "poured"),
        "blended": trc("log entry", "blended"),
        "reblended": trc("log entry", "reblended"),
        "lid-off": trc("log entry", "lid-off"),
        "lid-on": trc("log entry", "lid-on"),
        "covered": trc("log entry", "covered"),
        "uncovered": trc("log entry", "uncovered"),
        "probe-in": trc("log entry", "probe-in"),
        "probe-out": trc("log entry", "probe-out"),
        "water-added": trc("log entry", "water-added"),
        "stirred": trc("log entry", "stirred"),
        "looked": trc("log entry", "looked"),
        "tested": trc("log entry", "tested"),
        "cut": trc("log entry", "cut"),
        "diluted": trc("log entry", "diluted"),
        "filled": trc("log entry", "filled"),
        "spilled": trc("log entry", "spilled"),
        "note": trc("log entry", "note"),
    }
    return words.get(kind, kind)
