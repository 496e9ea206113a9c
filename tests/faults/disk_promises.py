"""What must hold after a disk has failed and recovered, held against the same story on a sound disk."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.faults.disk_shim import CONTROL, build, environment
from tests.faults.disk_world import LIFTED_S

# From when an alarm is due, and from when it is sure that the disk refuses, to the phone.
TOLD_WITHIN_S = 60.0


class Teller:
    """A process that tells the story under the shim, as often as it is asked to."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def __call__(self, n: int = 0, errno: int = 0, *, sticky: bool = False, halves: bool = False) -> dict[str, Any]:
        """The story with the ``n``-th call of the disk failing; 0: none."""
        assert self._process.stdin is not None and self._process.stdout is not None
        fault = {"n": n, "errno": errno, "sticky": sticky, "halves": halves}
        self._process.stdin.write(json.dumps(fault) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        if "crashed" in answer:
            raise AssertionError(f"{fault}: {answer['crashed']}")
        return answer


@contextmanager
def story(folder: Path) -> Iterator[Teller]:
    """The process, started and ended; its files lie in ``folder``."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.disk_world"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env=environment(build(folder), folder / CONTROL, folder / "disk-"),
    )  # fmt: skip
    try:
        yield Teller(process)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(30)
        finally:
            process.kill()


def broken(found: dict[str, Any], sound: dict[str, Any], *, sticky: bool) -> list[str]:
    """Each promise that was not kept, in a sentence; ``sound`` is the story without a fault."""
    return [
        *_told(found, sound, sticky=sticky),
        *_kept(found),
        *([] if _judged(found) == _judged(sound) else [f"judged {_judged(found)} instead of {_judged(sound)}"]),
    ]


def _told(found: dict[str, Any], sound: dict[str, Any], *, sticky: bool) -> Iterator[str]:
    rang = found["rang"]
    twice = [message_id for message_id, times in Counter(one["message_id"] for one in rang).items() if times > 1]
    if twice:
        yield f"told twice: {twice}"
    due_s, told_s = sound["raised"][0], _first(rang, "too_hot")
    if told_s is None or told_s > due_s + TOLD_WITHIN_S:
        yield f"too_hot, due at {due_s}, was told at {told_s}"
    elif told_s < due_s:
        yield f"too_hot was told at {told_s}, before it was due at {due_s}"
    about = {one["about"] for one in rang if "watch_fault" not in one["about"]}
    if about != {one["about"] for one in sound["rang"]}:
        yield f"the alarms have other identities: {about}"
    fault_s, struck_s = _first(rang, "watch_fault"), found["struck_s"]
    if sticky and struck_s is not None and struck_s < LIFTED_S - TOLD_WITHIN_S:
        if fault_s is None or fault_s > struck_s + TOLD_WITHIN_S:
            yield f"the disk's trouble, from {struck_s} on, was told at {fault_s}"
    elif not sticky and fault_s is not None:
        yield f"one hiccup at {struck_s} rang at {fault_s}"
    settled = dict(found["outbox"])
    rang_ids = {one["message_id"] for one in rang}
    if unsettled := {one for one, state in settled.items() if (state == "sent") != (one in rang_ids)}:
        yield f"the outbox and the phones disagree about {unsettled}"
    if lost := rang_ids - set(settled):
        yield f"told, and not in the outbox: {lost}"


def _kept(found: dict[str, Any]) -> Iterator[str]:
    if not found["sound"].count("is sound"):
        yield found["sound"]
    sent = [json.loads(line)[0] for line in found["sent"]]
    wanted = sorted((one["n"].partition("/")[2], one["bt"], one["v"]) for one in sent)
    kept = sorted(tuple(one) for one in found["kept"])
    if kept != wanted:
        yield f"{len(kept)} readings are kept of {len(wanted)}"
    if found["recorded"] != found["sent"] or found["recording_faults"]:
        yield f"the recording has {len(found['recorded'])} lines of {len(found['sent'])}, {found['recording_faults']}"
    acked = dict(map(tuple, found["acked"]))
    if found["unkept"]:
        yield f"acknowledged before they were kept: {found['unkept']}"
    if acked != {one["bt"]: 1 for one in sent if one["n"].endswith("wall")}:
        yield f"acknowledged {len(acked)} times {set(acked.values())}"
    if found["printed"] != len(found["events"]):
        yield f"{found['printed']} events are printed of {len(found['events'])}"
    if found["trouble"]:
        yield f"trouble is left: {found['trouble']}"


def _first(rang: list[dict[str, Any]], kind: str) -> float | None:
    return min((one["at_s"] for one in rang if f"/{kind}/" in one["about"]), default=None)


def _judged(found: dict[str, Any]) -> list[list[Any]]:
    return [event for event in found["events"] if event[2] != "watch_fault"]
