"""Curves laid over each other, and the figures beside them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.seasons.curves import AS, BLENDED, COMPLETENESS, HEAT, POURED, RISE, TEMPERATURE, overlay
from monitor.seasons.story import FAILED, RANG, RUNNING, UNKNOWN, WENT_WELL, Story
from monitor.seasons.table import row_of
from monitor.words import US, Voice, speaking

from .made import story


def test_curves_are_counted_from_the_pour_or_from_the_blend() -> None:
    """The same peak, ten minutes apart."""
    for aligned, after_s in ((POURED, 2400.0), (BLENDED, 1800.0)):
        (curve,) = overlay([story()], TEMPERATURE, aligned).curves
        top = max(curve.rows, key=lambda row: row[2])
        assert (top[0], top[2]) == (after_s, pytest.approx(88.0))
        assert not curve.ranged, "a temperature is read, not estimated"


def test_each_way_to_show_a_batch() -> None:
    """Rise over the air, heat for each kg with its 90 % range, completeness within 0 and 100 with its own."""
    rise, heat, done = (overlay([story()], shown, POURED).curves[0] for shown in (RISE, HEAT, COMPLETENESS))
    assert max(row[2] for row in rise.rows) == pytest.approx(78.0)
    at_s, low, middle, high = heat.rows[-1]
    assert at_s == 24 * 3600.0
    assert (low, middle, high) == pytest.approx((100.0 - 1.645 * 5, 100.0, 100.0 + 1.645 * 5), abs=0.01)
    assert done.rows[-1][1:] == pytest.approx((95.0 - 8.22, 95.0, 100.0), abs=0.01)
    assert all(0.0 <= low <= middle <= high <= 100.0 for _, low, middle, high in done.rows)


def test_what_cannot_be_drawn_is_said_and_the_others_are_drawn() -> None:
    """A batch whose blend nobody noted, one without air, one with a weight missing, one without estimates."""
    good = story(1)
    bare = replace(story(2), blended_s=None, air=(), mass_kg=None, done=(), heat=())
    for shown_as, aligned, why in (
        (TEMPERATURE, BLENDED, "when it was blended"),
        (RISE, POURED, "of the air"),
        (HEAT, POURED, "a weight is missing"),
        (COMPLETENESS, POURED, "never worked out"),
    ):  # fmt: skip
        laid = overlay([bare, good], shown_as, aligned)
        assert [curve.name for curve in laid.curves] == [good.name]
        assert laid.curves[0].place == 1, "it keeps its number whatever is left out before it"
        assert len(laid.left_out) == 1 and bare.name in laid.left_out[0] and why in laid.left_out[0]


@pytest.mark.parametrize("shown_as", AS)
def test_what_is_no_number_is_not_drawn(shown_as: str) -> None:
    """NaN and infinite values among the rest."""
    odd = replace(
        story(), core=((0.0, math.nan), *story().core), heat=((1.0, math.nan, 1.0), *story().heat),
        done=((1.0, 0.5, math.inf), *story().done), air=((0.0, math.inf), *story().air),
    )  # fmt: skip
    (curve,) = overlay([odd], shown_as, POURED).curves
    assert all(math.isfinite(level) for row in curve.rows for level in row)


def test_the_figures_of_a_batch() -> None:
    """Peak, its time, and the time above 60 °C as the curve has them by construction."""
    row = row_of(story())
    assert row.peak_c == pytest.approx(88.0) and row.peak_after_s == 2400.0 and not row.at_least
    # From 60 °C on the way up to 60 °C on the way down, exactly: the rise is straight, the fall exponential.
    up_h, down_h = 12.0 / 40.0 * 40.0 / 60.0, 40.0 / 60.0 + 4.0 * math.log(78.0 / 50.0)
    assert row.warm_s == pytest.approx((down_h - up_h) * 3600.0, abs=3.0) and not row.warm_at_least
    assert row.air_c == 10.0 and row.blend_after_s == 600.0
    cells = dict(row.cells())
    assert cells["potash used up"] == "about 95 % (88 to 100)"
    assert cells["heat made"] == "45 K (42 to 48)"
    assert cells["verdict"] == "✓ went well"


def test_a_curve_with_a_hole_says_at_least() -> None:
    """Readings missing while it was hot, and a recorder that began after the peak."""
    whole = story()
    torn = replace(whole, core=tuple(p for p in whole.core if not 3600.0 < p[0] - whole.origin_s < 3 * 3600.0))
    row = row_of(torn)
    assert row.warm_at_least and row.warm_s is not None and row.warm_s < (row_of(whole).warm_s or 0.0)
    assert dict(row.cells())["time above 60 °C"].startswith("at least ")
    late = row_of(replace(whole, core=tuple(p for p in whole.core if p[0] - whole.origin_s > 3600.0)))
    assert late.at_least and dict(late.cells())["peak"].startswith("at least ")


def without(after_s: float, until_s: float) -> Story:
    """The usual batch with nothing read in so many seconds after its pour."""
    whole = story()
    return replace(whole, core=tuple(p for p in whole.core if not after_s < p[0] - whole.origin_s < until_s))


FOREVER_S = 10 * 86400.0


@pytest.mark.parametrize(
    ("missing", "peak", "warm"),
    [
        ((900.0, 8100.0), True, True),  # two hours over the peak
        ((1800.0, FOREVER_S), True, True),  # the probe dies while it rises
        ((3600.0, FOREVER_S), False, True),  # it dies past the peak, at 83 °C
        ((-7200.0, 1500.0), False, True),  # a late first reading above 60 °C, and then the peak
        ((-7200.0, 9000.0), True, True),  # a late first reading below 60 °C: when it was above, nobody knows
        ((3600.0, 3600.0 + 1800.0), True, True),  # half an hour shortly after the peak: it may have gone up again
        ((7200.0, 7200.0 + 1800.0), False, True),  # later on the way down, at 66 °C
        ((18000.0, 18000.0 + 1800.0), False, False),  # one in the fifth hour, at 35 °C
        ((8 * 3600.0, 16 * 3600.0), False, False),  # a night without the node, long after
        ((-7200.0, 700.0), False, False),  # the first reading comes two minutes after the blend
    ],
)  # fmt: skip
def test_at_least_stands_wherever_more_may_have_been(missing: tuple[float, float], peak: bool, warm: bool) -> None:
    """And nowhere else, for such a batch does not count among its group."""
    row = row_of(without(*missing))
    assert (row.at_least, row.warm_at_least) == (peak, warm)
    assert dict(row.cells())["peak"].startswith("at least ") is peak
    assert dict(row.cells())["time above 60 °C"].startswith("at least ") is warm


def test_nothing_read_gives_no_figures() -> None:
    """Dashes, not zeros."""
    row = row_of(replace(story(), core=(), air=(), completeness=None, self_heating=None, time_constant_s=None))
    assert row.peak_c is None and row.warm_s is None and row.air_c is None
    cells = dict(row.cells())
    assert cells["peak"] == cells["potash used up"] == cells["time above 60 °C"] == "–"
    assert cells["verdict"] == "? not known"


@pytest.mark.parametrize(
    ("more", "state"),
    [
        ({}, WENT_WELL), ({"alarms": ("not_taken",)}, RANG), ({"completeness": (0.80, 0.05)}, FAILED),
        ({"outcome": "discarded"}, FAILED), ({"outcome": "held", "completeness": None}, FAILED),
        ({"completeness": None}, UNKNOWN), ({"running": True, "completeness": (0.5, 0.1)}, RUNNING),
        ({"tested": (0.72, 0.02)}, FAILED), ({"completeness": (0.80, 0.05), "tested": (0.97, 0.02)}, WENT_WELL),
        ({"completeness": None, "tested": (0.97, 0.02)}, WENT_WELL),
        ({"outcome": "discarded", "tested": (0.97, 0.02)}, FAILED),
    ],
)  # fmt: skip
def test_how_a_batch_went(more: dict[str, object], state: str) -> None:
    """Never "well" where nobody knows, nor where a test of its free alkali says otherwise."""
    assert replace(story(), **more).state == state  # type: ignore[arg-type]


def test_what_was_tested_is_shown_beside_what_the_heat_tells() -> None:
    """Each with its range."""

    def told(**more: object) -> str:
        return dict(row_of(replace(story(), **more)).cells())["potash used up"]  # type: ignore[arg-type]

    assert told() == "about 95 % (88 to 100)"
    assert told(tested=(0.72, 0.02)) == "by its test about 72 % (69 to 75), by its heat about 95 % (88 to 100)"
    assert told(tested=(0.4, 0.02), tested_at_most=True).startswith("by its test at most about 40 % (37 to 43), by ")
    assert told(tested=(0.72, 0.02), completeness=None) == "by its test about 72 % (69 to 75)"


def test_us_units() -> None:
    """Differences and temperatures each in their own way."""
    with speaking(Voice(units=US)):
        cells = dict(row_of(story()).cells())
    assert cells["peak"] == "190 °F" and cells["heat made"] == "81 °F (75 to 87)"
