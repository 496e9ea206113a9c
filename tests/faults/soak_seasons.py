"""``python -m tests.faults.soak seasons [--times 600] [--seed 1]``: does the interval of a difference between groups of
batches hold the truth as often as it says, with few batches, few sheds, and sheds that differ more or less."""

from __future__ import annotations

import argparse
from typing import Any

from tests.seasons.covering import covering

DESIGNS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("6 batches, 3 sheds", {"n": 6}),
    ("8 batches, 2 sheds", {"n": 8, "sheds": 2, "shed_sd": 0.05}),
    ("10 batches, 3 sheds", {"n": 10}),
    ("10 batches, 3 sheds that differ most", {"n": 10, "shed_sd": 0.15}),
    ("12 batches, 3 sheds that do not differ", {"n": 12, "shed_sd": 0.0}),
    ("12 batches, 4 sheds, each with one group", {"n": 12, "sheds": 4, "apart": True}),
    ("24 batches, 6 sheds, each with one group", {"n": 24, "sheds": 6, "apart": True}),
    ("40 batches, 4 sheds", {"n": 40, "sheds": 4}),
)
# At 95 % a share this low over 600 seasons would come about once in five thousand times (binomial).
FEWEST = 0.92


def soak(arguments: list[str]) -> int:
    """Print the share of each design; returns how many fall short."""
    parser = argparse.ArgumentParser(prog="soak seasons")
    parser.add_argument("--times", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    broken = 0
    for words, design in DESIGNS:
        share = covering(args.times, args.seed, **design)
        short = share < FEWEST
        broken += short
        told = " - too few" if short else ""
        print(f"{words}: {100.0 * share:.1f} % of {args.times} hold the truth{told}", flush=True)
    return broken
