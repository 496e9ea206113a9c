"""What a fuzz target is: one function that takes bytes and raises where a promise is broken."""

from __future__ import annotations

import importlib
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

NAMES = ("serial", "mqtt", "settings", "batch_file", "recording", "http")
CORPUS = Path(__file__).parent.parent / "corpus"


@dataclass(frozen=True)
class Target:
    """One reader of outside bytes.

    ``one`` raises where anything but the reader's own refusal comes out. ``seeds`` are whole, sensible inputs made
    from what the repository holds already, so that the corpus keeps only what was found. ``words`` are what mutation
    puts in; ``mend``, where there is one, makes a mutated input fit again where chance never would (a check sum).
    """

    name: str
    one: Callable[[bytes], None]
    seeds: Callable[[], Sequence[bytes]]
    words: tuple[bytes, ...]
    longest: int = 4096
    mend: Callable[[bytes, random.Random], bytes] | None = None


def target(name: str) -> Target:
    """The target of that name; its module is imported only now, because a guided run instruments it on import."""
    module = importlib.import_module(f"tests.faults.fuzz.on_{name}")
    found: Target = module.TARGET
    return found


def kept(name: str) -> list[Path]:
    """The corpus kept for a target."""
    return sorted(path for path in (CORPUS / name).glob("*") if path.is_file())
