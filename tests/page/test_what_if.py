"""What is typed into "would it have rung?": read as it is meant, or told in one sentence beside its field."""

from __future__ import annotations

import pytest

from monitor.page.what_if_form import read_trial, typed_of
from monitor.page.what_if_view import SOONER, Trial, TriedPerson

PRESENT = Trial(123.4, (TriedPerson("Ash", 420, 1320), TriedPerson("Wren", 480, 1380)))


def test_what_is_not_touched_is_tried_as_it_stands() -> None:
    """The height too, though its field shows it without its decimals."""
    assert typed_of(PRESENT)["altitude"] == "123"
    assert read_trial(typed_of(PRESENT), PRESENT) == (PRESENT, {})


def test_order_hours_height_and_sureness_are_read() -> None:
    """Place 0 is not rung; feet are feet."""
    typed = {"altitude": "4000 ft", "place-0": "0", "place-1": "1", "hours-0": "07:00-22:00", "sure": SOONER}
    trial, wrong = read_trial({**typed, "hours-1": "6.30 - 18:00"}, PRESENT)
    assert wrong == {} and trial is not None
    assert trial.altitude_m == pytest.approx(1219.2)
    assert trial.people == (TriedPerson("Wren", 390, 1080),)
    assert trial.sureness == SOONER


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("altitude", "7000 m"), ("altitude", "high"), ("hours-0", "7 o'clock"), ("hours-0", "07:00-07:00"),
        ("hours-1", "07:00-25:00"), ("hours-1", "07:75-22:00"), ("place-0", "first"), ("sure", "never"),
    ],
)  # fmt: skip
def test_a_slip_is_told_beside_its_field_alone(field: str, typed: str) -> None:
    """Nothing is tried with half of what was meant."""
    trial, wrong = read_trial({**typed_of(PRESENT), field: typed}, PRESENT)
    assert trial is None
    assert list(wrong) == [field]
