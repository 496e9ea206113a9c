"""The table of lying sensors as it stands in README.md: ``python -m tests.faults.sensor_table`` prints it anew."""

from __future__ import annotations

from tests.faults import lying_brokers, lying_probes, lying_wires
from tests.faults.sensor_rows import Row

HEAD = ("| fault | on | must end in | and shows | test |", "|---|---|---|---|---|")
PARTS = (("probe", lying_probes.ROWS), ("serial wire", lying_wires.ROWS), ("broker", lying_brokers.ROWS))


def table() -> list[str]:
    """The lines of the table, its head among them."""
    return [*HEAD, *(_line(where, row) for where, rows in PARTS for row in rows)]


def _line(where: str, row: Row) -> str:
    ends_in = ", ".join(f"`{kind}`" for kind in row.ends_in) or "no alarm"
    return f"| {row.fault} | {where} | {ends_in} | {row.shows} | `{row.name}` |"


if __name__ == "__main__":
    print("\n".join(table()))
