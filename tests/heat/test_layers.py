"""Evidence for layers, on curves made by hand: one lump with a rate law, ends that lag or leave it. No simulator."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.heat.layers import Curve, Layering, layering

START, RISE, LOSS = 1.8e9, 45.0, 7e-5
AIR_C = 12.0


def core_curve(
    *, rate: float, reach: float, creep: float = 2e-6, breaks_s: float = 9e9, tau_s: float = 300.0, hours: float = 4.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Minutes, core and fraction reacted: autocatalysis with Arrhenius warmth; a break takes it down with ``tau_s``."""
    t = np.arange(0.0, hours * 3600.0, 20.0)
    y, x = np.empty(t.size), np.empty(t.size)
    y[0], x[0] = 50.0, 0.03
    for i in range(1, t.size):
        warm = np.exp(5773.0 * (1 / 333.15 - 1 / (y[i - 1] + 273.15)))
        left = max(1 - x[i - 1] / reach, 0.0)
        going = np.exp(-max(t[i] - breaks_s, 0.0) / tau_s)
        dx = (rate * warm * (x[i - 1] + 0.06) * left**1.5 + creep * warm * (0.97 - x[i - 1])) * going * 20.0
        theta = y[i - 1] - AIR_C
        x[i] = x[i - 1] + dx
        y[i] = y[i - 1] + RISE * dx - 20.0 * 0.9 * LOSS * (1 + 0.0084 * theta) * theta
    return t[::3], y[::3], x[::3]


def judged(  # noqa: PLR0917
    t: np.ndarray, core: np.ndarray, top: np.ndarray | None = None, bottom: np.ndarray | None = None,
    handled: tuple[tuple[float, float], ...] = (), ambient: bool = True,
) -> Layering:  # fmt: skip
    rng = np.random.default_rng(3)

    def curve(y: np.ndarray | None, offset_k: float) -> Curve | None:
        return None if y is None else (START + t, y + offset_k + rng.normal(0.0, 0.05, t.size))

    air = (START + t, np.full(t.size, AIR_C + 0.8)) if ambient else None
    own = curve(core, 0.5)
    assert own is not None
    return layering(
        own, curve(top, -0.4), curve(bottom, 0.9), air, blended_s=START - 120.0, now_s=START + float(t[-1]),
        rise_k=RISE, loss_per_s=LOSS, handled=tuple((START + a, START + b) for a, b in handled),
    )  # fmt: skip


def cool_ends(t: np.ndarray, core: np.ndarray, share: float = 0.2) -> tuple[np.ndarray, np.ndarray]:
    """Top and bottom of a paste that sets in an hour or so: below the core by a share of its warmth."""
    growing = -np.expm1(-t / 4000.0)
    return core - (0.01 + share * growing) * (core - AIR_C), core - (0.01 + 0.4 * share * growing) * (core - AIR_C)


def test_a_warm_layer_between_probes_speaks_for_a_split() -> None:
    """A top that runs 5 K above the core for half an hour is strong evidence, and is named."""
    t, core, _ = core_curve(rate=2.2e-3, reach=0.6, breaks_s=900.0, hours=1.5)
    since = np.maximum(t - 900.0, 0.0) / 1200.0
    bump = 5.0 * since * np.exp(1 - since)
    seen = judged(t, core, core - 0.5 + bump, core - 0.4)
    assert seen.parts["probes"] > 2.5
    assert "top_apart" in seen.basis


@pytest.mark.parametrize("share", [0.02, 0.15, 0.35])
def test_the_usual_cool_ends_are_no_evidence(share: float) -> None:
    """Ends that cool as a liquid or a setting paste does, with offsets of a kelvin, do not speak for a split."""
    for rate, reach in ((3.6e-3, 0.97), (2.2e-3, 0.5)):
        t, core, _ = core_curve(rate=rate, reach=reach)
        top, bottom = cool_ends(t, core, share)
        seen = judged(t, core, top, bottom)
        assert -1.0 <= seen.parts["probes"] < 0.3


def test_a_cold_floor_or_a_warm_board_is_no_evidence() -> None:
    """A bottom well below or a little above the core, slowly come by, is a matter of the floor."""
    t, core, _ = core_curve(rate=3.0e-3, reach=0.9)
    growing = -np.expm1(-t / 5000.0)
    top, _ = cool_ends(t, core, 0.25)
    for share in (-0.2, 0.05):
        assert judged(t, core, top, core + share * growing * (core - AIR_C)).parts["probes"] < 0.5


def test_an_offset_of_class_two_is_no_evidence() -> None:
    """2.5 K between two probes from the first minute on is an offset."""
    t, core, _ = core_curve(rate=2.2e-3, reach=0.5)
    assert judged(t, core, core + 2.5 - 0.5, core - 0.5).parts["probes"] < 0.3


def test_a_curve_that_breaks_off_speaks_for_a_split_and_one_that_tapers_does_not() -> None:
    """The same blend, broken at its liveliest or left to run short of what it can reach."""
    t, broken, x = core_curve(rate=2.6e-3, reach=0.9, breaks_s=1300.0, tau_s=180.0)
    _, poor, x_poor = core_curve(rate=1.5e-3, reach=0.5, creep=8e-6)
    assert x[-1] < 0.6 and x_poor[-1] < 0.7
    split, tapered = judged(t, broken), judged(t, poor)
    assert split.parts["break"] > 0.5 > tapered.parts["break"]
    assert "broke_off" in split.basis
    assert split.log_ratio > tapered.log_ratio + 1.0


def test_a_good_batch_is_no_split() -> None:
    """All its heat has come: that nothing reacts any more is no news then."""
    t, core, x = core_curve(rate=3.6e-3, reach=0.97)
    assert x[-1] > 0.9
    assert judged(t, core).log_ratio < 0.2


def test_dead_while_warm_and_creeping_differ() -> None:
    """Hardly anything reacted and nothing goes on, against a tenth of the rest an hour."""
    t, dead, _ = core_curve(rate=1e-6, reach=0.1, creep=1e-9, hours=3.0)
    _, slow, _ = core_curve(rate=3e-4, reach=0.9, creep=2e-5, hours=3.0)
    assert judged(t, dead).parts["dead"] > 0.1 > judged(t, slow).parts["dead"]


def test_a_lid_taken_off_is_no_break() -> None:
    """Ten minutes of open lid in a lively rise, with a fall of 4 K, leave no mark once they are noted."""
    t, core, _ = core_curve(rate=1.2e-3, reach=0.9, hours=2.0)
    dip = 4.0 * np.clip((t - 2400.0) / 600.0, 0.0, 1.0) * np.exp(-np.maximum(t - 3000.0, 0.0) / 3000.0)
    plain, opened = judged(t, core), judged(t, core - dip, handled=((2400.0, 3000.0),))
    assert opened.parts.get("break", 0.0) <= plain.parts.get("break", 0.0) + 0.3
    # One that takes 8 K looks like a break where nobody noted it, and not where somebody did.
    unnoted, noted = judged(t, core - 2.0 * dip), judged(t, core - 2.0 * dip, handled=((2400.0, 3000.0),))
    assert unnoted.parts["break"] > 0.5
    assert noted.parts["break"] < 0.0


def test_nothing_known_is_no_evidence() -> None:
    """Too short a curve, or none, gives exactly nothing; without ends the probes say nothing."""
    t, core, _ = core_curve(rate=2e-3, reach=0.9, hours=0.1)
    assert judged(t, core) == Layering()
    empty = (np.empty(0), np.empty(0))
    nothing = layering(
        empty, None, None, None, blended_s=START, now_s=START + 9e3, rise_k=RISE, loss_per_s=LOSS
    )  # fmt: skip
    assert nothing == Layering()
    t, core, _ = core_curve(rate=2e-3, reach=0.9, hours=1.0)
    assert "probes" not in judged(t, core).parts


def test_without_air_the_stop_weighs_less() -> None:
    """Where nobody measured the air, a dead paste and a creeping one lie closer together."""
    t, dead, _ = core_curve(rate=1e-6, reach=0.1, creep=1e-9, hours=3.0)
    _, slow, _ = core_curve(rate=3e-4, reach=0.9, creep=2e-5, hours=3.0)
    apart = [judged(t, dead, ambient=a).parts["dead"] - judged(t, slow, ambient=a).parts["dead"] for a in (True, False)]
    assert apart[0] > apart[1] > 0.0


def test_no_foresight() -> None:
    """What comes after now_s changes nothing."""
    t, core, _ = core_curve(rate=2e-3, reach=0.5)
    top, bottom = cool_ends(t, core)
    at = START + 3600.0
    whole = [(START + t, y) for y in (core, top, bottom)]
    cut = [(START + t[t <= 3600.0], y[t <= 3600.0]) for y in (core, top, bottom)]
    answers = [
        layering(c[0], c[1], c[2], None, blended_s=START, now_s=at, rise_k=RISE, loss_per_s=LOSS)
        for c in (whole, cut)
    ]
    assert answers[0] == answers[1]


def test_parts_add_up() -> None:
    """The ratio is the sum of its parts, so that each can be shown or left out."""
    t, core, _ = core_curve(rate=2e-3, reach=0.5)
    seen = judged(t, core, *cool_ends(t, core))
    assert seen.log_ratio == pytest.approx(sum(seen.parts.values()))
    assert set(seen.parts) == {"probes", "dead", "break"}
