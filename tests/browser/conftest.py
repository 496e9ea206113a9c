"""A browser, and an evening for it to look at: both made once for all tests of this folder."""

from __future__ import annotations

import fcntl
import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from .night import Shed, evening

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from .crawl import Crawl

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker("browser")


# Of the package, not of the session: while Playwright is open its thread has a running event loop, and other tests
# start loops of their own.
@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """Debian's chromium, without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=list(FLAGS))
        yield one
        one.close()


@pytest.fixture(scope="package")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    """The evening as it stood; to look at, not to press on. Played once, however many workers look at it."""
    place = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent  # that of all workers
    with open(place / "evening.lock", "w", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # the first plays, the others wait
        kept = place / "evening"
        if not (kept / "standing.pickle").exists():
            kept.mkdir(exist_ok=True)
            with evening(kept) as shed:
                shed.keep_standing()
    one = Shed.standing_in(kept, tmp_path_factory.mktemp("evening"))
    yield one
    one.close()


@pytest.fixture(scope="package")
def address(played: Shed) -> Iterator[str]:
    """Where the page of the evening is served."""
    yield played.serve()
    played.stop_serving()


@pytest.fixture(scope="package")
def crawl(browser: Browser, address: str, played: Shed) -> Crawl:
    """All pages of the evening."""
    from .crawl import crawled

    return crawled(browser, address, played)


@pytest.fixture
def fresh(played: Shed, tmp_path: Path) -> Iterator[Callable[[], Shed]]:
    """Copies of the evening, to press on."""
    made: list[Shed] = []
    numbers = itertools.count()

    def make() -> Shed:
        made.append(played.copy(tmp_path / f"shed-{next(numbers)}"))
        return made[-1]

    yield make
    for shed in made:
        shed.close()
