"""One batch's estimator: readings and log entries in, an Estimate with its uncertainty out.

Bayesian in substance. A few discrete hypotheses (priors.COMPONENTS) share one forward model; each is refitted to the
thinned curve so far by damped Gauss-Newton on standardised parameters (maximum a posteriori), all of them and all
finite differences in one pass of the model. The Laplace evidence weighs the hypotheses, fixed quasi-random draws from
the Laplace posteriors are run on to the planned dilution, and every number of an Estimate is read off those draws.
Between refits nothing is fitted: the draws are looked up at the present time. Why so: README.md beside this file.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.domain import AMBIENT, PASTE_PROBES, Batch, Estimate, LogEntry, Place, Reading, Recipe, Vessel
from monitor.heat import model as m
from monitor.heat import priors
from monitor.heat.balance import SURFACE_A_W_M2_K, SURFACE_B_W_M2_K2, bucket_area_m2, bucket_size_m, core_time_s
from monitor.heat.fit import Whitener, low_discrepancy_normals
from monitor.heat.layers import layering
from monitor.heat.priors import History

Array = NDArray[np.float64]

_CAN_BE_WITHDRAWN = 2000  # newest readings of each probe that screening may still reject
_ASSUMED_BLEND_S = 600.0  # where no `blended` was noted: common practice, ten minutes of blending
_DRAWS = 96
_OUT_OF_RACE = 24.0  # in twice the log of the evidence: a weight of e^-12
_ROWS_MAX = m.FIXED + 12
_NORMALS = low_discrepancy_normals(_DRAWS, _ROWS_MAX)
_DIFFERENCE = 0.03  # of one prior sd
_SPLITS = np.array([c.name == "split" for c in priors.COMPONENTS], float)
_HANDLING = frozenset({"lid-off", "lid-on", "covered", "uncovered", "probe-out", "probe-in", "stirred", "looked"})
_LAYERS_UNTIL_S = 12 * 3600.0  # after that the probes tell nothing new of layers
_SLOW_CURVE_S = 900.0  # of cadence: from six hours on nothing hangs on the probe's lag
_LOOK_BACK_S = 60.0  # two points of the core between which the lagging probe is read
# (until this age after the latest blend, s between refits): the first hour decides, the last two days add little.
_CADENCE = ((1500.0, 60.0), (2400.0, 120.0), (5400.0, 300.0), (3 * 3600.0, 900.0), (6 * 3600.0, 3600.0),
            (24 * 3600.0, 3 * 3600.0), (np.inf, 8 * 3600.0))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Band:
    """5, 50 and 95 % of the core temperature, degrees Celsius, at Unix times ``time_s``."""

    time_s: Array
    low_c: Array
    median_c: Array
    high_c: Array


@dataclass(slots=True)
class _Minutes:
    """Minute means of one probe. Kept as sums, so that a reading can be withdrawn again; only what was put in can."""

    sums: dict[int, list[float]] = field(default_factory=dict)
    order: list[int] = field(default_factory=list)
    recent: dict[float, float] = field(default_factory=dict)  # time -> degrees of the newest readings, oldest first

    def add(self, time_s: float, value_c: float) -> None:
        if time_s in self.recent:
            return  # judged twice, or sent twice
        self.recent[time_s] = value_c
        if len(self.recent) > _CAN_BE_WITHDRAWN:
            del self.recent[next(iter(self.recent))]
        minute = int(time_s // 60.0)
        cell = self.sums.get(minute)
        if cell is None:
            cell = self.sums[minute] = [0.0, 0.0, 0.0]
            if not self.order or minute > self.order[-1]:
                self.order.append(minute)
            else:
                insort(self.order, minute)
        cell[0] += 1.0
        cell[1] += time_s
        cell[2] += value_c

    def remove(self, time_s: float) -> bool:
        """Take one reading out again; False where it never was in, as most rejected ones."""
        value_c = self.recent.pop(time_s, None)
        if value_c is None:
            return False
        cell = self.sums[int(time_s // 60.0)]
        cell[0] -= 1.0
        cell[1] -= time_s
        cell[2] -= value_c
        return True

    def arrays(self) -> tuple[Array, Array]:
        cells = [self.sums[k] for k in self.order]
        if not cells:
            return np.empty(0), np.empty(0)
        a = np.array(cells)
        a = a[a[:, 0] > 0.5]
        return a[:, 1] / a[:, 0], a[:, 2] / a[:, 0]


@dataclass(slots=True)
class _Layout:
    """What log and recipe say of the batch: the setting of the model and the priors' table."""

    pour_s: float
    setting: m.Setting
    centre: Array
    sd: Array
    extra_log_share: Array
    out: tuple[tuple[float, float], ...]  # intervals in which the paste probe is known to be out, Unix s
    assumed: tuple[str, ...]
    stop_s: float  # readings from here on belong to no reaction (diluted, filled)

    @property
    def lively_from_s(self) -> list[float]:
        """When the curve begins to move fast: the end of the blend, each re-blend and second pour, Unix s."""
        again = [self.pour_s + c.at_s for c in self.setting.changes if c.kind in ("reblend", "pour")]
        return [self.pour_s + self.setting.blended_s, *again]


@dataclass(frozen=True, slots=True)
class IfGood:
    """The draws of the good component: rows of the model (P, n), final completeness (n), and the prior of the rows."""

    x: Array
    final: Array
    centre: Array
    sd: Array
    mol_sd: float


@dataclass(slots=True)
class _Posterior:
    """Weighted draws and tables over a time grid, all read off at one time by ``estimate``."""

    made_s: float
    pour_s: float
    time_s: Array  # grid, since the pour
    core_c: Array
    weights: Array
    table: Array  # (n, len(_COLUMNS)) means, sds and probabilities at each grid time
    causes: dict[str, float]
    final: tuple[float, float]
    tau: tuple[float, float]
    peak: tuple[float, float]  # Unix s and degrees: highest core still expected, median
    probabilities: dict[str, float]  # those that do not depend on the present time
    if_good: IfGood | None = None


_COLUMNS = (
    "completeness", "completeness_sd", "heat_kj", "heat_sd", "self_k", "self_sd", "rate_w", "rate_sd", "mean_c",
    "mean_sd", "core_c", "core_sd", "too_hot", "too_hot_now", "cooled_early", "too_hot_at",
)  # fmt: skip
_INDEX = {name: i for i, name in enumerate(_COLUMNS)}


class Estimator:
    """Estimates one batch. Feed it in arrival order with ``update`` and ``note``; read it with ``estimate``.

    Nothing is read from a clock: ``estimate(now_s)`` is the only place where time passes, and a refit happens
    there when one is due. The same calls in the same order give the same numbers.
    """

    def __init__(self, batch: Batch, place: Place, history: History | None = None, *, budget: Any = None) -> None:
        if budget is None:
            from monitor.trade.recipe import heat_budget

            budget = heat_budget(batch.recipe, batch.vessel)
        self._batch, self._place, self._budget = batch, place, budget
        self._history = history or History()
        self._minutes: dict[str, _Minutes] = {}
        self._notes: list[LogEntry] = []
        self._layout: _Layout | None = None
        self._z: Array | None = None
        self._cost: Array | None = None
        self._posterior: _Posterior | None = None
        self._next_refit_s = -np.inf
        self._next_search_s = -np.inf
        self._seen_plunge_s = -np.inf
        self._fresh = False  # a reading has come since the last refit
        self._stale = True  # a log entry has come since the last refit
        self._latest: tuple[float, float] | None = None  # (time, degrees) of the newest core reading in the paste
        self._seen_peak: tuple[float, float] | None = None
        self._drawn: tuple[Array, Array] | None = None
        self._good: tuple[_Layout, Array, Array] | None = None
        self._layers_said = 0.0
        self.refits = 0  # counted, so that tests can bound the cost without a clock
        self.passes = 0

    # ---------------------------------------------------------------- feeding

    def update(self, reading: Reading) -> None:
        """Take a believed reading of any probe, in arrival order; its own time may lie hours back."""
        if reading.temperature_c is None or reading.state != "ok":
            return
        self._minutes.setdefault(reading.probe, _Minutes()).add(reading.time_s, reading.temperature_c)
        self._fresh = True

    def withdraw(self, reading: Reading) -> None:
        """Take back a reading that screening has rejected after all; one that never came in changes nothing."""
        if reading.probe in self._minutes and self._minutes[reading.probe].remove(reading.time_s):
            self._fresh = True

    def note(self, entry: LogEntry) -> None:
        """Take a log entry, known from now on whenever it happened. The next estimate refits."""
        self._notes.append(entry)
        self._notes.sort(key=lambda e: (e.at_s, e.noted_at_s, e.kind, e.entry_id))
        self._layout = None
        self._good = None
        self._stale = True

    def forget(self, entry_id: str) -> None:
        """Undo a log entry by its id."""
        self._notes = [e for e in self._notes if e.entry_id != entry_id]
        self._layout = None
        self._good = None
        self._stale = True

    def amended(self, recipe: Recipe, vessel: Vessel) -> Estimator:
        """The estimator of the same batch with its masses corrected: the curve and the log stay, all else is anew."""
        batch = replace(self._batch, recipe=recipe, vessel=vessel)
        fresh = Estimator(batch, self._place, self._history)
        fresh._minutes = self._minutes
        fresh._notes = self._notes
        fresh._seen_plunge_s = self._seen_plunge_s
        return fresh

    # ---------------------------------------------------------------- what is known

    @property
    def pour_s(self) -> float:
        """When the batch was poured as far as is known, Unix seconds."""
        return self._layout_now().pour_s

    @property
    def blended_s(self) -> float:
        """When the (first) blending ended as far as is known, Unix seconds."""
        layout = self._layout_now()
        return layout.pour_s + layout.setting.blended_s

    def _layout_now(self) -> _Layout:
        if self._layout is None:
            self._layout = self._lay_out()
        return self._layout

    def _lay_out(self) -> _Layout:
        batch, budget, history = self._batch, self._budget, self._history
        assumed: list[str] = list(getattr(budget, "assumed", ()))
        pours = [e for e in self._notes if e.kind == "poured"]
        blends = [e for e in self._notes if e.kind == "blended"]
        if pours:
            pour_s = pours[0].at_s
        else:
            pour_s = batch.started_s
            assumed.append("pour_time")
            if blends and blends[0].at_s - pour_s > 2400.0:
                pour_s = blends[0].at_s - _ASSUMED_BLEND_S
        blends = [e for e in blends if e.at_s >= pour_s - 60.0]
        if blends:
            blended_s = max(blends[0].at_s - pour_s, 60.0)
        else:
            blended_s = _ASSUMED_BLEND_S
            assumed.append("blend_time")

        mass_kg = float(budget.mass_kg)
        capacity_kj_k = float(budget.heat_capacity_start_kj_k)
        growth = max(float(budget.heat_capacity_end_kj_k) / capacity_kj_k - 1.0, 0.0)
        litres = float(budget.volume_l)
        brim = batch.vessel.litres
        if brim is None:
            assumed.append("vessel")
        brim = brim if brim is not None else 2.2 * litres
        area = bucket_area_m2(brim, litres)
        loss_sd = priors.LOSS_SD_LN if batch.vessel.litres is not None else priors.NO_LOSS_KNOWN_SD
        wrap_ln, wrap_sd = priors.INSULATION_LN.get(batch.vessel.insulation, (0.0, 0.0))
        rise_k = float(budget.limiting_mol) * priors.HEAT_KJ_MOL / capacity_kj_k

        # Rows that events add.
        rows = m.FIXED
        changes: list[m.Change] = []
        extra: list[tuple[int, float, float]] = []

        def row(centre: float, sd: float) -> int:
            nonlocal rows
            if rows >= _ROWS_MAX:
                return m.PROBE  # more events than anyone notes: the later ones go unfitted
            extra.append((rows, centre, sd))
            rows += 1
            return rows - 1

        wrapped_row: int | None = None
        wrapped = batch.vessel.insulation != "bare"
        out: list[tuple[float, float]] = []
        out_since: float | None = None
        stop_s = np.inf
        for entry in self._notes:
            at = entry.at_s - pour_s
            kind = entry.kind
            if kind == "probe-out":
                out_since = entry.at_s
            elif kind == "probe-in":
                out.append((out_since if out_since is not None else -np.inf, entry.at_s))
                out_since = None
            elif kind in ("diluted", "filled") or (kind == "water-added" and (entry.kg or 99.0) > 0.3 * mass_kg):
                stop_s = min(stop_s, entry.at_s)
            elif kind == "covered" and at > -1800.0:
                if not wrapped:
                    wrapped_row = row(priors.COVERED_LN, priors.COVERED_SD)
                    changes.append(m.Change(at, "cover", (wrapped_row,)))
                    wrapped = True
            elif kind == "uncovered":
                if wrapped:
                    off = (-wrap_ln, wrap_sd) if wrapped_row is None else (-priors.COVERED_LN, priors.COVERED_SD)
                    changes.append(m.Change(at, "cover", (row(off[0], max(off[1], 0.2)),)))
                    wrapped = False
            elif kind == "lid-off" and at > 0.0:
                changes.append(m.Change(at, "lid", (), priors.LID_OFF_EVAPORATION))
                changes.append(m.Change(at, "cover", (row(priors.LID_OFF_LN, priors.LID_OFF_SD),)))
            elif kind == "lid-on" and any(c.kind == "lid" and c.value > 1.0 for c in changes):
                changes.append(m.Change(at, "lid", (), 1.0 / priors.LID_OFF_EVAPORATION))
                changes.append(m.Change(at, "cover", (row(-priors.LID_OFF_LN, priors.LID_OFF_SD),)))
            elif kind == "reblended" or (kind == "blended" and entry not in blends[:1] and at > blended_s + 900.0):
                again = (row(*priors.REBLEND_RATE), row(*priors.REBLEND_REACH), row(*priors.REBLEND_WORK_K))
                changes.append(m.Change(at, "reblend", again))
            elif kind == "poured" and entry is not pours[0]:
                share = min(max((entry.kg or 0.0) / mass_kg, 0.0), 0.8)
                changes.append(m.Change(at, "pour", (row(*priors.SECOND_POUR_JUMP_K),), 1.0 - share))
        if out_since is not None:
            out.append((out_since, np.inf))

        centre, sd = priors.table(rows)
        extra_share = np.array([log(h.share) for h in priors.COMPONENTS])
        mol_sd = self._mol_sd()
        capacity_sd = float(getattr(budget, "heat_capacity_rel_sd", priors.CAPACITY_SD_LN))
        centre[:, m.HEAT] = history.heat_ln
        sd[:, m.HEAT] = sqrt(history.heat_sd**2 + mol_sd**2 + (0.0 if history.heat_batches else capacity_sd**2))
        of_this = (history.litres, history.insulation) == (batch.vessel.litres, batch.vessel.insulation)
        if history.loss_batches and of_this:
            centre[:, m.LOSS], sd[:, m.LOSS] = history.loss_ln, history.loss_sd
        else:
            centre[:, m.LOSS], sd[:, m.LOSS] = priors.LOSS_LN + wrap_ln, sqrt(loss_sd**2 + wrap_sd**2)
        if history.pace_batches:
            good = [i for i, h in enumerate(priors.COMPONENTS) if h.rate == priors.GOOD_RATE]
            centre[good, m.RATE], sd[good, m.RATE] = history.pace_ln, history.pace_sd
        noted = next((e.temperature_c for e in pours[:1] if e.temperature_c is not None), None)
        for i, h in enumerate(priors.COMPONENTS):
            usual = priors.START_GUESS[0] + h.start_shift[0]
            spread = h.start_shift[1] or priors.START_GUESS[1]
            if noted is None:
                centre[i, m.START], sd[i, m.START] = usual, spread
            else:
                both = spread**2 + priors.NOTED_START_SD_K**2
                extra_share[i] += -0.5 * (noted - usual) ** 2 / both - 0.5 * log(both)
                centre[i, m.START], sd[i, m.START] = noted, priors.NOTED_START_SD_K
        if noted is None:
            assumed.append("pour_temperature")
        blend_from_s = min(240.0, 0.35 * blended_s)
        work_k_w = (blended_s - blend_from_s) / (capacity_kj_k * 1000.0)
        centre[:, m.BLENDER], sd[:, m.BLENDER] = priors.BLENDER_W * work_k_w, priors.BLENDER_SD_W * work_k_w + 0.5
        for index, c, s in extra:
            centre[:, index], sd[:, index] = c, s

        setting = m.Setting(
            rise_k=rise_k,
            loss_per_s=area * SURFACE_A_W_M2_K / (capacity_kj_k * 1000.0),
            loss_slope_per_k=SURFACE_B_W_M2_K2 / SURFACE_A_W_M2_K,
            capacity_growth=growth,
            core_time_s=core_time_s(*bucket_size_m(brim, litres), priors.DIFFUSIVITY_M2_S),
            blended_s=blended_s,
            blend_from_s=blend_from_s,
            boiling_c=self._place.boiling_point_c,
            day_phase_s=pour_s % 86400.0,
            changes=tuple(changes),
        )
        return _Layout(pour_s, setting, centre, sd, extra_share, tuple(out), tuple(assumed), stop_s)

    # ---------------------------------------------------------------- the curve so far

    def _paste(self, layout: _Layout, air: tuple[Array, Array]) -> tuple[Array, Array, str]:
        """Minute means of the probe that stands for the core, while it was in the paste."""
        best: tuple[Array, Array, str] = (np.empty(0), np.empty(0), "core")
        for probe in PASTE_PROBES:
            kept = self._in_paste(probe, layout, air)
            # Another probe stands in for the core only where the core has next to nothing.
            if kept[0].size > (4 * best[0].size if best[0].size else 0):
                best = (kept[0], kept[1], probe)
                if probe == "core" and kept[0].size >= 3:
                    break
        return best

    def _in_paste(self, probe: str, layout: _Layout, air: tuple[Array, Array]) -> tuple[Array, Array]:
        minutes = self._minutes.get(probe)
        if minutes is None:
            return np.empty(0), np.empty(0)
        t, y = minutes.arrays()
        keep = (t >= layout.pour_s - 30.0) & (t < layout.stop_s)
        for since, until in layout.out:
            keep &= ~((t >= since) & (t <= until))
        t, y = t[keep], y[keep]
        if t.size == 0:
            return t, y
        air_t, air_y = air
        lively = layout.pour_s + layout.setting.blended_s
        if air_t.size:
            room = np.interp(t, air_t, air_y)
        else:  # the coldest it read about the time it was pushed in; the night after may be colder by far
            about = y[t < lively + 1800.0]
            room = np.full(t.size, min(float(about.min()) if about.size else 25.0, 25.0))
        # Before it is pushed in, a paste probe reads the air. It is in once it is clearly warmer and stays so.
        warm = (y > room + 9.0) | ((y > room + 4.0) & (t > lively + 300.0))
        start = 0
        if not warm.all():
            run = 0
            start = t.size
            for i in range(t.size):
                run = run + 1 if warm[i] else 0
                if run >= 2 or (run == 1 and (i == t.size - 1 or t[min(i + 1, t.size - 1)] - t[i] > 150.0)):
                    start = i - run + 1
                    break
                if t[i] > lively + 6.0 * 3600.0:
                    start = i if run else t.size
                    break
        # The minute of the plunge is half air; what the sheath still lacks after it is for `_plunges` to say.
        if 0 < start < t.size:
            self._seen_plunge_s = float(t[start])
            start += 1
        t, y = t[start:], y[start:]
        if t.size < 3:
            return t, y
        return self._without_lost(t, y, layout)

    def _layer_evidence(
        self, layout: _Layout, setting: m.Setting, air: tuple[Array, Array], core: tuple[Array, Array], now_s: float
    ) -> float:
        """ln of how much likelier top, bottom and the pace of the core are in a broken emulsion (layers.py)."""
        again = [layout.pour_s + c.at_s + 300.0 for c in setting.changes if c.kind == "reblend"]
        blended_s = max([layout.pour_s + setting.blended_s, *(at for at in again if at <= now_s)])
        if now_s - blended_s > _LAYERS_UNTIL_S:
            return self._layers_said
        wrap_ln, wrap_sd = priors.INSULATION_LN.get(self._batch.vessel.insulation, (0.0, 0.0))
        handled = [(e.at_s, e.at_s) for e in self._notes if e.kind in _HANDLING]
        said = layering(
            core, self._in_paste("top", layout, air), self._in_paste("bottom", layout, air), air,
            blended_s=blended_s, now_s=now_s, rise_k=setting.rise_k, loss_per_s=setting.loss_per_s,
            loss_ln=priors.LOSS_LN + wrap_ln, loss_ln_sd=sqrt(priors.LOSS_SD_LN**2 + wrap_sd**2),
            core_time_s=setting.core_time_s, handled=handled,
        )  # fmt: skip
        self._layers_said = said.log_ratio
        return said.log_ratio

    def _plunges(self) -> list[float]:
        """When a paste probe was pushed in, as noted or as seen, Unix s."""
        noted = [e.at_s + 30.0 for e in self._notes if e.kind == "probe-in"]
        return noted + ([self._seen_plunge_s] if np.isfinite(self._seen_plunge_s) else [])

    @staticmethod
    def _without_lost(t: Array, y: Array, layout: _Layout) -> tuple[Array, Array]:
        """Leave out stretches in which the probe must be lying out of the paste: a fall no paste can show."""
        drops = np.flatnonzero((y[:-1] - y[1:] > 7.0) & (t[1:] - t[:-1] < 400.0))
        if drops.size == 0:
            return t, y
        events = [layout.pour_s + c.at_s for c in layout.setting.changes if c.kind in ("reblend", "pour")]
        keep = np.ones(t.size, bool)
        for i in drops.tolist():
            if not keep[i] or any(-300.0 < t[i + 1] - e < 1200.0 for e in events):
                continue
            # Out until it is back within what cooling since then allows.
            back = np.flatnonzero(y[i + 1 :] > y[i] - 7.0 - 8e-4 * (t[i + 1 :] - t[i]) * 1.0)
            stop = i + 1 + int(back[0]) if back.size else t.size
            keep[i + 1 : stop] = False
        return t[keep], y[keep]

    def _air(self) -> tuple[Array, Array]:
        minutes = self._minutes.get(AMBIENT)
        if minutes is None:
            return np.empty(0), np.empty(0)
        t, y = minutes.arrays()
        if t.size > 40:
            # Ten-minute means: the batch cannot follow anything quicker.
            bins = (t // 600.0).astype(np.int64)
            _, start = np.unique(bins, return_index=True)
            count = np.diff(np.append(start, t.size))
            t, y = np.add.reduceat(t, start) / count, np.add.reduceat(y, start) / count
        return t, y

    def _in_the_air(self, layout: _Layout, air: tuple[Array, Array]) -> tuple[m.Setting, float]:
        """The setting in this air, and how sure the air is, K: as measured, as seen before the pour, or guessed."""
        if air[0].size:
            return _with_air(layout.setting, air[0] - layout.pour_s, air[1]), priors.AIR_OFFSET_SD_K
        before = self._air_before_pour(layout)
        level, spread = (before, 2.0) if before is not None else (priors.AIR_UNKNOWN_C, priors.AIR_UNKNOWN_SD_K)
        return _with_air(layout.setting, np.array([0.0]), np.array([level])), spread

    def _air_before_pour(self, layout: _Layout) -> float | None:
        """What the paste probe read while it still hung in the air, if it did."""
        minutes = self._minutes.get("core")
        if minutes is None:
            return None
        t, y = minutes.arrays()
        y = y[(t < layout.pour_s + layout.setting.blended_s) & (t > layout.pour_s - 3 * 3600.0)]
        if y.size < 2:
            return None
        low = float(np.sort(y)[: max(2, y.size // 3)].mean())
        return low if low < 33.0 else None

    @staticmethod
    def _thin(t: Array, y: Array, lively: Sequence[float]) -> tuple[Array, Array, Array]:
        """Means over spans that grow with the age, with how many minutes each holds."""
        edges: list[float] = [float(t[0]) - 1.0]
        ages = ((0.0, 60.0), (1500.0, 120.0), (3600.0, 240.0), (7200.0, 600.0), (6 * 3600.0, 1800.0),
                (12 * 3600.0, 7200.0))  # fmt: skip
        end = float(t[-1])
        while edges[-1] <= end:
            since = min((abs(edges[-1] - at) if edges[-1] > at - 1200.0 else 9e9) for at in lively)
            span = next(s for a, s in reversed(ages) if since >= a)
            edges.append(edges[-1] + span)
        group = np.searchsorted(np.array(edges), t, side="right")
        _, start = np.unique(group, return_index=True)
        count = np.diff(np.append(start, t.size))
        return np.add.reduceat(t, start) / count, np.add.reduceat(y, start) / count, count.astype(float)

    # ---------------------------------------------------------------- refit

    def is_due(self, now_s: float, *, more: bool = False) -> bool:
        """Whether ``estimate(now_s)`` would fit anew; ``more``: once readings that wait elsewhere have been fed."""
        if self._stale or self._posterior is None:
            return True
        return (self._fresh or more) and now_s >= self._next_refit_s

    def _cadence_s(self, now_s: float) -> float:
        age = min((now_s - at for at in self._layout_now().lively_from_s if at <= now_s), default=-1.0)
        if age < 0.0:
            return 300.0
        return next(span for until, span in _CADENCE if age < until)

    def _refit(self, now_s: float) -> None:
        layout = self._layout_now()
        air = self._air()
        t, y, probe = self._paste(layout, air)
        keep = t <= now_s
        t, y = t[keep], y[keep]
        self._latest = (float(t[-1]), float(y[-3:].mean())) if t.size else None
        if t.size:
            top = int(np.argmax(y))
            self._seen_peak = (float(y[top]), float(t[top]))
        else:
            self._seen_peak = None

        centre, sd = layout.centre.copy(), layout.sd.copy()
        assumed = list(layout.assumed)
        setting, sd[:, m.AIR] = self._in_the_air(layout, air)
        if not air[0].size:
            assumed.append("no_ambient")
            sd[:, m.DAY_SIN] = sd[:, m.DAY_COS] = priors.AIR_SWING_SD_K
        if probe == "wall":
            centre[:, m.SPREAD], sd[:, m.SPREAD] = log(0.05), 0.8  # the wall runs near or under the mean
        components = centre.shape[0]
        if self._z is not None and self._cadence_s(now_s) > _SLOW_CURVE_S:
            # The curve is slow by now: the probe's lag is as known as it will be, and costs a column no more.
            centre[:, m.LAG] += sd[:, m.LAG] * self._z[:, m.LAG]
            sd[:, m.LAG] = 0.0
        active = np.flatnonzero(sd.max(0) > 0.0)
        if self._z is None or self._z.shape != (components, centre.shape[1]):
            old = self._z
            self._z = np.zeros((components, centre.shape[1]))
            self._cost = None
            if old is not None:
                rows = min(old.shape[1], m.FIXED)
                self._z[:, :rows] = old[:, :rows]

        weights = np.exp(layout.extra_log_share - layout.extra_log_share.max())
        weights /= weights.sum()
        precision = np.broadcast_to(np.eye(active.size), (components, active.size, active.size)).copy()
        z = self._z
        if t.size >= 2:
            t_thin, y_thin, count = self._thin(t, y, layout.lively_from_s)
            ages = t_thin - layout.pour_s
            room = np.interp(ages, setting.air_time_s, setting.air_c)
            excess = np.abs(y_thin - room)
            wander = priors.WANDER_K + priors.WANDER_PER_EXCESS * excess
            # What sun and draught do to the air, and what one lump does not know of a cooling cylinder, comes in late.
            unsure_k = priors.AIR_WANDER_K if air[0].size else priors.AIR_UNKNOWN_WANDER_K
            wander = wander + unsure_k * np.square(np.expm1(-np.maximum(ages, 0.0) / priors.AIR_REACHES_S))
            noise = priors.NOISE_K / np.sqrt(np.minimum(count, 4.0)) + 0.05
            plunges = [at - layout.pour_s for at in self._plunges()]
            for plunged in plunges:
                noise = noise + priors.PLUNGE_UNSURE * excess * _lacking(ages - plunged, 60.0)
            whiten = Whitener(np.log(ages + 600.0), noise, wander, priors.WANDER_LENGTH)
            fitter = _Fitter(setting, centre, sd, active, ages, y_thin, whiten, room, plunges)
            afresh = now_s >= self._next_search_s
            z, cost, precision, used = fitter.settle(z, 8 if self._stale else 3, self._cost)
            if afresh:
                # The search may sit in the wrong valley: look again from a fixed set of starts, keep what fits better.
                other = fitter.settle(fitter.best_start(z), 12)
                better = other[1] < cost
                z = np.where(better[:, None], other[0], z)
                cost = np.where(better, other[1], cost)
                precision = np.where(better[:, None, None], other[2], precision)
                used += other[3] + 1
                age = max(now_s - layout.pour_s - setting.blended_s, 300.0)
                self._next_search_s = now_s + age * (1.0 if age < 3 * 3600.0 else 2.0) if age < 1e5 else np.inf
            self.passes += used
            _, log_det = np.linalg.slogdet(precision)
            evidence = layout.extra_log_share - 0.5 * cost - 0.5 * log_det
            if probe == "core":
                evidence = evidence + _SPLITS * self._layer_evidence(layout, setting, air, (t, y), now_s)
            weights = np.exp(evidence - evidence.max())
            weights /= weights.sum()
            self._z = z
            self._cost, self._weights = cost, weights
            self._x = centre + sd * z
            self._setting = setting
        self.refits += 1
        if self._stale or self._moved(z, active, weights, precision, now_s):
            self._posterior = self._draw(now_s, layout, setting, centre, sd, active, z, weights, precision)
            self._drawn = (z, weights)
        self._assumed = tuple(dict.fromkeys(assumed))
        self._fresh = self._stale = False
        self._next_refit_s = now_s + self._cadence_s(now_s)

    def _moved(
        self, z: Array, active: NDArray[np.intp], weights: Array, precision: Array, now_s: float
    ) -> bool:
        """Whether the posterior has moved since the draws were made by more than a fifth of its own width."""
        p = self._posterior
        if p is None or self._drawn is None or self._drawn[0].shape != z.shape or now_s - p.made_s > 6 * 3600.0:
            return True
        if now_s - p.pour_s + 1800.0 > float(p.time_s[-1]):
            return True
        old_z, old_weights = self._drawn
        if np.abs(weights - old_weights).max() > 0.02:
            return True
        step = (z - old_z)[weights > 0.02][:, active]
        if step.size == 0:
            return True
        shift = np.einsum("kp,kpq,kq->k", step, precision[weights > 0.02], step)
        return bool(shift.max() > 0.04 * active.size)

    def _draw(  # noqa: PLR0917
        self,
        now_s: float,
        layout: _Layout,
        setting: m.Setting,
        centre: Array,
        sd: Array,
        active: NDArray[np.intp],
        z: Array,
        weights: Array,
        precision: Array,
    ) -> _Posterior:
        """Run fixed quasi-random draws from the mixture of Laplace posteriors to the planned dilution."""
        kept = [int(i) for i in np.flatnonzero(weights > 0.01)]
        # Fewer draws than twice the directions cannot show the spread of all of them.
        counts = [min(max(2 * active.size, round(_DRAWS * float(weights[i]))), _DRAWS) for i in kept]
        columns, column_weight, column_kind = [], [], []
        for i, count in zip(kept, counts, strict=True):
            factor = np.linalg.cholesky(precision[i])
            normals = _whitened(_NORMALS[:count, : active.size])
            steps = np.linalg.solve(factor.T, normals.T)
            x = np.repeat((centre[i] + sd[i] * z[i])[:, None], count, axis=1)
            x[active] += sd[i][active][:, None] * steps
            columns.append(x)
            column_weight.append(np.full(count, weights[i] / count))
            column_kind.append(np.full(count, i))
        x = np.concatenate(columns, axis=1)
        w = np.concatenate(column_weight)
        w = w / w.sum()
        kind = np.concatenate(column_kind)
        end = max(self._batch.planned_dilution_s, now_s - layout.pour_s + 3600.0)
        paths = m.run(setting, x, end, coarse=1.5)
        posterior = _tabulate(self, now_s, layout, setting, paths, x, w, kind)
        good = kind == 0
        if good.any():
            planned = min(self._batch.planned_dilution_s, float(paths.time_s[-1]))
            final = m.at_times(paths.time_s, paths.reacted, np.array([planned]))[0]
            posterior.if_good = IfGood(x[:, good], final[good], centre[0], sd[0], self._mol_sd())
        return posterior

    def _mol_sd(self) -> float:
        return min(float(self._budget.limiting_mol_sd) / max(float(self._budget.limiting_mol), 1e-9), 0.25)

    @property
    def if_good(self) -> IfGood | None:
        """What the curve says of heat, loss and pace, had this been a good batch; None where that is ruled out."""
        return None if self._posterior is None else self._posterior.if_good

    @property
    def cover_changes(self) -> int:
        """How often lid or cover were changed, as noted: what was learned of the loss is then of neither."""
        return sum(change.kind == "cover" for change in self._layout_now().setting.changes)

    # ---------------------------------------------------------------- reading

    def estimate(self, now_s: float) -> Estimate:
        """What the curve so far says at ``now_s`` (Unix seconds). Refits when one is due, else looks up."""
        if self.is_due(now_s):
            self._refit(now_s)
        return self.as_fitted(now_s)

    def as_fitted(self, now_s: float) -> Estimate:
        """What the last fit says of ``now_s``, due or not: for somebody who cannot wait. Fits only where none was."""
        if self._posterior is None:
            self._refit(now_s)
        p = self._posterior
        assert p is not None
        age = now_s - p.pour_s
        values = _row_at(p.time_s, p.table, age)
        get = {name: float(values[i]) for name, i in _INDEX.items()}
        core = get["core_c"]
        if self._latest is not None and now_s - self._latest[0] < 600.0:
            core = self._latest[1]
        peak_c, peak_at = p.peak[1], p.peak[0]
        if self._seen_peak is not None and self._seen_peak[0] >= peak_c:
            peak_c, peak_at = self._seen_peak
        probabilities = dict(p.probabilities)
        for name in ("too_hot", "too_hot_now", "cooled_early"):
            probabilities[name] = min(max(get[name], 0.0), 1.0)
        too_hot_at = get["too_hot_at"]
        return Estimate(
            at_s=now_s,
            completeness=get["completeness"],
            completeness_sd=get["completeness_sd"],
            final_completeness=p.final[0],
            final_completeness_sd=p.final[1],
            self_heating_k=get["self_k"],
            self_heating_sd_k=get["self_sd"],
            heat_released_kj=get["heat_kj"],
            heat_released_sd_kj=get["heat_sd"],
            heat_rate_w=get["rate_w"],
            heat_rate_sd_w=get["rate_sd"],
            cooling_time_constant_s=p.tau[0],
            cooling_time_constant_sd_s=p.tau[1],
            mean_temperature_c=get["mean_c"],
            mean_temperature_sd_c=get["mean_sd"],
            core_temperature_c=core,
            peak_c=peak_c,
            peak_at_s=peak_at,
            probabilities=probabilities,
            causes=dict(p.causes),
            too_hot_in_s=max(too_hot_at - age, 0.0) if np.isfinite(too_hot_at) and get["too_hot"] > 0.05 else None,
            assumed=self._assumed,
        )

    def forecast(self, hours: Sequence[float]) -> Band:
        """Median and 5-95 % of the core, so many hours after the last refit's time, from the posterior."""
        p = self._posterior
        if p is None:
            raise ValueError("No estimate has been made yet: call estimate(now_s) before forecast.")
        at = p.made_s - p.pour_s + 3600.0 * np.asarray(hours, float)
        core = m.at_times(p.time_s, p.core_c, at)
        low, mid, high = _weighted_quantiles(core, p.weights, (0.05, 0.5, 0.95))
        return Band(p.pour_s + at, low, mid, high)

    def band(self, times_s: Sequence[float] | Array) -> Band:
        """Where a good batch of this recipe and vessel should run in this air: the prior, not this curve."""
        grid, core = self._good_paths()
        at = np.asarray(times_s, float) - self._layout_now().pour_s
        low, mid, high = _weighted_quantiles(
            m.at_times(grid, core, at), np.full(core.shape[1], 1.0 / core.shape[1]), (0.05, 0.5, 0.95)
        )
        return Band(np.asarray(times_s, float), low, mid, high)

    def good_now(self, now_s: float) -> tuple[float, float]:
        """The range (5 to 95 %) in which the core of a good batch stands at this age, degrees Celsius."""
        band = self.band([now_s])
        return float(band.low_c[0]), float(band.high_c[0])

    def good_peak(self) -> tuple[float, float, float]:
        """5, 50 and 95 % of the highest core temperature of a good batch, °C, whenever each of them has it."""
        _, core = self._good_paths()
        peaks = core.max(axis=0)[None, :]
        edges = _weighted_quantiles(peaks, np.full(core.shape[1], 1.0 / core.shape[1]), (0.05, 0.5, 0.95))
        low, mid, high = (float(edge[0]) for edge in edges)
        return low, mid, high

    def _good_paths(self) -> tuple[Array, Array]:
        layout = self._layout_now()
        if self._good is not None and self._good[0] is layout:
            return self._good[1], self._good[2]
        centre, sd = layout.centre[0].copy(), layout.sd[0].copy()
        setting, sd[m.AIR] = self._in_the_air(layout, self._air())
        x = centre[:, None] + sd[:, None] * _NORMALS[:64, : centre.size].T
        paths = m.run(setting, x, self._batch.planned_dilution_s, coarse=1.5)
        self._good = (layout, paths.time_s, paths.core_c)
        return self._good[1], self._good[2]


class _Fitter:
    """Damped Gauss-Newton on standardised parameters, every hypothesis and every difference in one pass."""

    def __init__(  # noqa: PLR0917
        self,
        setting: m.Setting,
        centre: Array,
        sd: Array,
        active: NDArray[np.intp],
        ages: Array,
        y: Array,
        whiten: Whitener,
        room: Array,
        plunges: Sequence[float],
    ) -> None:
        self._setting, self._centre, self._sd, self._active = setting, centre, sd, active
        self._ages, self._y, self._whiten = ages, y, whiten
        self._end_s = max(float(ages[-1]), setting.blended_s, 60.0)
        self._room, self._plunges = room, plunges

    def predicted(self, x: Array) -> Array:
        """What the probe would show at the thinned times, for each column: late by its lag, cold since the plunge."""
        paths = m.run(self._setting, x, self._end_s)
        core = m.at_times(paths.time_s, paths.core_c, self._ages)
        before = m.at_times(paths.time_s, paths.core_c, np.maximum(self._ages - _LOOK_BACK_S, 0.0))
        lag_s = np.exp(np.clip(x[m.LAG], 1.0, 6.0))
        shown = core + (before - core) * (lag_s / _LOOK_BACK_S)
        for plunged in self._plunges:
            shown -= np.maximum(core - self._room[:, None], 0.0) * _lacking((self._ages - plunged)[:, None], lag_s)
        return np.asarray(shown + x[m.PROBE], float)

    def best_start(self, z: Array) -> Array:
        """The best of a fixed set of starts for each component: where the mix began, how fast it reacts, how soon."""
        components = z.shape[0]
        grid = [(a, b, c) for a in (-2.0, -0.7, 0.7) for b in (-1.6, 0.0, 1.6) for c in (-1.0, 1.0)]
        all_z = np.zeros((components, len(grid), z.shape[1]))
        for i, (start, rate, seed) in enumerate(grid):
            all_z[:, i, m.START], all_z[:, i, m.RATE], all_z[:, i, m.SEED] = start, rate, seed
        x = (self._centre[:, None, :] + self._sd[:, None, :] * all_z).reshape(-1, z.shape[1]).T
        misfit = self._misfit(x)
        cost = np.square(misfit).sum(0).reshape(components, -1) + np.square(all_z).sum(2)
        best = np.argmin(np.where(np.isfinite(cost), cost, np.inf), axis=1)
        return np.asarray(all_z[np.arange(components), best], float)

    def _misfit(self, x: Array) -> Array:
        return np.asarray(self._whiten.matrix @ (self._y[:, None] - self.predicted(np.ascontiguousarray(x))), float)

    def _pass(
        self, z: Array, which: NDArray[np.intp], onlookers: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """One run of the model: cost, whitened residual (K, n) and Jacobian (K, n, P) of ``which`` at their ``z``.

        Columns of natural parameters in ``onlookers`` run along; the sum of squares of each comes last.
        """
        components, rows = z.shape
        moved = self._active[self._active != m.PROBE]  # the probe's offset adds to every reading: no run needed
        stacked = np.repeat(z[:, None, :], moved.size + 1, axis=1)
        stacked[:, np.arange(1, moved.size + 1), moved] += _DIFFERENCE
        x = (self._centre[which, None, :] + self._sd[which, None, :] * stacked).reshape(-1, rows).T
        own = x.shape[1]
        if onlookers is not None and onlookers.size:
            x = np.concatenate([x, onlookers], axis=1)
        misfit = self._misfit(x)
        watched = np.square(misfit[:, own:]).sum(0)
        misfit = misfit[:, :own].T.reshape(components, moved.size + 1, -1)
        r = misfit[:, 0]
        j = np.empty((components, self._active.size, r.shape[1]))
        j[:, self._active != m.PROBE] = (misfit[:, 1:] - r[:, None, :]) / _DIFFERENCE
        j[:, self._active == m.PROBE] = -self._sd[which, m.PROBE][:, None, None] * self._whiten.matrix.sum(1)
        cost = np.square(r).sum(1) + np.square(z).sum(1)
        return cost, r, j, watched

    def settle(self, z: Array, limit: int, cost_before: Array | None = None) -> tuple[Array, Array, Array, int]:
        """Iterate; returns z, cost, posterior precision (in z) and how many passes were run.

        With ``cost_before`` (of the last refit) only components still in the race are moved; of the others the cost
        is looked up at the ``z`` they had.
        """
        active = self._active
        everyone = np.arange(z.shape[0])
        racing = everyone
        out_cost = np.full(z.shape[0], np.inf)
        onlookers = None
        if cost_before is not None:
            ahead = cost_before - cost_before.min() < _OUT_OF_RACE
            racing, rest = np.flatnonzero(ahead), np.flatnonzero(~ahead)
            onlookers = (self._centre[rest] + self._sd[rest] * z[rest]).T
        z, all_z = z[racing].copy(), z.copy()
        cost, r, j, watched = self._pass(z, racing, onlookers)
        used = 1
        if onlookers is not None and rest.size:
            out_cost[rest] = watched + np.square(all_z[rest]).sum(1)
            if out_cost[rest].min() < cost.min() + _OUT_OF_RACE / 2.0:
                racing = everyone  # the race has turned
                z = all_z.copy()
                cost, r, j, _ = self._pass(z, racing)
                used += 1
        damping = np.full(racing.size, 1e-2)
        eye = np.eye(active.size)
        for _ in range(limit):
            normal = np.einsum("kpn,kqn->kpq", j, j) + eye
            gradient = np.einsum("kpn,kn->kp", j, r) + z[:, active]
            step = -np.linalg.solve(normal + damping[:, None, None] * eye * 20.0, gradient[:, :, None])[:, :, 0]
            # No parameter leaves where the linear picture holds in one go.
            biggest = np.abs(step).max(1)
            step *= np.minimum(1.0, 1.5 / np.maximum(biggest, 1e-12))[:, None]
            # What the linear picture promises; components far out of the race need no polish.
            promised = -np.einsum("kp,kp->k", step, gradient)
            behind = cost - cost.min() > _OUT_OF_RACE
            if np.all((promised < 0.25) | (behind & (promised < 4.0))):
                break
            trial = z.copy()
            trial[:, active] += step
            trial[:, active] = np.clip(trial[:, active], -6.0, 6.0)
            t_cost, t_r, t_j, _ = self._pass(trial, racing)
            used += 1
            better = np.isfinite(t_cost) & (t_cost < cost)
            fell = np.where(better, cost - t_cost, 0.0)
            z = np.where(better[:, None], trial, z)
            cost = np.where(better, t_cost, cost)
            r = np.where(better[:, None], t_r, r)
            j = np.where(better[:, None, None], t_j, j)
            damping = np.where(better, damping * 0.2, damping * 10.0)
            if np.all(np.where(better, fell < 0.1, biggest < 0.05)):
                break
        all_z[racing] = z
        out_cost[racing] = cost
        normal = np.broadcast_to(eye, (everyone.size, active.size, active.size)).copy()
        normal[racing] += np.einsum("kpn,kqn->kpq", j, j)
        return all_z, out_cost, normal, used


def _lacking(since_s: Array, lag_s: Array | float) -> Array:
    """Share of the step that a probe pushed in ``since_s`` ago still lacks, as the mean over a minute."""
    half = 30.0 / np.maximum(lag_s, 5.0)
    share = np.exp(-np.maximum(since_s, 0.0) / lag_s) * np.sinh(half) / half
    return np.asarray(np.where(since_s > -120.0, np.minimum(share, 1.0), 0.0), float)


def _with_air(setting: m.Setting, time_s: Array, air_c: Array) -> m.Setting:
    from dataclasses import replace

    if time_s.size > 1:
        # Beyond the last reading: tomorrow as today, where a day has been seen, else the last value.
        last = float(time_s[-1])
        ahead = np.arange(1, 73) * 3600.0 + last
        if last - float(time_s[0]) >= 20 * 3600.0:
            back = ahead - 86400.0 * np.ceil((ahead - last) / 86400.0)
            future = np.interp(back, time_s, air_c)
        else:
            future = np.full(ahead.size, float(air_c[-6:].mean()))
        time_s, air_c = np.concatenate([time_s, ahead]), np.concatenate([air_c, future])
    return replace(setting, air_time_s=time_s, air_c=air_c)


def _whitened(normals: Array) -> Array:
    """The points with mean 0 and covariance 1 exactly, in every direction."""
    centred = normals - normals.mean(0)
    factor = np.linalg.cholesky(centred.T @ centred / len(centred))
    return np.asarray(np.linalg.solve(factor, centred.T).T, float)


def _row_at(time_s: Array, table: Array, age_s: float) -> Array:
    i = int(np.clip(np.searchsorted(time_s, age_s, side="right") - 1, 0, time_s.size - 2))
    share = min(max((age_s - time_s[i]) / (time_s[i + 1] - time_s[i]), 0.0), 1.0)
    with np.errstate(invalid="ignore"):
        return np.asarray(table[i] * (1.0 - share) + table[i + 1] * share, float)


def _weighted_quantiles(values: Array, weights: Array, shares: Sequence[float]) -> tuple[Array, ...]:
    order = np.argsort(values, axis=1, kind="stable")
    ranked = np.take_along_axis(values, order, axis=1)
    heap = np.cumsum(weights[order], axis=1)
    out = []
    for share in shares:
        where = np.minimum((heap < share * heap[:, -1:]).sum(1), values.shape[1] - 1)
        out.append(ranked[np.arange(values.shape[0]), where])
    return tuple(out)


def _tabulate(  # noqa: PLR0917
    estimator: Estimator,
    now_s: float,
    layout: _Layout,
    setting: m.Setting,
    paths: m.Paths,
    x: Array,
    w: Array,
    kind: Array,
) -> _Posterior:
    """Means, sds and probabilities at every grid time; after this ``estimate`` only looks up."""
    place, budget = estimator._place, estimator._budget
    grid, core = paths.time_s, paths.core_c
    capacity = float(budget.heat_capacity_start_kj_k)
    rise = setting.rise_k * np.exp(x[m.HEAT])
    table = np.empty((grid.size, len(_COLUMNS)))

    def put(name: str, values: Array) -> None:
        mean = values @ w
        table[:, _INDEX[name]] = mean
        spread = {"completeness": "completeness_sd", "heat_kj": "heat_sd", "self_k": "self_sd", "rate_w": "rate_sd",
                  "mean_c": "mean_sd", "core_c": "core_sd"}[name]  # fmt: skip
        table[:, _INDEX[spread]] = np.sqrt(np.maximum(np.square(values - mean[:, None]) @ w, 0.0))

    heat = paths.reacted * (rise * capacity)
    put("completeness", paths.reacted)
    # The median errs least where two peaks stand apart; the spread stays that of the whole posterior.
    (table[:, _INDEX["completeness"]],) = _weighted_quantiles(paths.reacted, w, (0.5,))
    spread = table[:, _INDEX["completeness_sd"]]
    table[:, _INDEX["completeness_sd"]] = np.hypot(spread, priors.form_error(table[:, _INDEX["completeness"]]))
    put("heat_kj", heat)
    put("self_k", paths.reacted * rise / (1.0 + 0.5 * setting.capacity_growth * paths.reacted))
    put("rate_w", paths.rate_per_s * (rise * capacity * 1000.0))
    put("mean_c", paths.mean_c)
    put("core_c", core)

    # The hottest place is not quite where the probe sits. After blending only: lye before it may be hotter.
    hottest = core + 0.05 * paths.excess_k + 0.2
    after = grid >= setting.blended_s
    limit = place.too_hot_c
    hot = (hottest > limit) & after[:, None]
    coming = np.flip(np.maximum.accumulate(np.flip(hot, 0), 0), 0)
    table[:, _INDEX["too_hot"]] = coming @ w
    table[:, _INDEX["too_hot_now"]] = hot @ w
    # When the first of them passes, seen from each time on: the median over those that will.
    first = np.full(hot.shape, np.inf)
    upcoming = np.full(hot.shape[1], np.inf)
    for i in range(grid.size - 1, -1, -1):
        upcoming = np.where(hot[i], grid[i], upcoming)
        first[i] = upcoming
    will = np.isfinite(first)
    big = np.where(will, first, 1e12)
    ranked_w = np.where(will, w[None, :], 0.0)
    order = np.argsort(big, axis=1, kind="stable")
    heap = np.cumsum(np.take_along_axis(ranked_w, order, 1), axis=1)
    where = np.minimum((heap < 0.5 * heap[:, -1:]).sum(1), big.shape[1] - 1)
    median_at = np.take_along_axis(big, order, 1)[np.arange(grid.size), where]
    table[:, _INDEX["too_hot_at"]] = np.where(median_at > 1e11, np.nan, median_at)

    # Cold before it is done: from when the core stays under 45 degC to the end, less than 0.85 has reacted. Under 45
    # before the first warming is merely a cold start.
    stays = np.flip(np.logical_and.accumulate(np.flip(core < 45.0, 0), 0), 0) & after[:, None]
    onset = np.argmax(stays, axis=0)
    too_early = stays.any(0) & (paths.reacted[onset, np.arange(onset.size)] < 0.85)
    table[:, _INDEX["cooled_early"]] = float(too_early @ w)

    planned = min(estimator._batch.planned_dilution_s, float(grid[-1]))
    last = m.at_times(grid, paths.reacted, np.array([planned]))[0]
    final = float(_weighted_quantiles(last[None, :], w, (0.5,))[0][0])
    final_sd = float(np.sqrt(np.square(last - final) @ w + priors.form_error(final) ** 2))
    names = np.array([priors.COMPONENTS[int(i)].name for i in kind])
    causes = {name: float(w[names == name].sum()) for name in priors.NAMES}
    short = names == "short_potash"
    poor = (names == "poor_blend") | (names == "split") | (names == "cold")
    reach = np.where(short, np.clip(x[m.REACH], 0.05, 1.0), 1.0)
    tau = (1.0 + setting.capacity_growth * last) / (
        setting.loss_per_s * np.exp(x[m.LOSS]) * (1.0 + setting.loss_slope_per_k * 30.0)
    )
    tau_mean = float(tau @ w)
    from_now = grid >= now_s - layout.pour_s - 1.0
    future = core[from_now] if from_now.any() else core[-1:]
    (median,) = _weighted_quantiles(future, w, (0.5,))
    top = int(np.argmax(median))
    peak_at = layout.pour_s + float((grid[from_now] if from_now.any() else grid[-1:])[top])
    probabilities = {
        "took": float(w[last >= 0.85 * reach].sum()),
        "final_below_085": float(w[last < 0.85].sum()),
        "final_below_090": float(w[last < 0.90].sum()),
        "separated": float(w[(names == "split") & (last < 0.85)].sum()),
        "reblend_helps": float(w[poor & (last < 0.88)].sum()),
    }
    return _Posterior(
        made_s=now_s,
        pour_s=layout.pour_s,
        time_s=grid,
        core_c=core,
        weights=w,
        table=table,
        causes=causes,
        final=(final, final_sd),
        tau=(tau_mean, float(np.sqrt(max(np.square(tau - tau_mean) @ w, 0.0)))),
        peak=(peak_at, float(median[top])),
        probabilities=probabilities,
    )
