"""Groups of batches held against each other: what is found, what is refused, and how it is said."""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest

from monitor.domain import INSULATIONS, Vessel
from monitor.seasons import mixed
from monitor.seasons.differences import ALIKE, BUCKETS, MEASURES, compared
from monitor.seasons.drivers import DRIVERS
from monitor.seasons.groups import BY, group_of, grouped
from monitor.seasons.sentences import figure, mean_words, sentences
from monitor.seasons.story import Story
from monitor.seasons.table import Row, rows_of
from monitor.words import US, Voice, speaking

from .covering import covering
from .made import story


def season(n: int = 6, *, effect: float = 0.10, seed: int = 3, drives: bool = True) -> list[Story]:
    """``n`` winter and ``n`` summer batches over three sheds; winter ends lower, because it is poured colder or for no
    noted reason."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(2 * n):
        winter = number % 2 == 0
        pour_c = (44.0 if winter else 50.0) + float(rng.normal(0, 2.0))
        drop = effect * ((50.0 - pour_c) / 6.0 if drives else float(winter))
        made.append(
            story(
                number, f"shed-{number % 3}", done=0.95 - drop + float(rng.normal(0, 0.01)), month=1 if winter else 7,
                pour_c=pour_c if drives else 48.0 + float(rng.normal(0, 2.0)),
            )
        )  # fmt: skip
    return made


def test_a_difference_is_found_with_its_interval_and_what_drives_it() -> None:
    """Ten points, which go along with a colder pour."""
    found = compared(rows_of(season()), "season", "completeness")
    (one,) = found.differences
    assert (one.group, one.base, one.counts) == ("June to August", "December to February", (6, 6))
    assert one.estimated.low < 10.0 < one.estimated.high and one.shown and one.estimated.method == "mixed"
    assert one.driver is not None and one.driver.name == "pour" and one.driver.by > 4.0
    says = " ".join(sentences(found))
    assert "between" in says and "was poured warmer" in says and "need not be the cause" in says
    assert "few batches (6 in the smallest group)" in says


def test_what_nothing_explains_is_said_to_be_unexplained() -> None:
    """The same difference, and no figure that goes along with it."""
    found = compared(rows_of(season(drives=False)), "season", "completeness")
    assert found.differences[0].shown and found.differences[0].driver is None
    assert "Nothing that was noted explains it" in " ".join(sentences(found))


def test_no_difference_is_told_as_none_with_how_large_it_may_be() -> None:
    """No "more" or "less" is claimed, no driver is looked for."""
    found = compared(rows_of(season(effect=0.0)), "season", "completeness")
    assert not found.differences[0].shown and found.differences[0].driver is None
    assert "no difference is shown; it may be anything from" in sentences(found)[0]


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_batches_are_refused(n: int) -> None:
    """However large the difference looks."""
    found = compared(rows_of(season(n, effect=0.5)), "season", "completeness")
    assert found.differences == () and len(found.refused) == 2
    says = sentences(found)
    assert "too few batches" in says[0] and all(f"{n} that can be counted" in one for one in says[1:])


def test_one_group_alone_and_none() -> None:
    """Nothing to hold against it, and nothing at all."""
    alone = compared(rows_of([story(n) for n in range(5)]), "season", "peak")
    assert sentences(alone) == ["By season there is one group only, so nothing can be held against it."]
    assert compared([], "season", "peak").differences == ()
    assert compared(rows_of([story(n) for n in range(5)]), "maker", "peak").groups == (), "nobody noted a maker"


def test_running_batches_do_not_count() -> None:
    """Their figures are not final."""
    made = [replace(one, running=True) if place < 2 else one for place, one in enumerate(season(4))]
    found = compared(rows_of(made), "season", "completeness")
    assert [group.count for group in found.groups] == [3, 3]


@pytest.mark.parametrize("measure", ["peak", "warm"])
def test_figures_that_are_at_least_so_much_do_not_count(measure: str) -> None:
    """Three winter batches whose probe died at 78 °C would make winter look colder."""
    made = [Row(one.story, peak_c=88.0 + n % 3, warm_s=7200.0 + 60.0 * n) for n, one in enumerate(rows_of(season(6)))]
    for place in (0, 2, 4):
        made[place] = replace(made[place], peak_c=78.0, at_least=True, warm_s=600.0, warm_at_least=True)
    found = compared(made, "season", measure)
    assert [group.count for group in found.groups] == [3, 6] and found.at_least == 3
    told = " ".join(sentences(found))
    assert "known only to be at least so much: 3 batches." in told
    assert compared(made, "season", "completeness").at_least == 0


def test_groups_judged_with_different_knowledge_are_not_called_alike() -> None:
    """The later half was begun with what the earlier half taught; of a peak, which is read, that says nothing."""
    made = [replace(one, learned_from=0 if n < 6 else 5) for n, one in enumerate(season(6))]
    found = compared(rows_of(made), "season", "completeness")
    assert found.differences[0].learned == (0, 5)
    says = " ".join(sentences(found))
    assert "(from 0 to 5 of them): a part of a difference may come from that" in says and "falls out" not in says
    assert compared(rows_of(made), "season", "peak").differences[0].learned is None
    alike = compared(rows_of([replace(one, learned_from=5) for one in made]), "season", "completeness")
    says = " ".join(sentences(alike))
    assert alike.differences[0].learned is None and "falls out" in says and "rest on more" not in says


def test_groups_in_different_buckets_are_called_so() -> None:
    """A bucket's own way would look like the group's."""
    made = [replace(one, bucket=f"{one.month}-{number % 2}") for number, one in enumerate(season(6))]
    found = compared(rows_of(made), "season", "completeness")
    assert found.differences[0].apart
    assert "never stood in the same bucket" in " ".join(sentences(found))


@pytest.mark.parametrize("winter_sheds", [1, 2])
def test_where_buckets_cannot_be_told_from_groups_only_means_are_given(winter_sheds: int) -> None:
    """Each shed saw one season, and the summer had but one: batches of one shed do not tell how much sheds differ. No
    range, and nothing is said of what drives it."""
    made = [
        replace(one, bucket="shed-9" if one.month == 7 else f"shed-{number // 2 % winter_sheds}")
        for number, one in enumerate(season(6))
    ]
    found = compared(rows_of(made), "season", "completeness")
    (one,) = found.differences
    assert one.unranged == BUCKETS and one.apart and not one.shown and one.driver is None
    says = " ".join(sentences(found))
    assert "points of 100 more on average. They never stood in the same bucket" in says and "no range" in says
    assert "between 1" not in says and "goes along" not in says and "explains" not in says


def test_two_groups_tell_their_buckets_by_themselves_where_a_third_does_not() -> None:
    """The third stood in a shed of its own; of it alone nothing sure is said."""
    two = season(6)
    third = [story(30 + n, "shed-9", month=4, done=0.8 + 0.01 * (n % 3)) for n in range(5)]
    apart = [replace(one, bucket=f"{one.month}-{number // 2 % 2}") for number, one in enumerate(two)]
    found = compared(rows_of([*apart, *third]), "season", "completeness")
    assert "a difference between the buckets would look the same" in " ".join(sentences(found))
    assert {one.group: one.estimated.method for one in found.differences} == {
        "June to August": "mixed", "March to May": "means",
    }  # fmt: skip


def test_several_groups_get_wider_intervals() -> None:
    """Of the same two groups, once a third and fourth are asked for beside them."""
    two = season(6)
    more = [story(30 + n, f"shed-{n % 3}", month=4 + 6 * (n % 2), done=0.9 + 0.01 * (n % 5)) for n in range(10)]
    narrow = compared(rows_of(two), "season", "completeness")
    wide = compared(rows_of([*two, *more]), "season", "completeness")
    assert len(wide.differences) == 3 and wide.level == pytest.approx(1 - 0.05 / 3)
    assert narrow.level == pytest.approx(0.95)
    assert "all of them hold together" in " ".join(sentences(wide))


def test_every_range_says_what_it_holds() -> None:
    """With one comparison, shown or not, and with several, of which each holds more."""
    one = sentences(compared(rows_of(season(6)), "season", "completeness"))[0]
    none = sentences(compared(rows_of(season(effect=0.0)), "season", "completeness"))[0]
    assert " between " in one and one.endswith("That range holds 95 of 100.")
    assert "anything from" in none and none.endswith("That range holds 95 of 100.")
    more = [story(30 + n, f"shed-{n % 3}", month=4, done=0.9 + 0.01 * (n % 5)) for n in range(10)]
    found = compared(rows_of([*season(6), *more]), "season", "completeness")
    assert len(found.differences) == 2
    assert sum(said.endswith("That range holds 97.5 of 100.") for said in sentences(found)) == 2


@pytest.mark.parametrize("measure", sorted(MEASURES))
@pytest.mark.parametrize("by", BY)
def test_every_measure_by_every_group(by: str, measure: str) -> None:
    """Each pair gives sentences, with a range beside each difference; alike figures too."""
    made = [
        replace(one, maker="Ash" if n % 3 else "Wren", potash_lot=f"K-{n % 2}", vessel=Vessel(25.0, INSULATIONS[n % 2]))
        for n, one in enumerate(season(3))
    ]
    says = sentences(compared(rows_of(made), by, measure))
    assert says
    for sentence in says:
        assert "nan" not in sentence.lower() and "inf " not in sentence
        if " against " in sentence and "batches)" in sentence:
            # Of these invented batches all figures but the completeness are alike to the last digit.
            ranged = "between" in sentence or "anything from" in sentence
            assert ranged if measure == "completeness" else "no range can be given" in sentence


@pytest.mark.parametrize("buckets", [1, 3])
@pytest.mark.parametrize(
    ("summer_s", "told"), [(0.0, "all of them are alike"), (3600.0, "1.0 h more; the batches of each")]
)
def test_where_all_batches_of_a_group_are_alike_no_range_is_given(buckets: int, summer_s: float, told: str) -> None:
    """None was ever above 60 °C, or each for an hour: no spread tells how sure that is, and no figure is made up."""
    made = [
        Row(story(n, f"shed-{n % buckets}", month=7 if n % 2 else 1), warm_s=summer_s * (n % 2)) for n in range(12)
    ]
    found = compared(made, "season", "warm")
    (one,) = found.differences
    assert one.unranged == ALIKE and not one.shown and one.estimated.value == summer_s / 3600.0
    says = sentences(found)
    assert told in says[0] and "no range can be given" in says[0]
    assert "nan" not in " ".join(says) and "inf" not in " ".join(says) and "between" not in " ".join(says)


def test_batches_that_are_alike_within_each_bucket_and_group() -> None:
    """Buckets differ, and nothing is left over for the model to make a range of."""
    made = [
        Row(story(n, f"shed-{n % 3}", month=7 if n // 3 % 2 else 1), warm_s=3600.0 * (n % 3 + n // 3 % 2))
        for n in range(12)
    ]
    (one,) = compared(made, "season", "warm").differences
    assert one.unranged == ALIKE and one.estimated.value == pytest.approx(1.0)


def test_one_group_alike_and_the_other_not_has_its_range() -> None:
    """No winter batch was ever warm; the summer's tell how much they differ."""
    made = [Row(story(n, month=7 if n % 2 else 1), warm_s=600.0 * n * (n % 2)) for n in range(12)]
    (one,) = compared(made, "season", "warm").differences
    assert not one.unranged and one.estimated.low < one.estimated.value < one.estimated.high


def test_means_are_told_in_the_units_of_who_reads() -> None:
    """A temperature as such, and its spread in the same unit."""
    made = [story(n, peak_c=80.0 + n) for n in range(3)]
    (group,) = compared(rows_of(made), "season", "peak").groups
    assert mean_words(group, "peak") == "mean 81 °C, single ones 80 to 82"
    with speaking(Voice(units=US)):
        assert mean_words(group, "peak") == "mean 178 °F, single ones 176 to 180"
        assert figure(10.0, "dC") == "18 °F"
    (group,) = compared(rows_of(made), "season", "self-heating").groups
    assert mean_words(group, "self-heating") == "mean 45 K, single ones 45 to 45"


def test_a_batch_whose_group_nobody_noted_is_in_none() -> None:
    """It is not lumped together with others of which nothing is known either."""
    made = [story(1, potash_lot="K-1"), story(2)]
    assert list(grouped(made, "potash-lot")) == ["K-1"]
    assert group_of(made[1], "maker") == ""


def test_every_driver_can_be_read_of_a_batch() -> None:
    """None where it was not noted, a figure where it was."""
    row, bare = rows_of([story(), Story("bare", "shed-2", 0.0, 1)])
    for name, (value, *_) in DRIVERS.items():
        assert value(row) is not None, name
        assert value(bare) is None or name == "cover"


def test_the_missing_library_is_told_with_what_to_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one sentence, for those who started it by the script and for those who have it from pip."""
    for name in [*sys.modules, "statsmodels"]:
        if name.split(".")[0] == "statsmodels":
            monkeypatch.setitem(sys.modules, name, None)  # type: ignore[arg-type]
    with pytest.raises(mixed.LibraryMissing) as told:
        compared(rows_of(season(3)), "season", "completeness")
    assert "./emberpail add seasons" in str(told.value) and "pip install 'emberpail[seasons]'" in str(told.value)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Of 40 small seasons; at 95 % fewer than 33 would come about seven times in ten thousand (binomial). The long
    form: python -m tests.faults.soak seasons."""
    assert covering(40, seed=11) >= 33 / 40
