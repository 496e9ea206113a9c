"""``check --node``: listens to one node for a minute and says whether it is well."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from monitor.commands.common import CommandError
from monitor.commands.listening import Listening
from monitor.sensing.listened import CLOCK_WRONG_S, Listened, ProbeHeard
from monitor.sensing.senml import FAULTS
from monitor.sensing.supply import WELL, Supplies, Supply, SupplyLimits
from monitor.settings import ProbeSettings, Settings, Source
from monitor.words import DATE, tr, trn, when

LISTENS_S = 60.0
# The watch calls a bucket silent after three minutes in the first hour: a node should not come near that.
SELDOM_S, TOO_SELDOM_S = 30.0, 90.0
# A quarter of a degree is the step of common amplifiers; above one something is wrong with the wiring
# (common practice).
NOISY_K, TOO_NOISY_K = 0.5, 1.0
# Of a hundred lines, so many damaged are a bad wire and not an accident (our choice: a sound wire damages none).
DAMAGED_SHARE = 0.02
# More off than any class of thermocouple allows here (IEC 60584-1): a new probe.
NEW_PROBE_K = 3.0
_DAMAGE = ("bad_utf8", "bad_json", "bad_crc", "too_long", "bad_pack")


class Said(NamedTuple):
    """One line of the answer: ``ok`` None means "no fault, but read it"."""

    part: str
    ok: bool | None
    says: str


def node_lines(settings: Settings, name: str, listens_s: float = LISTENS_S) -> Iterator[Said]:
    """Listen, then judge. ``name`` is a source's, "" for the only one."""
    source = source_named(settings, name)
    says = tr("listening for {seconds:.0f} s; the node should send meanwhile.", seconds=listens_s)
    yield Said(source.name, None, says)
    with Listening(settings, source) as listening:
        listening.wait(listens_s)
    now_s = listening.clock.now()
    yield from judged(listening.heard, now_s, listening.says, source.name, lambda name: settings.bucket(name).supply)


def source_named(settings: Settings, name: str) -> Source:
    """The source to listen to; CommandError when it cannot be told which."""
    known = {source.name: source for source in settings.sources}
    if not known:
        raise CommandError(tr("No [[source]] is set in emberpail.toml, so there is no node to listen to; add one."))
    if not name and len(known) == 1:
        return next(iter(known.values()))
    if name in known:
        return known[name]
    names = ", ".join(known)
    if not name:
        raise CommandError(tr("Say which node to listen to: emberpail check --node NAME, one of {names}.", names=names))
    raise CommandError(tr('There is no [[source]] "{name}"; there are {names}.', name=name, names=names))


def judged(
    heard: Listened, now_s: float, says: str, source: str, limits_of: Callable[[str], SupplyLimits]
) -> Iterator[Said]:
    """What was heard, line by line."""
    if not heard.lines:
        yield Said(source, False, tr("nothing came. {says}", says=says))
        return
    yield _wire(heard, source)
    probes = heard.probes(now_s)
    if not probes:
        says = tr('no line held a reading of ours: names must be BUCKET/PROBE and the unit "Cel".')
        yield Said(source, False, says)
    for probe in probes:
        yield _probe(probe)
    yield from _clock(probes, source)
    for bucket in sorted(heard.supplies):
        yield _supply(bucket, heard.supplies[bucket], limits_of(bucket), now_s)
    for probe in probes:
        yield _points(probe, heard)


def _wire(heard: Listened, source: str) -> Said:
    damaged = sum(heard.faults[kind] for kind in _DAMAGE)
    lines = trn("{n} line came", "{n} lines came", heard.lines)
    if damaged:
        kinds = "; ".join(
            tr("{n} x {fault}", n=heard.faults[kind], fault=tr(FAULTS[kind])) for kind in _DAMAGE if heard.faults[kind]
        )
        bad = damaged > DAMAGED_SHARE * heard.lines
        return Said(source, False if bad else None, tr("{lines}, {n} damaged: {kinds}.", lines=lines, n=damaged,
                                                       kinds=kinds))  # fmt: skip
    if heard.with_checksum < heard.lines:
        return Said(source, None, tr("{lines}, none seen to be damaged; without a check sum damage can go unseen.",
                                     lines=lines))  # fmt: skip
    return Said(source, True, tr("{lines}, each with its check sum right.", lines=lines))


def _probe(probe: ProbeHeard) -> Said:
    name = f"{probe.bucket}/{probe.probe}"
    if probe.latest_c is None:
        why = max(probe.states, key=lambda state: probe.states[state])
        return Said(name, False, tr('it cannot measure: "{state}".', state=why))
    faults: list[str] = []
    ok: bool | None = True
    if probe.states:
        ok = None
        words = ", ".join(f'"{state}" x {n}' for state, n in sorted(probe.states.items()))
        faults.append(tr("at times it could not measure ({states})", states=words))
    every_s = probe.every_s if probe.every_s is not None else probe.longest_s
    if max(every_s, probe.longest_s) > SELDOM_S:
        ok = False if probe.longest_s > TOO_SELDOM_S or probe.every_s is None else None
        faults.append(tr("up to {s:.0f} s pass without a reading", s=probe.longest_s))
    if probe.noise_k is not None and probe.noise_k > NOISY_K:
        ok = False if probe.noise_k > TOO_NOISY_K else (None if ok else ok)
        faults.append(tr("it wavers by {k:dK1}: look for a ground loop, mains nearby, a missing capacitor",
                         k=probe.noise_k))  # fmt: skip
    told = tr("{t:degC1} now, a reading each {s:.0f} s", t=probe.latest_c, s=every_s)
    if probe.noise_k is not None:
        told = tr("{told}, noise {k:dK2}", told=told, k=probe.noise_k)
    return Said(name, ok, "; ".join([told, *faults]) + ".")


def _clock(probes: list[ProbeHeard], source: str) -> Iterator[Said]:
    lags = [probe.lag_s for probe in probes if probe.lag_s is not None]
    if any(probe.retimed for probe in probes):
        says = tr("its clock stands wrong or counts from its start; readings count from their arrival.")
        yield Said(source, None, says)
    elif lags and max(map(abs, lags)) > CLOCK_WRONG_S:
        yield Said(source, None, tr("its readings come {s:.0f} s after their own time: a slow network, or its clock.",
                                    s=max(lags)))  # fmt: skip
    elif lags:
        yield Said(source, True, tr("its clock agrees with this computer's."))
    elif probes:
        yield Said(source, True, tr("it sends no time of its own; readings count from their arrival."))


def _supply(bucket: str, sent: Sequence[Supply], limits: SupplyLimits, now_s: float) -> Said:
    """Its battery, by the very rule of the watch."""
    name, supplies = f"{bucket}/supply", Supplies(lambda _bucket: limits)
    for one in sent:
        supplies.take(one, now_s)
    node = supplies.known(now_s).get(bucket)
    if node is None:
        return Said(name, None, tr("it sends 0 V or old values: that tells nothing of its battery."))
    told = tr("{volts:.2f} V", volts=node.volts)
    if limits.low_v <= 0.0:
        return Said(name, None, tr("{told}; nobody is told when it gets low (supply_low_v = 0).", told=told))
    if node.level != WELL or node.volts < limits.low_v:
        says = tr("{told}, low (under {low:.2f} V): charge or change the battery, look at the supply and its cable.",
                  told=told, low=limits.low_v)  # fmt: skip
        return Said(name, False, says)
    return Said(name, True, tr("{told}; it is told of under {low:.2f} V.", told=told, low=limits.low_v))


def _points(probe: ProbeHeard, heard: Listened) -> Said:
    name = f"{probe.bucket}/{probe.probe}"
    known = heard.probe_settings.get((probe.bucket, probe.probe))
    if known is None or (known.gain == 1.0 and known.offset_c == 0.0):
        says = tr(
            "it has not been checked in ice and boiling water; emberpail check --calibrate {name} walks through it.",
            name=name,
        )
        return Said(name, None, says)
    low, high = ((true - known.offset_c) / known.gain - true for true in (0.0, 100.0))
    checked = known.checked if isinstance(known, ProbeSettings) else None
    day = tr("on a day nobody noted") if checked is None else when(checked, DATE)
    says = tr(
        "checked {day}: it is off by {low:.1f} in ice and {high:.1f} in boiling water (°C), which is put right.",
        day=day, low=low, high=high,
    )  # fmt: skip
    return Said(name, max(abs(low), abs(high)) <= NEW_PROBE_K, says)
