"""How soon the page shows its first curve: ``python -m tests.bench.page_speed [--tries 5]``.

Twenty buckets with three days at ten seconds and five probes each, a server that has read nothing yet, a browser with
an empty cache, 360 px wide. Prints milliseconds until the first curve was painted and until it could be zoomed into,
median and (best), and the bytes over the wire. The goal is 1500 ms and 100 kB before the chart library, on a computer
such as the one it was written on, with nothing else to do.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from monitor.journal.database import Journal
from tests.browser.conftest import FLAGS
from tests.browser.test_first_curve import PAGES, fill, look_once


def main() -> None:
    """Fill, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tries", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = Path(folder) / "journal.sqlite"
        with Journal(path) as journal:
            fill(journal)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=list(FLAGS))
        print(f"{'page':26}{'first curve, ms':>18}{'zoomed into, ms':>18}{'kB':>8}")
        for address, _ in PAGES:
            _print(browser, path, address, args.tries)
        browser.close()


def _print(browser: Browser, path: Path, address: str, tries: int) -> None:
    seen = [look_once(browser, path, address) for _ in range(tries)]
    painted = [one["painted"] for one in seen]
    zoomed = [one["zoomed"] for one in seen if "zoomed" in one]
    first = f"{statistics.median(painted):.0f} ({min(painted):.0f})"
    then = f"{statistics.median(zoomed):.0f} ({min(zoomed):.0f})" if zoomed else "-"
    print(f"{address:26}{first:>18}{then:>18}{max(one['light'] for one in seen) / 1000:8.1f}")


if __name__ == "__main__":
    main()
