"""The simulator keeps the laws of physics and tells the kinds of batches apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulator.bucket import (
    KINDS,
    WORLD_STYLES,
    Doing,
    Run,
    Scenario,
    Truth,
    draw_scenario,
    judge_truth,
    simulate,
    simulate_with_truth,
    world_for,
)


def _closed(style: str, kind: str = "good", seed: int = 5) -> tuple[list, list[Scenario]]:  # type: ignore[type-arg]
    """A batch that can lose nothing: no cell may leak energy. (Resistances so large that 2 h do not matter.)"""
    world = replace(world_for(style, 4), vapour=0.0, cp_gain=0.0, wall_scale=1e-6)
    scenario = replace(
        draw_scenario(kind, seed, world),
        board_r=1e9,
        lid_gap=0.0,
        grains=0.0,
        blend_w=0.0,
        boil_c=500.0,
        pour_c=40.0,
        blend_from_s=0.0,
        blend_to_s=60.0,
        insulation="bare",
        doings=(Doing("covered", 0.0),),
    )
    return [world], [scenario]


@pytest.mark.parametrize("style", WORLD_STYLES)
def test_heat_without_loss_is_the_moles_times_the_heat_per_mole(style: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """First law: with the losses taken away, C (T - T0) equals the moles of soap times the heat per mole within 1 %."""
    from tests.simulator import bucket

    monkeypatch.setattr(bucket, "SIGMA", 0.0)
    worlds, batch = _closed(style)
    s = batch[0]
    # A huge cover: side and lid cannot lose either.
    monkeypatch.setattr(bucket, "COVER_R", {"bare": 1e9, "blanket": 1e9, "box": 1e9})
    batch = [replace(s, doings=(Doing("covered", 0.0),))]
    run = simulate(worlds, batch, hours=2.0)[0]
    mass = s.true_oil_kg + s.true_koh_mol * 56.105 / 1000 + s.true_water_kg
    share = np.array([0.22, 0.56, 0.22])[:, None] * np.diff(np.array([0.0, 0.45, 0.80, 1.0]) ** 2)[None, :]
    held = mass * worlds[0].cp_start * s.cp_factor * float(((run.cells_c[-1] - s.pour_c) * share).sum())
    # The lid is off for a while after the blend: count from when it lies on, by the soap made since.
    k = int(np.searchsorted(run.t_s, s.blend_to_s + 100))
    held_from = mass * worlds[0].cp_start * s.cp_factor * float(((run.cells_c[k] - s.pour_c) * share).sum())
    made = (run.soap[-1] - run.soap[k]) * s.promised_mol * s.heat_kj_mol
    assert made > 50
    assert held - held_from == pytest.approx(made, rel=0.01)


def test_a_bucket_of_inert_paste_cools_towards_the_air() -> None:
    """With no rate at all the paste only cools, never below the coldest air, the wall ahead of the core."""
    world = world_for("droplets-still", 4)
    s = replace(draw_scenario("good", 3, world), rate=1e-12, blend_w=0.0, grains=0.0, doings=(), pour_c=70.0)
    run = simulate([world], [s], hours=10.0)[0]
    assert run.soap[-1] < 1e-3
    assert np.all(np.diff(run.core_c[::60]) < 0.05)
    assert run.cells_c.min() > run.air_c.min() - 1.0
    assert np.all(run.cells_c[200:, 1, 2] <= run.cells_c[200:, 1, 0] + 0.05)


def test_time_constant_of_a_bare_bucket_is_that_of_the_handbook_sum() -> None:
    """About 5 kg bare in 20 L: C/(UA) lies within 1.4 to 6 h (2 to 3 h with all faces losing, more on a board)."""
    world = world_for("droplets-still", 4)
    s = replace(
        draw_scenario("good", 3, world),
        rate=1e-12,
        blend_w=0.0,
        grains=0.0,
        doings=(),
        pour_c=70.0,
        insulation="bare",
        litres=20.0,
        true_oil_kg=3.3,
        true_koh_mol=10.3,
        true_ester_mol=11.0,
        true_water_kg=1.06,
        air_mean_c=15.0,
        air_swing_k=0.0,
        air_noise_k=0.0,
    )
    run = simulate([world], [s], hours=8.0)[0]
    a, b = np.interp([3600.0, 5 * 3600.0], run.t_s, run.core_c) - 15.0
    assert 1.4 < 4.0 / np.log(a / b) < 6.0


def test_soap_never_passes_the_limiting_reagent() -> None:
    """Moles are conserved: soap made is never more than the potash or the oil that was there, and never goes back."""
    for style in ("droplets-still", "kamal-damp", "age-draughty"):
        world = world_for(style, 2)
        batch = [draw_scenario(kind, 7, world) for kind in KINDS]
        for run in simulate([world] * len(batch), batch, hours=4.0):
            s = run.scenario
            assert run.soap[-1] * s.promised_mol <= min(s.true_koh_mol, s.true_ester_mol) * (1 + 1e-9)
            assert np.all(np.diff(run.soap) >= -1e-12)


def test_same_seed_same_batch_and_company_does_not_matter() -> None:
    """A batch comes out the same alone and among others: nothing leaks between the rows of the arrays."""
    world = world_for("kamal-still", 2)
    batch = [draw_scenario("separated", k, world) for k in range(3)]
    together = simulate([world] * 3, batch, hours=2.0)[1]
    alone = simulate([world], [batch[1]], hours=2.0)[0]
    np.testing.assert_allclose(together.core_c, alone.core_c, atol=1e-3)
    assert draw_scenario("separated", 1, world) == batch[1]


def test_worlds_keep_their_heat_within_the_stated_range() -> None:
    """Heat per mole is one constant a world, within 50 to 66 kJ; conductivity within 0.25 to 0.40 W/(m K)."""
    for style in WORLD_STYLES:
        for seed in range(20):
            w = world_for(style, seed)
            assert 50 <= w.heat_kj_mol <= 66 and 43 <= w.activation_kj_mol <= 50 and 0.25 <= w.conductivity <= 0.40


def test_a_reblend_gives_a_second_heat_and_more_soap() -> None:
    """Blending a poor batch again makes soap that it would not have made, and warms it."""
    world = world_for("droplets-still", 2)
    s = replace(
        draw_scenario("poor", 4, world), coarse=0.6, doings=(Doing("reblended", 4 * 3600.0, 400.0),), pour_c=50.0
    )
    run, truth = simulate_with_truth([world], [s], hours=6.0)[0]
    assert truth.final > truth.final_unmended + 0.15
    assert np.interp(4.8 * 3600, run.t_s, run.core_c) > np.interp(3.9 * 3600, run.t_s, run.core_c) + 5


def _made_up(
    core: list[tuple[float, float]],
    soap: list[tuple[float, float]],
    lonely: float = 0.0,
    doings: tuple[Doing, ...] = (),
) -> Truth:
    """The truth of a curve drawn by hand (hours, value), blended at 0.2 h."""
    world = world_for("droplets-still", 2)
    s = replace(draw_scenario("good", 4, world), blend_to_s=720.0, doings=doings)
    t = np.arange(0, 72 * 3600 + 1, 60.0)
    c = np.interp(t / 3600, *np.array(core).T)
    cells = np.repeat(c, 9).reshape(-1, 3, 3)
    run = Run(
        s, world, t, cells, c, c * 0, c * 0, np.interp(t / 3600, *np.array(soap).T), np.full(len(t), lonely), c * 0
    )
    return judge_truth(run)


def test_truth_follows_the_table_of_the_design() -> None:
    """Due alarms of curves drawn by hand, each worked out from the table."""
    good = _made_up([(0, 50), (0.5, 85), (6, 45), (72, 10)], [(0, 0), (0.6, 0.8), (5, 0.93), (72, 0.96)])
    assert good.good and not good.due
    hot = _made_up([(0, 60), (0.5, 96), (6, 50), (72, 10)], [(0, 0), (0.6, 0.9), (72, 0.96)])
    assert set(hot.due) == {"too_hot"} and hot.due["too_hot"] == pytest.approx(0.5 * 3600, abs=120)
    dull = _made_up([(0, 50), (0.5, 52), (3, 30), (72, 10)], [(0, 0), (1, 0.2), (72, 0.5)])
    assert set(dull.due) == {"not_taken", "cooled_early", "incomplete"}
    # 7 K in 0.318 h below 45: crossing at 0.5 + 2.5 * 7/22 h.
    assert dull.due["cooled_early"] == pytest.approx((0.5 + 2.5 * 7 / 22) * 3600, abs=120)
    cold_start = _made_up([(0, 35), (0.8, 44), (1.5, 70), (6, 45), (72, 10)], [(0, 0), (2, 0.88), (72, 0.95)])
    assert not cold_start.due
    weak = _made_up([(0, 50), (0.5, 80), (6, 45), (72, 10)], [(0, 0), (0.6, 0.8), (5, 0.87), (72, 0.88)])
    assert set(weak.due) == {"incomplete"}
    split = _made_up([(0, 50), (0.5, 80), (6, 45), (72, 10)], [(0, 0), (0.6, 0.8), (5, 0.93), (72, 0.95)], lonely=0.2)
    assert set(split.due) == {"separated"}
