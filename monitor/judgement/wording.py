"""The maker's words for alarms, on events, page and phone. Pure; English, each with a message id to translate by.

The measure is what a maker and a safety officer expect: degrees and direction, minutes since the blend, what a good
batch shows now, cover and lid as last noted, the likely cause as likely, what to do with what gear, how long that
helps, whether it may wait. Advice follows the cause: weak or short potash is never answered with blending. Above about
75 °C nobody blends. How far it went is never given without its range, and never as a promise that it does no harm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.domain import AMBIENT, Condition
from monitor.judgement.messages import (
    BODY_MOST,
    BUCKET_MOST,
    FORBIDDEN_ON_PHONE,
    TITLE_MOST,
    LockScreen,
    Message,
    forbidden_in,
    lock_screen,
    title,
)
from monitor.judgement.phrases import (
    Facts,
    after_what,
    blending_in_doubt,
    cause_id,
    clip,
    cover_and_lid,
    degrees,
    duration,
    finite,
    fits_a_good_one,
    good_now,
    heat_now,
    heat_short,
    likely_cause,
    may_wait,
    percent_with_range,
    potash_left,
    probe_problem,
    sentences,
    short_of_potash,
    soon_too_hot_to_blend,
    too_hot_to_blend,
)
from monitor.judgement.summaries import (
    alarm_words,
    evening_message,
    evening_sentence,
    probe_words,
    stage_words,
    took_message,
    took_text,
    verdict_message,
    verdict_text,
)

# What others may take from here, the summaries included, so that they need to know one module only.
__all__ = [
    "BODY_MOST", "FORBIDDEN_ON_PHONE", "TITLE_MOST", "LockScreen", "Message", "alarm_words", "ask_what_was_done",
    "back_to_normal", "evening_message", "evening_sentence", "first_aid", "for_someone_else", "forbidden_in",
    "has_not_answered", "lock_screen", "probe_problem", "probe_words", "say", "silent_together", "stage_words",
    "took_message", "took_text", "verdict_message", "verdict_text",
]  # fmt: skip


def say(condition: Condition, *, batch: str, bucket: str) -> Message:
    """The words of one alarm, from its condition. Missing facts are left out or named as not known."""
    teller = _TELLERS.get(condition.kind, _something)
    return teller(_Case(condition, Facts(condition.facts), batch, bucket))


@dataclass(frozen=True, slots=True)
class _Case:
    condition: Condition
    facts: Facts
    batch: str
    bucket: str

    @property
    def short_bucket(self) -> str:
        return clip(self.bucket, BUCKET_MOST)

    def message(
        self, message_id: str, what: str, says: str, do: str, short: Sequence[str], *, deeds: tuple[str, ...]
    ) -> Message:
        return Message(message_id, says, do, title(self.bucket, what), tuple(s for s in short if s), deeds)


# ---- cautions, each where its deed is --------------------------------------------------------------------------

GEAR = "Visor, gloves, long sleeves; clean water within reach."
_OPENING = "Opening: wait until any boiling stops, stand aside, tilt the far edge first."
_LOOSE_LID = "Lid laid on loosely, never clipped or held down: steam must get out, at the cable's hole too."
_BLENDING = (
    "Probe out first. Bucket at most half full; no aluminium, zinc or tin on the blender or paddle, nothing "
    "galvanised: it gives off hydrogen; plugged into a residual-current device. Head under the surface before it "
    "starts. Never blend or stir above 75 °C. Probe back in right after."
)
_NOT_MOVING = "Do not lift or carry it while it is hot."
_SPILL = "Spilt: keep off, let it cool, bank it with sand, plastic shovel; not into drain, ditch or soil."
_CORRECTING = (
    "Do not blend again for this: blending does not help a batch that is short of potash. By daylight check the bag "
    "(potassium hydroxide? purity? long open?) and both weighings, and test. More potash only after that, in visor and "
    "gloves and as the bag's data sheet says: all the water first, potash into it in small portions, stirring; "
    "never water onto potash or boiling lye, it erupts. It goes in as cold clear lye, half of what is missing; wait a "
    "day, test again."
)
_STIFF_CUT = "Stiff paste stalls a hand blender: cut it up and use a slow drill."


def first_aid(facts: Facts) -> str:
    """What to do when somebody is splashed, with the local emergency number when the settings have one."""
    number = facts.text("emergency_number")
    help_words = f"call {number}" if number else "call emergency help"
    return (
        f"Splash in the eyes: rinse at once, up to 30 minutes, and {help_words}. "
        "On skin: clothes off, rinse 15 minutes, no vinegar. "
        f"Swallowed: rinse the mouth, do not vomit, {help_words}."
    )


def _after(facts: Facts) -> str:
    words = after_what(facts)
    return f", {words}" if words else ""


def _as_sure_as_it_is(probability: float, sure: str, likely: str, maybe: str) -> str:
    """What is rung for at 0.3 must not read like what is rung for at 0.95."""
    return sure if probability >= 0.8 else likely if probability >= 0.5 else maybe


def _later(facts: Facts, signs: str) -> str:
    """For paste too hot to blend now: what the same message still asks for when it has cooled, cautions included."""
    doubt = blending_in_doubt(facts)
    return sentences(f"Look again when it is below 75 °C, not before: {signs}, blend again then.", doubt, _BLENDING)


def _leave(facts: Facts) -> str:
    """Nothing is put round a batch that still rises and may yet get too hot."""
    return "Leave it as it is, cover nothing yet." if facts.text("direction") == "rising" else "Leave it, cover it."


def _state_line(case: _Case, otherwise: str = "") -> str:
    """'52 °C and falling, 25 min after blending; a good one stands at 75 to 88 now'."""
    good = good_now(case.facts, otherwise)
    return heat_now(case.facts) + _after(case.facts) + (f"; {good}" if good else "")


def _short_state(facts: Facts) -> str:
    words = ", ".join(part for part in (heat_short(facts), after_what(facts)) if part)
    return f": {words}." if words else "."


def _used_up(facts: Facts) -> str:
    share = percent_with_range(facts.number("completeness"), facts.number("completeness_sd"))
    return f"Potash used up so far: {share}." if share else "How much potash is used up cannot be said."


def _by_dilution(facts: Facts) -> str:
    share = percent_with_range(facts.number("final_completeness"), facts.number("final_completeness_sd"))
    return f"By the dilution: {share} of the soap this recipe promises." if share else ""


def _how_long(facts: Facts) -> str:
    hours = facts.number("help_window_h")
    if hours is not None and hours > 0:
        return f"Easy for about {duration(hours * 60)} more, while it is warm and soft; harder later, not lost."
    return (
        "Easier and surer now than later: warm and soft; a stalled batch is not lost, potash left over keeps its heat."
    )


def _sleepy(case: _Case) -> str:
    if case.condition.urgency != "now" or case.facts.flag("can_wait_until_morning") is True:
        return ""
    return "But half asleep or alone: leave it shut until it is light, it is not lost."


# ---- one function an alarm kind --------------------------------------------------------------------------------


def _not_taken(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    what = _as_sure_as_it_is(
        case.condition.probability, "has not taken", "has likely not taken", "may not have taken"
    )
    says = sentences(
        f"{bucket} {what}: {_state_line(case, 'a good one is clearly warmer by now')}.",
        fits_a_good_one(facts, case.condition.probability), cover_and_lid(facts), likely_cause(facts),
    )  # fmt: skip
    first = f"{case.short_bucket} {what}{_short_state(facts)}"
    wait = may_wait(facts, "now") or "Now, while somebody is there: it should not wait until morning."
    if short_of_potash(facts):
        do = sentences(
            GEAR, _OPENING, f"Look: stiff as butter and no oil on top: {_leave(facts).lower()}", _LOOSE_LID,
            _CORRECTING, "The look now; the rest may wait until morning.", first_aid(facts),
        )  # fmt: skip
        short = "Likely short of potash: do not blend for it. Visor, gloves: look; lid loose."
        return case.message("not_taken.short_potash", what, says, do, (first, short), deeds=("open", "look", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir: above 75 °C it reacts by itself and spits.", _LOOSE_LID, _OPENING,
            "Look from the side. Stiff as butter, no oil on top: leave it.",
            _later(facts, "oil on top or runny"), wait, first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look; lid loose. Look again when below 75 °C."
        return case.message("not_taken.hot", what, says, do, (first, short), deeds=("open", "blend"))
    do = sentences(
        GEAR, _OPENING, "Oil on top or runny: blend 5 minutes, now.", blending_in_doubt(facts), _BLENDING,
        "Stiff as butter: do not blend, leave it, cover it.", _LOOSE_LID, _how_long(facts), wait, first_aid(facts),
    )  # fmt: skip
    short = (
        "Visor, gloves. Oil on top or runny, and below 75 °C: probe out, blend 5 min. Stiff: leave it."
        if soon_too_hot_to_blend(facts)
        else "Visor, gloves. Oil on top or runny: probe out, blend 5 min. Stiff as butter: cover it."
    )
    return case.message("not_taken.blend", what, says, do, (first, short), deeds=("open", "blend"))


def _too_hot(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    limit = facts.number("limit_c")
    limit_words = degrees(95.0 if limit is None else limit)
    soon, temperature_c = facts.number("too_hot_in_min"), facts.number("temperature_c")
    reckoned = facts.flag("temperature_reckoned") is True
    over = temperature_c is not None and not reckoned and temperature_c >= (95.0 if limit is None else limit)
    second = facts.flag("second_heat") is True
    if over or (soon is not None and soon < 0.5):
        forecast, forecast_short = f"hot caustic paste boils over from about {limit_words}", "May boil over now."
    elif soon is not None:
        forecast = f"at this pace it passes {limit_words}, where it may boil over, in about {duration(soon)}"
        forecast_short = f"May boil over in about {duration(soon)}."
    else:
        forecast, forecast_short = f"it may pass {limit_words}, where it boils over", "It may boil over."
    if reckoned:
        what = "may be too hot"
    elif over:
        what = "is too hot"
    else:
        what = _as_sure_as_it_is(
            case.condition.probability, "gets too hot", "likely gets too hot", "may get too hot"
        )
    covered = facts.text("cover") != "bare"
    cause = "its cover keeps the heat in" if covered else "a warm pour, a warm place or a large batch"
    says = sentences(
        f"{bucket} {what}: {_state_line(case)}; {forecast}.",
        "This is the second heat, after blending again." if second else f"Likely, not surely: {cause}.",
        cover_and_lid(facts),
    )
    do = sentences(
        "Now, it cannot wait: keep people and animals away.",
        "If it boils or foams stay back until that stops, then stand aside and tilt the far edge first.",
        "Visor, gloves, long sleeves before you go near; clean water within reach.",
        "Do not blend, stir or move it, and pour no water in.",
        "Not boiling yet: take blanket or box off from the outside, let cool air at it."
        if covered else "Not boiling yet: let cool air at it.",
        "Lid loose, never clipped or held down; steam must get out, at the cable's hole too.",
        "A fast rise lasts about half an hour: look again from the door until it falls.",
        _SPILL, first_aid(facts),
    )  # fmt: skip
    deed = "cover off, lid loose" if covered else "lid loose, cool air at it"
    short = (
        f"{case.short_bucket} {what}{_short_state(facts)}",
        f"Boiling: keep away. Not yet: visor, gloves, {deed}; do not stir.",
        forecast_short,
    )
    form = "second_heat" if second else "now" if over else "forecast"
    return case.message(f"too_hot.{form}", "may boil over", says, do, short, deeds=("open", "spill"))


def _cooled_early(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    temperature_c, limit_c = facts.number("temperature_c"), facts.number("limit_c")
    # It is rung while it can still be helped, and so mostly before it is cold.
    warm_yet = temperature_c is not None and temperature_c >= (45.0 if limit_c is None else limit_c)
    sure = case.condition.probability
    what = (
        _as_sure_as_it_is(sure, "will cool too early", "will likely cool too early", "may cool too early")
        if warm_yet
        else _as_sure_as_it_is(sure, "has cooled early", "has likely cooled early", "may have cooled early")
    )
    says = sentences(
        f"{bucket} {what}: {_state_line(case, 'a good one is warmer by now')}.",
        fits_a_good_one(facts, sure), _used_up(facts), cover_and_lid(facts), likely_cause(facts),
    )  # fmt: skip
    first = f"{case.short_bucket} {what}{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    if short_of_potash(facts):
        do = sentences(GEAR, _leave(facts), _LOOSE_LID, _CORRECTING, wait, first_aid(facts))
        short = "Likely short of potash: do not blend. Gloves, visor: cover it; test by daylight."
        return case.message("cooled_early.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir: above 75 °C it reacts by itself and spits.", _leave(facts), _LOOSE_LID,
            _OPENING, _later(facts, "oil on top, layers or runny"), wait, _sleepy(case), first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look when it is below."
        return case.message("cooled_early.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    warm = "Cover it and stand something warm round it (blanket, box)." if cause_id(facts) == "cold" else ""
    do = sentences(
        GEAR, warm, _OPENING, "Oil on top, layers or runny: blend again 5 minutes.", blending_in_doubt(facts),
        _BLENDING, _STIFF_CUT, "Firm all through, no oil: leave it. Then cover it.", _LOOSE_LID, _how_long(facts),
        wait, _sleepy(case), first_aid(facts),
    )  # fmt: skip
    short = (
        "Visor, gloves. Below 75 °C, oil or layers: probe out, blend 5 min. Firm all through: leave it."
        if soon_too_hot_to_blend(facts)
        else "Visor, gloves. Oil or layers: probe out, blend 5 min, cover. Firm all through: only cover."
    )
    form = "cold" if cause_id(facts) == "cold" else "blend"
    return case.message(f"cooled_early.{form}", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _incomplete(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    sure = case.condition.probability
    what = _as_sure_as_it_is(sure, "will fall short", "will likely fall short", "may fall short")
    says = sentences(
        f"{bucket} {what}: {_state_line(case)}.", fits_a_good_one(facts, sure),
        _by_dilution(facts) or "How far short cannot be said.", potash_left(facts), cover_and_lid(facts),
        likely_cause(facts),
    )  # fmt: skip
    first = f"{case.short_bucket} {what}{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    ending = "Do not dilute before it is put right or tested; not for skin until tested."
    if short_of_potash(facts):
        do = sentences(
            GEAR, _OPENING, _LOOSE_LID, _CORRECTING, "Oil left over may cloud or float.", ending, wait,
            first_aid(facts),
        )  # fmt: skip
        short = "Likely short of potash: do not blend. By daylight, in gloves and visor: check the bag, test."
        return case.message("incomplete.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir: above 75 °C it reacts by itself and spits. Leave it.", _LOOSE_LID, _OPENING,
            _later(facts, "oil, layers or soft places"), ending, wait, first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look again when it is cooler."
        return case.message("incomplete.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    do = sentences(
        GEAR, _OPENING, "Look for oil, layers or soft places; if there are any, blend again.",
        blending_in_doubt(facts), _BLENDING, _STIFF_CUT,
        "Firm all through, no oil: leave it, and test before you dilute.",
        "Easier and surer today than later; not lost on day three, potash left over keeps its heat.",
        _LOOSE_LID, ending, wait, first_aid(facts),
    )  # fmt: skip
    short = "Visor, gloves: look. Oil, layers or soft places: probe out, blend again today; firm: leave it."
    return case.message("incomplete.blend", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _separated(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    sure = case.condition.probability
    what = _as_sure_as_it_is(sure, "has likely split", "has likely split", "may have split")
    says = sentences(
        f"{bucket} {what}, oil apart from lye: {_state_line(case)}.", fits_a_good_one(facts, sure),
        _used_up(facts), cover_and_lid(facts), "A poor blend looks much the same from the heat: only a look tells.",
    )  # fmt: skip
    first = f"{case.short_bucket} {what}{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    lye = "The layer below is strong lye, and corners hide it."
    if short_of_potash(facts):
        do = sentences(
            GEAR, _OPENING, "Look for oil on top or a watery layer below.", lye,
            "If there is none: leave it, cover it.", _LOOSE_LID, _CORRECTING, wait, first_aid(facts),
        )  # fmt: skip
        short = "Visor, gloves: look for oil on top. Short of potash: do not blend for that."
        return case.message("separated.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir: above 75 °C it reacts by itself and spits. Leave it.", _OPENING, _LOOSE_LID,
            lye, _later(facts, "oil on top or a watery layer below"), wait, first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look again when it is cooler."
        return case.message("separated.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    do = sentences(
        GEAR, _OPENING, "Oil on top or a watery layer below: blend again until it is one, about 5 minutes.", lye,
        blending_in_doubt(facts), _BLENDING, _STIFF_CUT, "No layers: leave it, cover it.", _LOOSE_LID,
        _how_long(facts), wait, _sleepy(case), first_aid(facts),
    )  # fmt: skip
    short = (
        "Visor, gloves. Oil or water apart, and below 75 °C: probe out, blend again. No layers: leave it."
        if soon_too_hot_to_blend(facts)
        else "Visor, gloves. Oil on top or watery below: probe out, blend again. No layers: cover it."
    )
    return case.message("separated.blend", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _sensor_fault(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    probe = facts.text("probe")
    name = f"{probe} probe" if probe else "probe"
    last_c, since_min = facts.number("last_good_c"), facts.number("problem_since_min")
    last = f"The last good reading was {degrees(last_c)}." if last_c is not None else ""
    since = f", for {duration(since_min)} now" if since_min is not None else ""
    if facts.flag("suddenly_lost") is True:
        was = f" at {degrees(last_c)}" if last_c is not None else ""
        says = sentences(
            f"{bucket}'s {name} was lost suddenly while hot{was}{_after(facts)}.",
            "The probe may have been pushed out by paste: there may be hot caustic on the floor.",
            "How warm the paste is now is not known.", cover_and_lid(facts),
        )  # fmt: skip
        do = sentences(
            "Look from the door first. It cannot wait: now. Keep people and animals away.", GEAR,
            "Boiling: stay back until it stops. Do not stir, lift or carry it.", _LOOSE_LID, _SPILL,
            "When all is calm put the probe back to its mark.", _OPENING, first_aid(facts),
        )  # fmt: skip
        short = (
            f"{case.short_bucket}: hot probe lost suddenly{was}.",
            "There may be hot caustic on the floor: look from the door first.",
            "Keep people away. Visor, gloves.",
        )
        deeds = ("look", "spill", "probe")
        return case.message("sensor_fault.hot_lost", "hot probe lost", says, do, short, deeds=deeds)
    problem = probe_problem(facts.text("problem"))
    if probe == AMBIENT:
        says = f"{bucket}'s air probe {problem}{since}. The batch is still watched, less surely."
        do = sentences(
            "Look at its cable, plug and place, away from the bucket; gloves and visor if you go near it.",
            may_wait(facts, case.condition.urgency),
        )
        air = (f"{case.short_bucket}: the air probe {problem}.", "Batch still watched, less surely.")
        return case.message("sensor_fault.ambient", "air probe trouble", says, do, air, deeds=("look",))
    says = sentences(
        f"{bucket}'s {name} {problem}{since}{_after(facts)}.",
        "How warm the paste is there now is not known.", last, cover_and_lid(facts),
    )  # fmt: skip
    urgent, early = case.condition.urgency == "now", _may_still_peak(facts)
    do = sentences(
        _look_how_soon(early, urgent), GEAR,
        "Try plug and cable at the node first; then push the probe back to its mark, never while blending.",
        _OPENING, _LOOSE_LID, _NOT_MOVING, may_wait(facts, case.condition.urgency), first_aid(facts),
    )  # fmt: skip
    short = (
        f"{case.short_bucket}: the {name} {problem}{since}.",
        "Heat not known: look from the door; visor, gloves." if early or urgent
        else "By daylight, visor, gloves: look, try the plug.",
        last,
    )  # fmt: skip
    return case.message("sensor_fault.probe", "probe trouble", says, do, short, deeds=("look", "probe"))


def _may_still_peak(facts: Facts) -> bool:
    since_blend = facts.number("minutes_since_blend")
    return since_blend is not None and since_blend < 90


def _look_how_soon(early: bool, urgent: bool) -> str:
    """One time to look, never two that speak against each other."""
    if early:
        return "The peak may be minutes away: look at the bucket now, from the door first."
    return (
        "Look at the bucket yourself now, from the door first." if urgent
        else "Look at the bucket yourself by daylight, from the door first."
    )  # fmt: skip


def _silent(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    silent_min = facts.number("silent_min")
    since = f" for {duration(silent_min)}" if silent_min is not None else ""
    last_c = facts.number("last_good_c")
    if last_c is None:
        last_c = facts.number("temperature_c")
    direction = facts.text("direction")
    moving = f" and {direction}" if direction in ("rising", "falling", "steady") else ""
    last = f"The last reading was {degrees(last_c)}{moving}." if last_c is not None else "No reading is known."
    says = sentences(
        f"{bucket} has sent no readings{since}{_after(facts)}: what the paste does now is not known.",
        last,
        cover_and_lid(facts),
    )
    urgent, early = case.condition.urgency == "now", _may_still_peak(facts)
    do = sentences(
        _look_how_soon(early, urgent), GEAR, "Boiling or spilt: stay back.",
        "Has it taken? " + _OPENING if early else "No need to open it for this.",
        "Then the node: power, cable, network.", _NOT_MOVING, may_wait(facts, case.condition.urgency),
        first_aid(facts),
    )  # fmt: skip
    short = (
        f"{case.short_bucket}: no readings{since}.",
        last,
        "Look from the door first; visor, gloves near it. Then the node: power, cable, network."
        if early or urgent else "By daylight look from the door first. Then the node: power, cable, network.",
    )  # fmt: skip
    return case.message("silent.early" if early else "silent.late", "no readings", says, do, short, deeds=("look",))


_WATCH_PROBLEMS = {
    "disk": ("The disk is full or cannot be written", "Free some room on the disk, or change the card."),
    "journal": ("The journal cannot be written", "Look at the disk: full, worn or mounted read-only?"),
    "worker": ("A part of the watch has stopped", "Start the watch again; if it comes back, keep the log."),
    "clock": ("The computer's clock cannot be trusted", "Set the clock, or bring the network back."),
    "mirror": ("The copy of the readings does not get through", "Look at the copy's server; nothing is lost here."),
    "phone": ("A phone cannot be reached", "Look at that phone and its route, then test it with `emberpail ring`."),
    "phone_route": (
        "A phone cannot be reached",
        "Look at that phone and its route, then test it with `emberpail ring`.",
    ),
    "source": ("A source of readings is down", "Look at the port, the broker or the network."),
    "broker": ("The broker cannot be reached", "Look at the broker and the network."),
}


def _watch_fault(case: _Case) -> Message:
    facts = case.facts
    problem = facts.text("problem")
    what, do = _WATCH_PROBLEMS.get(problem, ("The watch itself has trouble", "Look at `emberpail check` and the log."))
    if problem and problem not in _WATCH_PROBLEMS:
        what = f"{what}: {problem.replace('_', ' ')}"
    since_min = facts.number("problem_since_min")
    since = f" for {duration(since_min)}" if since_min is not None else ""
    where = f"{case.bucket}: " if case.bucket else ""
    says = (
        f"{where}{what}{since}. Until it is mended do not rely on being rung: look at the buckets yourself, from the "
        "door first."
    )
    first = f"{f'{case.short_bucket}: ' if case.bucket else ''}{clip(what, 100)}{since}."
    form = problem if problem in _WATCH_PROBLEMS else "other"
    wait = may_wait(facts, case.condition.urgency)
    short = (first, "Do not rely on being rung: look yourself.", sentences(do, wait))
    do = sentences("Near a bucket: visor, gloves, long sleeves.", do, wait)
    return case.message(f"watch_fault.{form}", "the watch has trouble", says, do, short, deeds=("look",))


def _something(case: _Case) -> Message:
    """A kind that has no words yet still says which bucket, how warm, and to look."""
    what = case.condition.kind.replace("_", " ")
    says = sentences(f"{case.bucket}: {what}: {_state_line(case)}.", cover_and_lid(case.facts))
    do = sentences("Look from the door first.", GEAR, first_aid(case.facts))
    first = f"{case.short_bucket}: {clip(what, 60)}{_short_state(case.facts)}"
    return case.message(
        f"{case.condition.kind}.other", clip(what, 30), says, do, (first, "Look from the door."), deeds=("look",)
    )


_TELLERS: dict[str, Callable[[_Case], Message]] = {
    "not_taken": _not_taken,
    "too_hot": _too_hot,
    "cooled_early": _cooled_early,
    "incomplete": _incomplete,
    "separated": _separated,
    "sensor_fault": _sensor_fault,
    "silent": _silent,
    "watch_fault": _watch_fault,
}

# ---- other things a phone says ---------------------------------------------------------------------------------

_FOR_A_STRANGER = {
    "not_taken": "needs its maker soon",
    "too_hot": "may boil over",
    "cooled_early": "needs its maker",
    "incomplete": "needs its maker, not in haste",
    "separated": "needs its maker",
    "sensor_fault": "is no longer watched by its probe",
    "silent": "is no longer watched",
    "watch_fault": "may no longer be watched",
}
_LOOK_ONLY = "Look only. Do not open or touch. Keep people and animals away."


def for_someone_else(condition: Condition, *, batch: str, bucket: str, call: str = "") -> Message:
    """For the next person, who may know nothing of it: look only, and whom to call.

    ``call`` is a name and number ("Wren, 0555 0100"); without one the text says to call whoever made it.
    """
    facts = Facts(condition.facts)
    what = _FOR_A_STRANGER.get(condition.kind, "needs its maker")
    if condition.kind == "sensor_fault" and facts.flag("suddenly_lost") is True:
        what = "may have boiled over: hot caustic on the floor"
    call_words = f"Call {call}." if call else "Call whoever made it."
    name = bucket or "The soap shed"
    heat = heat_short(facts)
    warm = f" ({heat})" if heat and condition.kind not in ("silent", "sensor_fault", "watch_fault") else ""
    says = f"{_LOOK_ONLY} {name} holds hot caustic soap paste and {what}{warm}. Nobody has answered yet."
    do = sentences(
        "Look from the door.", call_words, "If anything boils, foams or is spilt, stay out.", first_aid(facts)
    )
    short = (_LOOK_ONLY, f"{clip(name, BUCKET_MOST)} (hot caustic) {what}.", call_words)
    return Message("someone_else." + condition.kind, says, do, title(bucket, "look only"), short, ("look",))


# What may have been done, named by the alarm: nobody is asked whether a boiling bucket was blended.
_MAY_HAVE_DONE = {
    "too_hot": "cover off, lid loosened, looked, or nothing",
    "sensor_fault": "probe put back, plug or cable, looked, or nothing",
    "silent": "power, cable or network, looked, or nothing",
    "watch_fault": "put right, or nothing",
}


def ask_what_was_done(kind: str, *, bucket: str, batch: str, minutes: float = 30.0) -> Message:
    """The question to whoever said "I am going" and has noted nothing since."""
    went = f"You went to {bucket or 'the watch'} {duration(minutes)} ago and it has not changed: {_plain(kind)}."
    done = _MAY_HAVE_DONE.get(kind, "blended again, covered, looked, or nothing")
    note = f" Note it: emberpail mark {bucket} looked (or what it was)." if bucket else ""
    do = f"Answer what was done: {done}.{note} Unanswered, the next person is rung."
    short = (f"{clip(bucket or 'The watch', BUCKET_MOST)}: still {_plain(kind)}.", "What was done? Please answer.")
    return Message("ask.what_was_done", f"{went} What was done?", do, title(bucket, "what was done?"), short)


def has_not_answered(
    kind: str,
    *,
    bucket: str,
    batch: str,
    who: str = "",
    minutes: float = 40.0,
    call: str = "",
    emergency_number: str = "",
) -> Message:
    """For the next person, who may know nothing of it, when whoever went to a hot bucket does not answer."""
    name = who or "Somebody"
    where = f"{bucket} (hot caustic paste)" if bucket else "the soap shed (hot caustic paste)"
    says = f"{_LOOK_ONLY} {name} went to {where} {duration(minutes)} ago and has not answered."
    help_words = f"call {emergency_number}" if emergency_number else "call emergency help"
    do = sentences(
        f"Call {call} first." if call else f"Call {who} first." if who else "",
        "No answer: go and look from the door.",
        f"Hurt, or no answer there: {help_words} at once. Keep off anything that boils or is spilt.",
        first_aid(Facts({"emergency_number": emergency_number})),
    )
    short = (
        f"{name} went to {clip(bucket or 'the soap shed', BUCKET_MOST)} {duration(minutes)} ago and has not answered.",
        f"Call, then look from the door; hurt: {help_words}.",
        "Do not open or touch.",
    )
    return Message("ask.has_not_answered", says, do, title(bucket, "no answer"), short, ("look",))


# Said when the findings themselves show it; an alarm also ends when nothing judges it any more.
_NORMAL_AGAIN = {
    "not_taken": "it heats as a taken one does",
    "too_hot": "no longer near boiling over; still hot and caustic, lid loose",
    "cooled_early": "it goes on as it should, as far as the heat can tell",
    "incomplete": "it will now go far enough, as far as the heat can tell",
    "separated": "the heat shows no split any more; have a look by daylight",
    "sensor_fault": "the probe reads well again",
    "silent": "readings come again",
    "watch_fault": "the watch works again",
}
# Below this probability of the trouble the good news is said outright.
_GOOD_NEWS_BELOW = 0.25
# Readings that come again came a short while ago; an alarm that ended in silence has other reasons.
_HEARD_WITHIN_MIN = 10.0


def _borne_out(kind: str, condition: Condition | None) -> bool:
    """Whether what is found now shows that the trouble is over, and not only that nobody judges it any more."""
    if kind == "watch_fault":
        return True
    if condition is None or condition.probability >= _GOOD_NEWS_BELOW:
        return False
    facts = Facts(condition.facts)
    if facts.flag("temperature_reckoned") is True and kind not in ("silent", "sensor_fault"):
        return False
    if kind == "silent":
        silent_min = facts.number("silent_min")
        return silent_min is not None and silent_min <= _HEARD_WITHIN_MIN
    if kind == "sensor_fault":
        return facts.text("probe") != "" and facts.text("problem") == ""
    if kind == "too_hot":
        return facts.number("temperature_c") is not None
    return facts.number("minutes_since_blend") is not None


def back_to_normal(
    kind: str, *, bucket: str, batch: str, lasted_min: float | None = None, condition: Condition | None = None
) -> Message:
    """Said once, to those who had been rung.

    The good news is said only when ``condition`` (what is found now) bears it out; without it the message says no more
    than that the alarm is over.
    """
    lasted = f" after {duration(lasted_min or 0.0)}" if finite(lasted_min) is not None else ""
    name = bucket or "The watch"
    if not _borne_out(kind, condition):
        says = f"{name}: the alarm '{_plain(kind)}' is over{lasted}."
        first = f"{clip(name, BUCKET_MOST)}: the alarm '{_plain(kind)}' is over{lasted}."
        do = "That does not say that all is well. See on the page where it stands."
        return Message(f"{kind}.over", says, do, title(name, "alarm over"), (first,))
    how = _NORMAL_AGAIN.get(kind, "over")
    says = f"{name} is back to normal{lasted}: {how}."
    short = (f"{clip(name, BUCKET_MOST)} is back to normal{lasted}: {how}.",)
    return Message(f"{kind}.cleared", says, "Nothing to do now.", title(name, "back to normal"), short)


def silent_together(buckets: Sequence[str], *, silent_min: float | None = None, source: str = "") -> Message:
    """One message, not ten, when several buckets fall silent through one router or node."""
    names = ", ".join(buckets)
    since = f" for {duration(silent_min)}" if silent_min is not None else ""
    through = f" through {source}" if source else ""
    says = f"{names}: no readings{since}{through}. What the paste does there is not known. Likely one cause for all."
    do = sentences(
        "Look at the buckets yourself, from the door first. No need to open them for this.", GEAR,
        "Then router, node, power.", _NOT_MOVING,
    )  # fmt: skip
    many = f"{len(buckets)} buckets silent"
    listed = names if len(names) <= 80 else f"{clip(buckets[0], BUCKET_MOST)} and {len(buckets) - 1} more"
    short = (f"{listed}: no readings{since}.", "Likely one cause: router, node or power.", "Look from the door first.")
    return Message("silent.together", says, do, clip(many, TITLE_MOST), short, ("look",))


def _plain(kind: str) -> str:
    return {
        "not_taken": "not taken",
        "too_hot": "too hot",
        "cooled_early": "cooled early",
        "incomplete": "falling short",
        "separated": "likely split",
        "sensor_fault": "probe trouble",
        "silent": "no readings",
        "watch_fault": "trouble with the watch",
    }.get(kind, kind.replace("_", " "))
