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
    blending_helps,
    cause_id,
    clip,
    cover_and_lid,
    degrees,
    duration,
    finite,
    good_now,
    heat_now,
    heat_short,
    likely_cause,
    may_wait,
    percent_with_range,
    potash_left,
    probe_problem,
    sentences,
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
_LOOSE_LID = "Lid laid on loosely, never clipped or held down."
_BLENDING = (
    "Probe out first. Bucket at most half full; no aluminium, zinc or tin on the blender; plugged into a "
    "residual-current device. Head under the surface before it starts. Never blend or stir above 75 °C. "
    "Probe back in right after."
)
_NOT_MOVING = "Do not lift or carry it while it is hot."
_SPILL = "Spilt: keep off, let it cool, bank it with sand, plastic shovel; not into drain, ditch or soil."
_CORRECTING = (
    "Do not blend again for this: blending does not help a batch that is short of potash. By daylight check the bag "
    "(potassium hydroxide? purity? long open?) and both weighings, and test. More potash only after that, in visor and "
    "gloves: all the water first, potash into it in small portions, stirring; it goes in as cold clear lye, half of "
    "what is missing; wait a day, test again."
)
_STIFF_CUT = "Stiff paste stalls a hand blender: cut it up and use a slow drill."


def first_aid(facts: Facts) -> str:
    """What to do when somebody is splashed, with the local emergency number when the settings have one."""
    number = facts.text("emergency_number")
    help_words = f"call {number}" if number else "call emergency help"
    return (
        f"Splash in the eyes: rinse at once, up to 30 minutes, and {help_words}. "
        "On skin: clothes off, rinse 15 minutes, no vinegar."
    )


def _after(facts: Facts) -> str:
    words = after_what(facts)
    return f", {words}" if words else ""


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
    return "Half asleep or alone: leave it shut, it is not lost." if case.condition.urgency == "now" else ""


# ---- one function an alarm kind --------------------------------------------------------------------------------


def _not_taken(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    says = sentences(
        f"{bucket} has not taken: {_state_line(case, 'a good one is clearly warmer by now')}.",
        cover_and_lid(facts),
        likely_cause(facts),
    )
    first = f"{case.short_bucket} has not taken{_short_state(facts)}"
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir: above 75 °C it reacts by itself and spits.", _LOOSE_LID, _OPENING,
            "Look from the side: oil on top or runny? Then blend once it is below 75 °C. Stiff as butter: leave it.",
            first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look; lid loose."
        return case.message("not_taken.hot", "has not taken", says, do, (first, short), deeds=("open", "look"))
    if not blending_helps(facts):
        do = sentences(
            GEAR, "Look: stiff as butter and no oil on top: leave it, cover it.", _OPENING, _LOOSE_LID, _CORRECTING,
            first_aid(facts),
        )  # fmt: skip
        short = "Likely short of potash: do not blend for it. Visor, gloves: look; cover it."
        return case.message("not_taken.short_potash", "has not taken", says, do, (first, short), deeds=("open", "look"))
    do = sentences(
        GEAR, _OPENING, "Oil on top or runny: blend 5 minutes, now.", _BLENDING,
        "Stiff as butter: do not blend, leave it, cover it.", _LOOSE_LID, _how_long(facts),
        may_wait(facts, "now"), first_aid(facts),
    )  # fmt: skip
    short = "Visor, gloves. Oil on top or runny: probe out, blend 5 min. Stiff as butter: cover it."
    return case.message("not_taken.blend", "has not taken", says, do, (first, short), deeds=("open", "blend"))


def _too_hot(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    limit = facts.number("limit_c")
    limit_words = degrees(95.0 if limit is None else limit)
    soon, temperature_c = facts.number("too_hot_in_min"), facts.number("temperature_c")
    over = temperature_c is not None and temperature_c >= (95.0 if limit is None else limit)
    second = facts.flag("second_heat") is True
    if over or (soon is not None and soon < 0.5):
        forecast, forecast_short = f"hot caustic paste boils over from about {limit_words}", "May boil over now."
    elif soon is not None:
        forecast = f"at this pace it passes {limit_words}, where it may boil over, in about {duration(soon)}"
        forecast_short = f"May boil over in about {duration(soon)}."
    else:
        forecast, forecast_short = f"it may pass {limit_words}, where it boils over", "It may boil over."
    says = sentences(
        f"{bucket} {'is too hot' if over else 'gets too hot'}: {_state_line(case)}; {forecast}.",
        "This is the second heat, after blending again." if second else "",
        cover_and_lid(facts),
    )
    covered = facts.text("cover") != "bare"
    do = sentences(
        "Now, it cannot wait: keep people and animals away.",
        "Visor, gloves, long sleeves before you go near; clean water within reach.",
        "Do not blend, stir or move it, and pour no water in.",
        "Not boiling yet: take blanket or box off from the outside, let cool air at it."
        if covered else "Not boiling yet: let cool air at it.",
        "Lid loose, never clipped or held down; steam must get out.",
        "If it boils stay back until that stops, then stand aside and tilt the far edge first.",
        _SPILL, first_aid(facts),
    )  # fmt: skip
    short = (
        f"{case.short_bucket} {'is' if over else 'gets'} too hot{_short_state(facts)}",
        forecast_short,
        "Keep away from it, do not stir. Visor, gloves: cover off, lid loose.",
    )
    form = "second_heat" if second else "now" if over else "forecast"
    return case.message(f"too_hot.{form}", "may boil over", says, do, short, deeds=("open", "spill"))


def _cooled_early(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    temperature_c, limit_c = facts.number("temperature_c"), facts.number("limit_c")
    # It is rung while it can still be helped, and so mostly before it is cold.
    warm_yet = temperature_c is not None and temperature_c >= (45.0 if limit_c is None else limit_c)
    what = "will cool too early" if warm_yet else "has cooled early"
    says = sentences(
        f"{bucket} {what}: {_state_line(case, 'a good one is warmer by now')}.",
        _used_up(facts), cover_and_lid(facts), likely_cause(facts),
    )  # fmt: skip
    first = f"{case.short_bucket} {what}{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    if not blending_helps(facts):
        do = sentences(GEAR, "Leave it, cover it.", _LOOSE_LID, _CORRECTING, wait, first_aid(facts))
        short = "Likely short of potash: do not blend. Gloves, visor: cover it; test by daylight."
        return case.message(
            "cooled_early.short_potash", "cooled early", says, do, (first, short), deeds=("open", "look")
        )
    if too_hot_to_blend(facts):
        do = sentences(GEAR, "Do not blend or stir above 75 °C. Leave it, cover it.", _LOOSE_LID, first_aid(facts))
        return case.message(
            "cooled_early.hot", "cooled early", says, do, (first, "Do not blend above 75 °C."), deeds=("look",)
        )
    warm = "Cover it and stand something warm round it (blanket, box)." if cause_id(facts) == "cold" else ""
    do = sentences(
        GEAR, warm, _OPENING, "Oil on top, layers or runny: blend again 5 minutes.", _BLENDING, _STIFF_CUT,
        "Firm all through, no oil: leave it. Then cover it.", _LOOSE_LID, _how_long(facts), wait, _sleepy(case),
        first_aid(facts),
    )  # fmt: skip
    short = "Visor, gloves. Oil or layers: probe out, blend 5 min, cover. Firm all through: only cover."
    form = "cold" if cause_id(facts) == "cold" else "blend"
    return case.message(f"cooled_early.{form}", "cooled early", says, do, (first, short, wait), deeds=("open", "blend"))


def _incomplete(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    says = sentences(
        f"{bucket} will fall short: {_state_line(case)}.",
        _by_dilution(facts) or "How far short cannot be said.", potash_left(facts), cover_and_lid(facts),
        likely_cause(facts),
    )  # fmt: skip
    first = f"{case.short_bucket} will fall short{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    ending = "Do not dilute before it is put right or tested; not for skin until tested."
    if not blending_helps(facts):
        do = sentences(GEAR, _CORRECTING, "Oil left over may cloud or float.", ending, wait, first_aid(facts))
        short = "Likely short of potash: do not blend. By daylight, in gloves and visor: check the bag, test."
        return case.message(
            "incomplete.short_potash", "will fall short", says, do, (first, short), deeds=("look", "weigh")
        )
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend above 75 °C: leave it, look again when it is cooler.", _LOOSE_LID, ending, wait
        )
        short = "Do not blend above 75 °C. Visor, gloves: look again when it is cooler."
        return case.message("incomplete.hot", "will fall short", says, do, (first, short), deeds=("look",))
    do = sentences(
        GEAR, _OPENING, "Look for oil, layers or soft places; if there are any, blend again.", _BLENDING, _STIFF_CUT,
        "Easier and surer today than later; not lost on day three, potash left over keeps its heat.",
        _LOOSE_LID, ending, wait, first_aid(facts),
    )  # fmt: skip
    short = "Visor, gloves. Easier and surer today: blend again; stiff: cut it up, slow drill."
    return case.message("incomplete.blend", "will fall short", says, do, (first, short, wait), deeds=("open", "blend"))


def _separated(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    says = sentences(
        f"{bucket} has likely split, oil apart from lye: {_state_line(case)}.",
        _used_up(facts), cover_and_lid(facts), "A poor blend looks much the same from the heat: only a look tells.",
    )  # fmt: skip
    first = f"{case.short_bucket} has likely split{_short_state(facts)}"
    wait = may_wait(facts, case.condition.urgency)
    lye = "The layer below is strong lye, and corners hide it."
    if too_hot_to_blend(facts):
        do = sentences(
            GEAR, "Do not blend or stir above 75 °C: leave it, look again when it is cooler.", _OPENING, _LOOSE_LID,
            lye, first_aid(facts),
        )  # fmt: skip
        short = "Do not blend above 75 °C. Visor, gloves: look again when it is cooler."
        return case.message("separated.hot", "has likely split", says, do, (first, short), deeds=("open", "look"))
    if not blending_helps(facts):
        do = sentences(
            GEAR, _OPENING, "Look for oil on top or a watery layer below.", lye,
            "If there is none: leave it, cover it.", _LOOSE_LID, _CORRECTING, wait, first_aid(facts),
        )  # fmt: skip
        short = "Visor, gloves: look for oil on top. Short of potash: do not blend for that."
        return case.message(
            "separated.short_potash", "has likely split", says, do, (first, short), deeds=("open", "look")
        )
    do = sentences(
        GEAR, _OPENING, "Oil on top or a watery layer below: blend again until it is one, about 5 minutes.", lye,
        _BLENDING, _STIFF_CUT, "No layers: leave it, cover it.", _LOOSE_LID, _how_long(facts), wait, _sleepy(case),
        first_aid(facts),
    )  # fmt: skip
    short = "Visor, gloves. Oil on top or watery below: probe out, blend again. No layers: cover it."
    return case.message("separated.blend", "has likely split", says, do, (first, short, wait), deeds=("open", "blend"))


def _sensor_fault(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    probe = facts.text("probe")
    name = f"{probe} probe" if probe else "probe"
    last_c, since_min = facts.number("last_good_c"), facts.number("problem_since_min")
    last = f"The last good reading was {degrees(last_c)}." if last_c is not None else ""
    since = f" for {duration(since_min)}" if since_min is not None else ""
    if facts.flag("suddenly_lost") is True:
        was = f" at {degrees(last_c)}" if last_c is not None else ""
        says = sentences(
            f"{bucket}: the {name} was lost suddenly while hot{was}{_after(facts)}.",
            "The probe may have been pushed out by paste: there may be hot caustic on the floor.",
            cover_and_lid(facts),
        )
        do = sentences(
            "Look from the door first. Keep people and animals away.", GEAR,
            "Boiling: stay back until it stops. Do not stir, lift or carry it.", _LOOSE_LID, _SPILL,
            "When all is calm put the probe back to its mark.", first_aid(facts),
        )  # fmt: skip
        short = (
            f"{case.short_bucket}: hot probe lost suddenly{was}.",
            "There may be hot caustic on the floor: look from the door first.",
            "Keep people away. Visor, gloves.",
        )
        return case.message("sensor_fault.hot_lost", "hot probe lost", says, do, short, deeds=("look", "spill", "open"))
    problem = probe_problem(facts.text("problem"))
    if probe == AMBIENT:
        says = f"{bucket}: the probe in the air {problem}{since}. The batch is still watched, less surely."
        do = "Look at its cable, plug and place, away from the bucket; gloves and visor if you go near it."
        air = (f"{case.short_bucket}: the air probe {problem}.", "Batch still watched, less surely.")
        return case.message("sensor_fault.ambient", "air probe trouble", says, do, air, deeds=("look",))
    says = sentences(
        f"{bucket}: the {name} {problem}{since}{_after(facts)}. How warm the paste is now is not known.",
        last,
        cover_and_lid(facts),
    )
    since_blend = facts.number("minutes_since_blend")
    early = since_blend is not None and since_blend < 90
    do = sentences(
        "The peak is minutes away: look at the bucket now, from the door first." if early
        else "Until it is mended look at the bucket yourself.",
        GEAR, "Try plug and cable at the node first; then push the probe back to its mark, never while blending.",
        _OPENING, _LOOSE_LID, _NOT_MOVING, may_wait(facts, case.condition.urgency), first_aid(facts),
    )  # fmt: skip
    short = (
        f"{case.short_bucket}: the {name} {problem}{since}.",
        "Heat not known: look from the door; visor, gloves." if early else "Visor, gloves: look, try the plug.",
        last,
    )
    return case.message("sensor_fault.probe", "probe trouble", says, do, short, deeds=("look", "open"))


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
        f"{bucket}: no readings{since}{_after(facts)}. What the paste does now is not known.",
        last,
        cover_and_lid(facts),
    )
    since_blend = facts.number("minutes_since_blend")
    early = since_blend is not None and since_blend < 90
    do = sentences(
        "The peak is minutes away: look at the bucket now, from the door first." if early
        else "Look at the bucket yourself, from the door first.",
        GEAR, "Then the node: power, cable, network.", _NOT_MOVING, may_wait(facts, case.condition.urgency),
    )  # fmt: skip
    short = (
        f"{case.short_bucket}: no readings{since}.",
        last,
        "Look from the door first; visor, gloves near it. Then the node: power, cable, network.",
    )
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
    says = f"{where}{what}{since}. Until it is mended do not rely on being rung: look at the buckets yourself."
    first = f"{f'{case.short_bucket}: ' if case.bucket else ''}{clip(what, 100)}{since}."
    form = problem if problem in _WATCH_PROBLEMS else "other"
    do = sentences(do, may_wait(facts, case.condition.urgency))
    short = (first, "Do not rely on being rung: look yourself.", do)
    return case.message(f"watch_fault.{form}", "the watch has trouble", says, do, short, deeds=())


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
    number = facts.text("emergency_number")
    help_words = f"call {number}" if number else "call emergency help"
    hurt = f"Somebody splashed: rinse with clean water at once and {help_words}."
    do = sentences("Look from the door.", call_words, "If anything boils, foams or is spilt, stay out.", hurt)
    short = (_LOOK_ONLY, f"{clip(name, BUCKET_MOST)} (hot caustic) {what}.", call_words)
    return Message("someone_else." + condition.kind, says, do, title(bucket, "look only"), short, ("look",))


def ask_what_was_done(kind: str, *, bucket: str, batch: str, minutes: float = 30.0) -> Message:
    """The question to whoever said "I am going" and has noted nothing since."""
    went = f"You went to {bucket} {duration(minutes)} ago and it has not changed: {_plain(kind)}."
    do = "Answer what was done: blended again, covered, looked, or nothing. Unanswered, the next person is rung."
    short = (f"{clip(bucket, BUCKET_MOST)}: still {_plain(kind)}.", "What was done? Please answer.")
    return Message("ask.what_was_done", f"{went} What was done?", do, title(bucket, "what was done?"), short)


def has_not_answered(
    kind: str, *, bucket: str, batch: str, who: str = "", minutes: float = 40.0, call: str = ""
) -> Message:
    """For the next person when whoever went to a hot bucket does not answer."""
    name = who or "Somebody"
    says = f"{_LOOK_ONLY} {name} went to {bucket} (hot caustic paste) {duration(minutes)} ago and has not answered."
    do = sentences(
        f"Call {call} first." if call else f"Call {who} first." if who else "",
        "No answer: look for them from the door; splashed, rinse with clean water and call emergency help.",
    )
    short = (
        f"{name} went to {clip(bucket, BUCKET_MOST)} {duration(minutes)} ago and has not answered.",
        "Call, then look from the door.", "Do not open or touch.",
    )  # fmt: skip
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
_NEEDS_FINDINGS = ("not_taken", "cooled_early", "incomplete", "separated")
# Below this probability of the trouble the good news is said outright.
_GOOD_NEWS_BELOW = 0.25


def back_to_normal(
    kind: str, *, bucket: str, batch: str, lasted_min: float | None = None, condition: Condition | None = None
) -> Message:
    """Said once, to those who had been rung.

    For the alarms about the batch's course the good news is said only when ``condition`` (what is found now) bears it
    out; without it the message says no more than that the alarm is over.
    """
    shown = condition is not None and condition.facts and condition.probability < _GOOD_NEWS_BELOW
    lasted = f" after {duration(lasted_min or 0.0)}" if finite(lasted_min) is not None else ""
    name = bucket or "The watch"
    if kind in _NEEDS_FINDINGS and not shown:
        says = f"{name}: the alarm '{_plain(kind)}' is over{lasted}."
        first = f"{clip(name, BUCKET_MOST)}: the alarm '{_plain(kind)}' is over{lasted}."
        return Message(f"{kind}.over", says, "See on the page where it stands.", title(name, "alarm over"), (first,))
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
    do = sentences("Look at the buckets yourself, from the door first.", GEAR, "Then router, node, power.", _NOT_MOVING)
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
