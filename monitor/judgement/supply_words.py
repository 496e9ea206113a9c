"""What is said of a node whose battery or supply runs down."""

from __future__ import annotations

from monitor.judgement.phrases import Facts, duration, sentences
from monitor.words import mark, tr

CHARGE = mark("Charge or change the battery, or look at the USB supply and its cable.")
# A node that has not said its supply for longer has most likely died.
_IS_NEW_MIN = 15.0


def supply_words(facts: Facts, bucket: str) -> str:
    """Which node runs down and how far it is, from ``supply_v``, ``supply_dying`` and ``supply_age_min``."""
    volts, age_min = facts.number("supply_v"), facts.number("supply_age_min") or 0.0
    if volts is None:
        return tr("{bucket}: its node's battery or supply was low.", bucket=bucket)
    return sentences(
        tr("{bucket}: its node's battery or supply is all but empty, {volts:.2f} V.", bucket=bucket, volts=volts)
        if facts.flag("supply_dying")
        else tr("{bucket}: its node's battery or supply is low, {volts:.2f} V.", bucket=bucket, volts=volts),
        tr("That was {time} ago; nothing has come since.", time=duration(age_min)) if age_min > _IS_NEW_MIN else "",
    )


def goes_unwatched(bucket: str) -> str:
    """What it leads to."""
    return tr("When it dies {bucket} goes unwatched: nothing there can ring.", bucket=bucket)


def supply_in_short(facts: Facts, bucket: str) -> str:
    """The same for a lock screen, which has room for what to do, too."""
    volts = facts.number("supply_v")
    if volts is None:
        return supply_words(facts, bucket)
    return tr("{bucket}: its node runs down, {volts:.2f} V. Soon nothing there can ring.", bucket=bucket, volts=volts)
