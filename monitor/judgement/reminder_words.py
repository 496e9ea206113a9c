"""The words of reminders: one message for all that is due at once, its caution on the locked screen. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.judgement.messages import BODY_MOST, BUCKET_MOST, TITLE_MOST, Message, title
from monitor.judgement.phrases import clip, sentences
from monitor.trade.making import caution_keys_for, cautions_for, short_cautions_for
from monitor.trade.reminders import STIRRINGS, Reminder
from monitor.words import mark, several, tr, trn

# Which of a deed's short cautions stands on the locked screen; all of them, in full, stand in the message.
_ON_THE_SCREEN = {
    "probe": "opening", "look": "opening", "open": "opening", "blend": "blending", "dilute": "dilution",
    "test": "skin", "fill": "dilution",
}  # fmt: skip
# However long a caution is in some language, so much of the deed can be read before it.
_DEED_LEAST = 60
# What the words of a step tell to do beyond its first deed: those cautions stand in the message, too.
_ALSO_TOLD = {"day-one": ("blend",), "day-three": ("dilute",)}


class _Words(NamedTuple):
    title: str
    first: str
    do: str
    log_kind: str


_WORDS: Mapping[str, _Words] = {
    "probe-in": _Words(
        mark("probe back in?"),
        mark("{bucket}: no probe reads the paste since the blend."),
        mark("Put the probe back in the middle of the paste, its cable through the gap of the loose lid."),
        "probe-in",
    ),
    "day-one": _Words(
        mark("look, a day old"),
        mark("{bucket} is a day old: look at it."),
        mark(
            "Firm as butter? No layer of oil or water? Not watery? A layer or a runny paste can still be blended in, "
            "below {75:degC}: read first what the tool says of the cause."
        ),
        "looked",
    ),
    "day-three": _Words(
        mark("ready to dilute?"),
        mark("{bucket} is old enough to look at for diluting."),
        mark(
            "Firm as butter, no layer, not watery; a piece the size of a hazelnut stays clear in hot soft water: age "
            "and these signs decide, the heat can only say not yet. Then cut it, the corners too, and add half of the "
            "soft water, warm."
        ),
        "looked",
    ),
    "not-yet": _Words(
        mark("do not dilute yet"),
        mark("{bucket} is old enough, but do not dilute yet."),
        mark("Look for a layer or soft places, and read what the tool says of the cause."),
        "looked",
    ),
    "water": _Words(
        mark("first water"),
        mark("{bucket} is cut: add half of the soft water."),
        mark("Warm. Then wait until it has drawn in."),
        "water-added",
    ),
    "second-water": _Words(
        mark("second water"),
        mark("{bucket}: if the first water has drawn in, add the other half."),
        mark("Soft water, warm. If water still stands on it, wait."),
        "water-added",
    ),
    "stir": _Words(
        mark("stir"),
        mark("{bucket}: stir, time {number} of {most}."),
        mark("Into the corners; with a drill at low speed, or it runs over."),
        "stirred",
    ),
    "lumps": _Words(
        mark("no lumps left?"),
        mark("{bucket} has been in water for a day: no lumps left?"),
        mark(
            "Lumps need patience and warmth, not force: cover it, stir into the corners and give it time. This is a "
            "reminder, not an alarm."
        ),
        "diluted",
    ),
    "test": _Words(
        mark("test it"),
        mark("{bucket}: test it for free alkali."),
        mark(
            "Titrate in neutralised alcohol or by the barium chloride method; pH paper shows gross excess only. "
            "Alcohol burns: no flame. Barium chloride is poisonous."
        ),
        "tested",
    ),
    "fill": _Words(
        mark("fill and label"),
        mark("{bucket}: fill it, and label each canister."),
        mark("Never into a drink bottle. Keep it from frost."),
        "filled",
    ),
}


def reminder_message(
    due: Sequence[Reminder],
    *,
    bucket: str,
    took: Message | None = None,
    evening: Message | None = None,
    why_not_yet: str = "",
) -> Message:
    """One message for all that is ``due`` (at least one).

    ``took`` and ``evening`` are the messages of `summaries` for those steps; ``why_not_yet`` says by what the heat
    holds the batch back.
    """
    parts = [_part(one, bucket, took, evening, why_not_yet) for one in due]
    if len(parts) == 1:
        return parts[0]
    deeds = tuple(dict.fromkeys(deed for part in parts for deed in part.deeds))
    name = clip(bucket, BUCKET_MOST)
    whole = next((part for one, part in zip(due, parts, strict=True) if one.step_id in ("taken", "evening")), None)
    todo = [tr(_WORDS[one.step_id].title) for one in due if one.step_id in _WORDS]
    first = tr("{bucket}, to be done: {things}.", bucket=name, things=several(todo))
    return Message(
        "reminder.several",
        sentences(whole.says if whole else "", first),
        "\n\n".join(sentences(part.says, part.do) for part in parts),
        whole.title if whole else title(bucket, trn("{n} thing to do", "{n} things to do", len(todo))),
        # A long word on the evening is in the message; the title has said its gist.
        _with_caution((whole.short[0], first) if whole and len(whole.short[0]) < BODY_MOST / 2 else (first,), deeds),
        deeds,
    )


def cautions_of(message: Message, emergency_number: str) -> tuple[str, ...]:
    """The full cautions of all its deeds, each once, and last what they defer to; none where no hand is needed."""
    found = [cautions_for(deed, emergency_number) for deed in message.deeds]
    own = dict.fromkeys(line for lines in found for line in lines[:-1])
    return (*own, found[0][-1]) if found else ()


# ---- inside ------------------------------------------------------------------------------------------------------


def _part(one: Reminder, bucket: str, took: Message | None, evening: Message | None, why_not_yet: str) -> Message:
    known = {"taken": took, "evening": evening}.get(one.step_id)
    if known is not None and one.step_id == "evening":
        return known  # where it sends somebody to the bucket it says itself in what gear
    if known is not None:
        # The deed that can go most wrong is named last, and gives the caution.
        short = _with_caution(known.short, known.deeds[::-1])
        return Message(known.message_id, known.says, known.do, known.title, short, known.deeds)
    words = _WORDS[one.step_id]
    says = tr(words.first, bucket=bucket, number=one.number, most=STIRRINGS)
    first = tr(words.first, bucket=clip(bucket, BUCKET_MOST), number=one.number, most=STIRRINGS)
    if one.step_id == "not-yet":
        says = sentences(says, why_not_yet)
    deeds = () if one.deed is None else (one.deed, *_ALSO_TOLD.get(one.step_id, ()))
    do = sentences(tr(words.do), tr("Then note it: {kind}.", kind=words.log_kind))
    return Message(
        f"reminder.{one.step_id}", says, do, title(bucket, clip(tr(words.title), TITLE_MOST - 6)),
        _with_caution((first,), deeds), deeds,
    )  # fmt: skip


def _with_caution(short: Sequence[str], deeds: Sequence[str]) -> tuple[str, ...]:
    """What stands on the locked screen: as many sentences as fit, and at the end the caution, which has room always."""
    if not deeds:
        return tuple(short)
    deed = deeds[0]
    keys = caution_keys_for(deed)
    caution = short_cautions_for(deed)[keys.index(_ON_THE_SCREEN[deed])]
    caution = clip(caution, BODY_MOST - min(len(short[0]), _DEED_LEAST) - 1)
    room = BODY_MOST - len(caution) - 1
    told = clip(short[0], room)
    for sentence in short[1:]:
        if len(told) + 1 + len(sentence) > room:
            break
        told = f"{told} {sentence}"
    return (told, caution)
