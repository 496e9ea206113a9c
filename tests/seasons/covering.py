"""How often the interval of a difference holds the true difference, over small invented seasons."""

from __future__ import annotations

import numpy as np

from monitor.seasons.differences import compared
from monitor.seasons.table import Row

from .made import story


def covering(
    times: int, seed: int, *, n: int = 10, sheds: int = 3, shed_sd: float = 0.03, rest_sd: float = 0.03,
    apart: bool = False,
) -> float:  # fmt: skip
    """The share of ``times`` seasons of ``n`` batches in ``sheds`` sheds whose 95 % interval holds the truth, 2 points.

    ``shed_sd`` and ``rest_sd`` are how much sheds and batches differ, fractions. ``apart``: each shed holds one group.
    """
    rng = np.random.default_rng(seed)
    hit = 0
    for _ in range(times):
        of_shed = rng.normal(0.0, shed_sd, sheds)
        made = []
        for number in range(n):
            # All sheds in turn are of one group, then of the other: each shed sees both.
            summer = (number % sheds if apart else number // sheds) % 2
            done = 0.9 + 0.02 * summer + float(of_shed[number % sheds] + rng.normal(0.0, rest_sd))
            made.append(Row(story(number, f"shed-{number % sheds}", month=7 if summer else 1, done=done)))
        (one,) = compared(made, "season", "completeness").differences
        truth = 2.0 if one.group == "June to August" else -2.0
        hit += one.estimated.low <= truth <= one.estimated.high
    return hit / times
