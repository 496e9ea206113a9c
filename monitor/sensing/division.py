"""The buckets of one large site divided among several watches, by patterns of their names. Pure.

Each watch has a journal of its own and minds its own buckets, nothing more; the whole division stands in the one
settings file of all machines, so that a bucket that nobody minds, or that two mind, can be seen from any of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

from monitor.words import several, tr

# Readings of a bucket that no watch of the division minds are counted under this.
NOBODY_MINDS = "nobody_minds"


@dataclass(frozen=True, slots=True)
class Division:
    """Who minds what: ``shares`` holds a watch's name and the patterns of its buckets' names ("shed-1", "n-*").

    ``own`` is the watch that this program is, "" when nobody said. Without shares it minds every bucket.
    """

    shares: tuple[tuple[str, tuple[str, ...]], ...] = ()
    own: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """The watches, in the order of the settings."""
        return tuple(name for name, _ in self.shares)

    @property
    def undecided(self) -> bool:
        """Whether the buckets are divided and nobody said which part is this one's."""
        return bool(self.shares) and not self.own

    def watches_of(self, bucket: str) -> tuple[str, ...]:
        """Every watch that minds the bucket: one, where the division is right."""
        return tuple(
            name for name, patterns in self.shares if any(fnmatchcase(bucket, pattern) for pattern in patterns)
        )

    def minds(self, bucket: str) -> bool:
        """Whether this watch minds the bucket; all of them while nothing is divided, or nobody said which it is."""
        return not self.shares or not self.own or self.own in self.watches_of(bucket)

    def minded_by_nobody(self, bucket: str) -> bool:
        """Whether the buckets are divided and this one fell between the watches."""
        return bool(self.shares) and not self.watches_of(bucket)

    @property
    def patterns(self) -> tuple[str, ...]:
        """The patterns of this watch's own buckets; none while nothing is divided."""
        return dict(self.shares).get(self.own, ())


def faults(division: Division, buckets: Iterable[str]) -> Iterator[str]:
    """A sentence for each named bucket that no watch minds, or that several do."""
    for bucket in buckets if division.shares else ():
        minding = division.watches_of(bucket)
        if not minding:
            yield tr(
                "No watch minds {bucket}: put it, or a pattern that fits it, to one of {watches} under [watch.minds].",
                bucket=bucket,
                watches=several(division.names),
            )
        elif len(minding) > 1:
            yield tr(
                "{bucket} is minded by {watches}: each would ring for it; leave it with one of them under "
                "[watch.minds].",
                bucket=bucket,
                watches=several(minding),
            )


def part_words(division: Division) -> str:
    """Which part is minded here, in a sentence; "" while nothing is divided."""
    if not division.shares or not division.own:
        return ""
    others = [name for name in division.names if name != division.own]
    mine = several(division.patterns)
    if not others:
        return tr("This is the watch {name}; it minds {buckets}.", name=division.own, buckets=mine)
    return tr(
        "This is the watch {name}; it minds {buckets} and nothing else. The rest is for {others}.",
        name=division.own,
        buckets=mine,
        others=several(others),
    )


def nobody_minds_words(source: str) -> str:
    """What a person is told of readings that fall between the watches."""
    return tr(
        "{source} sends readings of buckets that no watch minds: compare their names with [watch.minds] in the "
        "settings.",
        source=source,
    )
