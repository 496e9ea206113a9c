"""The maker's words: what each alarm must say, what it must never say, and how it fits a locked phone."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import ALARM_KINDS, BATCH_ALARM_KINDS, STAGES, Condition, Estimate
from monitor.judgement import wording
from monitor.judgement.phrases import Facts, percent_with_range, potash_left
from monitor.judgement.wording import (
    BODY_MOST,
    TITLE_MOST,
    Message,
    alarm_words,
    ask_what_was_done,
    back_to_normal,
    evening_message,
    for_someone_else,
    forbidden_in,
    has_not_answered,
    lock_screen,
    probe_words,
    say,
    silent_together,
    stage_words,
    took_message,
    verdict_message,
    verdict_text,
)

CAUSES = ("poor_blend", "split", "short_potash", "cold", "unknown")
TYPICAL: dict[str, object] = {
    "temperature_c": 52.2, "direction": "falling", "rate_k_per_h": -9.0, "minutes_since_blend": 25.0,
    "minutes_since_pour": 40.0, "hours_since_pour": 0.67, "good_low_c": 75.0, "good_high_c": 88.0, "cover": "bare",
    "lid": "on", "completeness": 0.4, "completeness_sd": 0.06, "final_completeness": 0.7,
    "final_completeness_sd": 0.05, "cause_probability": 0.7, "reblend_helps": True, "too_hot_in_min": 4.0,
    "limit_c": 95.0, "probe": "core", "problem": "open", "problem_since_min": 6.0, "last_good_c": 81.0,
    "silent_min": 20.0, "potash_left_g_l": (4.0, 9.0), "help_window_h": 2.0, "emergency_number": "112",
}  # fmt: skip
HOT = {**TYPICAL, "temperature_c": 91.0, "direction": "rising", "rate_k_per_h": 120.0, "cover": "box"}
LATE = {**TYPICAL, "temperature_c": 24.0, "direction": "steady", "minutes_since_blend": 4000.0}


def found(kind: str, facts: Mapping[str, object], urgency: str = "now") -> Condition:
    return Condition(kind, standing=True, gone=False, probability=0.9, urgency=urgency, facts=facts)


def all_text(message: Message) -> str:
    screen = lock_screen(message)
    return " ".join([message.title, message.says, message.do, *message.short, screen.title, screen.body])


def assert_fit_to_print(message: Message) -> None:
    text = all_text(message)
    assert forbidden_in(text) == ()
    assert not re.search(r"\bNone\b|\bnan\b|\binf\b|  |\( *\)|,\.|\.\.| \.", text), text
    assert re.fullmatch(r"[a-z_]+\.[a-z_]+", message.message_id)
    screen = lock_screen(message)
    assert 0 < len(screen.title) <= TITLE_MOST
    assert 0 < len(screen.body) <= BODY_MOST
    assert screen.body.endswith((".", "?", "…"))


@pytest.mark.parametrize("urgency", ["now", "daylight"])
@pytest.mark.parametrize(("name", "facts"), [("typical", TYPICAL), ("hot", HOT), ("late", LATE)])
@pytest.mark.parametrize(("kind", "cause"), list(itertools.product(ALARM_KINDS, CAUSES)))
def test_every_alarm_says_where_how_warm_what_to_do_and_with_what_gear(
    kind: str, cause: str, name: str, facts: dict[str, object], urgency: str
) -> None:
    """Each kind with each cause names the bucket, the degrees, the deed and the gear, and no forbidden word."""
    message = say(found(kind, {**facts, "cause": cause}, urgency), batch="Quillmarsh 12", bucket="shed-2")
    assert_fit_to_print(message)
    assert message.message_id.startswith(kind + ".")
    assert "shed-2" in message.says and "shed-2" in message.title
    assert message.do
    screen = lock_screen(message)
    assert "shed-2" in screen.body
    if kind != "watch_fault":
        degrees = re.search(r"(\d+) °C", message.says)
        assert degrees
        assert "loves" in message.do and ("isor" in message.do or "oggles" in message.do)
        assert re.search(r"blend|look|cover|leave|stir", message.do, re.IGNORECASE)
    if kind in BATCH_ALARM_KINDS:
        assert f"{facts['temperature_c']:.0f} °C and {facts['direction']}" in message.says
        assert "after blending" in message.says and "a good one stands at 75 to 88" in message.says
        assert "Last noted:" in message.says
        assert f"{facts['temperature_c']:.0f} °C" in screen.body
        assert len(lock_screen(message).body) > len(message.short[0]), "the deed must fit the locked screen too"


@pytest.mark.parametrize("kind", BATCH_ALARM_KINDS)
@pytest.mark.parametrize("temperature_c", [75.0, 80.0, 94.0])
def test_nobody_is_told_to_blend_hot_paste(kind: str, temperature_c: float) -> None:
    """From 75 °C on no text tells to blend or stir now: it reacts by itself and spits (common practice)."""
    message = say(
        found(kind, {**TYPICAL, "temperature_c": temperature_c, "cause": "poor_blend"}), batch="b", bucket="s"
    )
    assert not re.search(r"[Bb]lend(?: again)? (?:about )?5 min|probe out, blend|blend again:", all_text(message))
    assert re.search(r"[Dd]o not blend", all_text(message))


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "incomplete", "separated"])
@pytest.mark.parametrize("facts", [{"cause": "short_potash", "reblend_helps": True}, {"cause": "weak_potash"}])
@pytest.mark.parametrize("temperature_c", [24.0, 52.0, 80.0])
def test_short_potash_is_never_answered_with_blending(
    kind: str, temperature_c: float, facts: dict[str, object]
) -> None:
    """Blending does not help a batch that is short of potash, however warm; the correction is lye, half, wait, test."""
    message = say(found(kind, {**TYPICAL, "temperature_c": temperature_c, **facts}), batch="b", bucket="shed-2")
    text = all_text(message)
    assert message.message_id == f"{kind}.short_potash"
    assert not re.search(
        r"blend (?:again )?(?:about )?5 min|blend again(?! for)|blend once", text.replace("not blend", "")
    )
    for words in ("blending does not help", "cold clear lye", "half of what is missing", "wait a day, test",
                  "all the water first", "small portions", "never water onto potash or boiling lye, it erupts",
                  "tilt the far edge first" if kind != "cooled_early" else "Lid laid on loosely"):  # fmt: skip
        assert words in message.do
    assert "correct" in message.deeds


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "incomplete", "separated"])
def test_a_doubt_whether_blending_helps_is_not_told_as_short_potash(kind: str) -> None:
    """The likely cause and the advice are one: where the heat is in doubt the look decides, and it says so."""
    facts = {**TYPICAL, "cause": "poor_blend", "cause_probability": 0.4, "reblend_helps": False}
    message = say(found(kind, facts), batch="b", bucket="shed-2")
    assert message.message_id == f"{kind}.blend"
    assert "does not tell whether blending again would help" in message.do and "where potash is short" in message.do
    assert "hort of potash" not in message.says + " ".join(message.short)


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "incomplete", "separated"])
def test_hot_paste_is_told_what_comes_when_it_has_cooled(kind: str) -> None:
    """A message is read once: above 75 °C it also says what to look for below, with every caution of the blending."""
    message = say(found(kind, {**HOT, "temperature_c": 78.0, "cause": "poor_blend"}), batch="b", bucket="shed-2")
    assert message.message_id == f"{kind}.hot"
    for words in ("Do not blend or stir: above 75 °C", "Look again when it is below 75 °C, not before", "Probe out",
                  "at most half full", "residual-current", "tilt the far edge first", "in the eyes"):  # fmt: skip
        assert words in message.do, words
    assert "cover it" not in message.do, "nothing is put round paste that is hot and still rises"
    by_wall = say(found(kind, {**TYPICAL, "temperature_c": 68.0, "hottest_c": 80.0}), batch="b", bucket="shed-2")
    assert by_wall.message_id == f"{kind}.hot", "another part of the paste counts too"


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "separated"])
@pytest.mark.parametrize("facts", [{"temperature_c": 70.0, "direction": "rising"}, {"temperature_c": None}])
def test_the_locked_screen_tells_to_blend_only_below_75_degrees(kind: str, facts: dict[str, object]) -> None:
    """Paste on its way up is hotter when somebody stands there; and of unknown heat nobody may assume the best."""
    message = say(found(kind, {**TYPICAL, **facts, "cause": "poor_blend"}), batch="b", bucket="shed-2")
    body = lock_screen(message).body
    assert re.search(r"[Bb]elow 75 °C", body) and "blend" in body and "cover" not in body


def test_what_is_rung_for_in_doubt_reads_like_doubt() -> None:
    """An alarm rings from a probability of 0.3 on; its words are as sure as it is."""
    facts = {**TYPICAL, "limit_c": 45.0}
    for kind, sure, maybe in (
        ("not_taken", "shed-2 has not taken", "shed-2 may not have taken"),
        ("cooled_early", "shed-2 will cool too early", "shed-2 may cool too early"),
        ("incomplete", "shed-2 will fall short", "shed-2 may fall short"),
        ("separated", "shed-2 has likely split", "shed-2 may have split"),
    ):
        said = {
            p: say(Condition(kind, True, False, p, "now", facts=facts), batch="b", bucket="shed-2")
            for p in (0.35, 0.95)
        }
        for p, words in ((0.95, sure), (0.35, maybe)):
            assert said[p].says.startswith(words) and lock_screen(said[p]).body.startswith(words)
            assert_fit_to_print(said[p])


def test_no_good_batch_is_said_to_stand_where_an_alarm_is_due() -> None:
    """What a good one shows ends below 95 °C; where the degrees alone fit a good one, it says so."""
    wide = {**TYPICAL, "temperature_c": 77.0, "good_low_c": 54.0, "good_high_c": 106.0}
    says = say(found("not_taken", wide), batch="b", bucket="shed-2").says
    assert "a good one stands at 54 to 95 now" in says and "degrees alone would fit a good one" in says
    assert "degrees alone" not in say(found("not_taken", TYPICAL), batch="b", bucket="shed-2").says


def test_a_reckoned_temperature_is_not_told_as_a_reading() -> None:
    """Where no probe reads the paste the model's figure is named as reckoned, on the locked screen too."""
    message = say(found("cooled_early", {**TYPICAL, "temperature_reckoned": True}), batch="b", bucket="shed-2")
    assert "no probe reads the paste, by reckoning about 52 °C" in message.says
    assert "no reading, by reckoning 52 °C" in lock_screen(message).body
    hot = say(found("too_hot", {**HOT, "temperature_c": 96.0, "temperature_reckoned": True}), batch="b", bucket="s")
    assert hot.says.startswith("s may be too hot: no probe reads the paste") and hot.message_id == "too_hot.forecast"


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "incomplete", "separated"])
def test_a_blend_comes_with_its_cautions(kind: str) -> None:
    """Where a text tells to blend it carries every caution that belongs to blending and opening."""
    message = say(found(kind, {**TYPICAL, "cause": "poor_blend"}), batch="b", bucket="shed-2")
    assert message.message_id == f"{kind}.blend"
    for words in (
        "Visor", "gloves", "long sleeves", "clean water within reach", "Probe out first", "at most half full",
        "no aluminium, zinc or tin", "residual-current device", "Head under the surface before it starts",
        "above 75 °C", "Probe back in", "stand aside, tilt the far edge first", "never clipped", "Splash in the eyes",
        "up to 30 minutes", "call 112", "no vinegar",
    ):  # fmt: skip
        assert words in message.do, words
    assert "blend" in message.deeds
    assert "safe" not in message.do.lower()
    if kind != "not_taken":
        assert "cut it up and use a slow drill" in message.do
        assert "not lost" in message.do and "too late" not in message.do


def test_the_deciding_moment_says_what_the_trade_asks() -> None:
    """A blend that has not taken: degrees, minutes, what a good one shows; runny is blended, stiff is left."""
    message = say(found("not_taken", {**TYPICAL, "cause": "poor_blend"}), batch="b", bucket="shed-2")
    assert message.says.startswith(
        "shed-2 has not taken: 52 °C and falling 9 °C an hour, 25 min after blending; "
        "a good one stands at 75 to 88 now."
    )
    assert "Likely, not surely: the blend was poor" in message.says
    assert "Oil on top or runny: blend 5 minutes" in message.do
    assert "Stiff as butter: do not blend, leave it, cover it." in message.do
    assert "Easy for about 2 h more" in message.do or "Easy for about 120 min more" in message.do
    screen = lock_screen(message)
    assert screen.title == "shed-2: has not taken"
    assert screen.body == (
        "shed-2 has not taken: 52 °C and falling, 25 min after blending. "
        "Visor, gloves. Oil on top or runny: probe out, blend 5 min. Stiff as butter: cover it."
    )


def test_a_boil_over_keeps_people_away_and_adds_no_water() -> None:
    """Too hot: away from it, no water, no stirring, cover off from outside, lid loose, and what to do with a spill."""
    for facts, form in ((HOT, "forecast"), ({**HOT, "temperature_c": 96.0}, "now"),
                        ({**HOT, "second_heat": True}, "second_heat")):  # fmt: skip
        message = say(found("too_hot", facts), batch="b", bucket="shed-2")
        assert message.message_id == f"too_hot.{form}"
        for words in ("keep people and animals away", "pour no water in", "Do not blend, stir or move", "never clipped",
                      "stay back until that stops", "sand", "not into drain", "take blanket or box off"):  # fmt: skip
            assert words in message.do, words
    assert "4 min" in say(found("too_hot", HOT), batch="b", bucket="s").says
    assert "second heat" in message.says


def test_a_hot_probe_that_is_suddenly_lost_is_taken_for_a_boil_over() -> None:
    """A hot probe that suddenly reads air may have been pushed out: look from the door first."""
    facts = {**HOT, "suddenly_lost": True, "problem": "out_of_paste"}
    message = say(found("sensor_fault", facts), batch="b", bucket="shed-2")
    assert message.message_id == "sensor_fault.hot_lost"
    assert "pushed out by paste: there may be hot caustic on the floor" in message.says
    assert message.do.startswith("Look from the door first.")
    assert "look from the door first" in lock_screen(message).body


@pytest.mark.parametrize("kind", ["sensor_fault", "silent"])
def test_no_reading_is_never_shown_as_well(kind: str) -> None:
    """A missing sensor says that the heat is not known and what the last reading was, and to look."""
    message = say(found(kind, TYPICAL), batch="b", bucket="shed-2")
    assert "not known" in message.says and "81 °C" in message.says
    assert re.search(r"look at the bucket", message.do, re.IGNORECASE)
    assert "well" not in message.says


def test_the_air_probe_is_told_as_the_lesser_trouble() -> None:
    """A lost ambient probe leaves the batch watched, less surely."""
    message = say(found("sensor_fault", {**TYPICAL, "probe": "ambient"}, "daylight"), batch="b", bucket="shed-2")
    assert message.message_id == "sensor_fault.ambient"
    assert "still watched, less surely" in message.says


def test_whether_it_may_wait_is_said() -> None:
    """May it wait until morning: yes, no, or by its urgency when nobody has said."""
    for wait, urgency, words in ((True, "now", "It may wait until morning."), (False, "now", "should not wait"),
                                 (None, "daylight", "It may wait until morning.")):  # fmt: skip
        message = say(
            found("cooled_early", {**TYPICAL, "can_wait_until_morning": wait}, urgency), batch="b", bucket="s"
        )
        assert words in message.do
    assert "half asleep or alone: leave it shut" in say(found("cooled_early", TYPICAL), batch="b", bucket="s").do


def test_how_far_it_went_is_never_given_without_its_range() -> None:
    """A share without its spread is left out; with it the range holds 90 % (1.645 sd, any table of the normal)."""
    assert percent_with_range(0.62, 0.05) == "about 62 % (54 to 70)"
    assert percent_with_range(0.62, None) == percent_with_range(None, 0.05) == percent_with_range(math.nan, 0.1) == ""
    assert percent_with_range(0.99, 0.02) == "about 99 % (96 to 100)"
    assert percent_with_range(0.5, 0.4) == "somewhere between 0 and 100 %"
    bare = {name: value for name, value in TYPICAL.items() if not name.endswith("_sd")}
    for kind in ("cooled_early", "incomplete", "separated"):
        assert "%" not in all_text(say(found(kind, bare), batch="b", bucket="s"))


def test_potash_left_stands_apart_as_a_range() -> None:
    """Potash left is g/L after dilution, as a range, and says on what it rests."""
    assert "4.0 to 9.0 g in each litre" in potash_left(Facts(TYPICAL))
    assert "up to 2.0 g" in potash_left(Facts({"potash_left_g_l": (-1.0, 2.0)}))
    assert potash_left(Facts({"potash_left_g_l": (math.nan, 2.0)})) == ""


@pytest.mark.parametrize("kind", ALARM_KINDS)
def test_someone_who_knows_nothing_is_told_to_look_only(kind: str) -> None:
    """The second person's text: look only, keep people and animals away, and whom to call, all on the locked screen."""
    message = for_someone_else(found(kind, HOT), batch="b", bucket="shed-2", call="Wren, 0555 0100")
    assert_fit_to_print(message)
    screen = lock_screen(message)
    assert screen.body.startswith("Look only. Do not open or touch. Keep people and animals away.")
    assert "shed-2" in screen.body and "Call Wren, 0555 0100." in screen.body
    assert not re.search(r"blend|cover|stir|lid", all_text(message))
    assert_fit_to_print(for_someone_else(found(kind, {}), batch="b", bucket="", call=""))


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("silent", {**TYPICAL, "silent_min": 40.0}),
        ("sensor_fault", TYPICAL),
        ("too_hot", {"minutes_since_blend": 9.0}),
        ("too_hot", {**TYPICAL, "temperature_reckoned": True}),
        ("not_taken", {**TYPICAL, "temperature_reckoned": True}),
    ],
)
def test_an_alarm_that_ends_without_a_reading_is_not_back_to_normal(kind: str, facts: dict[str, object]) -> None:
    """Still silent, still broken, or hot and unread: the alarm may end, but nothing says that all is well."""
    ended = back_to_normal(kind, bucket="shed-2", batch="b", condition=Condition(kind, False, True, 0.0, facts=facts))
    assert "is over" in ended.says and "does not say that all is well" in ended.do
    assert_fit_to_print(ended)


def test_the_stranger_is_told_first_aid_with_the_number() -> None:
    """Whoever looks for somebody beside hot caustic has the number, what to do for the hurt, and what to keep off."""
    message = has_not_answered("too_hot", bucket="shed-2", batch="b", who="Ada", minutes=55.0, emergency_number="144")
    assert "55 min ago" in message.says and "Call Ada first." in message.do
    for words in ("call 144", "up to 30 minutes", "clothes off, rinse 15 minutes", "boils or is spilt"):
        assert words in message.do, words
    assert "call 144" in lock_screen(message).body
    assert "clothes off" in for_someone_else(found("too_hot", HOT), batch="b", bucket="shed-2").do


def test_nobody_is_asked_whether_a_boiling_bucket_was_blended() -> None:
    """The answers offered belong to the alarm."""
    assert "blended" not in ask_what_was_done("too_hot", bucket="shed-2", batch="b").do
    assert "emberpail mark shed-2 looked" in ask_what_was_done("not_taken", bucket="shed-2", batch="b").do


@pytest.mark.parametrize("kind", ["silent", "sensor_fault"])
def test_a_missing_reading_has_one_time_to_look(kind: str) -> None:
    """Not "look until it is mended" and "may wait until morning" in one text: now, or by daylight."""
    late = {**TYPICAL, "minutes_since_blend": 400.0, "probe": "core"}
    tomorrow = say(found(kind, {**late, "can_wait_until_morning": True}, "daylight"), batch="b", bucket="shed-2")
    assert "yourself by daylight" in tomorrow.do and "may wait until morning" in tomorrow.do
    tonight = say(found(kind, {**late, "can_wait_until_morning": False}), batch="b", bucket="shed-2")
    assert "yourself now" in tonight.do and "should not wait" in tonight.do


def test_the_boil_over_on_a_locked_screen_does_not_send_anybody_to_boiling_paste() -> None:
    """Boiling comes before cover and lid; the deed stands even where the bucket's name is long."""
    for name in ("shed-2", "the tall blue barrel behind the shed"):
        body = lock_screen(say(found("too_hot", HOT), batch="b", bucket=name)).body
        assert body.index("Boiling: keep away") < body.index("cover off") and "do not stir" in body
    bare = lock_screen(say(found("too_hot", {**HOT, "cover": "bare"}), batch="b", bucket="shed-2")).body
    assert "cover off" not in bare and "lid loose" in bare


def test_long_bucket_names_give_way_to_the_trouble() -> None:
    """However long the bucket's name, the trouble and the deed stay on the locked screen."""
    name = "the tall blue barrel behind the potting shed of the Quillmarsh allotments"
    for kind in BATCH_ALARM_KINDS:
        message = say(found(kind, {**TYPICAL, "cause": "poor_blend"}), batch="b", bucket=name)
        assert_fit_to_print(message)
        assert name in message.says
        assert re.search(r"isor|way", lock_screen(message).body)


@pytest.mark.parametrize("kind", ALARM_KINDS)
def test_other_messages_are_fit_to_print(kind: str) -> None:
    """Back to normal, the question after half an hour and the call for help keep to the same words."""
    facts = found(kind, TYPICAL)
    well = {**TYPICAL, "problem": "", "silent_min": 1.0}
    good = Condition(kind, standing=False, gone=True, probability=0.05, facts=well)
    for message in (
        back_to_normal(kind, bucket="shed-2", batch="b"),
        back_to_normal(kind, bucket="shed-2", batch="b", lasted_min=35.0, condition=good),
        back_to_normal(kind, bucket="", batch="", lasted_min=math.nan),
        ask_what_was_done(kind, bucket="shed-2", batch="b"),
        has_not_answered(kind, bucket="shed-2", batch="b"),
        has_not_answered(kind, bucket="shed-2", batch="b", who="Wren", call="Wren, 0555 0100"),
    ):
        assert_fit_to_print(message)
    assert "back to normal" in back_to_normal(kind, bucket="shed-2", batch="b", condition=good).says
    if kind in ("not_taken", "cooled_early", "incomplete", "separated"):
        unproven = back_to_normal(kind, bucket="shed-2", batch="b", condition=facts)
        assert "normal" not in unproven.says, "good news needs findings that bear it out"
    # Nothing judges it any more (the batch is being diluted): what the telling then holds are a few facts of its own.
    unjudged = Condition(kind, False, True, 0.0, facts={"emergency_number": "112", "potash_left_g_l": None})
    if kind != "watch_fault":
        assert "normal" not in back_to_normal(kind, bucket="shed-2", batch="b", condition=unjudged).says
    unknown = say(found("a_new_kind", TYPICAL), batch="b", bucket="shed-2")
    assert_fit_to_print(unknown)


def test_a_dead_router_is_one_message() -> None:
    """Several silent buckets of one source are named together, and a long list still fits."""
    message = silent_together(["shed-1", "shed-2", "shed-3"], silent_min=21.0, source="the shed's node")
    assert_fit_to_print(message)
    assert all(name in message.says for name in ("shed-1", "shed-2", "shed-3"))
    assert_fit_to_print(silent_together([f"a bucket with a long name {n}" for n in range(12)]))


def estimate(**changes: object) -> Estimate:
    values: dict[str, object] = {
        "at_s": 1.77e9, "completeness": 0.8, "completeness_sd": 0.04, "final_completeness": 0.95,
        "final_completeness_sd": 0.03, "self_heating_k": 47.0, "self_heating_sd_k": 3.0, "heat_released_kj": 500.0,
        "heat_released_sd_kj": 30.0, "heat_rate_w": 20.0, "heat_rate_sd_w": 5.0, "cooling_time_constant_s": 12000.0,
        "cooling_time_constant_sd_s": 1500.0, "mean_temperature_c": 70.0, "mean_temperature_sd_c": 2.0,
        "core_temperature_c": 75.0, "peak_c": 88.4, "peak_at_s": 1.77e9,
    }  # fmt: skip
    return Estimate(**{**values, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("probability", "facts", "message_id", "words"),
    [
        (0.02, {**HOT, "minutes_since_blend": 20.0}, "took.taken", "has taken: 91 °C"),
        (0.95, TYPICAL, "took.not_taken", "has not taken: 52 °C"),
        (0.5, TYPICAL, "took.unsure", "the heat lies between the two"),
        (0.02, {}, "took.unsure", "no probe reads the paste"),
        (None, TYPICAL, "took.unsure", "the heat says too little"),
        (0.1, {**TYPICAL, "minutes_since_blend": 8.0}, "took.unsure", "too early"),
        (0.1, {**TYPICAL, "why_unsure": "no_blend_time"}, "took.unsure", "nobody has noted when it was blended"),
    ],
)
def test_after_twenty_minutes_it_says_whether_it_took_or_why_it_cannot_tell(
    probability: float | None, facts: dict[str, object], message_id: str, words: str
) -> None:
    """Taken, not taken, or cannot tell yet and why; never "taken" without a reading."""
    message = took_message(
        estimate(assumed=("no_ambient", "unweighed_koh")),
        bucket="shed-2",
        probability_not_taken=probability,
        facts=facts,
    )
    assert_fit_to_print(message)
    assert message.message_id == message_id and words in message.says
    assert "no probe in the air" in message.says and "the potash was not weighed" in message.says


def test_the_sentence_to_sleep_on() -> None:
    """Nothing needed before morning, or what and by when; blind or too hot soon is never "nothing needed"."""
    assert "nothing needed before morning" in evening_message(estimate(), bucket="shed-2").says
    assert "95 % (90 to 100)" in evening_message(estimate(), bucket="shed-2").says
    assert "nothing" not in evening_message(None, bucket="shed-2").says
    soon = evening_message(estimate(too_hot_in_s=2400.0), bucket="shed-2", clock=lambda at_s: "22:40")
    assert "at 22:40" in soon.says and "nothing" not in soon.says
    trouble = evening_message(estimate(), bucket="shed-2", conditions=[found("cooled_early", TYPICAL)]).says
    assert "within 2 h" in trouble or "within 120 min" in trouble
    at = evening_message(estimate(), bucket="s", conditions=[found("cooled_early", TYPICAL)], clock=lambda t: "23:10")
    assert "by 23:10" in at.says
    later = evening_message(estimate(), bucket="shed-2", conditions=[found("incomplete", TYPICAL, "daylight")]).says
    assert "nothing is needed before morning" in later and "fall short" in later
    both = [found("incomplete", TYPICAL, "daylight"), found("silent", TYPICAL)]
    assert "no readings come" in evening_message(estimate(), bucket="shed-2", conditions=both).says
    assert "little" in evening_message(estimate(final_completeness_sd=0.3), bucket="shed-2").says
    for message in (
        evening_message(estimate(), bucket="shed-2"), evening_message(None, bucket="shed-2"), soon,
        evening_message(estimate(), bucket="shed-2", conditions=both),
        evening_message(estimate(final_completeness_sd=math.nan), bucket="shed-2"),
    ):  # fmt: skip
        assert_fit_to_print(message)


@pytest.mark.parametrize(
    "condition",
    [found("silent", TYPICAL, "daylight"), found("sensor_fault", {**TYPICAL, "can_wait_until_morning": True})],
)
def test_nobody_is_told_to_sleep_on_a_bucket_that_nothing_reads(condition: Condition) -> None:
    """Though its alarm may wait: "nothing needed before morning" needs a probe that reads the paste."""
    message = evening_message(estimate(), bucket="shed-2", conditions=[condition])
    assert message.message_id == "evening.blind" and "nothing" not in message.says
    assert_fit_to_print(message)
    air = found("sensor_fault", {**TYPICAL, "probe": "ambient"}, "daylight")
    assert "air probe" in evening_message(estimate(), bucket="shed-2", conditions=[air]).says


def test_ringing_is_promised_only_where_somebody_can_be_rung() -> None:
    """With no phone route set no sentence says "you will be rung"."""
    for one in (estimate(), estimate(final_completeness_sd=0.3), estimate(too_hot_in_s=2400.0)):
        assert "You will be rung" in evening_message(one, bucket="shed-2").do
        silent = evening_message(one, bucket="shed-2", facts={"no_phone": True})
        assert "rung" not in all_text(silent)
        assert_fit_to_print(silent)


def test_the_look_at_20_minutes_follows_the_cause() -> None:
    """Short potash is not answered with blending here either; and a blend comes with the probe out."""
    facts = {**TYPICAL, "cause": "short_potash"}
    short = took_message(None, bucket="shed-2", probability_not_taken=0.95, facts=facts)
    assert "Do not blend for it" in short.do and "blend again" not in all_text(short)
    assert "probe out, blend again" in took_message(None, bucket="s", probability_not_taken=0.95, facts=TYPICAL).do
    assert_fit_to_print(short)


@pytest.mark.parametrize(
    ("kinds", "facts", "words"),
    [
        ((), {"unread_min": 370.0}, "last read 6 h earlier: what it did since then is not known"),
        (("silent",), {}, "No readings came at the end"),
        (("sensor_fault",), {}, "a probe told nothing that can be believed"),
    ],
)
def test_a_verdict_over_unread_hours_says_so(kinds: tuple[str, ...], facts: dict[str, object], words: str) -> None:
    """A probe that lay in the air for hours saw nothing go well."""
    message = verdict_message(estimate(), bucket="shed-2", batch="b", kinds=kinds, facts=facts)
    assert words in message.says and "as long as it was read" in message.says
    assert words in lock_screen(message).body
    assert_fit_to_print(message)
    read = verdict_message(estimate(), bucket="shed-2", batch="b", facts={"unread_min": 2.0}).says
    assert "as long as it was read" not in read


def test_a_failed_batch_is_not_sent_to_the_dilution() -> None:
    """What fell short, split or has not taken is put right or tested first."""
    for kinds in (("incomplete",), ("separated",), ("not_taken",)):
        message = verdict_message(estimate(), bucket="shed-2", batch="b", kinds=kinds)
        assert message.do.startswith("Do not dilute before it is put right or tested.")
    maybe = estimate(probabilities={"separated": 0.3})
    assert "may have split" in verdict_message(maybe, bucket="s", batch="b", kinds=("separated",)).says


@pytest.mark.parametrize(
    ("values", "kinds", "message_id"),
    [
        ({}, (), "verdict.good"),
        ({}, ("too_hot",), "verdict.hot"),
        ({"final_completeness": 0.7}, (), "verdict.short"),
        ({}, ("incomplete",), "verdict.short"),
        ({}, ("separated", "cooled_early"), "verdict.split"),
        ({}, ("not_taken",), "verdict.not_taken"),
        ({"final_completeness_sd": 0.2}, (), "verdict.unsure"),
        ({"final_completeness": math.nan, "peak_c": math.nan}, (), "verdict.unsure"),
    ],
)
def test_the_verdict_gives_the_range_and_makes_no_promise(
    values: dict[str, object], kinds: tuple[str, ...], message_id: str
) -> None:
    """The verdict: share with range, hottest, potash left apart, what was guessed, and that heat cannot see all."""
    facts = {"potash_left_g_l": (1.0, 4.0), "oil_to_spare_percent": (4.0, 10.0), "cause": "poor_blend"}
    given_estimate = estimate(assumed=("no_ambient",), **values)
    message = verdict_message(given_estimate, bucket="shed-2", batch="Quillmarsh 12", kinds=kinds, facts=facts)
    assert_fit_to_print(message)
    assert message.message_id == message_id
    assert "Quillmarsh 12 in shed-2" in message.says
    assert "not for skin until tested" in message.says and "Potash left: 1.0 to 4.0 g" in message.says
    assert "Oil to spare: 4 to 10 %" in message.says and "no probe in the air" in message.says
    assert "age and these signs" in message.do
    assert verdict_text(None, bucket="shed-2", batch="b").startswith("b in shed-2: no verdict")


def test_states_stages_and_probes_have_words() -> None:
    """Every stage, alarm state and probe problem has words; none of them is one that the phone must not say."""
    words = [stage_words(stage) for stage in STAGES]
    words += [alarm_words(state, quiet_until="06:30") for state in ("normal", "unacknowledged", "acknowledged",
                                                                  "returned_unacknowledged")]  # fmt: skip
    words += [probe_words("core"), probe_words("core", "out_of_paste", 7.0), probe_words("ambient", "open")]
    words += [probe_words("top", "wet_plug"), alarm_words("acknowledged", seen_by="Wren", going=True)]
    assert len(set(words)) == len(words)
    assert forbidden_in(" ".join(words)) == ()
    assert probe_words("core", "out_of_paste", 7.0).endswith("not known")
    assert alarm_words("acknowledged", seen_by="Wren", going=True) == "Wren is going"


VALUES = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(-(10**6), 10**6), st.text(max_size=12),
    st.tuples(st.floats(), st.floats()), st.sampled_from([*CAUSES, "rising", "on", "bare", "ambient", "core", "disk"]),
)  # fmt: skip

SPOILABLE = [*sorted(TYPICAL), "cause", "second_heat", "suddenly_lost", "can_wait_until_morning"]


@settings(max_examples=300, deadline=None)
@given(
    kind=st.sampled_from(ALARM_KINDS),
    urgency=st.sampled_from(["now", "daylight"]),
    dropped=st.sets(st.sampled_from(sorted(TYPICAL))),
    spoilt=st.dictionaries(st.sampled_from(SPOILABLE), st.one_of(st.none(), st.floats(), st.booleans()),
                           max_size=8),
)  # fmt: skip
def test_missing_or_senseless_facts_never_show(
    kind: str, urgency: str, dropped: set[str], spoilt: dict[str, object]
) -> None:
    """Whatever is missing, not finite or of the wrong kind: no "None", no "nan", no traceback, and it still fits."""
    facts = {name: value for name, value in TYPICAL.items() if name not in dropped} | spoilt
    message = say(found(kind, facts, urgency), batch="b", bucket="shed-2")
    assert_fit_to_print(message)
    assert_fit_to_print(for_someone_else(found(kind, facts, urgency), batch="b", bucket="shed-2"))
    took = took_message(None, bucket="shed-2", facts=facts, probability_not_taken=0.9)
    assert_fit_to_print(took)
    assert "shed-2" in message.says and message.do


@settings(max_examples=100, deadline=None)
@given(kind=st.sampled_from(ALARM_KINDS), facts=st.dictionaries(st.sampled_from(sorted(TYPICAL)), VALUES))
def test_any_value_at_all_gives_a_text(kind: str, facts: dict[str, object]) -> None:
    """Facts of any type give a message with bucket and deed."""
    message = say(found(kind, facts), batch="b", bucket="shed-2")
    assert "shed-2" in message.says and message.do and lock_screen(message).body
    assert len(lock_screen(message).body) <= BODY_MOST


def test_the_public_names_are_the_list() -> None:
    """`wording` offers exactly what its list names, and each is there."""
    assert all(hasattr(wording, name) for name in wording.__all__)


def test_a_paste_that_is_still_warm_will_cool_and_has_not_cooled() -> None:
    """Rung while it can be helped, `cooled_early` speaks of what is to come; below the limit of what has come."""
    def told(temperature_c: float) -> Message:
        facts = {"temperature_c": temperature_c, "limit_c": 45.0}
        return say(Condition("cooled_early", True, False, 0.9, facts=facts), batch="Q", bucket="b")

    warm, cold = told(70.0), told(41.0)
    assert "will cool too early" in warm.says and "has cooled" not in warm.says
    assert "has cooled early" in cold.says


def test_nobody_is_told_at_20_minutes_to_blend_above_75_degrees() -> None:
    """A batch that has not taken may still stand above what may be blended."""
    hot, cool = (
        took_message(
            None, bucket="b", probability_not_taken=1.0, facts={"temperature_c": at, "minutes_since_blend": 20.0}
        ).do
        for at in (78.0, 55.0)
    )
    assert "Do not blend above 75" in hot and "blend again" not in hot
    assert "probe out, blend again" in cool
