"""A small network in numpy: two layers, probabilities and quantiles together; for ``tests.bench.limit``.

Loss: cross-entropy for each yes-or-no head, pinball loss for the quantiles of one number (completeness). Trained by
Adam with decoupled weight decay and a falling step; the best epoch by a held-back tenth. Seeded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

F = NDArray[Any]
QUANTILES = np.array([0.025, 0.16, 0.5, 0.84, 0.975], dtype=np.float32)
PINBALL_WEIGHT = 8.0


def _silu(x: F) -> tuple[F, F]:
    s = 1 / (1 + np.exp(-np.clip(x, -30, 30)))
    return x * s, s * (1 + x * (1 - s))


@dataclass
class Net:
    """Heads: ``n_yes`` logits, then (if ``quantiles``) the five quantiles."""

    n_yes: int
    quantiles: bool = True
    hidden: tuple[int, int] = (160, 80)
    seed: int = 0
    weights: list[F] = field(default_factory=list)
    centre: F | None = None
    scale: F | None = None

    def _prepare(self, x: F) -> F:
        assert self.centre is not None and self.scale is not None
        z: F = (np.where(np.isfinite(x), x, self.centre) - self.centre) / self.scale
        return np.asarray(np.clip(z, -5, 5), dtype=np.float32)

    def _forward(self, z: F) -> tuple[Any, list[Any]]:
        w1, b1, w2, b2, w3, b3 = self.weights
        a1, g1 = _silu(z @ w1 + b1)
        a2, g2 = _silu(a1 @ w2 + b2)
        return a2 @ w3 + b3, [z, a1, g1, a2, g2]

    def _loss(self, out: F, yes: F, number: F) -> tuple[float, F]:
        n = len(out)
        grad = np.zeros_like(out)
        p = 1 / (1 + np.exp(-np.clip(out[:, : self.n_yes], -30, 30)))
        loss = -float(np.mean(np.sum(yes * np.log(p + 1e-7) + (1 - yes) * np.log(1 - p + 1e-7), axis=1)))
        grad[:, : self.n_yes] = (p - yes) / n
        if self.quantiles:
            e = number[:, None] - out[:, self.n_yes :]
            loss += PINBALL_WEIGHT * float(np.mean(np.sum(np.maximum(QUANTILES * e, (QUANTILES - 1) * e), axis=1)))
            grad[:, self.n_yes :] = PINBALL_WEIGHT * np.where(e > 0, -QUANTILES, 1 - QUANTILES) / n
        return loss, grad

    def fit(self, x: F, yes: F, number: F, groups: F,
            *, steps: int = 3000, size: int = 256, rate: float = 2e-3, decay: float = 0.02) -> Net:  # fmt: skip
        """``groups``: the tenth held back for choosing the epoch is a tenth of the groups (worlds)."""
        rng = np.random.default_rng(self.seed)
        self.centre = np.nan_to_num(np.nanmedian(x, axis=0)).astype(np.float32)
        spread = np.nanstd(x, axis=0)
        self.scale = np.where(np.isfinite(spread) & (spread > 1e-9), spread, 1.0).astype(np.float32)
        z, y, m = self._prepare(x), yes.astype(np.float32), number.astype(np.float32)
        ids = np.unique(groups)
        held = np.isin(groups, rng.choice(ids, max(1, len(ids) // 10), replace=False))
        zt, yt, mt = z[~held], y[~held], m[~held]
        zv, yv, mv = z[held], y[held], m[held]
        outs = self.n_yes + (len(QUANTILES) if self.quantiles else 0)
        shape = (z.shape[1], *self.hidden, outs)
        self.weights = []
        for a, b in pairwise(shape):
            self.weights += [rng.normal(0, a**-0.5, (a, b)).astype(np.float32), np.zeros(b, dtype=np.float32)]
        if self.quantiles:
            self.weights[-1][self.n_yes :] = np.quantile(m, QUANTILES)
        first = [np.zeros_like(w) for w in self.weights]
        second = [np.zeros_like(w) for w in self.weights]
        best, kept = np.inf, [w.copy() for w in self.weights]
        for k in range(1, steps + 1):
            pick = rng.integers(0, len(zt), size)
            out, (z0, a1, g1, a2, g2) = self._forward(zt[pick])
            _, d3 = self._loss(out, yt[pick], mt[pick])
            d2 = (d3 @ self.weights[4].T) * g2
            d1 = (d2 @ self.weights[2].T) * g1
            grads = [z0.T @ d1, d1.sum(0), a1.T @ d2, d2.sum(0), a2.T @ d3, d3.sum(0)]
            lr = rate * min(1.0, k / 200) * 0.5 * (1 + np.cos(np.pi * k / steps))
            for i, g in enumerate(grads):
                first[i] += 0.1 * (g - first[i])
                second[i] += 0.001 * (g * g - second[i])
                move = first[i] / (1 - 0.9**k) / (np.sqrt(second[i] / (1 - 0.999**k)) + 1e-8)
                self.weights[i] -= np.float32(lr) * (move + (np.float32(decay) * self.weights[i] if i % 2 == 0 else 0))
            if k % 250 == 0:
                now, _ = self._loss(self._forward(zv)[0], yv, mv)
                if now < best:
                    best, kept = now, [w.copy() for w in self.weights]
        self.weights = kept
        return self

    def predict(self, x: F) -> tuple[F, F]:
        """Probabilities (n, n_yes) and ordered quantiles (n, 5)."""
        out = self._forward(self._prepare(x))[0].astype(float)
        return 1 / (1 + np.exp(-np.clip(out[:, : self.n_yes], -30, 30))), np.sort(out[:, self.n_yes :], axis=1)
