"""What every test can count on: a clean environment, and parts that are really there.

``needs`` says which programs a test uses: without them it is skipped on a developer's machine. With CI=true a skip is a
failure, or a broken installation would look like a green run. A skip meant for good says so: its reason begins with
"by design:".
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# How fast an example runs is the machine's affair: a busy one must not fail a test.
settings.register_profile("ours", deadline=None)
settings.load_profile("ours")

BY_DESIGN = "by design:"
# Debian puts servers where a user's PATH does not look.
_SYSTEM_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/local/sbin", "/usr/sbin", "/sbin"])


def find_program(name: str) -> str | None:
    """The program's path, looked for in the system's folders too."""
    return shutil.which(name, path=_SYSTEM_PATH)


def _require(*programs: str) -> None:
    missing = [name for name in programs if find_program(name) is None]
    if missing:
        pytest.skip(f"not installed here: {', '.join(missing)}")


def _in_ci() -> bool:
    return os.environ.get("CI", "").lower() in ("true", "1")


@pytest.fixture
def needs() -> Callable[[str], str]:
    """``needs("mosquitto")`` gives the program's path, or skips (in CI: fails) the test."""

    def path_of(program: str) -> str:
        _require(program)
        path = find_program(program)
        assert path is not None
        return path

    return path_of


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "needs(*programs): skipped without these programs; with CI=true it fails")
    # The page's tests use Starlette's client with the httpx that we depend on; it asks for its own fork of it.
    config.addinivalue_line("filterwarnings", "ignore:Using `httpx` with `starlette.testclient`")


# Files of minutes: begun first, so that of two workers none is left waiting for one of them at the end.
_LONG = ("test_end_to_end.py", "test_laws.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: "browser" not in item.path.parts and item.path.name not in _LONG)


def pytest_runtest_setup(item: pytest.Item) -> None:
    for mark in item.iter_markers("needs"):
        _require(*mark.args)
    if item.get_closest_marker("broker"):
        _require("mosquitto", "mosquitto_pub")
    if item.get_closest_marker("mirror"):
        _require("victoria-metrics")
    if item.get_closest_marker("browser"):
        _require("chromium")


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    words = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    return str(words).removeprefix("Skipped: ")


def _turn_skip_into_failure(report: pytest.TestReport | pytest.CollectReport) -> None:
    # An expected failure (xfail) is reported as a skip too, and is none.
    if report.outcome == "skipped" and not hasattr(report, "wasxfail") and not _reason(report).startswith(BY_DESIGN):
        words = f'skipped with CI=true, where every part must be there: {_reason(report)}'
        report.outcome = "failed"
        report.longrepr = words


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport() -> Iterator[None]:
    outcome = yield
    if _in_ci():
        _turn_skip_into_failure(outcome.get_result())  # type: ignore[attr-defined]


@pytest.hookimpl(hookwrapper=True)
def pytest_make_collect_report() -> Iterator[None]:
    outcome = yield
    if _in_ci():
        _turn_skip_into_failure(outcome.get_result())  # type: ignore[attr-defined]


@pytest.fixture(scope="session", autouse=True)
def _no_settings_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test reads or writes the settings and the journal of whoever runs it."""
    folder: Path = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        for name in [name for name in os.environ if name.startswith("EMBERPAIL_")]:
            patch.delenv(name)
        patch.setenv("EMBERPAIL_LANGUAGE", "en")
        patch.setenv("XDG_DATA_HOME", str(folder / "data"))
        patch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
        yield
