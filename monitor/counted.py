"""What has been counted of each source, in words: damaged lines, pulled plugs, values that are of no use here.

None of it is a trouble by itself, for what it did to a batch has an alarm of its own. It is the first thing to look at
when a bucket is silent though its node sends.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.sensing.division import NOBODY_MINDS, nobody_minds_words
from monitor.sensing.floods import TOO_MANY, too_many_words
from monitor.sensing.senml import FAULTS
from monitor.sensing.strangers import STRANGE_BUCKET, strange_bucket_words
from monitor.words import mark, tr, trn

# A source's own counts of lines that never came whole, beside what the decoder finds in a line.
_DAMAGE = FAULTS | {"cut_line": mark("cut off when the port went away")}
for _kind in (STRANGE_BUCKET, TOO_MANY):  # each has a sentence of its own
    del _DAMAGE[_kind]


def notes(totals: Mapping[tuple[str, str], int]) -> list[str]:
    """Sentences for a person, by source; ``totals`` by (source, kind) as the journal counts them."""
    by_source: dict[str, dict[str, int]] = {}
    for (source, kind), total in totals.items():
        if total:
            by_source.setdefault(source, {})[kind] = total
    return [sentence for source in sorted(by_source) for sentence in _of_source(source, by_source[source])]


def _of_source(source: str, counts: Mapping[str, int]) -> list[str]:
    damaged = {kind: total for kind, total in counts.items() if kind in _DAMAGE}
    said = [] if not damaged else [_damaged(source, damaged)]
    for kind, total in sorted(counts.items()):
        sentence = _other(kind, source, total)
        if sentence:
            said.append(sentence)
    return said


def _damaged(source: str, damaged: Mapping[str, int]) -> str:
    """They never become readings; the commonest kind says where to look."""
    return trn(
        "{source}: {n} damaged line so far, passed over ({what}).",
        "{source}: {n} damaged lines so far, passed over (most of them: {what}).",
        sum(damaged.values()),
        source=source,
        what=tr(_DAMAGE[max(sorted(damaged), key=lambda kind: damaged[kind])]),
    )


def _other(kind: str, source: str, n: int) -> str:
    if kind == "unplugged":
        return trn(
            "{source}: its cable came off {n} time so far.",
            "{source}: its cable came off {n} times so far.",
            n,
            source=source,
        )
    if kind == "disconnected":
        return trn(
            "{source}: the broker went away {n} time so far.",
            "{source}: the broker went away {n} times so far.",
            n,
            source=source,
        )
    if kind == "wrong_speed":
        return trn(
            "{source}: {n} time so far what came looked like the wrong speed: see baud in the settings.",
            "{source}: {n} times so far what came looked like the wrong speed: see baud in the settings.",
            n,
            source=source,
        )
    if kind == "other_unit":
        return trn(
            '{source}: {n} value in another unit passed over so far: have the node send °C as "u":"Cel".',
            '{source}: {n} values in another unit passed over so far: have the node send °C as "u":"Cel".',
            n,
            source=source,
        )
    if kind == "other_name":
        return trn(
            "{source}: {n} temperature passed over so far, for its name is no probe's: names end in core, wall, top, "
            "bottom or ambient.",
            "{source}: {n} temperatures passed over so far, for their names are no probe's: names end in core, wall, "
            "top, bottom or ambient.",
            n,
            source=source,
        )
    if kind == "other_bucket":
        return trn(
            "{source}: {n} reading so far of a bucket that the settings do not name: compare the names.",
            "{source}: {n} readings so far of a bucket that the settings do not name: compare the names.",
            n,
            source=source,
        )
    if kind == NOBODY_MINDS:
        return nobody_minds_words(source)
    if kind == TOO_MANY:
        return too_many_words(source)
    return strange_bucket_words(source) if kind == STRANGE_BUCKET else ""
