"""One module per group of commands. Each has ``add(parsers)``, which describes it, and a function that runs it.

A command returns its exit code: 0 yes, 1 the answer is no (an alarm stands, a route failed), 2 it could not be done.
"""

from collections.abc import Mapping

YES = 0
NO = 1
CANNOT = 2

# Command -> module, in the order of the work: try it, set it up, plan, make, look, answer.
COMMANDS: Mapping[str, str] = {
    "demo": "demo",
    "test": "test",
    "check": "check",
    "ring": "ring",
    "heard": "heard",
    "page": "page",
    "watch": "watch",
    "plan": "plan",
    "water": "water",
    "start": "start",
    "mark": "batch",
    "end": "batch",
    "steps": "steps",
    "correct": "correct",
    "record": "record",
    "batches": "batches",
    "compare": "compare",
    "learned": "learned",
    "label": "label",
    "status": "status",
    "ack": "alarm",
    "quiet": "alarm",
    "on-call": "on_call",
    "unit": "unit",
    "replay": "replay",
    "would-ring": "would_ring",
    "reanalyse": "reanalyse",
    "export": "exchange",
    "import": "exchange",
    "backup": "keep",
    "restore": "keep",
    "thin": "keep",
    "takeover": "takeover",
    "mirror": "mirror",
}
