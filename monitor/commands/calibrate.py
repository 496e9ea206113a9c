"""``check --calibrate``: walks a probe through ice and boiling water, and keeps what it showed with the probe."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from monitor.commands.check_node import source_named
from monitor.commands.common import CommandError, say, warn
from monitor.commands.listening import Listening
from monitor.commands.prompts import ask
from monitor.domain import PROBES
from monitor.sensing.senml import ProbeSettings
from monitor.settings import Settings, boiling_point_c, load_settings
from monitor.settings_edit import EditError, with_two_point
from monitor.watch_parts import probe_settings
from monitor.words import tr

# A value counts once it has kept within this for so long, with so many readings.
STEADY_S, STEADY_K, LEAST_READINGS = 30.0, 0.6, 3
GIVES_UP_S = 900.0
# More than this from the true value is another sensor, another place, or a broken probe.
MOST_OFF_K, NEW_PROBE_K = 10.0, 3.0


def calibrate(
    settings: Settings, name: str, node: str, today: date, *, steady_s: float = STEADY_S,
    asked: Callable[[str], object] | None = None,
) -> None:  # fmt: skip
    """Ask for ice, then for boiling water; write both into the settings. CommandError where it cannot be done."""
    bucket, _, probe = name.rpartition("/")
    if not bucket or probe not in PROBES:
        raise CommandError(
            tr('"{name}" is no probe: write BUCKET/PROBE, such as shed-2/core; probes are {probes}.', name=name,
               probes=", ".join(PROBES))
        )  # fmt: skip
    if settings.file is None:
        raise CommandError(tr("There is no emberpail.toml to keep the result in; write one first."))
    asked = asked or _wait_for_enter
    altitude_m = settings.site.altitude_m
    if altitude_m is None:
        altitude_m = ask(tr("How many metres above the sea are you"), _metres) or 0.0
    boils_c = boiling_point_c(altitude_m)
    known = probe_settings(settings)
    plain = {**known, (bucket, probe): replace(known.get((bucket, probe), ProbeSettings()), gain=1.0, offset_c=0.0)}
    say(
        tr(
            "Clean the probe first: no lye may be on it. Boiling water and its steam scald: long gloves, a pot that "
            "stands firm, children away. Never do this with paste or lye."
        )
    )
    points = []
    with Listening(settings, source_named(settings, node), plain) as listening:
        for true_c, words in (
            (0.0, tr("Crushed ice in a tall cup, filled up with cold water, stirred for some minutes; the probe's tip "
                     "in the middle.")),
            (boils_c, tr("Water at a rolling boil, the probe's tip free of the bottom. At {m:.0f} m it boils at "
                         "{t:degC1}.", m=altitude_m, t=boils_c)),
        ):  # fmt: skip
            say(words)
            asked(tr("Press Enter when the probe is in"))
            points.append((_steady_c(listening, bucket, probe, true_c, steady_s), true_c))
    _keep(settings.file, bucket, probe, points, today)
    for shown_c, true_c in points:
        say(tr("{name} showed {shown:degC2} at {true:degC1}.", name=name, shown=shown_c, true=true_c))
    if max(abs(shown - true) for shown, true in points) > NEW_PROBE_K:
        warn(tr("That is more than {k:dK}: it is put right, but think of a new probe.", k=NEW_PROBE_K))
    say(tr("Kept in {file}; start watch again, so that it counts.", file=settings.file))


def _steady_c(listening: Listening, bucket: str, probe: str, true_c: float, steady_s: float) -> float:
    """The mean of what it shows once that stands still."""
    waited_s, step_s = 0.0, min(5.0, steady_s)
    while waited_s < GIVES_UP_S:
        listening.wait(step_s)
        waited_s += step_s
        values = listening.values(bucket, probe, steady_s)
        if not values:
            if waited_s >= 2.0 * steady_s + 30.0:
                raise CommandError(
                    tr("Nothing came from {name}: {says}", name=f"{bucket}/{probe}", says=listening.says)
                )
            continue
        say(tr("{t:degC2} ...", t=values[-1]), "  ")
        if waited_s >= steady_s and len(values) >= LEAST_READINGS and max(values) - min(values) <= STEADY_K:
            mean_c = sum(values) / len(values)
            if abs(mean_c - true_c) > MOST_OFF_K:
                raise CommandError(
                    tr("It stands at {shown:degC1}, far from {true:degC1}: is that the right probe, and in the water? "
                       "Nothing was written.", shown=mean_c, true=true_c)
                )  # fmt: skip
            return mean_c
    raise CommandError(tr("It does not stand still within a quarter of an hour; nothing was written."))


def _keep(file: Path, bucket: str, probe: str, points: list[tuple[float, float]], today: date) -> None:
    """Into the settings, in one step: the old file or the new one. What would not load is not written."""
    half = file.with_name(file.name + ".new")
    try:
        text = with_two_point(file.read_text(encoding="utf-8"), bucket, probe, points, today)
        half.touch(mode=0o600)
        half.write_text(text, encoding="utf-8")
        os.chmod(half, file.stat().st_mode & 0o777)
        load_settings(half)
        os.replace(half, file)
    except EditError as error:
        raise CommandError(str(error)) from None
    except (OSError, ValueError) as error:
        raise CommandError(
            tr("{file} could not be written ({reason}); it is as it was. By hand: two_point = {points}", file=file,
               reason=getattr(error, "strerror", None) or error, points=[[round(a, 2), b] for a, b in points])
        ) from None  # fmt: skip
    finally:
        with contextlib.suppress(OSError):
            half.unlink()


def _metres(text: str) -> float:
    metres = float(text.lower().removesuffix("m").strip().replace(",", "."))
    if not -430.0 <= metres <= 6000.0:
        raise ValueError(tr("Metres above the sea, from -430 to 6000."))
    return metres


def _wait_for_enter(words: str) -> None:
    ask(words, str, empty=tr("it is in"))
