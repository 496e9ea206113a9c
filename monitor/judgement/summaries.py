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
from monitor.words import mark, tr

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

_LOOK_YOURSELF = mark("Look yourself, in visor and gloves: taken is stiff, past {75:deg} to {80:degC}, no oil on top.")
_OIL_UNSEEN = mark("That is what the heat tells; oil on top it does not see.")
_NO_CLAIM = mark(
    "Heat cannot see potash stronger than entered, and potash left over irritates: not for skin until tested."
)


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
    state = ", ".join(part for part in (heat_now(found), after_what(found)) if part)
    state = "; ".join(part for part in (state, good_now(found)) if part)
    assumed = guessed(estimate.assumed) if estimate is not None else ""
    name = clip(bucket, BUCKET_MOST)
    if why or probability is None:
        says = sentences(
            tr("{bucket}: cannot tell yet whether it has taken: {why}.", bucket=bucket, why=why),
            tr("Now: {state}.", state=state), assumed,
        )  # fmt: skip
        do = tr(_LOOK_YOURSELF)
        short = (tr("{bucket}: cannot tell yet whether it has taken.", bucket=name), do)
        return Message("took.unsure", says, do, title(bucket, tr("cannot tell yet")), short, ("look",))
    if probability >= _NOT_TAKEN_FROM:
        return _has_not_taken(found, bucket, name, state, assumed)
    do = tr("Stiff, no oil on top: leave it, lid laid on loosely. The probe stays in.")
    unseen, heat = tr(_OIL_UNSEEN), heat_short(found)
    says = sentences(
        tr("{bucket} has taken: {state}.", bucket=bucket, state=state), unseen, cover_and_lid(found), assumed
    )
    first = (
        tr("{bucket} has taken: {state}.", bucket=name, state=heat) if heat else tr("{bucket} has taken.", bucket=name)
    )
    return Message("took.taken", says, do, title(bucket, tr("has taken")), (first, unseen, do), ("look",))


def _has_not_taken(found: Facts, bucket: str, name: str, state: str, assumed: str) -> Message:
    """Advice follows the cause: short potash is not answered with blending, and nobody blends above 75 °C."""
    do = tr(
        "Visor, gloves: oil on top or runny, and below {75:degC}: probe out, blend again, probe in; stiff as butter: "
        "leave it, cover it."
    )
    deeds = ("open", "blend")
    if short_of_potash(found):
        do = tr("Visor, gloves: look, lid loose. Do not blend for it: likely it is short of potash; test by daylight.")
        deeds = ("open", "look")
    elif too_hot_to_blend(found):
        do = tr(
            "Do not blend above {75:degC}. Visor, gloves, lid loose: look. Oil on top or runny: wait until it is below."
        )
    says = sentences(
        tr("{bucket} has not taken: {state}.", bucket=bucket, state=state), cover_and_lid(found), likely_cause(found),
        assumed,
    )  # fmt: skip
    short = (tr("{bucket} has not taken: {state}.", bucket=name, state=heat_short(found) or tr("too cool")), do)
    return Message("took.not_taken", says, do, title(bucket, tr("has not taken")), short, deeds)


def _why_unsure(facts: Facts, probability: float | None) -> str:
    named = facts.text("why_unsure")
    known = {
        "no_blend_time": tr("nobody has noted when it was blended"),
        "no_reading": tr("no probe reads the paste"),
        "too_early": tr("it is too early after the blend"),
    }
    if named:
        return known.get(named, named.rstrip("."))
    since = facts.number("minutes_since_blend")
    if facts.number("temperature_c") is None:
        return known["no_reading"]
    if probability is None:
        return known["no_blend_time"] if since is None else tr("the heat says too little")
    if since is not None and since < 15 and probability < _NOT_TAKEN_FROM:
        return known["too_early"]
    return tr("the heat lies between the two") if _TAKEN_UP_TO < probability < _NOT_TAKEN_FROM else ""


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
        says = tr(
            "{bucket}: no probe tells how it does now; look at it before you sleep, from the door first, visor and "
            "gloves near it.",
            bucket=bucket,
        )
        return Message("evening.blind", says, tr("Look before you sleep."), title(bucket, tr("look before you sleep")),
                       (says,), ("look",))  # fmt: skip
    rung = "" if found.flag("no_phone") is True else tr("You will be rung if that changes.")
    soon_s = finite(estimate.too_hot_in_s)
    if soon_s is not None:
        if clock:
            says = tr(
                "{bucket}: not yet to bed: it may get too hot at {when}; keep away from it.",
                bucket=bucket, when=clock(estimate.at_s + soon_s),
            )  # fmt: skip
        else:
            says = tr(
                "{bucket}: not yet to bed: it may get too hot in about {time}; keep away from it.",
                bucket=bucket, time=duration(soon_s / 60),
            )  # fmt: skip
        do = sentences(tr("Visor, gloves: cover off, lid loose; then nobody near."), rung)
        return Message("evening.too_hot", says, do, title(bucket, tr("not yet to bed")), (says, do), ("open",))
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    sd = finite(estimate.final_completeness_sd)
    if sd is None or sd > _TOO_UNSURE_SD or not share:
        says = tr(
            "{bucket}: nothing needed before morning as far as the heat tells, and it tells little yet.", bucket=bucket
        )
        do = rung or tr("Look again before you sleep.")
        return Message("evening.unsure", says, do, title(bucket, tr("little known yet")), (says, do))
    says = tr(
        "{bucket}: nothing needed before morning. By the dilution: {share} of the soap this recipe promises.",
        bucket=bucket, share=share,
    )  # fmt: skip
    do = sentences(tr("Lid loose, out of reach of children and animals."), rung)
    short = (tr("{bucket}: nothing needed before morning.", bucket=name), do)
    return Message(
        "evening.nothing",
        sentences(says, guessed(estimate.assumed)),
        do,
        title(bucket, tr("nothing before morning")),
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
        "not_taken": tr("it has not taken"),
        "too_hot": tr("it gets too hot"),
        "cooled_early": tr("it cools too early"),
        "incomplete": tr("it will likely fall short"),
        "separated": tr("it has likely split"),
        "sensor_fault": tr("its probe cannot be believed"),
        "silent": tr("no readings come"),
        "watch_fault": tr("the watch has trouble"),
    }.get(condition.kind, condition.kind.replace("_", " "))
    own = Facts(condition.facts)
    if own.text("probe") == AMBIENT:
        plain = tr("its air probe cannot be believed")
    if _may_wait(condition):
        says = tr(
            "{bucket}: {trouble}, but nothing is needed before morning; see the alarm for what to do then.",
            bucket=bucket, trouble=plain,
        )  # fmt: skip
        do, what = tr("See to it by daylight."), tr("see to it tomorrow")
        return Message("evening.tomorrow", says, do, title(bucket, what), (says,))
    hours = own.number("help_window_h") or facts.number("help_window_h")
    if hours is None or hours <= 0:
        says = tr(
            "{bucket}: {trouble}; see to it before you sleep, as the alarm says, in visor and gloves.",
            bucket=bucket, trouble=plain,
        )  # fmt: skip
    elif clock is not None and estimate is not None:
        says = tr(
            "{bucket}: {trouble}; see to it by {when}, as the alarm says, in visor and gloves.",
            bucket=bucket, trouble=plain, when=clock(estimate.at_s + hours * 3600),
        )  # fmt: skip
    else:
        says = tr(
            "{bucket}: {trouble}; see to it within {time}, as the alarm says, in visor and gloves.",
            bucket=bucket, trouble=plain, time=duration(hours * 60),
        )  # fmt: skip
    do, what = tr("See the alarm for what to do."), tr("before you sleep")
    return Message("evening.deed", says, do, title(bucket, what), (says,))


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
    name = tr("{batch} in {bucket}", batch=batch, bucket=bucket) if batch else bucket
    if estimate is None:
        says = sentences(
            tr("{name}: no verdict: no reading of the paste tells how far it went.", name=name), tr(_NO_CLAIM)
        )
        do = tr("Test it before anything else; goggles, visor and gloves.")
        return Message("verdict.blind", says, do, title(bucket, tr("no verdict")), (says,), ("open",))
    message_id, judged = _judge(estimate, kinds)
    unread = _unread(found, kinds)
    share = percent_with_range(estimate.final_completeness, estimate.final_completeness_sd)
    dilution_h = found.number("planned_dilution_h")
    if not share:
        far = tr("How far it went cannot be said.")
    elif dilution_h:
        far = tr(
            "By the dilution {time} after the pour: {share} of the soap this recipe promises.",
            time=duration(dilution_h * 60), share=share,
        )  # fmt: skip
    else:
        far = tr("By the dilution: {share} of the soap this recipe promises.", share=share)
    verdict = (
        tr("{name} {judged}, as long as it was read.", name=name, judged=judged)
        if unread
        else tr("{name} {judged}.", name=name, judged=judged)
    )
    says = sentences(
        verdict, unread, far, _peak(estimate, found),
        likely_cause(found) if message_id != "verdict.good" and cause_id(found) != "unknown" else "",
        potash_left(found), _oil_to_spare(found), guessed(estimate.assumed), tr(_NO_CLAIM),
    )  # fmt: skip
    do = tr(
        "Ready to dilute is age and these signs: firm as butter, no layer, clear in hot soft water. Goggles and gloves."
    )
    if message_id not in ("verdict.good", "verdict.hot"):
        do = sentences(tr("Do not dilute before it is put right or tested."), do)
    short = (tr("{name} {judged}.", name=clip(name, 60), judged=judged), unread, far)
    return Message(
        message_id, says, do, title(bucket, tr("verdict")), tuple(part for part in short if part), ("dilute",)
    )


def _unread(facts: Facts, kinds: Sequence[str]) -> str:
    """What the verdict does not rest on: hours in which nothing read the paste, or a probe that told nothing."""
    unread_min = facts.number("unread_min")
    if unread_min is not None and unread_min >= _UNREAD_FROM_MIN:
        return tr(
            "The paste was last read {time} earlier: what it did since then is not known.", time=duration(unread_min)
        )
    if "silent" in kinds:
        return tr("No readings came at the end: what the paste did since then is not known.")
    if "sensor_fault" in kinds:
        return tr("At the end a probe told nothing that can be believed: what it should have shown is not known.")
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
        return "verdict.split", tr("may have split") if split is not None and split < 0.5 else tr("has likely split")
    if "not_taken" in kinds:
        return "verdict.not_taken", tr("has likely not taken")
    if final is None or sd is None or sd > _TOO_UNSURE_SD:
        return "verdict.unsure", tr("cannot be judged surely from its heat")
    if "incomplete" in kinds or "cooled_early" in kinds or final < _ENOUGH:
        return "verdict.short", tr("falls short of what its recipe promises")
    if "too_hot" in kinds:
        return "verdict.hot", tr("went far enough as far as the heat tells, and ran hot")
    return "verdict.good", tr("went well as far as the heat tells")


def _peak(estimate: Estimate, facts: Facts) -> str:
    peak_c = finite(estimate.peak_c)
    if peak_c is None:
        return ""
    after_min = facts.number("peak_min_after_blend")
    if after_min is None:
        return tr("Hottest {temperature_c:degC}.", temperature_c=peak_c)
    return tr("Hottest {temperature_c:degC}, {time} after blending.", temperature_c=peak_c, time=duration(after_min))


def _oil_to_spare(facts: Facts) -> str:
    """4 to 10 % short of lye is such a recipe's margin, not a fault (common practice)."""
    spare = facts.pair("oil_to_spare_percent")
    if spare is None or spare[1] <= 0:
        return ""
    low, high = max(0.0, spare[0]), spare[1]
    return tr(
        "Oil to spare: {low:.0f} to {high:.0f} %, the recipe's margin; it may cloud or float.", low=low, high=high
    )


# ---- words for the page and `status` ---------------------------------------------------------------------------

_STAGES = {
    "planned": mark("planned"),
    "lye": mark("lye is being made"),
    "blending": mark("being blended"),
    "ageing": mark("ageing"),
    "ready": mark("old enough to look at for diluting"),
    "diluting": mark("diluting"),
    "filled": mark("filled"),
    "held": mark("held back, to be put right"),
    "discarded": mark("given up"),
}


def stage_words(stage: str) -> str:
    """A stage in the maker's words."""
    return tr(_STAGES[stage]) if stage in _STAGES else stage.replace("_", " ")


def probe_words(probe: str, problem: str = "", since_min: float | None = None) -> str:
    """'core: reads well', 'core: has no contact (...) for 7 min'."""
    since = finite(since_min)
    if not problem or problem == "ok":
        return tr("{probe}: reads well", probe=probe)
    if since is None:
        says = tr("{probe}: {problem}", probe=probe, problem=probe_problem(problem))
    else:
        says = tr("{probe}: {problem} for {time}", probe=probe, problem=probe_problem(problem), time=duration(since))
    return says if probe == AMBIENT else tr("{probe_says}; how warm it is there is not known", probe_says=says)


def alarm_words(state: str, *, quiet_until: str = "", seen_by: str = "", going: bool = False) -> str:
    """An alarm's state in words for a person; ``quiet_until`` is a local time of day already in words."""
    words = {
        "normal": tr("nothing the matter"),
        "unacknowledged": tr("nobody has seen it yet"),
        "acknowledged": (
            tr("{who} is going", who=seen_by or tr("somebody"))
            if going
            else tr("{who} has seen it", who=seen_by or tr("somebody"))
        ),
        "returned_unacknowledged": tr("over by itself, nobody had seen it"),
    }.get(state, state.replace("_", " "))
    return tr("{state}, quiet until {time}", state=words, time=quiet_until) if quiet_until else words
