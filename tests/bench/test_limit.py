"""The black box of ``tests.bench.limit`` can learn what is there, cannot learn what is not, and sees no future."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.limit import area, at_false_share
from tests.bench.limit_data import DUE_KINDS, EDGES, PROBES, many
from tests.bench.limit_features import filled
from tests.bench.limit_net import Net


def test_a_report_seed_is_refused() -> None:
    """Seeds from 1000 on are for reports; the limit never looks at one."""
    with pytest.raises(ValueError, match="reports"):
        many(1, 1000, None)


def test_the_area_is_that_of_counted_pairs() -> None:
    """Of the six pairs of (hit, other) three are in order."""
    score = np.array([3.0, 1.0, 5.0, 0.0, 2.0])
    hit = np.array([True, True, False, False, False])
    assert area(score, hit, ~hit) == pytest.approx(3 / 6)


def test_recall_is_counted_where_so_many_good_ones_ring() -> None:
    """With 2 of 100 good batches above the limit, the hits above it are the recall."""
    score = np.concatenate([np.arange(100.0), [97.5, 98.5, 50.0, 120.0]])
    good = np.arange(104) < 100
    recall, limit = at_false_share(score, ~good, good, 0.02)
    assert (score[good] > limit).sum() == 2
    assert recall == pytest.approx(3 / 4)


def test_gaps_are_closed_by_the_past_alone() -> None:
    """A gap shows the last reading before it, never one after it; only before the first reading the first stands."""
    seen = filled(np.array([[np.nan, 4.0, np.nan, 9.0]]))
    assert seen.tolist() == [[4.0, 4.0, 4.0, 9.0]]


def test_the_network_learns_a_law_and_its_width_but_no_noise() -> None:
    """Quantiles of y = x + noise of 0.3: the middle within 0.1, the width within a fifth; a coin stays a coin."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=(4000, 3))
    y = x[:, 0] + 0.3 * rng.normal(size=4000)
    coin = (rng.random(4000) < 0.5).astype(float)
    net = Net(1, hidden=(16, 8)).fit(x, coin[:, None], y, np.arange(4000) % 40, steps=1500)
    fresh = rng.normal(size=(500, 3))
    p, q = net.predict(fresh)
    assert np.mean(np.abs(q[:, 2] - fresh[:, 0])) < 0.1
    assert np.median((q[:, 3] - q[:, 1]) / 2) == pytest.approx(0.3, rel=0.2)
    assert np.mean(np.abs(p[:, 0] - 0.5)) < 0.1


@pytest.mark.slow
def test_a_chunk_holds_what_probes_show_and_what_came() -> None:
    """Nothing is read before the probe is in; a batch is good exactly when nothing was due."""
    data = many(6, 300, None)
    assert data["curve"].shape == (6, len(PROBES), len(EDGES) - 1)
    for i in range(6):
        early = np.flatnonzero(EDGES[:-1] < data["in_after_s"][i])
        assert np.isnan(data["curve"][i, 0, early]).all()
        due = any(np.isfinite(data[f"t_due_{k}"][i]) for k in DUE_KINDS)
        assert (data["t_good"][i] > 0) == (not due)
