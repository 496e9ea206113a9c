"""What we depend on: every package has its reason, its version and its hashes, and nothing is installed beside them."""

from __future__ import annotations

import ast
import importlib.util
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

_TOP = Path(__file__).parents[1]
_PROJECT = tomllib.loads((_TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
_PINS = (_TOP / ".ci" / "constraints.txt").read_text(encoding="utf-8")
_REASONS = (_TOP / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## What we depend on")[2]


def asked_for() -> dict[str, Requirement]:
    """Everything in pyproject.toml, extras too, by its name."""
    lists = [_PROJECT["dependencies"], *_PROJECT["optional-dependencies"].values()]
    found = [Requirement(text) for one in lists for text in one]
    return {canonicalize_name(one.name): one for one in found}


def pinned() -> dict[str, tuple[str, list[str]]]:
    """Name -> version and hashes."""
    marker = r"(?: ; platform_machine == \"\w+\")?"
    pin = rf"^([A-Za-z0-9._-]+)==([^\s;]+){marker}((?: \\\n    --hash=sha256:[0-9a-f]{{64}})*)$"
    found = re.findall(pin, _PINS, re.MULTILINE)
    return {
        canonicalize_name(name): (version, re.findall(r"[0-9a-f]{64}", hashes)) for name, version, hashes in found
    }


def imported() -> dict[str, set[str]]:
    """What is imported under monitor/ from outside Python itself -> in which files."""
    found: dict[str, set[str]] = {}
    for path in sorted((_TOP / "monitor").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and not node.level and node.module:
                names = [node.module]
            for name in {one.partition(".")[0] for one in names} - {"monitor"} - sys.stdlib_module_names:
                found.setdefault(name, set()).add(str(path.relative_to(_TOP)))
    return found


def brings(requirement: Requirement) -> set[str]:
    """The package that is asked for, and those of its extras: "dask[distributed]" is two."""
    found = {canonicalize_name(requirement.name)}
    for one in map(Requirement, metadata.requires(requirement.name) or [] if requirement.extras else []):
        if any(one.marker is not None and one.marker.evaluate({"extra": extra}) for extra in requirement.extras):
            found.add(canonicalize_name(one.name))
    return found


def with_reason() -> set[str]:
    """The names in the table of reasons."""
    rows = re.findall(r"^\| (?!package|-)([^|]+) \| ([^|]+) \|$", _REASONS, re.MULTILINE)
    assert all(len(reason.split()) >= 1 for _, reason in rows)
    names = [re.sub(r"\(.*?\)", "", part).strip() for cell, _ in rows for part in cell.split(",")]
    return {canonicalize_name(name) for name in names}


def test_every_package_has_its_reason_and_every_reason_its_package() -> None:
    """In the table of DEVELOPERS.md, section "What we depend on"."""
    assert with_reason() == set(asked_for())


def test_whatever_is_imported_is_asked_for() -> None:
    """By us: what another package brings along today it may leave away tomorrow, and nobody would have pinned it.

    In the list for everybody, or in an extra that is not the tests'.
    """
    lists = [texts for name, texts in _PROJECT["optional-dependencies"].items() if name != "test"]
    wanted = [Requirement(text) for texts in [_PROJECT["dependencies"], *lists] for text in texts]
    try:
        asked = {package for one in wanted for package in brings(one)}
    except metadata.PackageNotFoundError as error:
        pytest.skip(f"{error} is not installed here; in CI all are")
    packages, found = metadata.packages_distributions(), imported()
    assert "numpy" in found and "h11" in found
    for name, where in found.items():
        of = {canonicalize_name(package) for package in packages.get(name, [])}
        assert of & asked, f"{name} ({', '.join(sorted(where))}): add it to pyproject.toml, and its reason"


def test_every_package_is_pinned_to_a_version_that_we_ask_for() -> None:
    """What CI tries is what pyproject.toml allows."""
    pins = pinned()
    for name, requirement in asked_for().items():
        assert name in pins, f"{name}: add it with .ci/pin.py"
        assert requirement.specifier.contains(Version(pins[name][0]), prereleases=True), name


def test_every_pin_has_its_hashes_and_nothing_else_stands_there() -> None:
    """Names, versions and hashes: no address of any index, no way round the hashes."""
    pins = pinned()
    lines = [line for line in _PINS.splitlines() if not line.startswith("#")]
    assert len(lines) == sum(1 + len(hashes) for _, hashes in pins.values())
    assert all(hashes for _, hashes in pins.values()), "run .ci/pin.py"
    assert "://" not in _PINS and "--index" not in _PINS and "@" not in _PINS


def test_the_file_is_as_its_writer_leaves_it() -> None:
    """So that the next package changes its own lines only; one for a single machine keeps its mark."""
    spec = importlib.util.spec_from_file_location("pin", _TOP / ".ci" / "pin.py")
    assert spec is not None and spec.loader is not None
    pin = importlib.util.module_from_spec(spec)
    sys.modules["pin"] = pin
    spec.loader.exec_module(pin)
    assert pin.written(pin.read_pins(_PINS)) == _PINS
    assert any(one.machine for one in pin.read_pins(_PINS).values())


def test_no_pin_is_left_over() -> None:
    """Each is asked for by us, or by another that is; setuptools builds us."""
    needed: set[str] = set()
    ahead = [(name, one.extras) for name, one in asked_for().items()]
    while ahead:
        name, extras = ahead.pop()
        needed.add(name)
        try:
            requires = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            pytest.skip(f"{name} is not installed here; in CI all are")
        for one in map(Requirement, requires):
            wanted = any(one.marker is None or one.marker.evaluate({"extra": extra}) for extra in ("", *extras))
            if wanted and canonicalize_name(one.name) not in needed:
                ahead.append((canonicalize_name(one.name), one.extras))
    assert set(pinned()) == needed | {"setuptools"}
