"""Rows of the table: probes that lie. The wire is sound, so each lie arrives whole."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence

from monitor.sensing.thermocouple import emf_mv
from tests.faults.good_batch import BUCKET, HOUR_S, MINUTE_S, Shot
from tests.faults.sensor_rows import (
    FAULT_FROM_S,
    KEPT,
    WAY_S,
    Row,
    adds,
    line,
    pack_of,
    packed,
    probe_lies,
    record,
    shows,
    sound,
)
from tests.faults.wires import Sent

FAULT = ("sensor_fault",)


def _air_of(shot: Shot) -> float:
    return shot.c("ambient")


def _leaves_the_paste(kept: float, from_s: float) -> Callable[[Shot], Shot]:
    """The probe comes out, all of it or in part; its metal needs a minute and a half to cool."""

    def lie(shot: Shot) -> Shot:
        share = kept + (1 - kept) * math.exp(-(shot.since_s - from_s) / 90.0)
        air = _air_of(shot)
        return shot.having(core=round(air + (shot.c("core") - air) * share, 4))

    return lie


def _scatter(sd_k: float, share: float = 1.0, seed: int = 5) -> Callable[[float], float]:
    rng = random.Random(seed)
    return lambda _: rng.gauss(0.0, sd_k) if rng.random() < share else 0.0


def _held(from_s: float, jitter_k: float = 0.0) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The core stays at what it showed then; ``jitter_k``: its last digit still flickers."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        rng = random.Random(3)
        value_c = next(shot.c("core") for shot in shots if shot.since_s >= from_s)
        for shot in shots:
            stuck_c = value_c + jitter_k * rng.choice((-1, 0, 0, 1))
            yield shot.at_s + WAY_S, line(pack_of(shot.having(core=stuck_c) if shot.since_s >= from_s else shot))

    return play


def _only_some(
    lie: Callable[[int, Shot], Shot], from_s: float = FAULT_FROM_S
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The lie is told the number of the shot since the fault began."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        late = [shot for shot in shots if shot.since_s >= from_s]
        numbers = {shot.at_s: number for number, shot in enumerate(late)}
        return sound([lie(numbers[shot.at_s], shot) if shot.at_s in numbers else shot for shot in shots])

    return play


def _as_voltages(
    cold_shown_c: Callable[[Shot], float | None],
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """A node that sends voltages; ``cold_shown_c`` is what its own sensor says of the cold junction, or nothing."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        for shot in shots:
            cold_c = _air_of(shot) + 3.0
            shown_c = cold_shown_c(shot)
            millivolts = emf_mv("K", shot.c("core")) - emf_mv("K", cold_c)
            records = [record("ambient", shot.c("ambient"))]
            records += [] if shown_c is None else [record("core/cold-junction", round(shown_c, 4))]
            records += [record("core/emf", round(millivolts / 1000.0, 8), "V")]
            base: dict[str, object] = {"bn": f"{BUCKET}/", "bt": round(shot.at_s, 3)}
            yield shot.at_s + WAY_S, line(packed([base | records[0], *records[1:]]))

    return play


def _fahrenheit(shot: Shot) -> Shot:
    return shot.having(**{name: round(shot.c(name) * 1.8 + 32.0, 2) for name in shot.values})


def _between_buckets(shots: Sequence[Shot]) -> Iterator[Sent]:
    """Two buckets, one poured now and one three days old; somebody puts each probe back into the other bucket."""
    for shot in shots:
        old = shot.having(core=round(_air_of(shot) + 2.0 + 0.1 * math.sin(shot.since_s / 300.0), 4))
        mine, other = (shot, old) if shot.since_s < FAULT_FROM_S else (old, shot)
        yield shot.at_s + WAY_S, line(pack_of(mine))
        yield shot.at_s + WAY_S, line(pack_of(other, bucket="shed-2"))


ROWS = (
    Row("open", "the core's wire breaks", shows("open"), FAULT, "open", reasons=("open",)),
    Row("short-gnd", "the core's wire touches ground", shows("short-gnd"), FAULT, "short", reasons=("short-gnd",)),
    Row("short-vcc", "the core's wire touches the supply", shows("short-vcc"), FAULT, "short", reasons=("short-vcc",)),
    Row("open-from-the-start", "the core was never plugged in", shows("open", from_s=-HOUR_S), FAULT, "open"),
    Row("open-for-a-minute", "the core's plug is pulled and put back", shows("open", to_s=FAULT_FROM_S + 60.0),
        reasons=("open",), keeps=KEPT),
    Row("loose-contact", "the core's contact comes and goes: two values in three open, at random",
        _only_some(lambda n, shot: shot.having(core="open") if random.Random(n).random() < 0.67 else shot),
        FAULT, "open"),
    Row("all-open", "the node loses all its probes at once",
        probe_lies(lambda shot: shot.having(core="open", ambient="open")), FAULT, "open"),
    Row("ambient-open", "the ambient probe's wire breaks", shows("open", probe="ambient"), FAULT, "open",
        probe="ambient"),
    Row("swapped", "core and ambient are swapped at the node, from the start",
        probe_lies(lambda shot: shot.having(core=shot.c("ambient"), ambient=shot.c("core")), from_s=-HOUR_S), FAULT,
        "never_in"),
    Row("reversed", "the core's two wires are swapped, from the start",
        probe_lies(lambda shot: shot.having(core=round(2.0 * (_air_of(shot) + 2.0) - shot.c("core"), 4)),
                   from_s=-HOUR_S), FAULT, "reversed"),
    Row("stuck-soon", "the core's value stands still three minutes after it went in", _held(15 * MINUTE_S), FAULT,
        "stuck", reasons=("stuck",)),
    Row("stuck-while-rising", "the core's value stands still while the batch heats", _held(FAULT_FROM_S), FAULT,
        "stuck", reasons=("stuck",)),
    Row("stuck", "the core's value stands still while the batch cools", _held(75 * MINUTE_S), FAULT, "stuck",
        reasons=("stuck",), hours=2.0),
    Row("stuck-flickering", "the core's value stands still, but its last digit flickers",
        _held(75 * MINUTE_S, 0.0625), FAULT, "stuck", hours=5.0),
    Row("drifting-slowly", "the core drifts up by 0.5 K an hour", adds(lambda t: 0.5 * (t - FAULT_FROM_S) / HOUR_S)),
    Row("noisy", "the core scatters by 12 K", adds(_scatter(12.0)), FAULT, "noisy", reasons=("noise",)),
    Row("a-little-noisy", "the core scatters by 1 K", adds(_scatter(1.0))),
    Row("a-few-spikes", "one value in fifty of the core is off by some 40 K", adds(_scatter(40.0, 0.02)),
        reasons=("spike",), within_k=4.0, keeps=0.9),
    Row("spiking", "two values in three of the core are off by some 40 K", adds(_scatter(40.0, 0.67)), FAULT, "noisy"),
    Row("start-up-value", "the sensor starts anew every ten minutes, and shows 85.0 once each time",
        _only_some(lambda n, shot: shot.having(core=85.0) if n % 20 == 3 else shot, 13 * MINUTE_S),
        reasons=("power_on_85",), within_k=4.0),
    Row("start-up-value-stays", "the sensor is under-supplied and shows nothing but 85.0", shows(85.0), FAULT, "lost",
        reasons=("power_on_85",)),
    Row("lost-value", "the sensor does not answer now and then: -127",
        _only_some(lambda n, shot: shot.having(core=-127.0) if n % 10 == 9 else shot), reasons=("lost_-127",),
        keeps=0.9),
    Row("lost-value-stays", "the sensor does not answer any more: -127", shows(-127.0), FAULT, "lost",
        reasons=("lost_-127",)),
    Row("all-zero", "the bus is shorted: frames of zeros, whose check sum fits, for every probe",
        probe_lies(lambda shot: shot.having(core=0.0, ambient=0.0)), FAULT),
    Row("cold-junction-steps", "the cold junction's sensor steps by 14 K, and with it what is reckoned",
        _as_voltages(lambda shot: _air_of(shot) + (17.0 if shot.since_s >= 40 * MINUTE_S else 3.0)), FAULT,
        "rate", hours=2.5),
    Row("cold-junction-steps-down", "the same, downwards",
        _as_voltages(lambda shot: _air_of(shot) - (11.0 if shot.since_s >= FAULT_FROM_S else -3.0)), FAULT,
        "out_of_paste"),
    Row("cold-junction-missing", "the cold junction's sensor is dead: voltages alone",
        _as_voltages(lambda shot: _air_of(shot) + 3.0 if shot.since_s < FAULT_FROM_S else None), ("silent",),
        counts=("no_cold_junction",)),
    Row("out-of-the-paste", "the core's probe falls out of the paste into the air",
        probe_lies(_leaves_the_paste(0.0, FAULT_FROM_S)), FAULT, "out_of_paste"),
    Row("pulled-half-out", "the core's cable is pulled, the probe's tip is half out of the paste",
        probe_lies(_leaves_the_paste(0.4, FAULT_FROM_S)), FAULT, "out_of_paste"),
    Row("out-hours-later", "the core's probe falls out when the batch has cooled for hours",
        probe_lies(_leaves_the_paste(0.0, 4 * HOUR_S), from_s=4 * HOUR_S), FAULT, "out_of_paste", hours=5.0),
    Row("never-put-in", "nobody pushes the core's probe into the paste",
        probe_lies(lambda shot: shot.having(core=round(_air_of(shot) + 0.4, 4)), from_s=-HOUR_S), FAULT, "never_in"),
    Row("swapped-between-buckets", "two probes are put back into each other's buckets", _between_buckets, FAULT,
        two_buckets=True),
    Row("one-dead-of-two", "one of two paste probes breaks; the other goes on", shows("open", probe="top"), FAULT,
        "open", probe="top", probes=("core", "top", "ambient")),
    Row("one-silent-of-two", "one of two paste probes sends nothing any more; the other goes on",
        probe_lies(lambda shot: shot.without("top")), FAULT, "silent", probe="top", probes=("core", "top", "ambient")),
    Row("core-silent-of-two", "the core sends nothing any more; the other paste probe goes on",
        probe_lies(lambda shot: shot.without("core")), FAULT, "silent", probes=("core", "top", "ambient")),
    Row("ambient-silent", "the ambient probe sends nothing any more", probe_lies(lambda shot: shot.without("ambient")),
        FAULT, "silent", probe="ambient"),
    Row("one-back-in-time", "one of two paste probes sends nothing for four minutes, then again",
        probe_lies(lambda shot: shot.without("top"), to_s=FAULT_FROM_S + 240.0), probes=("core", "top", "ambient")),
    Row("ambient-in-the-sun", "the sun falls on the ambient probe for an hour: up to 20 K too warm",
        adds(lambda t: 20.0 * math.sin(math.pi * (t - FAULT_FROM_S) / HOUR_S), probes=("ambient",),
             to_s=FAULT_FROM_S + HOUR_S)),
    Row("ambient-on-the-bucket", "the ambient probe slips against the warm bucket: 15 K too warm",
        adds(lambda t: 15.0 * (1.0 - math.exp(-(t - FAULT_FROM_S) / 300.0)), probes=("ambient",))),
    Row("coarse", "a sensor of whole degrees",
        probe_lies(lambda shot: shot.having(core=float(round(shot.c("core")))), from_s=-HOUR_S)),
    Row("fahrenheit", "a node in Fahrenheit labelled Cel, from the start", probe_lies(_fahrenheit, from_s=-HOUR_S),
        FAULT, "out_of_range", reasons=("out_of_range",), hours=5.5),
    Row("kelvin", "a node in kelvin labelled Cel, from the start",
        probe_lies(lambda shot: shot.having(**{p: round(shot.c(p) + 273.15, 2) for p in shot.values}), from_s=-HOUR_S),
        FAULT, "out_of_range"),
    Row("millivolts", "a node sends its millivolts as Cel, from the start",
        probe_lies(lambda shot: shot.having(core=round(emf_mv("K", shot.c("core")) - emf_mv("K", _air_of(shot)), 4)),
                   from_s=-HOUR_S), FAULT, "never_in"),
    Row("huge", "the core shows 1e300", shows(1e300), FAULT, "out_of_range", reasons=("out_of_range",)),
    Row("amplifier-at-its-end", "an amplifier without open detection shows 1372 when its wire breaks", shows(1372.0),
        FAULT, "out_of_range"),
    Row("amplifier-for-half-an-hour", "the same, and after half an hour the contact is back",
        shows(1372.0, to_s=FAULT_FROM_S + 30 * MINUTE_S), FAULT, "out_of_range", keeps=0.6, hours=1.5),
)  # fmt: skip
