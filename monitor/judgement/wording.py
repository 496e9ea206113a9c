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
    duration,
    finite,
    fits_a_good_one,
    good_now,
    heat_and_direction,
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
    probe_words,
    stage_words,
    took_message,
    verdict_message,
    verdict_text,
)
from monitor.judgement.supply_words import CHARGE, goes_unwatched, supply_in_short, supply_words
from monitor.words import mark, tr, trc, trn

# What others may take from here, the summaries included, so that they need to know one module only.
__all__ = [
    "BODY_MOST", "FORBIDDEN_ON_PHONE", "TITLE_MOST", "LockScreen", "Message", "alarm_words", "ask_what_was_done",
    "back_to_normal", "evening_message", "first_aid", "for_someone_else", "forbidden_in",
    "has_not_answered", "lock_screen", "probe_problem", "probe_words", "say", "silent_together", "stage_words",
    "took_message", "verdict_message", "verdict_text",
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

    def line(self, what: str, otherwise: str = "") -> str:
        """The bucket, what is the matter with it and how it stands: 'shed-2 has not taken: 52 °C and falling.'"""
        return tr("{bucket} {what}: {state}.", bucket=self.bucket, what=what, state=_state(self.facts, otherwise))

    def short_line(self, what: str) -> str:
        """The same for a lock screen."""
        state = _short_state(self.facts)
        if state:
            return tr("{bucket} {what}: {state}.", bucket=self.short_bucket, what=what, state=state)
        return tr("{bucket} {what}.", bucket=self.short_bucket, what=what)


# ---- cautions, each where its deed is --------------------------------------------------------------------------

GEAR = mark("Visor, gloves, long sleeves; clean water within reach.")
_OPENING = mark("Opening: wait until any boiling stops, stand aside, tilt the far edge first.")
_LOOSE_LID = mark("Lid laid on loosely, never clipped or held down: steam must get out, at the cable's hole too.")
_BLENDING = mark(
    "Probe out first. Bucket at most half full; no aluminium, zinc or tin on the blender or paddle, nothing "
    "galvanised: it gives off hydrogen; plugged into a residual-current device. Head under the surface before it "
    "starts. Never blend or stir above {75:degC}. Probe back in right after."
)
_NOT_MOVING = mark("Do not lift or carry it while it is hot.")
_SPILL = mark("Spilt: keep off, let it cool, bank it with sand, plastic shovel; not into drain, ditch or soil.")
_CORRECTING = mark(
    "Do not blend again for this: blending does not help a batch that is short of potash. By daylight check the bag "
    "(potassium hydroxide? purity? long open?) and both weighings, and test. More potash only after that, in visor and "
    "gloves and as the bag's data sheet says: all the water first, potash into it in small portions, stirring; "
    "never water onto potash or boiling lye, it erupts. It goes in as cold clear lye, half of what is missing; wait a "
    "day, test again."
)
_STIFF_CUT = mark("Stiff paste stalls a hand blender: cut it up and use a slow drill.")


def first_aid(facts: Facts) -> str:
    """What to do when somebody is splashed, with the local emergency number when the settings have one."""
    number = facts.text("emergency_number")
    return tr(
        "Splash in the eyes: rinse at once, up to 30 minutes, and {call_help}. "
        "On skin: clothes off, rinse 15 minutes, no vinegar. "
        "Swallowed: rinse the mouth, do not vomit, {call_help}.",
        call_help=_call_help(number),
    )


def _call_help(emergency_number: str) -> str:
    return tr("call {number}", number=emergency_number) if emergency_number else tr("call emergency help")


def _after(facts: Facts) -> str:
    words = after_what(facts)
    return f", {words}" if words else ""


def _lasting(minutes: float | None) -> str:
    """' for 20 min', or ''."""
    return "" if minutes is None else trc("how long it has lasted", " for {time}", time=duration(minutes))


def _as_sure_as_it_is(probability: float, sure: str, likely: str, maybe: str) -> str:
    """What is rung for at 0.3 must not read like what is rung for at 0.95."""
    return sure if probability >= 0.8 else likely if probability >= 0.5 else maybe


def _later(facts: Facts, signs: str) -> str:
    """For paste too hot to blend now: what the same message still asks for when it has cooled, cautions included."""
    again = tr("Look again when it is below {75:degC}, not before: {signs}, blend again then.", signs=signs)
    return sentences(again, blending_in_doubt(facts), tr(_BLENDING))


def _leave(facts: Facts) -> str:
    """Nothing is put round a batch that still rises and may yet get too hot."""
    if facts.text("direction") == "rising":
        return tr("Leave it as it is, cover nothing yet.")
    return tr("Leave it, cover it.")


def _state(facts: Facts, otherwise: str = "") -> str:
    """'52 °C and falling, 25 min after blending; a good one stands at 75 to 88 now'."""
    good = good_now(facts, otherwise)
    return heat_now(facts) + _after(facts) + (f"; {good}" if good else "")


def _short_state(facts: Facts) -> str:
    return ", ".join(part for part in (heat_short(facts), after_what(facts)) if part)


def _used_up(facts: Facts) -> str:
    share = percent_with_range(facts.number("completeness"), facts.number("completeness_sd"))
    if not share:
        return tr("How much potash is used up cannot be said.")
    return tr("Potash used up so far: {share}.", share=share)


def _by_dilution(facts: Facts) -> str:
    share = percent_with_range(facts.number("final_completeness"), facts.number("final_completeness_sd"))
    return tr("By the dilution: {share} of the soap this recipe promises.", share=share) if share else ""


def _how_long(facts: Facts) -> str:
    hours = facts.number("help_window_h")
    if hours is not None and hours > 0:
        return tr(
            "Easy for about {time} more, while it is warm and soft; harder later, not lost.", time=duration(hours * 60)
        )
    return tr(
        "Easier and surer now than later: warm and soft; a stalled batch is not lost, potash left over keeps its heat."
    )


def _sleepy(case: _Case) -> str:
    if case.condition.urgency != "now" or case.facts.flag("can_wait_until_morning") is True:
        return ""
    return tr("But half asleep or alone: leave it shut until it is light, it is not lost.")


# ---- one function an alarm kind --------------------------------------------------------------------------------


def _not_taken(case: _Case) -> Message:
    facts = case.facts
    what = _as_sure_as_it_is(
        case.condition.probability, tr("has not taken"), tr("has likely not taken"), tr("may not have taken")
    )
    says = sentences(
        case.line(what, tr("a good one is clearly warmer by now")),
        fits_a_good_one(facts, case.condition.probability), cover_and_lid(facts), likely_cause(facts),
    )  # fmt: skip
    first = case.short_line(what)
    wait = may_wait(facts, "now") or tr("Now, while somebody is there: it should not wait until morning.")
    if short_of_potash(facts):
        do = sentences(
            tr(GEAR), tr(_OPENING),
            tr("Look: stiff as butter and no oil on top: leave it as it is, cover nothing yet.")
            if facts.text("direction") == "rising"
            else tr("Look: stiff as butter and no oil on top: leave it, cover it."),
            tr(_LOOSE_LID),
            tr(_CORRECTING), tr("The look now; the rest may wait until morning."), first_aid(facts),
        )  # fmt: skip
        short = tr("Likely short of potash: do not blend for it. Visor, gloves: look; lid loose.")
        return case.message("not_taken.short_potash", what, says, do, (first, short), deeds=("open", "look", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            tr(GEAR), tr("Do not blend or stir: above {75:degC} it reacts by itself and spits."), tr(_LOOSE_LID),
            tr(_OPENING), tr("Look from the side. Stiff as butter, no oil on top: leave it."),
            _later(facts, tr("oil on top or runny")), wait, first_aid(facts),
        )  # fmt: skip
        short = tr("Do not blend above {75:degC}. Visor, gloves: look; lid loose. Look again when below {75:degC}.")
        return case.message("not_taken.hot", what, says, do, (first, short), deeds=("open", "blend"))
    do = sentences(
        tr(GEAR), tr(_OPENING), tr("Oil on top or runny: blend 5 minutes, now."), blending_in_doubt(facts),
        tr(_BLENDING), tr("Stiff as butter: do not blend, leave it, cover it."), tr(_LOOSE_LID), _how_long(facts), wait,
        first_aid(facts),
    )  # fmt: skip
    short = (
        tr("Visor, gloves. Oil on top or runny, and below {75:degC}: probe out, blend 5 min. Stiff: leave it.")
        if soon_too_hot_to_blend(facts)
        else tr("Visor, gloves. Oil on top or runny: probe out, blend 5 min. Stiff as butter: cover it.")
    )
    return case.message("not_taken.blend", what, says, do, (first, short), deeds=("open", "blend"))


def _too_hot(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    limit_c = facts.number("limit_c")
    limit_c = 95.0 if limit_c is None else limit_c
    soon, temperature_c = facts.number("too_hot_in_min"), facts.number("temperature_c")
    reckoned = facts.flag("temperature_reckoned") is True
    over = temperature_c is not None and not reckoned and temperature_c >= limit_c
    second = facts.flag("second_heat") is True
    if over or (soon is not None and soon < 0.5):
        forecast = tr("hot caustic paste boils over from about {limit:degC}", limit=limit_c)
        forecast_short = tr("May boil over now.")
    elif soon is not None:
        forecast = tr(
            "at this pace it passes {limit:degC}, where it may boil over, in about {time}",
            limit=limit_c, time=duration(soon),
        )  # fmt: skip
        forecast_short = tr("May boil over in about {time}.", time=duration(soon))
    else:
        forecast = tr("it may pass {limit:degC}, where it boils over", limit=limit_c)
        forecast_short = tr("It may boil over.")
    if reckoned:
        what = tr("may be too hot")
    elif over:
        what = tr("is too hot")
    else:
        what = _as_sure_as_it_is(
            case.condition.probability, tr("gets too hot"), tr("likely gets too hot"), tr("may get too hot")
        )
    covered = facts.text("cover") != "bare"
    if second:
        cause = tr("This is the second heat, after blending again.")
    elif covered:
        cause = tr("Likely, not surely: {cause}.", cause=tr("its cover keeps the heat in"))
    else:
        cause = tr("Likely, not surely: {cause}.", cause=tr("a warm pour, a warm place or a large batch"))
    says = sentences(
        tr("{bucket} {what}: {state}; {forecast}.", bucket=bucket, what=what, state=_state(facts), forecast=forecast),
        cause, cover_and_lid(facts),
    )  # fmt: skip
    do = sentences(
        tr("Now, it cannot wait: keep people and animals away."),
        tr("If it boils or foams stay back until that stops, then stand aside and tilt the far edge first."),
        tr("Visor, gloves, long sleeves before you go near; clean water within reach."),
        tr("Do not blend, stir or move it, and pour no water in."),
        tr("Not boiling yet: take blanket or box off from the outside, let cool air at it.")
        if covered else tr("Not boiling yet: let cool air at it."),
        tr("Lid loose, never clipped or held down; steam must get out, at the cable's hole too."),
        tr("A fast rise lasts about half an hour: look again from the door until it falls."),
        tr(_SPILL), first_aid(facts),
    )  # fmt: skip
    deed = tr("cover off, lid loose") if covered else tr("lid loose, cool air at it")
    short = (
        case.short_line(what),
        tr("Boiling: keep away. Not yet: visor, gloves, {deed}; do not stir.", deed=deed),
        forecast_short,
    )
    form = "second_heat" if second else "now" if over else "forecast"
    return case.message(f"too_hot.{form}", tr("may boil over"), says, do, short, deeds=("open", "spill"))


def _cooled_early(case: _Case) -> Message:
    facts = case.facts
    temperature_c, limit_c = facts.number("temperature_c"), facts.number("limit_c")
    # It is rung while it can still be helped, and so mostly before it is cold.
    warm_yet = temperature_c is not None and temperature_c >= (45.0 if limit_c is None else limit_c)
    sure = case.condition.probability
    what = (
        _as_sure_as_it_is(sure, tr("will cool too early"), tr("will likely cool too early"), tr("may cool too early"))
        if warm_yet
        else _as_sure_as_it_is(sure, tr("has cooled early"), tr("has likely cooled early"), tr("may have cooled early"))
    )
    says = sentences(
        case.line(what, tr("a good one is warmer by now")),
        fits_a_good_one(facts, sure), _used_up(facts), cover_and_lid(facts), likely_cause(facts),
    )  # fmt: skip
    first = case.short_line(what)
    wait = may_wait(facts, case.condition.urgency)
    if short_of_potash(facts):
        do = sentences(tr(GEAR), _leave(facts), tr(_LOOSE_LID), tr(_CORRECTING), wait, first_aid(facts))
        short = tr("Likely short of potash: do not blend. Gloves, visor: cover it; test by daylight.")
        return case.message("cooled_early.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            tr(GEAR), tr("Do not blend or stir: above {75:degC} it reacts by itself and spits."), _leave(facts),
            tr(_LOOSE_LID), tr(_OPENING), _later(facts, tr("oil on top, layers or runny")), wait, _sleepy(case),
            first_aid(facts),
        )  # fmt: skip
        short = tr("Do not blend above {75:degC}. Visor, gloves: look when it is below.")
        return case.message("cooled_early.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    warm = tr("Cover it and stand something warm round it (blanket, box).") if cause_id(facts) == "cold" else ""
    do = sentences(
        tr(GEAR), warm, tr(_OPENING), tr("Oil on top, layers or runny: blend again 5 minutes."),
        blending_in_doubt(facts), tr(_BLENDING), tr(_STIFF_CUT),
        tr("Firm all through, no oil: leave it. Then cover it."), tr(_LOOSE_LID), _how_long(facts), wait, _sleepy(case),
        first_aid(facts),
    )  # fmt: skip
    short = (
        tr("Visor, gloves. Below {75:degC}, oil or layers: probe out, blend 5 min. Firm all through: leave it.")
        if soon_too_hot_to_blend(facts)
        else tr("Visor, gloves. Oil or layers: probe out, blend 5 min, cover. Firm all through: only cover.")
    )
    form = "cold" if cause_id(facts) == "cold" else "blend"
    return case.message(f"cooled_early.{form}", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _incomplete(case: _Case) -> Message:
    facts = case.facts
    sure = case.condition.probability
    what = _as_sure_as_it_is(sure, tr("will fall short"), tr("will likely fall short"), tr("may fall short"))
    says = sentences(
        case.line(what), fits_a_good_one(facts, sure),
        _by_dilution(facts) or tr("How far short cannot be said."), potash_left(facts), cover_and_lid(facts),
        likely_cause(facts),
    )  # fmt: skip
    first = case.short_line(what)
    wait = may_wait(facts, case.condition.urgency)
    ending = tr("Do not dilute before it is put right or tested; not for skin until tested.")
    if short_of_potash(facts):
        do = sentences(
            tr(GEAR), tr(_OPENING), tr(_LOOSE_LID), tr(_CORRECTING), tr("Oil left over may cloud or float."), ending,
            wait, first_aid(facts),
        )  # fmt: skip
        short = tr("Likely short of potash: do not blend. By daylight, in gloves and visor: check the bag, test.")
        return case.message("incomplete.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            tr(GEAR), tr("Do not blend or stir: above {75:degC} it reacts by itself and spits. Leave it."),
            tr(_LOOSE_LID), tr(_OPENING), _later(facts, tr("oil, layers or soft places")), ending, wait,
            first_aid(facts),
        )  # fmt: skip
        short = tr("Do not blend above {75:degC}. Visor, gloves: look again when it is cooler.")
        return case.message("incomplete.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    do = sentences(
        tr(GEAR), tr(_OPENING), tr("Look for oil, layers or soft places; if there are any, blend again."),
        blending_in_doubt(facts), tr(_BLENDING), tr(_STIFF_CUT),
        tr("Firm all through, no oil: leave it, and test before you dilute."),
        tr("Easier and surer today than later; not lost on day three, potash left over keeps its heat."),
        tr(_LOOSE_LID), ending, wait, first_aid(facts),
    )  # fmt: skip
    short = tr("Visor, gloves: look. Oil, layers or soft places: probe out, blend again today; firm: leave it.")
    return case.message("incomplete.blend", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _separated(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    sure = case.condition.probability
    what = _as_sure_as_it_is(sure, tr("has likely split"), tr("has likely split"), tr("may have split"))
    says = sentences(
        tr("{bucket} {what}, oil apart from lye: {state}.", bucket=bucket, what=what, state=_state(facts)),
        fits_a_good_one(facts, sure),
        _used_up(facts), cover_and_lid(facts), tr("A poor blend looks much the same from the heat: only a look tells."),
    )  # fmt: skip
    first = case.short_line(what)
    wait = may_wait(facts, case.condition.urgency)
    lye = tr("The layer below is strong lye, and corners hide it.")
    if short_of_potash(facts):
        do = sentences(
            tr(GEAR), tr(_OPENING), tr("Look for oil on top or a watery layer below."), lye,
            tr("If there is none: leave it, cover it."), tr(_LOOSE_LID), tr(_CORRECTING), wait, first_aid(facts),
        )  # fmt: skip
        short = tr("Visor, gloves: look for oil on top. Short of potash: do not blend for that.")
        return case.message("separated.short_potash", what, says, do, (first, short), deeds=("open", "correct"))
    if too_hot_to_blend(facts):
        do = sentences(
            tr(GEAR), tr("Do not blend or stir: above {75:degC} it reacts by itself and spits. Leave it."),
            tr(_OPENING), tr(_LOOSE_LID), lye, _later(facts, tr("oil on top or a watery layer below")), wait,
            first_aid(facts),
        )  # fmt: skip
        short = tr("Do not blend above {75:degC}. Visor, gloves: look again when it is cooler.")
        return case.message("separated.hot", what, says, do, (first, short, wait), deeds=("open", "blend"))
    do = sentences(
        tr(GEAR), tr(_OPENING), tr("Oil on top or a watery layer below: blend again until it is one, about 5 minutes."),
        lye, blending_in_doubt(facts), tr(_BLENDING), tr(_STIFF_CUT), tr("No layers: leave it, cover it."),
        tr(_LOOSE_LID), _how_long(facts), wait, _sleepy(case), first_aid(facts),
    )  # fmt: skip
    short = (
        tr("Visor, gloves. Oil or water apart, and below {75:degC}: probe out, blend again. No layers: leave it.")
        if soon_too_hot_to_blend(facts)
        else tr("Visor, gloves. Oil on top or watery below: probe out, blend again. No layers: cover it.")
    )
    return case.message("separated.blend", what, says, do, (first, short, wait), deeds=("open", "blend"))


def _sensor_fault(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    probe = facts.text("probe")
    name = tr("{probe} probe", probe=probe) if probe else tr("probe")
    last_c, since_min = facts.number("last_good_c"), facts.number("problem_since_min")
    last = tr("The last good reading was {temperature_c:degC}.", temperature_c=last_c) if last_c is not None else ""
    since = trc("how long it has lasted", ", for {time} now", time=duration(since_min)) if since_min is not None else ""
    if facts.flag("suddenly_lost") is True:
        was = trc("lost while hot", " at {temperature_c:degC}", temperature_c=last_c) if last_c is not None else ""
        says = sentences(
            tr(
                "{bucket}'s {probe} was lost suddenly while hot{was}{after}.",
                bucket=bucket, probe=name, was=was, after=_after(facts),
            ),
            tr("The probe may have been pushed out by paste: there may be hot caustic on the floor."),
            tr("How warm the paste is now is not known."), cover_and_lid(facts),
        )  # fmt: skip
        do = sentences(
            tr("Look from the door first. It cannot wait: now. Keep people and animals away."), tr(GEAR),
            tr("Boiling: stay back until it stops. Do not stir, lift or carry it."), tr(_LOOSE_LID), tr(_SPILL),
            tr("When all is calm put the probe back to its mark."), tr(_OPENING), first_aid(facts),
        )  # fmt: skip
        short = (
            tr("{bucket}: hot probe lost suddenly{was}.", bucket=case.short_bucket, was=was),
            tr("There may be hot caustic on the floor: look from the door first."),
            tr("Keep people away. Visor, gloves."),
        )
        deeds = ("look", "spill", "probe")
        return case.message("sensor_fault.hot_lost", tr("hot probe lost"), says, do, short, deeds=deeds)
    problem = probe_problem(facts.text("problem"))
    if probe == AMBIENT:
        says = tr(
            "{bucket}'s air probe {problem}{since}. The batch is still watched, less surely.",
            bucket=bucket, problem=problem, since=since,
        )  # fmt: skip
        do = sentences(
            tr("Look at its cable, plug and place, away from the bucket; gloves and visor if you go near it."),
            may_wait(facts, case.condition.urgency),
        )
        air = (
            tr("{bucket}: the air probe {problem}.", bucket=case.short_bucket, problem=problem),
            tr("Batch still watched, less surely."),
        )
        return case.message("sensor_fault.ambient", tr("air probe trouble"), says, do, air, deeds=("look",))
    says = sentences(
        tr(
            "{bucket}'s {probe} {problem}{since}{after}.",
            bucket=bucket, probe=name, problem=problem, since=since, after=_after(facts),
        ),
        tr("How warm the paste is there now is not known."), last, cover_and_lid(facts),
    )  # fmt: skip
    urgent, early = case.condition.urgency == "now", _may_still_peak(facts)
    do = sentences(
        _look_how_soon(early, urgent), tr(GEAR),
        tr("Try plug and cable at the node first; then push the probe back to its mark, never while blending."),
        tr(_OPENING), tr(_LOOSE_LID), tr(_NOT_MOVING), may_wait(facts, case.condition.urgency), first_aid(facts),
    )  # fmt: skip
    short = (
        tr(
            "{bucket}: the {probe} {problem}{since}.",
            bucket=case.short_bucket, probe=name, problem=problem, since=since,
        ),
        tr("Heat not known: look from the door; visor, gloves.") if early or urgent
        else tr("By daylight, visor, gloves: look, try the plug."),
        last,
    )  # fmt: skip
    return case.message("sensor_fault.probe", tr("probe trouble"), says, do, short, deeds=("look", "probe"))


def _may_still_peak(facts: Facts) -> bool:
    since_blend = facts.number("minutes_since_blend")
    return since_blend is not None and since_blend < 90


def _look_how_soon(early: bool, urgent: bool) -> str:
    """One time to look, never two that speak against each other."""
    if early:
        return tr("The peak may be minutes away: look at the bucket now, from the door first.")
    return (
        tr("Look at the bucket yourself now, from the door first.") if urgent
        else tr("Look at the bucket yourself by daylight, from the door first.")
    )  # fmt: skip


def _silent(case: _Case) -> Message:
    facts, bucket = case.facts, case.bucket
    since = _lasting(facts.number("silent_min"))
    last_c = facts.number("last_good_c")
    if last_c is None:
        last_c = facts.number("temperature_c")
    last = (
        tr("No reading is known.")
        if last_c is None
        else tr("The last reading was {heat}.", heat=heat_and_direction(facts, last_c))
    )
    says = sentences(
        tr(
            "{bucket} has sent no readings{since}{after}: what the paste does now is not known.",
            bucket=bucket, since=since, after=_after(facts),
        ),
        last, cover_and_lid(facts),
    )  # fmt: skip
    urgent, early = case.condition.urgency == "now", _may_still_peak(facts)
    do = sentences(
        _look_how_soon(early, urgent), tr(GEAR), tr("Boiling or spilt: stay back."),
        sentences(tr("Has it taken?"), tr(_OPENING)) if early else tr("No need to open it for this."),
        tr("Then the node: power, cable, network."), tr(_NOT_MOVING), may_wait(facts, case.condition.urgency),
        first_aid(facts),
    )  # fmt: skip
    short = (
        tr("{bucket}: no readings{since}.", bucket=case.short_bucket, since=since),
        last,
        tr("Look from the door first; visor, gloves near it. Then the node: power, cable, network.")
        if early or urgent else tr("By daylight look from the door first. Then the node: power, cable, network."),
    )  # fmt: skip
    return case.message("silent.early" if early else "silent.late", tr("no readings"), says, do, short, deeds=("look",))


_WATCH_PROBLEMS = {
    "disk": (mark("The disk is full or cannot be written"), mark("Free some room on the disk, or change the card.")),
    "journal": (mark("The journal cannot be written"), mark("Look at the disk: full, worn or mounted read-only?")),
    "worker": (mark("A part of the watch has stopped"), mark("Start the watch again; if it comes back, keep the log.")),
    "clock": (mark("The computer's clock cannot be trusted"), mark("Set the clock, or bring the network back.")),
    "clock_ahead": (
        mark("The watch's clock is ahead of the time"),
        mark(
            "Between two batches switch the computer off for as long (the watch's log says by how much), and set its "
            "own clock to UTC, not to local time."
        ),
    ),
    "mirror": (
        mark("The copy of the readings does not get through"),
        mark("Look at the copy's server (`emberpail check` tries it); what it lacks is sent when it is back."),
    ),
    "phone": (
        mark("A phone cannot be reached"),
        mark("Look at that phone and its route, then test it with `emberpail ring`."),
    ),
    "phone_route": (
        mark("A phone cannot be reached"),
        mark("Look at that phone and its route, then test it with `emberpail ring`."),
    ),
    "source": (mark("A source of readings is down"), mark("Look at the port, the broker or the network.")),
    "backup": (
        mark("The journal is not backed up any more"),
        mark("Look at the stick or disk that the backups go to, then try it with `emberpail backup`."),
    ),
    "damaged": (
        mark("The journal is damaged"),
        mark("Look at the card or disk. Stop the watch, restore a backup (`emberpail restore`), start it again."),
    ),
    "broker": (mark("The broker cannot be reached"), mark("Look at the broker and the network.")),
}


# Troubles that silence no alarm: what they are called, and what they come to.
_RINGS_ON = {
    "backup": (
        mark("no backup"),
        mark("The watch goes on and rings as ever; what it writes would be lost with the card."),
    ),
    "clock_ahead": (
        mark("the clock is ahead"),
        mark("The watch goes on and rings as ever, but waking hours and the morning's summary come early by as much."),
    ),
    "mirror": (mark("the copy stands still"), mark("The watch goes on and rings as ever; nothing is lost.")),
}


def _supply(case: _Case) -> Message:
    facts, wait = case.facts, may_wait(case.facts, case.condition.urgency)
    says = sentences(supply_words(facts, case.bucket), goes_unwatched(case.bucket))
    charge = tr(CHARGE)
    do = sentences(charge, tr("Near a bucket: visor, gloves, long sleeves."), tr("No need to open it for this."), wait)
    short = (supply_in_short(facts, case.short_bucket), charge, wait)
    form = "dying" if facts.flag("supply_dying") else "low"
    return case.message(f"watch_fault.supply_{form}", tr("low battery"), says, do, short, deeds=("look",))


def _watch_fault(case: _Case) -> Message:
    facts = case.facts
    problem = facts.text("problem")
    if problem == "supply":
        return _supply(case)
    known = _WATCH_PROBLEMS.get(problem)
    what = tr(known[0]) if known else tr("The watch itself has trouble")
    do = tr(known[1]) if known else tr("Look at `emberpail check` and the log.")
    if problem and not known:
        what = f"{what}: {problem.replace('_', ' ')}"
    since = _lasting(facts.number("problem_since_min"))
    first = _where(case.short_bucket, clip(what, 100), since)
    form = problem if problem in _WATCH_PROBLEMS else "other"
    wait = may_wait(facts, case.condition.urgency)
    if problem in _RINGS_ON:
        name, goes_on = (tr(text) for text in _RINGS_ON[problem])
        says = sentences(_where(case.bucket, what, since), goes_on)
        short = (first, tr("The watch goes on and rings as ever."), sentences(do, wait))
        return case.message(f"watch_fault.{form}", name, says, sentences(do, wait), short, deeds=("look",))
    says = sentences(
        _where(case.bucket, what, since),
        tr("Until it is mended do not rely on being rung: look at the buckets yourself, from the door first."),
    )
    short = (first, tr("Do not rely on being rung: look yourself."), sentences(do, wait))
    do = sentences(tr("Near a bucket: visor, gloves, long sleeves."), do, wait)
    return case.message(f"watch_fault.{form}", tr("the watch has trouble"), says, do, short, deeds=("look",))


def _where(bucket: str, what: str, since: str) -> str:
    if bucket:
        return tr("{bucket}: {what}{since}.", bucket=bucket, what=what, since=since)
    return tr("{what}{since}.", what=what, since=since)


def _something(case: _Case) -> Message:
    """A kind that has no words yet still says which bucket, how warm, and to look."""
    what = case.condition.kind.replace("_", " ")
    says = sentences(
        tr("{bucket}: {what}: {state}.", bucket=case.bucket, what=what, state=_state(case.facts)),
        cover_and_lid(case.facts),
    )
    do = sentences(tr("Look from the door first."), tr(GEAR), first_aid(case.facts))
    state, short_what = _short_state(case.facts), clip(what, 60)
    first = (
        tr("{bucket}: {what}: {state}.", bucket=case.short_bucket, what=short_what, state=state)
        if state
        else tr("{bucket}: {what}.", bucket=case.short_bucket, what=short_what)
    )
    return case.message(
        f"{case.condition.kind}.other", clip(what, 30), says, do, (first, tr("Look from the door.")), deeds=("look",)
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

_NEEDS_ITS_MAKER = mark("needs its maker")
_FOR_A_STRANGER = {
    "not_taken": mark("needs its maker soon"),
    "too_hot": mark("may boil over"),
    "cooled_early": _NEEDS_ITS_MAKER,
    "incomplete": mark("needs its maker, not in haste"),
    "separated": _NEEDS_ITS_MAKER,
    "sensor_fault": mark("is no longer watched by its probe"),
    "silent": mark("is no longer watched"),
    "watch_fault": mark("may no longer be watched"),
}
_LOOK_ONLY = mark("Look only. Do not open or touch. Keep people and animals away.")


def for_someone_else(condition: Condition, *, batch: str, bucket: str, call: str = "") -> Message:
    """For the next person, who may know nothing of it: look only, and whom to call.

    ``call`` is a name and number ("Wren, 0555 0100"); without one the text says to call whoever made it.
    """
    facts = Facts(condition.facts)
    what = tr(_FOR_A_STRANGER.get(condition.kind, _NEEDS_ITS_MAKER))
    if condition.kind == "sensor_fault" and facts.flag("suddenly_lost") is True:
        what = tr("may have boiled over: hot caustic on the floor")
    call_words = tr("Call {call}.", call=call) if call else tr("Call whoever made it.")
    name = bucket or tr("The soap shed")
    heat = heat_short(facts)
    if heat and condition.kind not in ("silent", "sensor_fault", "watch_fault"):
        holds = tr("{name} holds hot caustic soap paste and {what} ({heat}).", name=name, what=what, heat=heat)
    else:
        holds = tr("{name} holds hot caustic soap paste and {what}.", name=name, what=what)
    says = sentences(tr(_LOOK_ONLY), holds, tr("Nobody has answered yet."))
    do = sentences(
        tr("Look from the door."), call_words, tr("If anything boils, foams or is spilt, stay out."), first_aid(facts)
    )
    short = (tr(_LOOK_ONLY), tr("{name} (hot caustic) {what}.", name=clip(name, BUCKET_MOST), what=what), call_words)
    return Message("someone_else." + condition.kind, says, do, title(bucket, tr("look only")), short, ("look",))


# What may have been done, named by the alarm: nobody is asked whether a boiling bucket was blended.
_MAY_HAVE_DONE = {
    "too_hot": mark("cover off, lid loosened, looked, or nothing"),
    "sensor_fault": mark("probe put back, plug or cable, looked, or nothing"),
    "silent": mark("power, cable or network, looked, or nothing"),
    "watch_fault": mark("put right, or nothing"),
}
_MAY_HAVE_DONE_TO_PASTE = mark("blended again, covered, looked, or nothing")


def ask_what_was_done(kind: str, *, bucket: str, batch: str, minutes: float = 30.0) -> Message:
    """The question to whoever said "I am going" and has noted nothing since."""
    alarm, time = _plain(kind), duration(minutes)
    if bucket:
        went = tr(
            "You went to {bucket} {time} ago and it has not changed: {alarm}.", bucket=bucket, time=time, alarm=alarm
        )
        note = tr("Note it: emberpail mark {bucket} looked (or what it was).", bucket=bucket)
        still = tr("{bucket}: still {alarm}.", bucket=clip(bucket, BUCKET_MOST), alarm=alarm)
    else:
        went = tr("You went to the watch {time} ago and it has not changed: {alarm}.", time=time, alarm=alarm)
        note, still = "", tr("The watch: still {alarm}.", alarm=alarm)
    done = tr(_MAY_HAVE_DONE.get(kind, _MAY_HAVE_DONE_TO_PASTE))
    do = sentences(tr("Answer what was done: {done}.", done=done), note, tr("Unanswered, the next person is rung."))
    says = sentences(went, tr("What was done?"))
    short = (still, tr("What was done? Please answer."))
    return Message("ask.what_was_done", says, do, title(bucket, tr("what was done?")), short)


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
    name, time, call_help = who or tr("Somebody"), duration(minutes), _call_help(emergency_number)
    where = tr("{bucket} (hot caustic paste)", bucket=bucket) if bucket else tr("the soap shed (hot caustic paste)")
    first = call or who
    says = sentences(
        tr(_LOOK_ONLY),
        tr("{who} went to {bucket} {time} ago and has not answered.", who=name, bucket=where, time=time),
    )
    do = sentences(
        tr("Call {call} first.", call=first) if first else "",
        tr("No answer: go and look from the door."),
        tr(
            "Hurt, or no answer there: {call_help} at once. Keep off anything that boils or is spilt.",
            call_help=call_help,
        ),
        first_aid(Facts({"emergency_number": emergency_number})),
    )
    short = (
        tr(
            "{who} went to {bucket} {time} ago and has not answered.",
            who=name, bucket=clip(bucket or tr("the soap shed"), BUCKET_MOST), time=time,
        ),
        tr("Call, then look from the door; hurt: {call_help}.", call_help=call_help),
        tr("Do not open or touch."),
    )  # fmt: skip
    return Message("ask.has_not_answered", says, do, title(bucket, tr("no answer")), short, ("look",))


# Said when the findings themselves show it; an alarm also ends when nothing judges it any more.
_NORMAL_AGAIN = {
    "not_taken": mark("it heats as a taken one does"),
    "too_hot": mark("no longer near boiling over; still hot and caustic, lid loose"),
    "cooled_early": mark("it goes on as it should, as far as the heat can tell"),
    "incomplete": mark("it will now go far enough, as far as the heat can tell"),
    "separated": mark("the heat shows no split any more; have a look by daylight"),
    "sensor_fault": mark("the probe reads well again"),
    "silent": mark("readings come again"),
    "watch_fault": mark("the watch works again"),
}
# Below this probability of the trouble the good news is said outright.
_GOOD_NEWS_BELOW = 0.25
# Readings that come again came a short while ago; an alarm that ended in silence has other reasons.
_HEARD_WITHIN_MIN = 10.0


def _borne_out(kind: str, condition: Condition | None) -> bool:
    """Whether what is found now shows that the trouble is over, and not only that nobody judges it any more."""
    if kind == "watch_fault":
        facts = Facts({} if condition is None else condition.facts)
        # A node that has not said its supply for a day is not known to be well.
        return facts.text("problem") != "supply" or facts.number("supply_v") is not None
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
    lasted_min = finite(lasted_min)
    lasted = "" if lasted_min is None else trc("how long it lasted", " after {time}", time=duration(lasted_min))
    name = bucket or tr("The watch")
    short_name = clip(name, BUCKET_MOST)
    if not _borne_out(kind, condition):
        over, alarm = mark("{name}: the alarm '{alarm}' is over{lasted}."), _plain(kind)
        says = tr(over, name=name, alarm=alarm, lasted=lasted)
        do = tr("That does not say that all is well. See on the page where it stands.")
        short = (tr(over, name=short_name, alarm=alarm, lasted=lasted),)
        return Message(f"{kind}.over", says, do, title(name, tr("alarm over")), short)
    how = tr(_NORMAL_AGAIN[kind]) if kind in _NORMAL_AGAIN else trc("an alarm", "over")
    volts = None if condition is None else Facts(condition.facts).number("supply_v")
    if kind == "watch_fault" and volts is not None:
        how = tr("its node's battery or supply is at {volts:.2f} V", volts=volts)
    back = mark("{name} is back to normal{lasted}: {how}.")
    says = tr(back, name=name, lasted=lasted, how=how)
    short = (tr(back, name=short_name, lasted=lasted, how=how),)
    return Message(f"{kind}.cleared", says, tr("Nothing to do now."), title(name, tr("back to normal")), short)


def silent_together(buckets: Sequence[str], *, silent_min: float | None = None, source: str = "") -> Message:
    """One message, not ten, when several buckets fall silent through one router or node."""
    names = ", ".join(buckets)
    since = _lasting(silent_min)
    through = trc("the source of readings", " through {source}", source=source) if source else ""
    says = sentences(
        tr("{names}: no readings{since}{through}.", names=names, since=since, through=through),
        tr("What the paste does there is not known. Likely one cause for all."),
    )
    do = sentences(
        tr("Look at the buckets yourself, from the door first. No need to open them for this."), tr(GEAR),
        tr("Then router, node, power."), tr(_NOT_MOVING),
    )  # fmt: skip
    many = trn("{n} bucket silent", "{n} buckets silent", len(buckets))
    if len(names) > 80:
        names = tr("{bucket} and {n} more", bucket=clip(buckets[0], BUCKET_MOST), n=len(buckets) - 1)
    short = (
        tr("{bucket}: no readings{since}.", bucket=names, since=since),
        tr("Likely one cause: router, node or power."),
        tr("Look from the door first."),
    )
    return Message("silent.together", says, do, clip(many, TITLE_MOST), short, ("look",))


def _plain(kind: str) -> str:
    return {
        "not_taken": trc("name of an alarm", "not taken"),
        "too_hot": trc("name of an alarm", "too hot"),
        "cooled_early": trc("name of an alarm", "cooled early"),
        "incomplete": trc("name of an alarm", "falling short"),
        "separated": trc("name of an alarm", "likely split"),
        "sensor_fault": trc("name of an alarm", "probe trouble"),
        "silent": trc("name of an alarm", "no readings"),
        "watch_fault": trc("name of an alarm", "trouble with the watch"),
    }.get(kind, kind.replace("_", " "))
