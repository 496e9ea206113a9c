"""How soon an alarm is with the phone's service: ``python -m tests.bench.hand_over [--buckets 200] [--minutes 6]``.

What is run and how it is counted: tests/faults/handing_over.py. ``python -m tests.faults.soak hand_over`` is the same
held to its promise.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.faults.handing_over import ROUTES, handed_over, said


def main() -> None:
    """Run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=200)
    parser.add_argument("--burst", type=int, default=30)
    parser.add_argument("--minutes", type=int, default=6)
    parser.add_argument("--order", default=ROUTES, help="the routes, first to last")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="hand-over-") as folder:
        found = handed_over(
            Path(folder), buckets=args.buckets, burst=args.burst, minutes=args.minutes, routes=args.order,
            seed=args.seed,
        )  # fmt: skip
    print(f"{args.buckets} buckets, {found.alarms} alarms, routes {args.order}; seconds from the tick")
    print(said("a tick's work, alarms committed and told", found.ticks_s))
    for path, seconds in found.by_route_s.items():
        print(said(f"first message of an alarm at {path}", seconds))
    print(said("first message of an alarm anywhere", found.anywhere_s))
    print(f"alarms without any message: {found.untold}")


if __name__ == "__main__":
    main()
