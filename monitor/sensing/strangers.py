"""Which buckets' readings are kept: those somebody named, and a bounded number of others. Pure.

A bucket that nobody named is minded all the same, so that a node can send before anybody has entered anything. A node
gone wild, or somebody with access to the broker, can invent names without end, and each would take room in memory, in
the journal and in the figures for ever.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.sensing.division import Division
from monitor.words import tr

# Under this name they are counted (``senml.FAULTS``).
STRANGE_BUCKET = "strange_bucket"
# More buckets than a yard has, that all send before anybody named one of them.
MOST_STRANGERS = 64
# As long as the settings allow.
MOST_NAME = 64


def strange_bucket_words(source: str) -> str:
    """What a person is told about it."""
    return tr(
        "{source} sends readings of more than {most} buckets that nobody named; the rest is not kept. See which node "
        "invents names, and name the buckets you have in emberpail.toml.",
        source=source,
        most=MOST_STRANGERS,
    )


class KnownBuckets:
    """The buckets that are taken. Those met first stay, also those that an earlier watch met (``met_before``); ``know``
    adds one whatever others there are.

    Of a site that is divided among watches only those of this watch's part can be met at all.
    """

    def __init__(
        self, named: Iterable[str] = (), most_strangers: int = MOST_STRANGERS, division: Division | None = None
    ) -> None:
        self._named = set(named)
        self._division = division or Division()
        self.others = self.nobodys = 0  # readings of the last pack that another watch minds, or none
        self._strangers: set[str] = set()
        self._most = most_strangers

    def know(self, bucket: str) -> None:
        """Somebody named it: in the settings, or as the bucket of a batch."""
        self._named.add(bucket)
        self._strangers.discard(bucket)

    def met_before(self, buckets: Iterable[str]) -> None:
        """The journal holds something of these: whatever nobody named counts among the others, or each restart would
        make room for as many again. All of them go on being taken, even where they are more.
        """
        self._strangers.update(
            bucket for bucket in buckets if bucket not in self._named and self._division.minds(bucket)
        )

    def is_strange(self, bucket: str) -> bool:
        """Whether it is one of the others, that nobody named."""
        return bucket not in self._named

    def takes(self, bucket: str) -> bool:
        """Whether readings of this bucket are kept; a new one counts from now on, as long as there is room."""
        if bucket in self._named or bucket in self._strangers:
            return True
        if not self._division.minds(bucket):
            self.others += 1
            self.nobodys += self._division.minded_by_nobody(bucket)
            return False
        if len(self._strangers) >= self._most or len(bucket) > MOST_NAME:
            return False
        self._strangers.add(bucket)
        return True
