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
    short_of_potash,
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

# The verdict names a time without readings from this length on.
_UNREAD_FROM_MIN = 30.0

_LOOK_YOURSELF = "Look yourself, in visor and gloves: taken is stiff, past 75 to 80 °C, no oil on top."
_OIL_UNSEEN = "That is what the heat tells; oil on top it does not see."
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
        return _has_not_taken(found, bucket, name, state, assumed)
    do = "Stiff, no oil on top: leave it, lid laid on loosely. The probe stays in."
    says = sentences(f"{bucket} has taken: {state}.", _OIL_UNSEEN, cover_and_lid(found), assumed)
    first = f"{name} has taken{': ' + heat_short(found) if heat_short(found) else ''}."
    return Message("took.taken", says, do, title(bucket, "has taken"), (first, _OIL_UNSEEN, do), ("look",))


def _has_not_taken(found: Facts, bucket: str, name: str, state: str, assumed: str) -> Message:
    """Advice follows the cause: short potash is not answered with blending, and nobody blends above 75 °C."""
    do = (
        "Visor, gloves: oil on top or runny, and below 75 °C: probe out, blend again, probe in; stiff as butter: leave "
        "it, cover it."
    )
    deeds = ("open", "blend")
    if short_of_potash(found):
        do = "Visor, gloves: look, lid loose. Do not blend for it: likely it is short of potash; test by daylight."
        deeds = ("open", "look")
    elif too_hot_to_blend(found):
        do = "Do not blend above 75 °C. Visor, gloves, lid loose: look. Oil on top or runny: wait until it is below."
    says = sentences(f"{bucket} has not taken: {state}.", cover_and_lid(found), likely_cause(found), assumed)
    short = (f"{name} has not taken: {heat_short(found) or 'too cool'}.", do)
    return Message("took.not_taken", says, do, title(bucket, "has not taken"), short, deeds)


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
    times are given as "within 3 h". "Nothing needed" is said only while a paste probe reads, and "you will be rung"
    not where ``facts`` say ``no_phone``.
    """
    found = Facts(facts or {})
    standing = [c for c in conditions if c.standing]
    blind = estimate is None or any(map(_blinds, standing))
    name = clip(bucket, BUCKET_MOST)
    if standing and not (blind and all(_may_wait(c) for c in standing)):
        first = min(standing, key=_may_wait)
        return _evening_with_trouble(first, estimate, bucket, found, clock)
    if blind or estimate is None:
        says = (
            f"{bucket}: no probe tells how it does now; look at it before you sleep, from the door first, visor and "
            "gloves near it."
        )
        return Message("evening.blind", says, "Look before you sleep.", title(bucket, "look before you sleep"),
                       (says,), ("look",))  # fmt: skip
    rung = "" if found.flag("no_phone") is True else "You will be rung if that changes."
    soon_s = finite(estimate.too_hot_in_s)
    if soon_s is not None:
        when = clock(estimate.at_s + soon_s) if clock else f"in about {duration(soon_s / 60)}"
        says = f"{bucket}: not yet to bed: it may get too hot {'at ' if clock else ''}{when}; keep away from it."
        do = sentences("Visor, gloves: cover off, lid loose; then nobody near.", rung)
        return Message("evening.too_hot", says, do, title(bucket, "not yet to bed"), (says, do), ("open",))
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    sd = finite(estimate.final_completeness_sd)
    if sd is None or sd > _TOO_UNSURE_SD or not share:
        says = f"{bucket}: nothing needed before morning as far as the heat tells, and it tells little yet."
        do = rung or "Look again before you sleep."
        return Message("evening.unsure", says, do, title(bucket, "little known yet"), (says, do))
    says = f"{bucket}: nothing needed before morning. By the dilution: {share} of the soap this recipe promises."
    do = sentences("Lid loose, out of reach of children and animals.", rung)
    short = (f"{name}: nothing needed before morning.", do)
    return Message(
        "evening.nothing",
        sentences(says, guessed(estimate.assumed)),
        do,
        title(bucket, "nothing before morning"),
        short,
    )


def _blinds(condition: Condition) -> bool:
    """Whether it leaves the paste unread, whatever its urgency."""
    ambient = Facts(condition.facts).text("probe") == AMBIENT
    return condition.kind == "silent" or (condition.kind == "sensor_fault" and not ambient)


def _may_wait(condition: Condition) -> bool:
    return condition.urgency != "now" or Facts(condition.facts).flag("can_wait_until_morning") is True


def _evening_with_trouble(
    condition: Condition, estimate: Estimate | None, bucket: str, facts: Facts, clock: Callable[[float], str] | None
) -> Message:
    plain = {
        "not_taken": "it has not taken",
        "too_hot": "it gets too hot",
        "cooled_early": "it cools too early",
        "incomplete": "it will likely fall short",
        "separated": "it has likely split",
        "sensor_fault": "its probe cannot be believed",
        "silent": "no readings come",
        "watch_fault": "the watch has trouble",
    }.get(condition.kind, condition.kind.replace("_", " "))
    own = Facts(condition.facts)
    if own.text("probe") == AMBIENT:
        plain = "its air probe cannot be believed"
    if _may_wait(condition):
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
    pair), ``planned_dilution_h``, ``unread_min`` (minutes since the paste was last read).
    """
    found = Facts(facts or {})
    name = f"{batch} in {bucket}" if batch else bucket
    if estimate is None:
        says = f"{name}: no verdict: no reading of the paste tells how far it went. {_NO_CLAIM}"
        do = "Test it before anything else; goggles, visor and gloves."
        return Message("verdict.blind", says, do, title(bucket, "no verdict"), (says,), ("open",))
    message_id, judged = _judge(estimate, kinds)
    unread = _unread(found, kinds)
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    dilution_h = found.number("planned_dilution_h")
    when = f"the dilution {duration(dilution_h * 60)} after the pour" if dilution_h else "the dilution"
    far = f"By {when}: {share} of the soap this recipe promises." if share else "How far it went cannot be said."
    says = sentences(
        f"{name} {judged}{', as long as it was read' if unread else ''}.", unread, far, _peak(estimate, found),
        likely_cause(found) if message_id != "verdict.good" and cause_id(found) != "unknown" else "",
        potash_left(found), _oil_to_spare(found), guessed(estimate.assumed), _NO_CLAIM,
    )  # fmt: skip
    do = (
        "Ready to dilute is age and these signs: firm as butter, no layer, clear in hot soft water. Goggles and gloves."
    )
    if message_id not in ("verdict.good", "verdict.hot"):
        do = f"Do not dilute before it is put right or tested. {do}"
    short = (f"{clip(name, 60)} {judged}.", unread, far)
    return Message(message_id, says, do, title(bucket, "verdict"), tuple(part for part in short if part), ("dilute",))


def _unread(facts: Facts, kinds: Sequence[str]) -> str:
    """What the verdict does not rest on: hours in which nothing read the paste, or a probe that told nothing."""
    unread_min = facts.number("unread_min")
    if unread_min is not None and unread_min >= _UNREAD_FROM_MIN:
        return f"The paste was last read {duration(unread_min)} earlier: what it did since then is not known."
    if "silent" in kinds:
        return "No readings came at the end: what the paste did since then is not known."
    if "sensor_fault" in kinds:
        return "At the end a probe told nothing that can be believed: what it should have shown is not known."
    return ""


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
        split = finite(estimate.probabilities.get("separated"))
        return "verdict.split", "may have split" if split is not None and split < 0.5 else "has likely split"
    if "not_taken" in kinds:
        return "verdict.not_taken", "has likely not taken"
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
