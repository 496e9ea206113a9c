"""What goes along with a difference, what cannot be told apart from it, and what was not noted of every batch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from monitor.domain import OilShare, Recipe, Vessel
from monitor.languages import voice_for
from monitor.seasons.differences import Difference, compared, held
from monitor.seasons.groups import group_of
from monitor.seasons.sentences import sentences
from monitor.seasons.table import Row
from monitor.trade.oils import find_oil
from monitor.words import speaking

from .made import story

NOTHING = "Nothing that was noted explains it"
Varied = Callable[[int, bool], dict[str, object]]


def rows(n: int, varied: Varied, *, gain: float = 0.08, air: Callable[[int, bool], float] | None = None) -> list[Row]:
    """``n`` batches of one bucket, every other one of the summer, which end ``gain`` higher; alike in all else but what
    ``varied`` says of (number, whether it is summer)."""
    rng = np.random.default_rng(5)
    found = []
    for number in range(n):
        summer = bool(number % 2)
        done = 0.85 + gain * summer + float(rng.normal(0, 0.02))
        told = story(number, "shed-1", month=7 if summer else 1, **{"done": done, **varied(number, summer)})
        found.append(Row(told, air_c=15.0 if air is None else air(number, summer)))
    return found


def judged(made: list[Row], by: str = "season") -> tuple[Difference, str]:
    found = compared(made, by, "completeness")
    (one,) = found.differences
    assert one.shown
    return one, " ".join(sentences(found))


WHOLLY: dict[str, tuple[Varied, str]] = {
    "insulation": (lambda _, summer: {"vessel": Vessel(25.0, "blanket" if summer else "bare")},
                   "cover under a blanket (all of June to August, none of December to February)"),
    "potash-lot": (lambda _, summer: {"potash_lot": "K1" if summer else "K2"}, "lot of the potash K1 (all of June"),
    "oil": (lambda _, summer: {"recipe": Recipe((OilShare("olive" if summer else "rapeseed", 4.0),), 0.8, 0.9, 1.2)},
            f"oil {find_oil('olive').name} (all of June"),
    "maker": (lambda _, summer: {"maker": "Ash" if summer else "Wren"}, "made by Ash (all of June"),
}  # fmt: skip


@pytest.mark.parametrize("field", WHOLLY)
@pytest.mark.parametrize("n", [6, 20])
def test_what_all_of_one_group_had_and_none_of_the_other_cannot_be_told_apart(field: str, n: int) -> None:
    """Twenty batches are no better than six for that: it explains the difference as well as the season does."""
    varied, told = WHOLLY[field]
    one, says = judged(rows(n, varied))
    assert [found.name for found in one.along.inseparable] == [field]
    assert f"cannot be told apart from the group itself: {told}" in says and NOTHING not in says


def test_one_lot_in_summer_and_several_in_winter_cannot_be_told_apart_either() -> None:
    """Whichever of the two groups had the one."""
    for which, told in ((True, "K1 (all of June to August, none of"), (False, "K1 (all of December to February, none")):
        _, says = judged(rows(20, lambda n, s, which=which: {"potash_lot": "K1" if s is which else f"L{n % 3}"}))
        assert told in says and NOTHING not in says


def test_several_lots_in_each_group_are_no_confounding() -> None:
    """How much lots differ shows within each group."""
    one, says = judged(rows(20, lambda n, _: {"potash_lot": f"L{n // 2 % 5}"}))
    assert one.along.inseparable == () and NOTHING in says


@pytest.mark.parametrize("spread", [0.0, 0.5, 3.0])
def test_air_that_goes_with_the_season_cannot_be_told_apart(spread: float) -> None:
    """0 °C against 20 °C, with hardly a batch in between: also where the columns are not quite one."""
    rng = np.random.default_rng(2)
    one, says = judged(rows(20, lambda *_: {}, air=lambda _, summer: 20.0 * summer + float(rng.normal(0, spread))))
    assert [found.name for found in one.along.inseparable] == ["air"]
    assert "June to August stood in warmer air (by " in says and NOTHING not in says


def test_air_that_hardly_goes_with_the_group_is_not_named() -> None:
    """By chance a degree apart, over ten within each group."""
    rng = np.random.default_rng(2)
    one, says = judged(rows(20, lambda *_: {}, air=lambda _, summer: 5.0 * summer + float(rng.normal(0, 6.0))))
    assert one.along.inseparable == () and one.driver is None and NOTHING in says


def test_a_lot_that_most_of_one_group_had_is_named_with_how_many() -> None:
    """Weak potash, of which winter had more: the lot and not the season."""
    weak = lambda n, summer: n % 10 == 3 if summer else n % 10 != 0  # noqa: E731
    made = rows(40, lambda n, s: {"potash_lot": "K-weak" if weak(n, s) else "K-1",
                                  "done": 0.93 - 0.10 * weak(n, s) + 0.002 * (n % 7)})  # fmt: skip
    one, says = judged(made)
    assert one.driver is not None and (one.driver.name, one.driver.kind) == ("potash-lot", "K-1")
    assert "June to August more often had this: lot of the potash K-1 (16 of 20 batches, against 4 of 20)" in says
    assert "Nearly all of it" in says


def test_one_missing_figure_does_not_silence_the_rest() -> None:
    """The pour explains the difference in the nineteen of which it was noted."""
    rng = np.random.default_rng(3)
    pours = [48.0 + 8.0 * (n % 2) + float(rng.normal(0, 4.0)) for n in range(20)]
    made = rows(20, lambda n, _: {"pour_c": None if n == 5 else pours[n],
                                  "done": 0.85 + 0.01 * (pours[n] - 48.0) + 0.002 * (n % 5)})  # fmt: skip
    one, says = judged(made)
    assert one.driver is not None and (one.driver.name, one.driver.known, one.driver.of) == ("pour", 19, 20)
    assert "was poured warmer" in says and "noted for 19 of 20 batches: only these were looked at" in says


def test_what_explains_a_difference_to_the_last_digit_is_named() -> None:
    """Over three buckets that differ, too, and nothing is left for a model to be made of."""
    pours = [48.0 + 6.0 * (n % 2) + 0.5 * (n % 5) for n in range(20)]
    made = [
        Row(
            story(n, f"shed-{n % 3}", month=7 if n % 2 else 1, pour_c=pour_c,
                  done=0.4 + 0.01 * pour_c - 0.05 * (n % 3)),
            air_c=15.0,
        )
        for n, pour_c in enumerate(pours)
    ]
    one, says = judged(made)
    assert one.driver is not None and one.driver.name == "pour" and "Nearly all of it" in says


def test_what_too_few_have_is_said_not_to_have_been_looked_at() -> None:
    """Of one group it was never noted; "nothing that was noted" would be false."""
    one, says = judged(rows(20, lambda _, summer: {"pour_c": 48.0 if summer else None}))
    assert [(found.name, found.known, found.of) for found in one.along.unseen] == [("pour", 10, 20)]
    assert "Not looked at: pour temperature (noted for 10 of 20 batches)" in says
    assert NOTHING not in says and "Nothing that could be looked at explains it" in says


def test_what_nobody_noted_is_not_listed() -> None:
    """Most never note a maker; that is no news."""
    one, says = judged(rows(20, lambda *_: {"pour_c": None}))
    assert one.along.unseen == () and NOTHING in says


def test_kinds_are_told_in_the_language_of_who_asks() -> None:
    """They are found in a process that speaks English; what a person typed stays as it is, braces and all."""
    made = rows(20, lambda _, s: {"vessel": Vessel(25.0, "blanket" if s else "bare"),
                                  "potash_lot": "K{1}" if s else "b"})  # fmt: skip
    with speaking(voice_for("es")):
        named = [(group_of(row.story, "season"), row) for row in made]
    found = held(named, "season", "completeness")
    with speaking(voice_for("es")):
        says = " ".join(sentences(found))
    assert "bajo una manta" in says and "under a blanket" not in says and "K{1}" in says
