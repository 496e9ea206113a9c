"""An alarm from the journal in the words of whoever reads it now.

The journal keeps what was said in English, and the facts it was said from. For another language, or other units, the
sentence is made again from those facts.
"""

from __future__ import annotations

from monitor.domain import Condition
from monitor.journal.database import AlarmRecord
from monitor.judgement import wording
from monitor.judgement.messages import Message, lock_screen
from monitor.words import ENGLISH, voice


def retold(alarm: AlarmRecord) -> tuple[str, str]:
    """What is so and what to do about it, in the voice that speaks now."""
    if voice() == ENGLISH:
        return alarm.says, alarm.do
    message = _said_again(alarm)
    return message.says, message.do


def retold_short(alarm: AlarmRecord) -> str:
    """The same in the few words of a lock screen; '' where the record has none."""
    if voice() == ENGLISH:
        return str(alarm.facts.get("short", ""))
    return lock_screen(_said_again(alarm)).body


def _said_again(alarm: AlarmRecord) -> Message:
    sure = 1.0 if alarm.probability is None else alarm.probability
    condition = Condition(alarm.kind, True, False, sure, alarm.urgency, facts=alarm.facts)
    return wording.say(condition, batch=alarm.batch, bucket=alarm.bucket)
