"""``emberpail test``: the project's own tests, from a checkout."""

from __future__ import annotations

import argparse
import importlib.util
import subprocess  # nosec B404 # starts our own tests
import sys
from pathlib import Path
from typing import Any

from monitor.commands.common import CommandError, parser_for
from monitor.words import tr


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "test", tr("run the project's own tests"), "./emberpail test -k ring", settings=False,
        description=tr("Run the project's own tests from its checkout; what follows goes to pytest."),
    )  # fmt: skip
    parser.add_argument("pytest", nargs=argparse.REMAINDER, help=tr("passed on to pytest"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Hand over to pytest in the checkout; its exit code is ours."""
    checkout = Path(__file__).resolve().parents[2]
    if not (checkout / "tests").is_dir():
        raise CommandError(tr("The tests are not part of an installed package: run ./emberpail test in a checkout."))
    if importlib.util.find_spec("pytest") is None:
        raise CommandError(tr("pytest is missing here: run ./emberpail test, which installs it."))
    arguments = args.pytest[1:] if args.pytest[:1] == ["--"] else args.pytest
    return subprocess.call([sys.executable, "-m", "pytest", *arguments], cwd=checkout)  # nosec B603 # no shell; ours
