"""With CI=true a skipped test fails, so that a part missing on CI's machine cannot look green."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_CONFTEST = Path(__file__).with_name("conftest.py")

_TESTS = """
import pytest

def test_missing_part():
    pytest.skip("no broker here")

@pytest.mark.needs("a-program-that-nobody-has")
def test_missing_program():
    raise AssertionError("must not run")

def test_meant_for_good():
    pytest.skip("by design: only on other systems")

@pytest.mark.xfail(reason="a known limit", strict=True)
def test_known_limit():
    assert False

def test_plain():
    pass
"""


def _outcome(folder: Path, ci: str) -> tuple[int, str]:
    environ = {name: value for name, value in os.environ.items() if name != "CI"}
    if ci:
        environ["CI"] = ci
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)],
        cwd=folder, env=environ, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(_CONFTEST, tmp_path)
    return tmp_path


def test_a_skip_for_a_missing_part_fails_in_ci(folder: Path) -> None:
    """In CI the two skips for missing parts fail; the one by design and the expected failure do not."""
    (folder / "test_them.py").write_text(_TESTS)
    code, words = _outcome(folder, "true")
    assert code == 1
    assert "1 failed, 1 passed, 1 skipped, 1 xfailed, 1 error" in words
    assert "no broker here" in words
    assert "not installed here: a-program-that-nobody-has" in words


def test_a_skip_is_only_a_skip_elsewhere(folder: Path) -> None:
    """On a developer's machine a missing part skips the test and fails nothing."""
    (folder / "test_them.py").write_text(_TESTS)
    code, words = _outcome(folder, "")
    assert code == 0
    assert "1 passed, 3 skipped, 1 xfailed" in words


def test_a_module_skipped_while_it_is_read_fails_in_ci(folder: Path) -> None:
    """A module that importorskip drops whole fails in CI too."""
    (folder / "test_module.py").write_text("import pytest\npytest.importorskip('no_such_module_anywhere')\n")
    code, words = _outcome(folder, "true")
    assert code != 0
    assert "no_such_module_anywhere" in words
    assert _outcome(folder, "")[0] == 5  # pytest's "no tests ran"
