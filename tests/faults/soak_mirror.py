"""``python -m tests.faults.soak mirror [--hours 72] [--buckets 20] [--every 10]``: the mirror's server gone."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.conftest import find_program
from tests.faults.mirror_outage import Outage
from tests.mirror.servers import RealServer


def soak(arguments: list[str]) -> int:
    """One outage with a real server; returns how many promises were broken."""
    parser = argparse.ArgumentParser(prog="soak mirror")
    parser.add_argument("--hours", type=float, default=72.0)
    parser.add_argument("--buckets", type=int, default=20)
    parser.add_argument("--every", type=float, default=10.0)
    args = parser.parse_args(arguments)
    program = find_program("victoria-metrics")
    if program is None:
        print("victoria-metrics is not installed here")
        return 1
    with tempfile.TemporaryDirectory() as folder:
        server = RealServer(program, Path(folder) / "data")
        server.start()
        outage = Outage(Path(folder), server, hours=args.hours, buckets=args.buckets, every_s=args.every)
        try:
            outage.happen()
            print(outage.figures())
            broken = outage.lost() + ["out of order"] * (outage.out_of_order > 0)
            broken += ["memory grew"] * (outage.grown_bytes > 200_000 or outage.peak_bytes > 6_000_000)
        finally:
            outage.close()
            server.stop()
    for one in broken:
        print(one)
    return len(broken)
