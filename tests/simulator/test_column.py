"""The second simulator obeys its own physics, goes as the trade says, and owes nothing to the program it judges."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.simulator import bucket, column
from tests.simulator.column import ColumnScenario, ColumnWorld, column_with_truth, column_world, draw_column
from tests.simulator.write import draw_batches, simulate_draws, styles_of

ROOT = Path(__file__).resolve().parents[2]


def _some(kind: str, count: int, style: str, seed: int = 40) -> tuple[list[ColumnWorld], list[ColumnScenario]]:
    world = column_world(style, seed)
    batch = [draw_column(kind, seed * 100 + i, world) for i in range(count)]
    return [world] * count, [replace(s, doings=(), second_pour_s=-1.0) for s in batch]


@pytest.mark.parametrize("style", column.STYLES)
def test_energy_is_conserved(style: str) -> None:
    """With constant heat capacities, all heat made is held (temperatures say so) or has left through a face."""
    worlds, batch = _some("good", 5, style)
    worlds = [replace(w, cp_gain=0.0, cp_slope=0.0, wall_scale=1e-6) for w in worlds]
    batch = [replace(s, insulation="bare") for s in batch]
    runs, book = column.simulate_column(worlds, batch, hours=6.0)
    for i, (s, w, run) in enumerate(zip(batch, worlds, runs, strict=True)):
        capacity = s.cp_factor * (w.cp_start * s.true_oil_kg + 2.95 * (s.koh_kg + s.true_water_kg))
        rings = np.array([1, 8, 7]) / 16  # the four rings as they are told: inner, the two between, outer
        layers = np.array([2, 1, 2]) / 5
        mean = float(np.einsum("lr,l,r->", run.cells_c[-1], layers, rings))
        made = book.reacted[i] + book.dissolved[i] + book.blended[i]
        gone = book.lost[i] + book.steamed[i]
        assert made - gone == pytest.approx(capacity * (mean - s.pour_c), abs=0.004 * made)
        assert made > 0 and gone > 0
        soap = run.soap[-1] * s.promised_mol * w.heat_kj_mol
        assert book.reacted[i] == pytest.approx(soap, rel=1e-6)


def test_the_book_of_heat_closes_with_covers_and_changing_capacities() -> None:
    """Whatever happens to it, a batch holds what was made less what left."""
    worlds, batch = _some("separated", 6, "column-film-yard")
    batch = [
        replace(s, doings=(bucket.Doing("lid-off", 3000, 600), bucket.Doing("reblended", 7200, 400))) for s in batch
    ]
    _, book = column.simulate_column(worlds, batch, hours=12.0)
    made = book.reacted + book.dissolved + book.blended
    assert np.allclose(made - book.lost - book.steamed, book.held, atol=0.004 * made.max())


def test_soap_never_exceeds_the_limiting_reagent() -> None:
    """Soap grows, never shrinks, and stays within what potash and oil allow; shares stay shares."""
    worlds = [column_world(style, 41) for style in column.STYLES for _ in bucket.KINDS]
    batch = [draw_column(bucket.KINDS[i % len(bucket.KINDS)], 4100 + i, w) for i, w in enumerate(worlds)]
    batch = [replace(s, doings=()) for s in batch]
    for s, run in zip(batch, column.simulate_column(worlds, batch, hours=30.0)[0], strict=True):
        limit = min(s.true_koh_mol, s.true_ester_mol) / s.promised_mol
        assert np.all(np.diff(run.soap) >= 0)
        assert run.soap[0] >= 0 and run.soap[-1] <= limit + 1e-9
        assert np.all((run.unpartnered >= 0) & (run.unpartnered <= 1))
        assert run.unpartnered.max() <= s.layer_share + 1e-6
        assert np.isfinite(run.cells_c).all() and run.cells_c.max() < 110


def test_fixed_seeds_repeat() -> None:
    """The same seed gives the same batch, whoever stands beside it; another seed another one."""
    draws = draw_batches(43, 6, ("column",))
    assert draws == draw_batches(43, 6, ("column",))
    assert draw_batches(44, 1, ("column",))[0].scenario.pour_c != draws[0].scenario.pour_c
    worlds = [column_world(d.world_style, d.world_seed) for d in draws]
    batch = [d.scenario for d in draws if isinstance(d.scenario, ColumnScenario)]
    together = column_with_truth(worlds, batch, hours=4.0)
    for i in (0, 4):
        ((run, truth),) = column_with_truth(worlds[i : i + 1], batch[i : i + 1], hours=4.0)
        assert np.allclose(run.cells_c, together[i][0].cells_c, atol=1e-6)
        assert np.array_equal(run.air_c, together[i][0].air_c)
        assert truth.final == pytest.approx(together[i][1].final, abs=1e-8)


def test_both_simulators_can_stand_in_one_set() -> None:
    """A set may mix worlds of both; each batch is run by its own and comes back in its place."""
    draws = draw_batches(47, 4, ("droplets-still", "column-film-shed"))
    answers = simulate_draws(draws, hours=24.0)
    assert [d for d, _, _ in answers] == draws
    assert [isinstance(run.world, ColumnWorld) for _, run, _ in answers] == [False, True, False, True]
    assert [run.scenario for _, run, _ in answers] == [d.scenario for d in draws]


def test_a_good_batch_passes_80_degrees_within_the_hour_and_reaches_its_soap() -> None:
    """Common practice: past 80 degC about half an hour after the pour, a slow peak, 0.93 to 1.0 in the end."""
    worlds = [column_world(style, 45) for style in column.STYLES for _ in range(6)]
    batch = [draw_column("good", 4500 + i, w) for i, w in enumerate(worlds)]
    results = column_with_truth(worlds, batch)
    passed = [float(run.t_s[np.argmax(run.core_c > 80)]) for run, _ in results if run.core_c.max() > 80]
    finals = [truth.final for _, truth in results]
    assert len(passed) >= 0.85 * len(batch)
    assert 12 * 60 < np.median(passed) < 40 * 60
    assert np.quantile(finals, 0.1) > 0.925 and max(finals) < 1.03
    assert np.mean([truth.good for _, truth in results]) > 0.8


def test_what_goes_wrong_shows_in_the_truth() -> None:
    """Most batches of each failing kind have its alarm due."""
    expected = {"hot": "too_hot", "poor": "incomplete", "separated": "separated", "weak": "incomplete"}
    kinds = [kind for kind in expected for _ in range(18)]
    worlds = [column_world(column.STYLES[i % 6], 46) for i in range(len(kinds))]
    batch = [
        replace(draw_column(k, 4600 + i, w), doings=()) for i, (k, w) in enumerate(zip(kinds, worlds, strict=True))
    ]
    results = column_with_truth(worlds, batch, hours=24.0)
    for kind, alarm in expected.items():
        due = [alarm in truth.due for k, (_, truth) in zip(kinds, results, strict=True) if k == kind]
        assert np.mean(due) > 0.6, kind


def test_worlds_keep_one_heat_per_mole_and_differ() -> None:
    """All batches of a world share its heat per mole, within 50 to 65 kJ; worlds do not share it."""
    heats = [column_world(style, seed).heat_kj_mol for style in column.STYLES for seed in range(5)]
    assert min(heats) >= 50 and max(heats) <= 65 and len(set(heats)) == len(heats)
    world = column_world("column-film-shed", 3)
    assert {draw_column(k, 9, world).heat_kj_mol for k in bucket.KINDS} == {world.heat_kj_mol}


def test_a_world_nobody_knows_is_refused_by_name() -> None:
    """A misspelt style is told at once, with what there is."""
    assert styles_of(("column",)) == column.STYLES
    with pytest.raises(ValueError, match="column-moon"):
        styles_of(("column-moon",))


def _lines(path: Path) -> set[str]:
    rows = (x.strip() for x in path.read_text(encoding="utf-8").splitlines())
    return {x for x in rows if len(x) > 45 and not x.startswith(("#", '"', "from ", "import "))}


def test_no_line_is_shared_with_the_model_or_the_other_simulator() -> None:
    """It imports nothing of the program, of the other simulator only the forms of telling, and copies no line."""
    source = ROOT / "tests" / "simulator" / "column.py"
    tree = ast.parse(source.read_text(encoding="utf-8"))
    imported = {
        (node.module or "", name.name)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for name in node.names
    }
    plain = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    assert not any(x.startswith("monitor") for x in plain | {module for module, _ in imported})
    assert {name for module, name in imported if module.startswith("tests")} <= {
        "Doing", "Run", "Scenario", "Truth", "World", "judge_truth",
    }  # fmt: skip
    others = [*(ROOT / "monitor" / "heat").glob("*.py"), ROOT / "tests" / "simulator" / "bucket.py"]
    shared = {line for other in others for line in _lines(source) & _lines(other)}
    assert not shared
