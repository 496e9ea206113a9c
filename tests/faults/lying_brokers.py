"""Rows of the table: what only a broker can do. The probes are sound; the wire is a real mosquitto."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from tests.faults.good_batch import EVERY_S, HOUR_S, Shot
from tests.faults.sensor_rows import FAULT_FROM_S, KEPT, WAY_S, Row, pack_of
from tests.faults.wires import Deed, Sent

FAULT, SILENT = ("sensor_fault",), ("silent",)


def messages(shots: Sequence[Shot]) -> Iterator[Sent]:
    """No fault: every shot as one message."""
    for shot in shots:
        yield shot.at_s + WAY_S, pack_of(shot)


def _also(more: Callable[[int, Shot], Sequence[bytes | Deed]]) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """Beside every message something else comes, from the fault's time on."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        number = 0
        for shot in shots:
            yield shot.at_s + WAY_S, pack_of(shot)
            if shot.since_s < FAULT_FROM_S:
                continue
            for what in more(number, shot):
                yield shot.at_s + WAY_S + 5.0, what
            number += 1

    return play


def _instead(how: Callable[[int, Shot], Sequence[bytes | Deed]]) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """Something else comes instead of a message."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        number = 0
        for shot in shots:
            late = shot.since_s >= FAULT_FROM_S
            for what in how(number, shot) if late else [pack_of(shot)]:
                yield shot.at_s + WAY_S, what
            number += late

    return play


def _stored(stamp: Callable[[Shot], float]) -> Callable[[int, Shot], list[Deed]]:
    """Another node once left a message stored at the broker; the watch, after a restart, gets it."""

    def once(number: int, shot: Shot) -> list[Deed]:
        if number != 3:
            return []
        old = pack_of(shot.having(core=21.5, ambient=19.0), stamp=stamp(shot))

        return [lambda wire: wire.find_stored(old)]

    return once


def _dropped(data: bytes) -> Deed:
    """Published, and never handed on."""
    return lambda wire: wire.publish(data, arrives=False)


def _twin(shot: Shot, core_c: float) -> Deed:
    other = pack_of(replace(shot, at_s=shot.at_s + EVERY_S / 2).having(core=round(core_c, 4)))
    return lambda wire: wire.publish(other, node="node-2")


# Whether a line is read shows within minutes; what a lie does to the judgement of a batch takes longer.
_row = partial(Row, hours=0.75)

ROWS = (
    _row("stored-without-a-time", "a message without a time is stored at the broker and comes again",
        _also(_stored(lambda shot: 0.0)), counts=("stale_retained",), whole=True, within_k=2.0, keeps=KEPT),
    _row("stored-last-week", "a message of last week is stored at the broker and comes again",
        _also(_stored(lambda shot: shot.at_s - 7 * 86400.0)), counts=("stale_retained",), whole=True, within_k=2.0,
        keeps=KEPT),
    _row("stored-yesterday", "a message of yesterday is stored at the broker and comes again",
        _also(_stored(lambda shot: shot.at_s - 86400.0)), keeps=KEPT),
    _row("two-nodes-one-name", "two nodes with one name behind one broker, the other's probe in the air",
        _also(lambda n, shot: [_twin(shot, shot.c("ambient"))]), FAULT),
    _row("empty-messages", "empty messages, as who deletes a stored one sends", _also(lambda n, shot: [_dropped(b"")]),
        whole=True, within_k=2.0, keeps=KEPT),
    _row("message-too-long", "messages of 100 kB", _also(lambda n, shot: [_dropped(b"x" * 100_000)] if n < 3 else []),
        counts=("too_long",), whole=True, within_k=2.0, keeps=KEPT),
    _row("binary-messages", "another program sends bytes to the same topic",
        _also(lambda n, shot: [random.Random(n).randbytes(80)]), counts=("bad_json",), whole=True, within_k=2.0,
        keeps=KEPT),
    _row("cut-messages", "a node's buffer is too small for every other message",
        _instead(lambda n, shot: [pack_of(shot)[: 60 if n % 2 else None]]), counts=("bad_json",), whole=True,
        within_k=2.0, keeps=0.7),
    _row("sent-twice", "a node does not see its acknowledgements and sends each message twice",
        _instead(lambda n, shot: [pack_of(shot)] * 2), whole=True, within_k=2.0, keeps=KEPT),
    _row("wrong-topic", "a node's topic changes, so nothing comes any more",
        _instead(lambda n, shot: [lambda wire: wire.publish(pack_of(shot), node="a/b", arrives=False)]), SILENT,
        whole=True),
    _row("will-of-the-node", "a node's last will comes as a word, and no more messages",
        _instead(lambda n, shot: [b"offline"] if n == 0 else []), SILENT, counts=("bad_json",), whole=True),
    _row("open-over-mqtt", "the core's wire breaks, behind a broker",
        _instead(lambda n, shot: [pack_of(shot.having(core="open"))]), FAULT, "open", reasons=("open",)),
    _row("clock-of-winter-time", "the node's clock is an hour behind, from the start",
        lambda shots: ((shot.at_s + WAY_S, pack_of(shot, stamp=shot.at_s - HOUR_S)) for shot in shots), whole=True,
        within_k=2.0, keeps=0.9),
)  # fmt: skip
