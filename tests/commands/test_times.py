"""Times as people type them, also in the nights in which the clocks change.

Clock changes: the tz database's Europe/Berlin (2026-03-29 01:00 UTC forward, 2026-10-25 01:00 UTC back) and
Australia/Lord_Howe, which moves by half an hour.
"""

from __future__ import annotations

import os
import time
import zoneinfo
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.commands.times import OLDEST_S, TimeError, parse_span_s, parse_when

BERLIN = zoneinfo.ZoneInfo("Europe/Berlin")
LORD_HOWE = zoneinfo.ZoneInfo("Australia/Lord_Howe")
# Saturday 17 January 2026, 22:00 UTC, 23:00 in Berlin.
NOW_S = datetime(2026, 1, 17, 22, 0, tzinfo=UTC).timestamp()


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("now", "2026-01-17 22:00"),
        ("an hour ago", "2026-01-17 21:00"),
        ("half an hour ago", "2026-01-17 21:30"),
        ("1 h 30 min ago", "2026-01-17 20:30"),
        ("2 hours and 5 minutes ago", "2026-01-17 19:55"),
        ("90min ago", "2026-01-17 20:30"),
        ("1,5 h ago", "2026-01-17 20:30"),
        ("two days ago", "2026-01-15 22:00"),
        ("07:30", "2026-01-17 06:30"),
        ("7.30", "2026-01-17 06:30"),
        ("7:30 am", "2026-01-17 06:30"),
        ("9:30 pm", "2026-01-17 20:30"),
        ("9pm", "2026-01-17 20:00"),
        ("12:15 am", "2026-01-16 23:15"),
        ("today 07:30", "2026-01-17 06:30"),
        ("yesterday 21:30", "2026-01-16 20:30"),
        ("yesterday at 21:30", "2026-01-16 20:30"),
        ("21:30 yesterday", "2026-01-16 20:30"),
        ("23:30", "2026-01-16 22:30"),  # half an hour ahead: last night
        ("  Yesterday   21:30 ", "2026-01-16 20:30"),
        ("2026-01-17 18:05", "2026-01-17 17:05"),
        ("2026-01-17T18:05:30", "2026-01-17 17:05:30"),
        ("2026-01-17T18:05Z", "2026-01-17 18:05"),
        ("2026-01-17 18:05+00:00", "2026-01-17 18:05"),
    ],
)
def test_a_time_is_read_as_a_person_means_it(text: str, expected: str) -> None:
    """In Berlin, an hour ahead of UTC in January."""
    assert parse_when(text, NOW_S, BERLIN) == utc(expected)


@pytest.mark.parametrize(
    "text",
    ["", "soon", "7", "25:10", "10:75", "13:00 pm", "2026-02-30 10:00", "ago", "-5 min ago", "2026-01-17",
     "0001-01-01 00:00", "yesterday", "noonish", "5 parsecs ago", "1e9 h ago", "١٢:٣٠ ago"],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_examples(text: str) -> None:
    """One sentence that shows how to write it."""
    with pytest.raises(TimeError, match="write for example"):
        parse_when(text, NOW_S, BERLIN)


@pytest.mark.parametrize("text", ["today 23:30", "2026-01-17 23:30", "2026-03-01 10:00", "9999-12-31 23:59"])
def test_the_future_is_refused(text: str) -> None:
    """What has not happened cannot be noted."""
    with pytest.raises(TimeError, match="future"):
        parse_when(text, NOW_S, BERLIN)


def test_a_clock_that_is_a_minute_ahead_is_taken_as_now() -> None:
    """A clock on the wall is rarely right to the second."""
    assert parse_when("23:01", NOW_S, BERLIN) == NOW_S


@pytest.mark.parametrize("text", ["8 days ago", "2025-01-17 18:05", "999999999 h ago"])
def test_more_than_a_week_ago_is_a_slip(text: str) -> None:
    """A batch takes four days."""
    with pytest.raises(TimeError, match="more than a week ago"):
        parse_when(text, NOW_S, BERLIN)


# ---- the clocks change ----

FORWARD_S = utc("2026-03-29 01:00")
BACK_S = utc("2026-10-25 01:00")


def test_an_hour_ago_is_an_hour_ago_over_a_clock_change() -> None:
    """Half an hour after the change the wall clock differs by two hours, or by none; time does not."""
    for change_s in (FORWARD_S, BACK_S):
        assert parse_when("an hour ago", change_s + 1800.0, BERLIN) == change_s - 1800.0


def test_yesterday_evening_is_right_the_morning_after_a_clock_change() -> None:
    """21:30 of the evening before was still on the old time."""
    assert parse_when("yesterday 21:30", FORWARD_S + 7 * 3600.0, BERLIN) == utc("2026-03-28 20:30")
    assert parse_when("yesterday 21:30", BACK_S + 7 * 3600.0, BERLIN) == utc("2026-10-24 19:30")


def test_an_hour_that_never_was_is_refused() -> None:
    """On 29 March 2026 it was never 02:30 in Berlin."""
    with pytest.raises(TimeError, match="never was"):
        parse_when("02:30", FORWARD_S + 7 * 3600.0, BERLIN)


def test_an_hour_that_came_twice_is_the_later_one_that_has_been() -> None:
    """On 25 October 2026 it was 02:30 at 00:30 UTC and again at 01:30 UTC."""
    assert parse_when("02:30", utc("2026-10-25 06:00"), BERLIN) == utc("2026-10-25 01:30")
    assert parse_when("02:30", utc("2026-10-25 00:45"), BERLIN) == utc("2026-10-25 00:30")


def test_a_change_of_half_an_hour_is_no_different() -> None:
    """Lord Howe Island goes from +10:30 to +11 on 4 October 2026, at 02:00 local time."""
    with pytest.raises(TimeError, match="never was"):
        parse_when("02:15", utc("2026-10-04 00:00"), LORD_HOWE)
    assert parse_when("01:45", utc("2026-10-04 00:00"), LORD_HOWE) == utc("2026-10-03 15:15")


def test_without_a_named_zone_the_system_s_own_rules_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """The computer's own zone knows its clock changes, too."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        assert parse_when("yesterday 21:30", BACK_S + 7 * 3600.0, None) == utc("2026-10-24 19:30")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert os.environ.get("TZ") != "Europe/Berlin"


@given(st.text(max_size=40), st.floats(1.7e9, 2.0e9), st.sampled_from([None, BERLIN, LORD_HOWE, UTC]))
def test_any_text_gives_a_time_in_the_last_week_or_a_sentence(text: str, now_s: float, zone: object) -> None:
    """Nothing else, whatever is typed."""
    try:
        when_s = parse_when(text, now_s, zone)  # type: ignore[arg-type]
    except TimeError as error:
        assert str(error).endswith(".")
    else:
        assert now_s - OLDEST_S <= when_s <= now_s


@given(st.integers(0, 23), st.integers(0, 59), st.integers(0, 400 * 24 * 60), st.sampled_from([BERLIN, LORD_HOWE]))
def test_a_time_of_day_is_the_last_time_the_clock_showed_it(
    hour: int, minute: int, after_min: int, zone: zoneinfo.ZoneInfo
) -> None:
    """On every minute of a year: not in the future, less than 25 hours ago, and the wall showed it then."""
    now_s = NOW_S + 60.0 * after_min
    try:
        when_s = parse_when(f"{hour}:{minute:02d}", now_s, zone)
    except TimeError as error:
        assert "never was" in str(error)
        return
    wall = datetime.fromtimestamp(when_s, zone)
    assert 0.0 <= now_s - when_s < 25 * 3600.0
    assert (wall.hour, wall.minute) == (hour, minute) or now_s == when_s


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [("2h", 7200), ("90 min", 5400), ("half an hour", 1800), ("1 h 30 min", 5400), ("an hour", 3600), ("45m", 2700),
     ("1 day", 86400), ("30 s", 30)],
)  # fmt: skip
def test_a_span_is_read(text: str, expected_s: float) -> None:
    """As a person says it."""
    assert parse_span_s(text) == expected_s


@pytest.mark.parametrize("text", ["", "long", "5", "min", "2 h and", "2 h an", "-2 h", "2 fortnights", "½ h"])
def test_what_is_no_span_is_refused(text: str) -> None:
    """With examples."""
    with pytest.raises(TimeError, match="no length of time"):
        parse_span_s(text)
