"""The maker's words for where a batch stands: has it taken, the sentence to sleep on, the verdict, states. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from monitor.domain import AMBIENT, Condition, Estimate
from monitor.judgement.messages import BUCKET_MOST, Message, title
from monitor.judgement.phrases import (
    Facts,
    after_what,
    cause_id,
    clip,
    cover_and_lid,
    degrees,
    duration,
    finite,
    good_now,
    guessed,
    heat_now,
    heat_short,
    likely_cause,
    percent_with_range,
    potash_left,
    probe_problem,
    sentences,
    too_hot_to_blend,
)

# From this probability of "not taken" on it is said so, and up to that one that it has taken. Between them the
# maker, who stands beside it, is told what to look at instead of being given half an answer. A design choice.
_NOT_TAKEN_FROM = 0.8
_TAKEN_UP_TO = 0.15

# Less than this share of the promised soap at the dilution is an `incomplete` batch (design, alarm kinds).
_ENOUGH = 0.90
# A standard deviation of the share above which no verdict is given either way: 0.15 spans half the scale at 90 %.
_TOO_UNSURE_SD = 0.15

_LOOK_YOURSELF = "Look yourself, in visor and gloves: taken is stiff, past 75 to 80 °C, no oil on top."
_NO_CLAIM = "Heat cannot see potash stronger than entered, and potash left over irritates: not for skin until tested."


def took_message(
    estimate: Estimate | None,
    *,
    bucket: str,
    batch: str = "",
    probability_not_taken: float | None = None,
    facts: Mapping[str, object] | None = None,
) -> Message:
    """ "Has taken", "has not taken" or "cannot tell yet" with the reason, some 20 minutes after the blend.

    ``probability_not_taken`` (0..1) comes from the verdict, or from ``estimate.probabilities["not_taken"]``. ``facts``
    as for an alarm; besides ``why_unsure``: no_blend_time, no_reading, too_early, or a text.
    """
    found = Facts(facts or {})
    if probability_not_taken is None and estimate is not None:
        probability_not_taken = estimate.probabilities.get("not_taken")
    probability = finite(probability_not_taken)
    why = _why_unsure(found, probability)
    state = heat_now(found) + (f", {after_what(found)}" if after_what(found) else "")
    good = good_now(found)
    state = f"{state}; {good}" if good else state
    assumed = guessed(estimate.assumed) if estimate is not None else ""
    name = clip(bucket, BUCKET_MOST)
    if why or probability is None:
        says = sentences(f"{bucket}: cannot tell yet whether it has taken: {why}.", f"Now: {state}.", assumed)
        short = (f"{name}: cannot tell yet whether it has taken.", _LOOK_YOURSELF)
        return Message("took.unsure", says, _LOOK_YOURSELF, title(bucket, "cannot tell yet"), short, ("look",))
    if probability >= _NOT_TAKEN_FROM:
        do = "Visor, gloves: oil on top or runny, blend again while it is warm; stiff as butter, leave it, cover it."
        if too_hot_to_blend(found):
            do = "Do not blend above 75 °C. Visor, gloves, lid loose: look; oil on top or runny, blend when below."
        says = sentences(f"{bucket} has not taken: {state}.", cover_and_lid(found), assumed)
        short = (f"{name} has not taken: {heat_short(found) or 'too cool'}.", do)
        return Message("took.not_taken", says, do, title(bucket, "has not taken"), short, ("open", "blend"))
    do = "Leave it; lid laid on loosely. The probe stays in."
    says = sentences(f"{bucket} has taken: {state}.", cover_and_lid(found), assumed)
    short = (f"{name} has taken{': ' + heat_short(found) if heat_short(found) else ''}.", do)
    return Message("took.taken", says, do, title(bucket, "has taken"), short, ("look",))


def took_text(
    estimate: Estimate | None,
    *,
    bucket: str,
    probability_not_taken: float | None = None,
    facts: Mapping[str, object] | None = None,
) -> str:
    """`took_message` as one text."""
    message = took_message(estimate, bucket=bucket, probability_not_taken=probability_not_taken, facts=facts)
    return f"{message.says} {message.do}"


def _why_unsure(facts: Facts, probability: float | None) -> str:
    named = facts.text("why_unsure")
    known = {
        "no_blend_time": "nobody has noted when it was blended",
        "no_reading": "no probe reads the paste",
        "too_early": "it is too early after the blend",
    }
    if named:
        return known.get(named, named.rstrip("."))
    since = facts.number("minutes_since_blend")
    if facts.number("temperature_c") is None:
        return known["no_reading"]
    if probability is None:
        return known["no_blend_time"] if since is None else "the heat says too little"
    if since is not None and since < 15 and probability < _NOT_TAKEN_FROM:
        return known["too_early"]
    return "the heat lies between the two" if _TAKEN_UP_TO < probability < _NOT_TAKEN_FROM else ""


def evening_message(
    estimate: Estimate | None,
    *,
    bucket: str,
    batch: str = "",
    conditions: Sequence[Condition] = (),
    facts: Mapping[str, object] | None = None,
    clock: Callable[[float], str] | None = None,
) -> Message:
    """One sentence to sleep on: "nothing needed before morning", or what to do and by when.

    ``conditions`` are those that stand now. ``clock`` turns Unix seconds into local time of day ("22:40"); without it
    times are given as "within 3 h". "Nothing needed" is said only while a paste probe reads.
    """
    found = Facts(facts or {})
    standing = [c for c in conditions if c.standing]
    blind = estimate is None or any(c.kind in ("silent", "sensor_fault") and c.urgency == "now" for c in standing)
    name = clip(bucket, BUCKET_MOST)
    if standing:
        first = min(standing, key=lambda c: c.urgency != "now")
        return _evening_with_trouble(first, estimate, bucket, found, clock)
    if blind or estimate is None:
        says = f"{bucket}: no probe tells how it does; look at it before you sleep, in visor and gloves."
        return Message("evening.blind", says, "Look before you sleep.", title(bucket, "look before you sleep"),
                       (says,), ("look",))  # fmt: skip
    soon_s = finite(estimate.too_hot_in_s)
    if soon_s is not None:
        when = clock(estimate.at_s + soon_s) if clock else f"in about {duration(soon_s / 60)}"
        says = f"{bucket}: not yet to bed: it may get too hot {'at ' if clock else ''}{when}; keep away from it."
        do = "Cover off, lid loose, nobody near. You will be rung."
        return Message("evening.too_hot", says, do, title(bucket, "not yet to bed"), (says, do), ("open",))
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    sd = finite(estimate.final_completeness_sd)
    if sd is None or sd > _TOO_UNSURE_SD or not share:
        says = f"{bucket}: nothing needed before morning as far as the heat tells, and it tells little yet."
        do = "You will be rung if that changes."
        return Message("evening.unsure", says, do, title(bucket, "little known yet"), (says, do))
    says = f"{bucket}: nothing needed before morning. By the dilution: {share} of the soap this recipe promises."
    do = "Lid loose, out of reach of children and animals. You will be rung if that changes."
    short = (f"{name}: nothing needed before morning.", do)
    return Message(
        "evening.nothing",
        sentences(says, guessed(estimate.assumed)),
        do,
        title(bucket, "nothing before morning"),
        short,
    )


def _evening_with_trouble(
    condition: Condition, estimate: Estimate | None, bucket: str, facts: Facts, clock: Callable[[float], str] | None
) -> Message:
    plain = {
        "not_taken": "it has not taken",
        "too_hot": "it gets too hot",
        "cooled_early": "it has cooled early",
        "incomplete": "it will fall short",
        "separated": "it has likely split",
        "sensor_fault": "its probe cannot be believed",
        "silent": "no readings come",
        "watch_fault": "the watch has trouble",
    }.get(condition.kind, condition.kind.replace("_", " "))
    own = Facts(condition.facts)
    if condition.urgency != "now" or own.flag("can_wait_until_morning") is True:
        says = f"{bucket}: {plain}, but nothing is needed before morning; see the alarm for what to do then."
        return Message("evening.tomorrow", says, "See to it by daylight.", title(bucket, "see to it tomorrow"), (says,))
    hours = own.number("help_window_h") or facts.number("help_window_h")
    by = ""
    if hours is not None and hours > 0:
        at_clock = clock is not None and estimate is not None
        by = f" by {clock(estimate.at_s + hours * 3600)}" if at_clock else f" within {duration(hours * 60)}"  # type: ignore[misc, union-attr]
    says = f"{bucket}: {plain}; see to it{by or ' before you sleep'}, as the alarm says, in visor and gloves."
    return Message("evening.deed", says, "See the alarm for what to do.", title(bucket, "before you sleep"), (says,))


def evening_sentence(
    estimate: Estimate | None,
    *,
    bucket: str,
    conditions: Sequence[Condition] = (),
    facts: Mapping[str, object] | None = None,
    clock: Callable[[float], str] | None = None,
) -> str:
    """`evening_message`, its sentence only."""
    return evening_message(estimate, bucket=bucket, conditions=conditions, facts=facts, clock=clock).says


def verdict_message(
    estimate: Estimate | None,
    *,
    bucket: str,
    batch: str,
    kinds: Sequence[str] = (),
    facts: Mapping[str, object] | None = None,
) -> Message:
    """What the whole curve says of the batch, at its end or now.

    ``kinds`` are the batch alarms that still stand (or were raised and never answered). ``facts`` may hold
    ``potash_left_g_l``, ``cause``, ``cause_probability``, ``peak_min_after_blend``, ``oil_to_spare_percent`` (a
    pair), ``planned_dilution_h``.
    """
    found = Facts(facts or {})
    name = f"{batch} in {bucket}" if batch else bucket
    if estimate is None:
        says = f"{name}: no verdict: no reading of the paste tells how far it went. {_NO_CLAIM}"
        do = "Test it before anything else; goggles, visor and gloves."
        return Message("verdict.blind", says, do, title(bucket, "no verdict"), (says,), ("open",))
    message_id, judged = _judge(estimate, kinds)
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    dilution_h = found.number("planned_dilution_h")
    when = f"the dilution {duration(dilution_h * 60)} after the pour" if dilution_h else "the dilution"
    far = f"By {when}: {share} of the soap this recipe promises." if share else "How far it went cannot be said."
    says = sentences(
        f"{name} {judged}.", far, _peak(estimate, found),
        likely_cause(found) if message_id != "verdict.good" and cause_id(found) != "unknown" else "",
        potash_left(found), _oil_to_spare(found), guessed(estimate.assumed), _NO_CLAIM,
    )  # fmt: skip
    do = (
        "Ready to dilute is age and these signs: firm as butter, no layer, clear in hot soft water. Goggles and gloves."
    )
    return Message(message_id, says, do, title(bucket, "verdict"), (f"{clip(name, 60)} {judged}.", far), ("dilute",))


def verdict_text(
    estimate: Estimate | None,
    *,
    bucket: str,
    batch: str,
    kinds: Sequence[str] = (),
    facts: Mapping[str, object] | None = None,
) -> str:
    """`verdict_message`, what it says only; for the verdict event."""
    return verdict_message(estimate, bucket=bucket, batch=batch, kinds=kinds, facts=facts).says


def _judge(estimate: Estimate, kinds: Sequence[str]) -> tuple[str, str]:
    final, sd = finite(estimate.final_completeness), finite(estimate.final_completeness_sd)
    if "separated" in kinds:
        return "verdict.split", "has likely split"
    if "not_taken" in kinds:
        return "verdict.not_taken", "has not taken"
    if final is None or sd is None or sd > _TOO_UNSURE_SD:
        return "verdict.unsure", "cannot be judged surely from its heat"
    if "incomplete" in kinds or "cooled_early" in kinds or final < _ENOUGH:
        return "verdict.short", "falls short of what its recipe promises"
    if "too_hot" in kinds:
        return "verdict.hot", "went far enough as far as the heat tells, and ran hot"
    return "verdict.good", "went well as far as the heat tells"


def _peak(estimate: Estimate, facts: Facts) -> str:
    peak_c = finite(estimate.peak_c)
    if peak_c is None:
        return ""
    after_min = facts.number("peak_min_after_blend")
    return f"Hottest {degrees(peak_c)}{f', {duration(after_min)} after blending' if after_min is not None else ''}."


def _oil_to_spare(facts: Facts) -> str:
    """4 to 10 % short of lye is such a recipe's margin, not a fault (common practice)."""
    spare = facts.pair("oil_to_spare_percent")
    if spare is None or spare[1] <= 0:
        return ""
    low, high = max(0.0, spare[0]), spare[1]
    return f"Oil to spare: {low:.0f} to {high:.0f} %, the recipe's margin; it may cloud or float."


# ---- words for the page and `status` ---------------------------------------------------------------------------

_STAGES = {
    "planned": "planned",
    "lye": "lye is being made",
    "blending": "being blended",
    "ageing": "ageing",
    "ready": "old enough to look at for diluting",
    "diluting": "diluting",
    "filled": "filled",
    "held": "held back, to be put right",
    "discarded": "given up",
}


def stage_words(stage: str) -> str:
    """A stage in the maker's words."""
    return _STAGES.get(stage, stage.replace("_", " "))


def probe_words(probe: str, problem: str = "", since_min: float | None = None) -> str:
    """'core: reads well', 'core: has no contact (...) for 7 min'."""
    since = finite(since_min)
    if not problem or problem == "ok":
        return f"{probe}: reads well"
    lasted = f" for {duration(since)}" if since is not None else ""
    blind = "" if probe == AMBIENT else "; how warm it is there is not known"
    return f"{probe}: {probe_problem(problem)}{lasted}{blind}"


def alarm_words(state: str, *, quiet_until: str = "", seen_by: str = "", going: bool = False) -> str:
    """An alarm's state in words for a person; ``quiet_until`` is a local time of day already in words."""
    words = {
        "normal": "nothing the matter",
        "unacknowledged": "nobody has seen it yet",
        "acknowledged": f"{seen_by or 'somebody'} {'is going' if going else 'has seen it'}",
        "returned_unacknowledged": "over by itself, nobody had seen it",
    }.get(state, state.replace("_", " "))
    return f"{words}, quiet until {quiet_until}" if quiet_until else words
