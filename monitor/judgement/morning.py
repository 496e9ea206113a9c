"""The night in a few words, for the morning: what happened, how each bucket stands, what to do today. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.judgement.messages import Message
from monitor.judgement.phrases import clip, duration, sentences
from monitor.words import tr, trn

# From this length on a time without readings, or without a watch, is told.
TOLD_GAP_MIN = 10.0
_NAMES_MOST = 60


@dataclass(frozen=True, slots=True)
class NightAlarm:
    """One alarm of the night. ``says`` is its own sentence, ``at`` when it was raised, ``end`` when it was over, both
    as told; ``rung`` who was rung for it in the night, ``unrung`` that nobody ever was, though it wakes; ``went`` who
    said "I am going", ``seen`` who said "I have seen it".
    """

    says: str
    at: str
    end: str = ""
    rung: tuple[str, ...] = ()
    went: str = ""
    seen: str = ""
    wakes: bool = True
    unrung: bool = False


@dataclass(frozen=True, slots=True)
class BucketNight:
    """One bucket's night. ``gap_min`` is the longest time without a paste reading, None where none came at all;
    ``stands`` whether an alarm stands now; ``next_action`` with its time, as told, and its ``cautions``; ``ended`` when
    its batch ended in the night, as told, "" while it runs.
    """

    bucket: str
    completeness: str = ""
    gap_min: float | None = None
    alarms: tuple[NightAlarm, ...] = ()
    stands: bool = False
    next_action: str = ""
    cautions: tuple[str, ...] = ()
    ended: str = ""


@dataclass(frozen=True, slots=True)
class Night:
    """``unwatched_min`` is for how long nothing was minded, as long as anything was to be; ``own`` are the alarms of
    the watch itself.
    """

    buckets: tuple[BucketNight, ...]
    unwatched_min: float = 0.0
    own: tuple[NightAlarm, ...] = ()


def morning_message(night: Night) -> Message:
    """What is read with the first coffee; the lock screen has the whole in a sentence or two."""
    troubled = [(one.bucket, one.alarms) for one in night.buckets] + [(tr("the watch itself"), night.own)]
    rang = _where(troubled, lambda alarm: alarm.wakes and bool(alarm.rung))
    unrung = [name for name in _where(troubled, lambda alarm: alarm.unrung) if name not in rang]
    stands = [one.bucket for one in night.buckets if one.stands]
    stands += [tr("the watch itself")] if any(not alarm.end for alarm in night.own) else []
    unread = [one.bucket for one in night.buckets if one.gap_min is None or one.gap_min >= TOLD_GAP_MIN]
    down = ""
    if night.unwatched_min >= TOLD_GAP_MIN:
        down = tr("Nothing was minded for {time} of the night.", time=duration(night.unwatched_min))
    short = [
        down,
        tr("It rang for {buckets}.", buckets=_names(rang)) if rang else "",
        tr("An alarm that rang nobody: {buckets}.", buckets=_names(unrung)) if unrung else "",
        "" if rang or unrung else tr("Nothing rang in the night."),
        tr("Alarm still: {buckets}.", buckets=_names(stands)) if stands else "",
        tr("Not read all the time: {buckets}.", buckets=_names(unread)) if unread else _rests_on(night),
    ]
    says = " ".join(filter(None, short))
    lines = [_told(one) for one in night.buckets]
    if night.own:
        lines.insert(0, tr("The watch itself: {alarms}", alarms=" ".join(_alarm(alarm) for alarm in night.own)))
    cautions = list(dict.fromkeys(caution for one in night.buckets for caution in one.cautions))
    do = "\n\n".join([*cautions, *lines]) if cautions else "\n\n".join(lines)
    title = tr("The night: it rang") if rang else tr("The night: nothing rang")
    if unrung:
        title = tr("The night: an alarm rang nobody")
    if down:
        title = tr("The night: not minded throughout")
    return Message("morning", says, do, title, tuple(filter(None, short)))


def _rests_on(night: Night) -> str:
    """A quiet night is told with what the word rests on; nothing where there was nothing to read."""
    if not night.buckets:
        return ""
    return trn(
        "{n} bucket was read throughout.", "{n} buckets were read throughout.", len(night.buckets)
    )  # fmt: skip


def _told(one: BucketNight) -> str:
    parts = [_alarm(alarm) for alarm in one.alarms]
    if one.gap_min is None:
        parts.append(tr("No paste reading came in the night."))
    elif one.gap_min >= TOLD_GAP_MIN:
        parts.append(tr("The longest time without a reading was {time}.", time=duration(one.gap_min)))
    if one.completeness:
        parts.append(tr("Potash used up: {share}; not a measure of what is left.", share=one.completeness))
    if one.ended:
        parts.append(tr("Its batch ended at {time}.", time=one.ended))
    if one.next_action:
        parts.append(tr("Next: {action}", action=one.next_action))
    return f"{one.bucket}: {sentences(*parts)}" if parts else tr("{bucket}: nothing to tell.", bucket=one.bucket)


def _alarm(alarm: NightAlarm) -> str:
    told = [tr("{time}: {alarm}", time=alarm.at, alarm=alarm.says)]
    if alarm.went:
        told.append(tr("{name} went.", name=alarm.went))
    elif alarm.seen:
        told.append(tr("{name} has seen it.", name=alarm.seen))
    elif alarm.unrung:
        told.append(tr("Nobody was rung."))
    elif alarm.rung:
        told.append(tr("Rung: {names}; nobody answered.", names=", ".join(alarm.rung)))
    told.append(tr("Over at {time}.", time=alarm.end) if alarm.end else tr("It still stands."))
    return " ".join(told)


def _where(
    troubled: Sequence[tuple[str, Sequence[NightAlarm]]], matters: Callable[[NightAlarm], bool]
) -> list[str]:
    return [name for name, alarms in troubled if any(matters(alarm) for alarm in alarms)]


def _names(buckets: Sequence[str]) -> str:
    return clip(", ".join(buckets), _NAMES_MOST)
