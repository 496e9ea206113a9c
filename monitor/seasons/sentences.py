"""What a comparison of groups comes to, in plain sentences. A difference is never told without its interval, or why it
has none."""

from __future__ import annotations

from monitor.words import number, quantity, tr, trn

from .differences import BUCKETS, MEASURES, Compared, Difference, Group
from .drivers import DRIVER_WORDS, DRIVERS, Alongside, Driver
from .groups import BY_WORDS, category_words
from .mixed import FEWEST, NOT_FEW

_MUCH = 0.8


def sentences(found: Compared) -> list[str]:
    """All that can be said, the differences first."""
    _, words, unit = MEASURES[found.measure]
    says = [sentence for one in found.differences for sentence in _said(one, tr(words), unit, found.level)]
    if found.differences:
        says += _small(found)
        if sum(not one.unranged for one in found.differences) > 1:
            says.append(tr("The ranges are so wide that all of them hold together in 95 of 100 such comparisons."))
        taught = [one.learned for one in found.differences if one.learned is not None]
        if taught:
            says.append(
                tr("These are estimates as they were made at the time, and some rest on more of your earlier batches "
                   "than others (from {fewest} to {most} of them): a part of a difference may come from that.",
                   fewest=min(low for low, _ in taught), most=max(high for _, high in taught))
            )  # fmt: skip
        elif found.measure == "completeness":
            says.append(
                tr("What is wrong with all batches alike (the heat of a mole, a scale) falls out of a difference and "
                   "is not in these ranges.")
            )  # fmt: skip
    elif len(found.groups) < 2:
        says.append(tr("By {by} there is one group only, so nothing can be held against it.",
                       by=tr(BY_WORDS[found.by])))  # fmt: skip
    else:
        says.append(tr("There are too few batches in these groups to say that one does otherwise than another."))
    if found.at_least:
        says.append(
            tr("Not counted, for readings are missing and the {what} is known only to be at least so much: {batches}.",
               what=tr(words), batches=trn("{n} batch", "{n} batches", found.at_least))
        )  # fmt: skip
    says += [
        tr("{group}: {n} that can be counted; from {fewest} on something can be said of how it differs.",
           group=one.name, n=one.count, fewest=FEWEST)
        for one in found.refused
    ]  # fmt: skip
    return says


def figure(value: float, unit: str) -> str:
    """A difference with its unit; a share of the promised soap in points of a hundred."""
    if unit == "%":
        return tr("{points} points of 100", points=number(value, 0 if abs(value) >= 10 else 1))
    if unit in ("dC", "dK"):
        return quantity(value, unit, 0 if abs(value) >= 10 else 1)
    if unit == "h":
        return tr("{hours:.1f} h", hours=value)
    if unit == "min":
        return tr("{minutes:.0f} min", minutes=value)
    if unit == "kg":
        return quantity(value, "kg")
    return f"{number(value, 0)} {unit}".rstrip()


def mean_words(group: Group, measure: str) -> str:
    """A group's plain mean, "" where none of its batches counts. Of a completeness with the caution that it is bare."""
    if group.mean is None:
        return ""
    told = _level(group.mean, measure)
    if group.spread is None or group.count < 2:
        return tr("mean {figure}", figure=told)
    # The unit stands once, beside the mean.
    low, high = (_level(level, measure).partition(" ")[0] for level in group.spread)
    return tr("mean {figure}, single ones {low} to {high}", figure=told, low=low, high=high)


def _level(value: float, measure: str) -> str:
    """A figure that is no difference: a temperature as such, a share in per cent."""
    unit = MEASURES[measure][2]
    if unit == "%":
        return f"{number(value)} %"
    return quantity(value, "degC") if unit == "dC" else figure(value, unit)


def _said(one: Difference, what: str, unit: str, level: float) -> list[str]:
    fields: dict[str, object] = {
        "group": one.group[:1].upper() + one.group[1:], "base": one.base, "what": what,
        "n": one.counts[0], "m": one.counts[1], "by": figure(abs(one.estimated.value), unit),
    }  # fmt: skip
    if one.unranged:
        return [_unranged(one, fields)]
    low, high = one.estimated.low, one.estimated.high
    percent = 100.0 * level
    held = number(percent, 0 if abs(percent - round(percent)) < 0.05 else 1)
    fields |= {"low": figure(low, unit), "high": figure(high, unit), "level": held}
    if not one.shown:
        says = [
            tr("{group} against {base} ({n} and {m} batches), {what}: no difference is shown; it may be anything from "
               "{low} less to {high} more. That range holds {level} of 100.", **{**fields, "low": figure(-low, unit)})
        ]  # fmt: skip
    elif one.estimated.value > 0.0:
        says = [
            tr("{group} against {base} ({n} and {m} batches), {what}: {by} more, between {low} and {high}. That range "
               "holds {level} of 100.", **fields)
        ]  # fmt: skip
    else:
        # Turned round, so that "less" stands beside figures without a sign.
        fields |= {"low": figure(-high, unit), "high": figure(-low, unit)}
        says = [
            tr("{group} against {base} ({n} and {m} batches), {what}: {by} less, between {low} and {high}. That range "
               "holds {level} of 100.", **fields)
        ]  # fmt: skip
    if one.apart:
        says.append(
            tr("{group} and {base} never stood in the same bucket: a difference between the buckets would look the "
               "same.", group=one.group, base=one.base)
        )  # fmt: skip
    if one.shown:
        says += _along(one.group, one.base, one.along)
    return says


def _unranged(one: Difference, fields: dict[str, object]) -> str:
    """A difference of which nothing tells how sure it is."""
    value = one.estimated.value
    if one.unranged == BUCKETS:
        told = tr("{by} more on average", **fields) if value > 0.0 else tr("{by} less on average", **fields)
        return tr("{group} against {base} ({n} and {m} batches), {what}: {told}. They never stood in the same bucket, "
                  "so that is a difference between these buckets: whether it is one of the groups cannot be told, and "
                  "no range can be given.", **fields, told=told)  # fmt: skip
    if value == 0.0:
        return tr("{group} against {base} ({n} and {m} batches), {what}: all of them are alike, so no range can be "
                  "given.", **fields)  # fmt: skip
    if value > 0.0:
        return tr("{group} against {base} ({n} and {m} batches), {what}: {by} more; the batches of each group are "
                  "alike, so no range can be given.", **fields)  # fmt: skip
    return tr("{group} against {base} ({n} and {m} batches), {what}: {by} less; the batches of each group are alike, "
              "so no range can be given.", **fields)  # fmt: skip


def _along(group: str, base: str, along: Alongside) -> list[str]:
    """What goes along with a difference, what cannot be told apart from it, and what was not looked at."""
    says = []
    if along.driver is not None:
        says.append(_driven(group, along.driver))
        if along.driver.known < along.driver.of:
            says.append(
                tr("That was noted for {known} of {of} batches: only these were looked at.",
                   known=along.driver.known, of=along.driver.of)
            )  # fmt: skip
    if along.inseparable:
        ones = "; ".join(_inseparable(group, base, one) for one in along.inseparable)
        says.append(
            tr("This cannot be told apart from the group itself: {ones}. Either may be the cause: change one thing at "
               "a time.", ones=ones)
        )  # fmt: skip
    if not says:
        says.append(
            tr("Nothing that could be looked at explains it: try to change one thing at a time.") if along.unseen
            else tr("Nothing that was noted explains it: try to change one thing at a time.")
        )  # fmt: skip
    if along.unseen:
        ones = "; ".join(
            tr("{what} (noted for {known} of {of} batches)",
               what=tr(DRIVER_WORDS[one.name]), known=one.known, of=one.of)
            for one in along.unseen
        )  # fmt: skip
        says.append(tr("Not looked at: {ones}.", ones=ones))
    return says


def _driven(group: str, driver: Driver) -> str:
    how = _how(driver)
    if driver.share is None:
        return tr(
            "What stands out: {group} {how}. With so few batches that cannot be told apart from the group itself.",
            group=group, how=how,
        )  # fmt: skip
    if driver.share >= _MUCH:
        return tr("Nearly all of it goes along with this: {group} {how}. That need not be the cause.",
                  group=group, how=how)  # fmt: skip
    return tr("More than half of it goes along with this: {group} {how}. That need not be the cause.",
              group=group, how=how)  # fmt: skip


def _how(driver: Driver) -> str:
    """What a group had more or less of, to stand behind its name."""
    if driver.kind:
        fields = {
            "what": tr(DRIVER_WORDS[driver.name]), "kind": category_words(driver.name, driver.kind),
            "n": driver.counts[0][0], "of": driver.counts[0][1], "m": driver.counts[1][0], "most": driver.counts[1][1],
        }  # fmt: skip
        if driver.by > 0.0:
            return tr("more often had this: {what} {kind} ({n} of {of} batches, against {m} of {most})", **fields)
        return tr("less often had this: {what} {kind} ({n} of {of} batches, against {m} of {most})", **fields)
    _, more, less, unit = DRIVERS[driver.name]
    did = tr(more if driver.by > 0.0 else less)
    return tr("{did} (by {by} on average)", did=did, by=figure(abs(driver.by), unit)) if unit else did


def _inseparable(group: str, base: str, driver: Driver) -> str:
    if not driver.kind or abs(driver.by) < 1.0:
        told = f"{group} {_how(driver)}"
    else:
        with_it, without = (group, base) if driver.by > 0.0 else (base, group)
        told = tr("{what} {kind} (all of {group}, none of {base})", what=tr(DRIVER_WORDS[driver.name]),
                  kind=category_words(driver.name, driver.kind), group=with_it, base=without)  # fmt: skip
    if driver.known == driver.of:
        return told
    return tr("{told}, as far as it was noted ({known} of {of} batches)", told=told, known=driver.known, of=driver.of)


def _small(found: Compared) -> list[str]:
    fewest = min(min(one.counts) for one in found.differences)
    if fewest >= NOT_FEW:
        return []
    return [
        tr("That rests on few batches ({n} in the smallest group): take it as a hint, and ask again with {many}.",
           n=fewest, many=NOT_FEW)
    ]  # fmt: skip
