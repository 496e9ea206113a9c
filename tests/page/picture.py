"""Makes the README's picture from the demo: ``python -m tests.page.picture [OUT.png]``. Needs Debian's chromium.

It plays the demo, waits until its clock shows half past seven in the evening, and takes the page as a browser shows it.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

_TOP = Path(__file__).parents[2]
# Invented: 17 January 2026, 19:30 UTC.
_AT_S = 1768678200.0


def main() -> int:
    """Play, wait, take the picture."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else _TOP / "recordings" / "pictures" / "page.png"
    browser = shutil.which("chromium")
    if browser is None:
        print("chromium is missing; on Debian: sudo apt install chromium", file=sys.stderr)
        return 2
    demo = subprocess.Popen(
        [sys.executable, "-m", "monitor", "demo", "--speed", "300"], cwd=_TOP, stdout=subprocess.PIPE, text=True
    )
    assert demo.stdout is not None
    try:
        url = next(found.group(0) for line in demo.stdout if (found := re.search(r"http://\S+", line)))
        while json.load(urllib.request.urlopen(f"{url}status.json"))["at_s"] < _AT_S:
            time.sleep(0.2)
        with tempfile.TemporaryDirectory() as profile:
            flags = (
                "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
            )  # fmt: skip
            subprocess.run(
                [browser, *flags, f"--user-data-dir={profile}", "--window-size=900,1250", f"--screenshot={out}", url],
                check=True, capture_output=True, timeout=60,
            )  # fmt: skip
    finally:
        demo.terminate()
        demo.wait(timeout=20)
    print(out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
