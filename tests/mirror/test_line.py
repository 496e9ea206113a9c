"""The line protocol: held against the examples of its reference and, for any text, against the client's own writer."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point

from monitor.mirror.line import head, line, text_field, time_ns

# InfluxDB 2 reference, "Line protocol": the examples of its sections "Special characters", "Elements" and "Data types".
EXAMPLES = [
    (("my Measurement", {}, {"fieldKey": "string value"}), r'my\ Measurement fieldKey="string value"'),
    (
        ("myMeasurement", {}, {"fieldKey": '"string" within a string'}),
        r'myMeasurement fieldKey="\"string\" within a string"',
    ),
    (
        ("myMeasurement", {"tag Key1": "tag Value1", "tag Key2": "tag Value2"}, {"fieldKey": 100.0}),
        r"myMeasurement,tag\ Key1=tag\ Value1,tag\ Key2=tag\ Value2 fieldKey=100.0",
    ),
    (("myMeasurement", {"tagKey": "🍭"}, {"fieldKey": "Launch 🚀"}), 'myMeasurement,tagKey=🍭 fieldKey="Launch 🚀"'),
    (
        ("myMeasurement", {"tag1": "value1", "tag2": "value2"}, {"fieldKey": "fieldValue"}),
        'myMeasurement,tag1=value1,tag2=value2 fieldKey="fieldValue"',
    ),
    (("myMeasurement", {}, {"fieldKey": 1.0}), "myMeasurement fieldKey=1.0"),
    (("myMeasurement", {}, {"fieldKey": -1.234456e78}), "myMeasurement fieldKey=-1.234456e+78"),
    (("myMeasurement", {}, {"fieldKey": True}), "myMeasurement fieldKey=true"),
    (("myMeasurement", {}, {"fieldKey": False}), "myMeasurement fieldKey=false"),
]  # fmt: skip


@pytest.mark.parametrize(("point", "told"), EXAMPLES)
def test_the_reference_writes_it_so(point: tuple[str, dict[str, str], dict[str, float | str]], told: str) -> None:
    """At the second of its own example of a timestamp."""
    assert line(*point, 1556813561.0) == f"{told} 1556813561000000000"


@pytest.mark.parametrize(
    ("text", "told"),
    [("a,b", r"a\,b"), ("a=b", r"a\=b"), ("a b", r"a\ b"), ("a\\", "a/"), ("a\nb\tc", r"a\ b\ c"), ('"q"', '"q"')],
)
def test_what_ends_a_part_is_escaped_in_a_tag(text: str, told: str) -> None:
    """Comma, equals sign and space (reference, "Special characters"); what no line can hold is put in other words."""
    assert head("m", {"bucket": text}) == f"m,bucket={told}"


@pytest.mark.parametrize("shown", [1, 2, 3, 4, 5])
def test_backslashes_in_a_text_come_back(shown: int) -> None:
    """Reference, "Escaping backslashes": of two the first escapes the second, so each is written as two."""
    assert text_field("\\" * shown) == '"' + "\\" * 2 * shown + '"'


def test_an_empty_tag_and_an_empty_point_are_left_out() -> None:
    """Reference: "Tag values cannot be empty", "Points must have at least one field"."""
    assert head("m", {"a": "", "b": " ", "c": "x"}) == "m,c=x"
    assert line("m", {}, {"a": None, "b": math.nan, "c": math.inf}, 0.0) is None


@pytest.mark.parametrize("beyond", [1e10, -1e10, math.inf, math.nan])
def test_a_time_that_cannot_be_said_makes_no_point(beyond: float) -> None:
    """Reference, "Unix timestamp": 64 bits of nanoseconds, 292 years either way."""
    assert line("m", {}, {"a": 1.0}, beyond) is None and time_ns(9_223_372_036.0) is not None


NAMES = st.text(st.characters(exclude_categories=["C", "Z"], exclude_characters="\\"), min_size=1)
SPACED = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"], exclude_characters="\\\xa0"), min_size=1).map(
    lambda text: text if text.isprintable() else "x"
).filter(lambda text: bool(text.strip()))  # fmt: skip


@given(NAMES, SPACED, st.text(), st.floats(allow_nan=False, allow_infinity=False), st.booleans())
def test_it_says_the_same_as_the_clients_own_writer(tag: str, value: str, text: str, number: float, yes: bool) -> None:
    """For any names and values; but for the ".0" that the client cuts off, which is the same number."""
    ours = line("m", {tag: value}, {"f": number, "y": yes}, 5.0)
    point = Point("m").tag(tag, value).field("f", number).field("y", yes).time(5_000_000_000)
    assert ours is not None and ours.replace(".0,y", ",y") == point.to_line_protocol()
    if text.isprintable():
        theirs = Point("m").field("t", text).time(0).to_line_protocol()
        assert theirs == f"m t={text_field(text)} 0" or len(text) > 4000


@given(st.floats(0, 4e9), st.floats(0, 4e9))
def test_times_that_differ_stay_apart(one: float, other: float) -> None:
    """To the last bit: two readings of one probe are two points."""
    assert (time_ns(one) == time_ns(other)) == (one == other) or abs(one - other) < 1e-9


@given(st.text(), st.text())
def test_no_text_ends_a_line(name: str, text: str) -> None:
    """Whatever is in a name or a text, a point is one line."""
    said = line("m", {"t": name}, {"f": text}, 1.0)
    assert said is not None and len(said.splitlines()) == 1
