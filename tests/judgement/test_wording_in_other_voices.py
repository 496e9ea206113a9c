"""Alarms, verdicts and phone words in another voice: nothing stays English, nothing stays Celsius."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator

import pytest

from monitor.domain import ALARM_KINDS, STAGES, Condition, Estimate
from monitor.judgement import wording
from monitor.judgement.wording import BODY_MOST, TITLE_MOST, Message, lock_screen
from monitor.words import US, Voice, speaking

FACTS: dict[str, object] = {
    "temperature_c": 52.2, "direction": "falling", "rate_k_per_h": -9.0, "minutes_since_blend": 25.0,
    "good_low_c": 75.0, "good_high_c": 88.0, "cover": "bare", "lid": "on", "completeness": 0.4,
    "completeness_sd": 0.06, "final_completeness": 0.7, "final_completeness_sd": 0.05, "cause_probability": 0.7,
    "reblend_helps": False, "too_hot_in_min": 4.0, "limit_c": 95.0, "probe": "core", "problem": "open",
    "problem_since_min": 6.0, "last_good_c": 81.0, "silent_min": 20.0, "potash_left_g_l": (4.0, 9.0),
    "help_window_h": 2.0, "emergency_number": "112", "planned_dilution_h": 72.0, "unread_min": 45.0,
    "oil_to_spare_percent": (4.0, 10.0), "peak_min_after_blend": 33.0, "supply_v": 3.47,
    "supply_age_min": 20.0,
}  # fmt: skip
OTHERS: list[dict[str, object]] = [
    {},
    {"temperature_c": 91.0, "direction": "rising", "rate_k_per_h": 120.0, "cover": "box", "limit_c": 90.0},
    {"temperature_c": 66.0, "direction": "rising", "cover": "blanket", "lid": "off", "probe": "ambient"},
    {"temperature_reckoned": True, "suddenly_lost": True, "second_heat": True, "help_window_h": 0.0},
    {"temperature_c": None, "minutes_since_blend": 4000.0, "emergency_number": "", "cover": "", "lid": ""},
]
CAUSES = ("poor_blend", "split", "short_potash", "cold", "unknown")
OWN_PROBLEMS = ("disk", "journal", "worker", "clock", "mirror", "phone", "source", "broker", "supply", "backup", "")
ESTIMATE = Estimate(
    at_s=1000.0, completeness=0.4, completeness_sd=0.06, final_completeness=0.95, final_completeness_sd=0.03,
    self_heating_k=40.0, self_heating_sd_k=4.0, heat_released_kj=500.0, heat_released_sd_kj=50.0, heat_rate_w=20.0,
    heat_rate_sd_w=5.0, cooling_time_constant_s=4e4, cooling_time_constant_sd_s=4e3, mean_temperature_c=60.0,
    mean_temperature_sd_c=2.0, core_temperature_c=62.0, peak_c=88.0, peak_at_s=900.0,
    probabilities={"not_taken": 0.05}, assumed=("koh_kg", "no_ambient"),
)  # fmt: skip


def _messages() -> Iterator[Message]:
    for kind, cause, other, urgency in itertools.product(ALARM_KINDS, CAUSES, OTHERS, ("now", "daylight")):
        facts = {**FACTS, "cause": cause, **other}
        for problem in OWN_PROBLEMS if kind == "watch_fault" and cause == "cold" else ("disk",):
            facts["problem"] = problem if kind == "watch_fault" else "open"
            condition = Condition(kind, True, False, 0.9, urgency, facts=facts)
            yield wording.say(condition, batch="B 1", bucket="shed-2")
        if cause == "cold":
            yield wording.for_someone_else(condition, batch="B 1", bucket="shed-2", call="Wren")
            yield wording.back_to_normal(kind, bucket="shed-2", batch="B 1", lasted_min=5.0, condition=condition)
            ended = Condition(kind, False, True, 0.1, urgency, facts={**facts, "problem": "", "silent_min": 1.0})
            yield wording.back_to_normal(kind, bucket="shed-2", batch="B 1", lasted_min=None, condition=ended)
            yield wording.ask_what_was_done(kind, bucket="shed-2", batch="B 1", minutes=30.0)
            yield wording.has_not_answered(kind, bucket="shed-2", batch="B 1", who="Wren", emergency_number="112")
            yield wording.evening_message(ESTIMATE, bucket="shed-2", conditions=[condition], facts=facts)
            yield wording.verdict_message(ESTIMATE, bucket="shed-2", batch="B 1", kinds=[kind], facts=facts)
        for probability in (0.05, 0.5, 0.9):
            yield wording.took_message(ESTIMATE, bucket="shed-2", probability_not_taken=probability, facts=facts)
    yield wording.silent_together(["shed-2", "shed-2"], silent_min=33.0, source="Wren")
    yield wording.evening_message(ESTIMATE, bucket="shed-2")
    yield wording.evening_message(None, bucket="shed-2")
    yield wording.verdict_message(ESTIMATE, bucket="shed-2", batch="B 1")


def _texts(message: Message) -> list[str]:
    return [message.title, message.says, message.do, *message.short]


def _without_letters(text: str) -> str:
    return "".join(
        part if part.startswith("{") else re.sub("[A-Za-z]", "·", part) for part in re.split(r"(\{[^}]*\})", text)
    )


def test_no_english_word_is_left_where_every_text_is_translated() -> None:
    """A voice whose every text has dots for letters leaves only names, numbers and units."""
    dots = Voice(
        language="xx",
        translate=_without_letters,
        translate_in=lambda context, text: _without_letters(text),
        translate_many=lambda one, many, n: _without_letters(many),
    )
    with speaking(dots):
        texts = [text for message in _messages() for text in _texts(message)]
        texts += [wording.stage_words(stage) for stage in STAGES]
        texts += [wording.probe_words("core", problem, 7.0) for problem in ("open", "lost", "silent", "")]
        texts += [
            wording.alarm_words(state, quiet_until="22:40", seen_by="Wren", going=going)
            for state in ("normal", "unacknowledged", "acknowledged", "returned_unacknowledged")
            for going in (True, False)
        ]
    assert len(texts) > 2000
    english = {
        word for text in texts for word in re.findall(r"[A-Za-z]{2,}", re.sub(r"shed-2|Wren|core|ambient|°C", "", text))
    }
    assert english == set()


def test_in_us_units_no_degree_is_celsius_and_no_potash_in_grams() -> None:
    """Every figure goes through the reader's units, the fixed limits of the cautions too."""
    with speaking(Voice(units=US)):
        texts = [text for message in _messages() for text in _texts(message)]
    assert not [text for text in texts if "°C" in text or re.search(r"\b75\b|\bg in each litre", text)]
    assert any("Never blend or stir above 167 °F." in text for text in texts)
    assert any("at 167 to 190 now" in text for text in texts)
    assert any("Potash left: 0.53 to 1.20 oz/US gal" in text for text in texts)


@pytest.mark.parametrize("longer", [lambda text: text, lambda text: text.replace(". ", ", likewise and so on. ")])
def test_a_longer_language_still_fits_the_locked_screen(longer: Callable[[str], str]) -> None:
    """Title and body keep their bounds, whatever a translation does to the texts."""
    with speaking(Voice(language="xx", units=US, translate=longer)):
        screens = [lock_screen(message) for message in _messages()]
    assert all(len(screen.title) <= TITLE_MOST and len(screen.body) <= BODY_MOST for screen in screens)
