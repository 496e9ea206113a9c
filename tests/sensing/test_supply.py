"""The supply voltage of a node: off the wire, and when it counts as low."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sensing.senml import MOST_PROBES_REMEMBERED, Decoder
from monitor.sensing.strangers import MOST_STRANGERS, KnownBuckets
from monitor.sensing.supply import DYING, LOW, OLD_S, VALUES, WELL, Supplies, Supply, SupplyLimits

NOW_S = 1_773_480_000.0
LIMITS = SupplyLimits(3.6, 3.2)


def line(volts: float, name: str = "shed-2/supply", unit: str = "V", **more: object) -> bytes:
    return json.dumps([{"n": name, "u": unit, "v": volts, **more}]).encode()


# ---- off the wire ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent", "default", "found"),
    [
        (line(3.91), None, [("shed-2", NOW_S, 3.91)]),
        (line(3.91, "barn/shed-2/Supply"), None, [("barn/shed-2", NOW_S, 3.91)]),
        (line(3.91, "supply"), "shed-3", [("shed-3", NOW_S, 3.91)]),
        (line(3.91, "supply"), None, []),
        (line(3910, unit="mV"), None, []),
        (line(3.91, unit="Cel"), None, []),
        (line(3.91, "urn:dev:x/supply"), None, []),
        (line(3.91, t=-20), None, [("shed-2", NOW_S - 20, 3.91)]),
        (line(3.91, bt=NOW_S - 5 * 86400), None, [("shed-2", NOW_S, 3.91)]),  # a clock that was never set
        (b'[{"n":"shed-2/supply","u":"V","vs":"low"}]', None, []),
        (line(3.91)[:-2], None, []),
        (line(3.91) + b" 00000000", None, []),
    ],
)
def test_a_supply_is_read_off_the_wire(sent: bytes, default: str | None, found: list[tuple[object, ...]]) -> None:
    """In V, under its bucket's name, at its time; and what is damaged or no voltage gives none."""
    decoded = Decoder().decode(sent, NOW_S, default_bucket=default)
    assert [tuple(one) for one in decoded.supplies] == found
    assert decoded.readings == ()


def test_it_comes_beside_readings_and_takes_nothing_from_them() -> None:
    pack = b'[{"bn":"shed-2/","bt":1773479990,"n":"core","u":"Cel","v":71},{"n":"supply","u":"V","v":3.9}]'
    decoded = Decoder().decode(pack, NOW_S)
    assert [(one.probe, one.temperature_c) for one in decoded.readings] == [("core", 71.0)]
    assert decoded.supplies == (Supply("shed-2", 1773479990.0, 3.9),)
    assert decoded.ignored == 0 and decoded.unfit == ()


def test_a_stored_message_without_a_time_is_no_news() -> None:
    assert Decoder().decode(line(3.1), NOW_S, retained=True).supplies == ()
    assert Decoder().decode(line(3.1, bt=NOW_S - 50.0), NOW_S, retained=True).supplies[0].time_s == NOW_S - 50.0


def test_names_without_end_take_no_memory_without_end() -> None:
    """Buckets are limited as for readings, and what the decoder remembers is, too."""
    buckets = KnownBuckets(["shed-2"])
    decoder, supplies = Decoder(takes=buckets.takes), Supplies(lambda _bucket: LIMITS)
    strange = 0
    for n in range(3 * MOST_STRANGERS):
        decoded = decoder.decode(line(3.9, f"invented-{n}/supply"), NOW_S)
        strange += decoded.strange
        for one in decoded.supplies:
            supplies.take(one, NOW_S)
    assert strange == 2 * MOST_STRANGERS and len(supplies.known(NOW_S)) == MOST_STRANGERS
    assert decoder.decode(line(3.9), NOW_S).supplies, "the one that was named still counts"
    open_to_all = Decoder()
    for n in range(MOST_PROBES_REMEMBERED + 50):
        open_to_all.decode(line(3.9, f"invented-{n}/supply"), NOW_S)
    assert len(open_to_all._nodes) == MOST_PROBES_REMEMBERED


# ---- when it is low --------------------------------------------------------------------------------------------------


def levels(volts: list[float], limits: SupplyLimits = LIMITS) -> list[str]:
    supplies, found = Supplies(lambda _bucket: limits), []
    for n, value in enumerate(volts):
        supplies.take(Supply("shed-2", NOW_S + 10.0 * n, value), NOW_S + 10.0 * n)
        known = supplies.known(NOW_S + 10.0 * n)
        found.append(known["shed-2"].level if known else WELL)
    return found


def test_a_battery_that_runs_down_is_low_and_then_dying() -> None:
    falling = [4.2 - 0.01 * n for n in range(130)]
    found = levels(falling)
    assert found[:60] == [WELL] * 60 and found[-1] == DYING
    assert [one for n, one in enumerate(found) if n == 0 or one != found[n - 1]] == [WELL, LOW, DYING]
    # The median of five lags by two values.
    assert falling[found.index(LOW)] == pytest.approx(3.6 - 0.03, abs=1e-9)


@given(odd=st.lists(st.integers(0, 59), min_size=1, max_size=10, unique=True), value=st.floats(0.01, 3.0))
def test_single_odd_values_never_count(odd: list[int], value: float) -> None:
    """Up to two of any five in a row may be anything."""
    apart = [n for n in odd if sum(n - VALUES < other <= n for other in odd) <= VALUES // 2 and n >= 3]
    if any(sum(n - VALUES < other <= n for other in apart) > VALUES // 2 for n in range(60)):
        return
    assert set(levels([value if n in apart else 3.9 for n in range(60)])) == {WELL}


def test_one_that_hovers_about_a_limit_changes_once() -> None:
    """Well again only some hundredths of a volt above; then it may fall again."""
    hovering = [3.58, 3.62, 3.59, 3.63, 3.57] * 10
    assert set(levels([3.5] * 3 + hovering)[2:]) == {LOW}
    assert levels([3.5] * 5 + [3.8] * 5)[-1] == WELL
    assert levels([3.1] * 5 + [3.25] * 5)[-1] == DYING and levels([3.1] * 5 + [3.35] * 5)[-1] == LOW


def test_nothing_measured_is_no_supply() -> None:
    """0 V, a minus, what no node has, and too few values: none of them is low, or anything."""
    assert set(levels([0.0] * 20)) == set(levels([-3.0] * 20)) == set(levels([400.0] * 20)) == {WELL}
    assert levels([3.0, 3.0]) == [WELL, WELL]
    assert set(levels([1.0] * 20, SupplyLimits(0.0, 0.0))) == {WELL}, "nobody wants to be told"


def test_an_old_value_is_no_news_and_one_that_came_twice_counts_once() -> None:
    supplies = Supplies(lambda _bucket: LIMITS)
    for n in range(10):
        supplies.take(Supply("shed-2", NOW_S - OLD_S - 100.0 + 10.0 * n, 3.0), NOW_S)
    assert not supplies.known(NOW_S)
    for _ in range(10):
        supplies.take(Supply("shed-2", NOW_S, 3.0), NOW_S)
    assert supplies.known(NOW_S)["shed-2"].level == WELL


def test_a_node_that_died_stays_low_for_a_day_also_over_a_restart() -> None:
    before = Supplies(lambda _bucket: LIMITS)
    for n in range(5):
        before.take(Supply("shed-2", NOW_S + n, 3.1), NOW_S + n)
    after = Supplies(lambda _bucket: LIMITS)
    after.load(json.loads(json.dumps(before.as_kept(NOW_S))))
    assert after.known(NOW_S + 3600.0)["shed-2"].level == DYING
    assert after.known(NOW_S + 3600.0)["shed-2"].volts == pytest.approx(3.1)
    assert not after.known(NOW_S + 25 * 3600.0)
