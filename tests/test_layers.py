"""The arrows of the architecture, held by reading the imports of every module.

The core is pure: values and time in, values out. The edges (wire, file, phone, page) hang on it and not on each other.
Only the wiring (watch, the commands) sees both. ``EXCEPTIONS`` names what does not comply; it may only shrink.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

_MONITOR = Path(__file__).parents[1] / "monitor"

# The core, from the top down: a part may import what stands after it in its own row, and itself.
_CORE: dict[str, set[str]] = {
    "units": set(),
    "words": {"units"},
    "domain": {"units"},
    "curve": {"words", "units"},
    "trade": {"domain", "words", "units"},
    "sensing": {"domain", "words", "units"},
    "heat": {"trade", "domain", "units"},
    "judgement": {"heat", "trade", "domain", "words", "units"},
    "seasons": {"judgement", "curve", "trade", "domain", "words", "units"},
    "pipeline": {"judgement", "heat", "trade", "sensing", "domain", "words", "units"},
}
# An edge may use the values and rules of the core named here, never another edge.
_EDGES: dict[str, set[str]] = {
    "sources": {"sensing", "trade", "domain", "words", "units", "toml_tables", "broker", "errand"},
    "siren": {"domain", "words", "units", "broker", "errand"},
    "broker": {"words", "errand"},  # a tool of whatever speaks with a broker
    "errand": set(),  # a tool of whatever must not hang
    "journal": {"judgement", "domain", "words", "units"},
    "phone": {"judgement", "domain", "words", "units"},
    "page": {"seasons", "trade", "curve", "domain", "words", "units"},
    "papers": {"trade", "curve", "domain", "words", "units"},  # labels and sheets to print
    "languages": {"words", "units"},
    "settings": {"sensing", "trade", "domain", "words", "units", "toml_tables", "languages", "file_group"},
    "file_group": set(),  # a tool of the settings: who may write a file
    "toml_tables": {"words"},  # a tool without a file of its own: text in, values or sentences out
    "clock": set(),
    "events_file": set(),
    "mirror": {"domain", "words", "units"},
}
# The wiring may import anything below it, and its own kind.
_WIRING = {
    "watch", "minded", "watch_parts", "running", "courses", "deeds", "duty", "own_trouble", "standing", "telling",
    "tellings",
    "left_standing",
    "node_supply",
    "retelling", "reminding", "replay", "exchange", "household", "finding", "demo", "cli", "commands", "__main__",
    "moving", "not_begun", "plan_desk", "log_reading", "stored", "what_if", "page_wiring", "bedside", "drilling",
    "drill_told", "untold", "morning", "what_if_jobs", "supervising", "service", "beating", "resetting",
    "keeping", "housekeeping", "counted",
    "thinning", "settings_edit", "mirroring", "mirror_again", "reanalysis", "comparing", "comparing_page", "notebook",
    "metering", "phone_health", "copying", "taking_over", "replay_learned", "learned", "relearning",
}  # fmt: skip

# "importer -> imported", each with its reason. Take a line out when it is mended; put none in.
EXCEPTIONS: dict[str, str] = {
}

# What would let time, chance or the outside into the core.
_IMPURE = {
    "time", "random", "secrets", "uuid", "socket", "sqlite3", "select", "selectors", "ssl", "subprocess", "threading",
    "queue", "asyncio", "multiprocessing", "concurrent", "os", "io", "shutil", "tempfile", "pathlib", "glob", "http",
    "urllib", "requests", "httpx", "serial", "paho", "apprise", "starlette", "uvicorn", "logging", "signal",
    "zoneinfo", "locale", "getpass", "platform",
}  # fmt: skip
_IMPURE_CALLS = {"open", "input", "print", "exec", "eval"}
_IMPURE_METHODS = {"now", "utcnow", "today", "read_text", "read_bytes", "write_text", "write_bytes", "open"}
# The oils' table is part of the package and is read once, at import.
_MAY_READ_ITS_OWN_TABLE = {"trade/oils.py": {"read_text", "open"}}


def _modules() -> dict[str, ast.Module]:
    return {
        path.relative_to(_MONITOR).as_posix(): ast.parse(path.read_text(encoding="utf-8"), str(path))
        for path in sorted(_MONITOR.rglob("*.py"))
    }


_MODULES = _modules()


def _part(name: str) -> str:
    """The part of the architecture that a file belongs to: its folder, or its own name at the top."""
    return name.split("/", 1)[0].removesuffix(".py")


def _imports(name: str, tree: ast.Module) -> set[str]:
    """Every module imported anywhere in the file, dotted and absolute, functions and type checking included."""
    package = ["monitor", *name.split("/")[:-1]]
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(filter(None, (base, node.module)))
            found.add(module)
            # "from monitor import x" names a part only by x.
            found |= {f"{module}.{alias.name}" for alias in node.names}
    return found


def _parts_imported(name: str) -> set[str]:
    ours = {module.split(".")[1] for module in _imports(name, _MODULES[name]) if module.startswith("monitor.")}
    known = {_part(other) for other in _MODULES}
    return (ours & known) - {_part(name)}


def test_every_module_has_its_place() -> None:
    """A new top-level module or folder is first given its place in the architecture, here."""
    placed = {*_CORE, *_EDGES, *_WIRING, "__init__"}
    assert {_part(name) for name in _MODULES} - placed == set()


@pytest.mark.parametrize("name", sorted(_MODULES))
def test_imports_follow_the_arrows(name: str) -> None:
    """No part imports what stands above or beside it."""
    part = _part(name)
    anything = {*_CORE, *_EDGES, *_WIRING}
    allowed = anything if part in {*_WIRING, "__init__"} else {**_CORE, **_EDGES}[part]
    against = {f"{part} -> {other}" for other in _parts_imported(name) - allowed}
    assert against - set(EXCEPTIONS) == set()


def test_exceptions_are_still_needed() -> None:
    """A named exception that nobody uses any more is taken out of the list."""
    used = {f"{_part(name)} -> {other}" for name in _MODULES for other in _parts_imported(name)}
    assert set(EXCEPTIONS) - used == set()


_CORE_FILES = sorted(name for name in _MODULES if _part(name) in _CORE)


@pytest.mark.parametrize("name", _CORE_FILES)
def test_the_core_has_no_clock_no_chance_and_no_files(name: str) -> None:
    """A core module imports no clock, random, socket or sqlite3, reads no present time and opens no file."""
    tree = _MODULES[name]
    imported = {module.split(".")[0] for module in _imports(name, tree)}
    assert imported & _IMPURE == set()
    excused = _MAY_READ_ITS_OWN_TABLE.get(name, set())
    assert _impure_deeds(tree) - excused == set()


def _impure_deeds(tree: ast.Module) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in _IMPURE_CALLS:
                found.add(node.func.id)
            elif isinstance(node.func, ast.Attribute) and node.func.attr in _IMPURE_METHODS:
                found.add(node.func.attr)
        # numpy's chance comes without an import of its own.
        if isinstance(node, ast.Attribute) and node.attr == "random":
            found.add("random")
    return found


@pytest.mark.parametrize(
    ("code", "deed"),
    [
        ("from datetime import datetime\ndatetime.now()", "now"),
        ("open('x')", "open"),
        ("import numpy as np\nnp.random.normal()", "random"),
        ("from importlib.resources import files\nfiles('x').read_text()", "read_text"),
    ],
)
def test_the_check_sees_what_it_looks_for(code: str, deed: str) -> None:
    """The check itself can fail: each impure deed is seen in a line that commits it."""
    assert deed in _impure_deeds(ast.parse(code))


def test_the_check_sees_imports_wherever_they_stand() -> None:
    """An import inside a function, a relative one and one of a part by name are all seen."""
    tree = ast.parse("def f():\n    import time\nfrom ..page import app\nfrom monitor import watch\n")
    assert {"time", "monitor.page", "monitor.watch"} <= _imports("heat/fit.py", tree)
