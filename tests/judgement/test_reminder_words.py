"""The words of reminders, held against a locked phone, the cautions of their deeds and the forbidden words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import combinations

import pytest

from monitor.domain import LOG_KINDS
from monitor.judgement.messages import BODY_MOST, TITLE_MOST, Message, forbidden_in, lock_screen
from monitor.judgement.reminder_words import cautions_of, reminder_message
from monitor.judgement.summaries import evening_message, took_message
from monitor.trade.making import caution_keys_for, cautions_for, short_cautions_for
from monitor.trade.reminders import Reminder
from monitor.words import Voice, speaking

BUCKET = "the-far-shed-behind-the-hedge-3"
DEED_OF = {
    "probe-in": "probe", "taken": "look", "evening": None, "day-one": "look", "day-three": "look", "not-yet": "look",
    "water": "dilute", "second-water": "dilute", "stir": "dilute", "lumps": "dilute", "test": "test", "fill": "fill",
}  # fmt: skip
WHY = "it will likely fall short: 21 °C and steady, 70 h after blending."


def _due(step: str) -> Reminder:
    return Reminder(step, 0.0, 1.0, False, step, DEED_OF[step], 3 if step == "stir" else 0)


def _message(*steps: str, bucket: str = BUCKET) -> Message:
    facts = {"temperature_c": 52.0, "direction": "falling", "minutes_since_blend": 20.0}
    return reminder_message(
        [_due(step) for step in steps],
        bucket=bucket,
        took=took_message(None, bucket=bucket, probability_not_taken=0.95, facts=facts),
        evening=evening_message(None, bucket=bucket),
        why_not_yet=WHY,
    )


@contextmanager
def _long_winded() -> Iterator[None]:
    """A language in which everything takes a third more than in English, as it does in many."""

    def translate(text: str) -> str:
        return text + " " + "x" * (len(text) // 3)

    with speaking(Voice("xx", "us", translate, lambda _, text: translate(text), lambda one, *_: translate(one))):
        yield


@contextmanager
def _english() -> Iterator[None]:
    yield


@pytest.mark.parametrize("voice", [_english, _long_winded])
@pytest.mark.parametrize("steps", [*((step,) for step in DEED_OF), *combinations(DEED_OF, 2), tuple(DEED_OF)])
def test_every_reminder_fits_a_locked_phone_and_ends_with_its_caution(
    steps: tuple[str, ...], voice: Callable[[], Iterator[None]]
) -> None:
    """40 and 180 characters; the last sentence is a caution of the deed; nothing on it is a forbidden word."""
    with voice():  # type: ignore[attr-defined]
        message = _message(*steps)
        screen = lock_screen(message)
        cautions = [line for deed in message.deeds for line in short_cautions_for(deed)]
    assert len(screen.title) <= TITLE_MOST and len(screen.body) <= BODY_MOST
    assert screen.title.startswith("the-far") and "the-far" in screen.body
    if steps == ("evening",):
        assert "visor and gloves" in screen.body  # its own words say in what gear
    else:
        end = message.short[-1].rstrip("…")
        assert screen.body.endswith(message.short[-1]) and any(line.startswith(end.strip()) for line in cautions)
    for text in (screen.title, screen.body, message.says, message.do):
        assert forbidden_in(text) == ()


@pytest.mark.parametrize("step", [step for step, deed in DEED_OF.items() if deed and step != "taken"])
def test_a_message_brings_the_full_cautions_of_its_deed(step: str) -> None:
    """All of them, with the emergency number, and that the data sheet comes first."""
    found = cautions_of(_message(step), "112")
    told = (DEED_OF[step] or "", *{"day-one": ["blend"], "day-three": ["dilute"]}.get(step, []))
    assert set(found) == {line for deed in told for line in cautions_for(deed, "112")}
    assert any("112" in line for line in found)
    assert "come first" in found[-1]


def test_cautions_of_several_deeds_stand_once_each() -> None:
    """Those of each deed, first aid once, and last of all what they defer to."""
    found = cautions_of(_message("day-one", "stir", "test"), "112")
    assert len(set(found)) == len(found)
    assert set(found) == {line for deed in ("look", "blend", "dilute", "test") for line in cautions_for(deed, "112")}
    assert "come first" in found[-1]


@pytest.mark.parametrize("step", [step for step in DEED_OF if step not in ("taken", "evening")])
def test_a_reminder_says_how_to_note_its_deed(step: str) -> None:
    """With a word that the log knows; so it can be answered from where it is read."""
    noted = _message(step).do.rpartition("Then note it: ")[2].rstrip(".")
    assert noted in LOG_KINDS


def test_the_words_of_each_step() -> None:
    """What stands on the phone, in full, for some of them."""
    assert lock_screen(_message("stir", bucket="shed-2")) == (
        "shed-2: stir",
        "shed-2: stir, time 3 of 6. Goggles and gloves; corners can hide lye. Low speed; never into a drink bottle.",
    )
    assert lock_screen(_message("day-one", "second-water", bucket="shed-2")).title == "shed-2: 2 things to do"
    assert WHY in _message("not-yet").says and "do not dilute yet" in _message("not-yet").says
    late = _message("lumps")
    assert "a reminder, not an alarm" in late.do


def test_has_it_taken_speaks_with_the_tools_own_verdict() -> None:
    """Not taken and below 75 °C: blend again, with the cautions of blending, not those of a look."""
    message = _message("taken", bucket="shed-2")
    assert message.title == "shed-2: has not taken"
    assert "blend again" in message.do
    caution = short_cautions_for("blend")[caution_keys_for("blend").index("blending")]
    assert lock_screen(message).body.endswith(caution)
    assert set(cautions_for("blend", "112")) <= set(cautions_of(message, "112"))


def test_several_at_once_are_one_message_with_each_deed_named() -> None:
    """The verdict first; then what else is to be done, each with its sentence."""
    message = _message("taken", "stir", "second-water", bucket="shed-2")
    assert message.title == "shed-2: has not taken"
    for words in ("has not taken", "stir, time 3 of 6", "add the other half"):
        assert words in message.do
