"""Who counts as one visitor, and how many connections each may hold. Pure.

A connection takes a file handle, and the journal, the phones and the wires of the same process need theirs: whoever
opens connections without end must not leave them without.
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from typing import Generic, TypeVar

# Of the 1024 handles that a process usually has. A browser opens up to six, and a page that is open holds one.
MOST_CONNECTIONS = 300
MOST_FROM_ONE = 120

_Connection = TypeVar("_Connection")


def network_of(client: str) -> str:
    """What counts as one visitor: an IPv4 address, or the /64 that one household has of IPv6."""
    try:
        address = ipaddress.ip_address(client.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


class Crowd(Generic[_Connection]):
    """The connections that are open, in the order in which they came."""

    def __init__(self, most: int = MOST_CONNECTIONS, most_from_one: int = MOST_FROM_ONE) -> None:
        self._most, self._most_from_one = most, most_from_one
        self._open: dict[_Connection, str] = {}
        self._by_network: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._open)

    def enter(self, one: _Connection, client: str) -> _Connection | None:
        """Count a new connection. The one that has to go for it: itself, where its visitor has too many or everybody
        else has fewer; where all are taken the youngest of the visitor who has most; None where there is room.
        """
        network = network_of(client)
        if self._by_network[network] >= self._most_from_one:
            return one
        out = None
        if len(self._open) >= self._most:
            greediest, count = self._by_network.most_common(1)[0]
            if count <= self._by_network[network] + 1:
                return one
            out = next(other for other in reversed(self._open) if self._open[other] == greediest)
            self.leave(out)
        self._open[one] = network
        self._by_network[network] += 1
        return out

    def leave(self, one: _Connection) -> None:
        """It is closed; twice does no harm."""
        network = self._open.pop(one, None)
        if network is not None:
            self._by_network[network] -= 1
            if not self._by_network[network]:
                del self._by_network[network]
