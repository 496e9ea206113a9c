"""Makes the README's pictures: ``python -m tests.browser.pictures``. Needs Debian's chromium.

The shed page as a phone shows it, in the light, and one bucket with its curves in the dark: the invented evening at the
Quillmarsh allotments that the tests of this folder look at, without the buckets that only show how things can go wrong.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.conftest import FLAGS
from tests.browser.night import SEEN_S, evening

_FOLDER = Path(__file__).parents[2] / "recordings" / "pictures"
_PHONE = {"width": 390, "height": 1240}


def main() -> int:
    """Play the evening, take both."""
    browser = shutil.which("chromium")
    if browser is None:
        print("chromium is missing; on Debian: sudo apt install chromium", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=browser, args=list(FLAGS))
        with evening(Path(folder), SEEN_S, only_the_night=True) as shed:
            address = shed.serve()
            for name, path, scheme, shown in (
                ("shed.png", "/", "light", "article"), ("bucket.png", "/bucket/shed-1", "dark", ".panel.drawing"),
            ):  # fmt: skip
                page = one.new_page(viewport=_PHONE, color_scheme=scheme, device_scale_factor=1)  # type: ignore[arg-type]
                page.goto(f"{address}{path}")
                page.wait_for_timeout(1500)
                top = 0.0
                if path != "/":
                    box = page.locator(shown).first.bounding_box()
                    top = 0.0 if box is None else max(0.0, box["y"] - 12.0)
                page.screenshot(
                    path=_FOLDER / name, full_page=True,
                    clip={"x": 0, "y": top, "width": _PHONE["width"], "height": _PHONE["height"]},
                )  # fmt: skip
                page.close()
                print(f"{_FOLDER.name}/{name}: {(_FOLDER / name).stat().st_size / 1000:.0f} kB")
            shed.stop_serving()
        one.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
