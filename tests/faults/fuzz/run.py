"""Fuzz one target: ``python -m tests.faults.fuzz.run TARGET [--seconds S] [--runs N] [--seed K]``.

Guided by coverage where atheris is installed, else by mutation alone. An input that breaks a promise is printed and
kept in the folder ``--found``; the exit code is then not 0. Ends with "N runs in S s".
"""

from __future__ import annotations

import argparse
import faulthandler
import hashlib
import importlib.util
import logging
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.faults.fuzz.mutate import mutated
from tests.faults.fuzz.target import CORPUS, NAMES, Target, kept, target

# Of processor time, so that a busy machine is not blamed: hundreds of times what the slowest sensible input takes.
LONGEST_S = 2.0
# Watching every branch of whole pages costs more than it finds: a dozen runs for each that is made without.
NEVER_GUIDED = ("http",)
# Of wall time, against an input that never ends or waits for what never comes.
_HANGS_S = 120


class TooSlow(AssertionError):
    """An input took longer than LONGEST_S."""


def can_be_guided() -> bool:
    """Whether atheris is installed."""
    return importlib.util.find_spec("atheris") is not None


def timed(one: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """``one``, which must also be done within LONGEST_S of processor time."""

    def run(data: bytes) -> None:
        began_s = time.process_time()
        one(data)
        took_s = time.process_time() - began_s
        if took_s > LONGEST_S:
            raise TooSlow(f"{took_s:.1f} s of processor time for {len(data)} bytes")

    return run


def starts(on: Target) -> list[bytes]:
    """What mutation begins with: sensible inputs, and all that was found before."""
    return [*on.seeds(), *(path.read_bytes() for path in kept(on.name))]


def mutation(on: Target) -> Callable[[bytes, random.Random], bytes]:
    """The target's own way of changing an input."""

    def change(data: bytes, rng: random.Random) -> bytes:
        changed = mutated(data, rng, on.words, on.longest)
        return changed if on.mend is None or rng.random() < 0.4 else on.mend(changed, rng)[: on.longest]

    return change


def plainly(on: Target, *, runs: int, seconds: float, seed: int, found: Path) -> int:
    """Mutate and run, without guidance. How many runs there were; raises what the target raised."""
    rng, change, one, pool = random.Random(seed), mutation(on), timed(on.one), starts(on)
    began_s, done = time.monotonic(), 0
    before = signal.signal(signal.SIGALRM, _hangs)
    try:
        while (not runs or done < runs) and (not seconds or time.monotonic() - began_s < seconds):
            if done % 200 == 0:
                signal.alarm(_HANGS_S)
                faulthandler.dump_traceback_later(2 * _HANGS_S, exit=True)  # where not even a signal gets through
            data = rng.choice(pool)
            for _ in range(rng.choice((1, 1, 2, 5))):
                data = change(data, rng)
            try:
                one(data)
            except Exception:
                keep(found, data)
                raise
            done += 1
    finally:  # or it goes off minutes later, in whatever else the process does by then
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        faulthandler.cancel_dump_traceback_later()
    return done


def _hangs(*_: object) -> None:
    raise TooSlow(f"an input did not end within {_HANGS_S} s")


def keep(folder: Path, data: bytes) -> Path:
    """Keep an input that broke something, under a name made from it."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"found-{hashlib.sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    return path


def guided(
    name: str, *, runs: int, seconds: float, seed: int, found: Path, corpus: Path | None, longest: int, merge: bool
) -> None:
    """Let atheris look for new paths through the program. Ends the process.

    With ``merge`` nothing new is made: the fewest inputs out of the folder ``corpus`` that still take every path go
    into the target's own.
    """
    import atheris

    with atheris.instrument_imports(include=["monitor", "tomllib"]):
        on = target(name)
        on.one(on.seeds()[0])  # what the program imports only when it is needed is instrumented, too
    change, one = mutation(on), timed(on.one)

    def mutator(data: bytes, longest: int, number: int) -> bytes:
        rng = random.Random(number)
        if rng.random() < 0.3:
            return bytes(atheris.Mutate(data, longest))
        return change(bytes(data), rng)[:longest]

    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="emberpail-fuzz-") as folder:
        given = Path(folder) / "given"
        given.mkdir()
        for number, data in enumerate(starts(on)):
            (given / f"{number:04}").write_bytes(data)
        words = Path(folder) / "words"
        words.write_text("".join(f'"{_escaped(word)}"\n' for word in on.words if word), encoding="ascii")
        fresh = corpus or Path(folder) / "fresh"
        fresh.mkdir(parents=True, exist_ok=True)
        arguments = [
            sys.argv[0], f"-seed={seed}", f"-max_len={longest or on.longest}", f"-timeout={_HANGS_S}",
            "-rss_limit_mb=1500", f"-dict={words}", f"-artifact_prefix={found}/", "-print_final_stats=1",
        ]  # fmt: skip
        arguments += [f"-runs={runs}"] if runs else []
        arguments += [f"-max_total_time={max(1, round(seconds))}"] if seconds else []
        if merge:
            own = CORPUS / name
            own.mkdir(parents=True, exist_ok=True)
            atheris.Setup([sys.argv[0], "-merge=1", f"-max_len={on.longest}", str(own), str(fresh)], one)
        else:
            atheris.Setup([*arguments, str(fresh), str(given)], one, custom_mutator=mutator)
        atheris.Fuzz()


def _escaped(word: bytes) -> str:
    return "".join(chr(byte) if chr(byte).isalnum() and byte < 128 else f"\\x{byte:02x}" for byte in word)


def main(arguments: list[str]) -> int:
    """0 where every promise held."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.fuzz.run")
    parser.add_argument("target", choices=NAMES)
    parser.add_argument("--seconds", type=float, default=0.0)
    parser.add_argument("--runs", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=Path("fuzz-found"))
    parser.add_argument("--corpus", type=Path, help="where a guided run keeps what took new paths")
    parser.add_argument("--longest", type=int, default=0, help="bytes of an input at most")
    parser.add_argument("--merge", action="store_true", help="take from --corpus what is worth it")
    parser.add_argument("--plain", action="store_true", help="without atheris, though it is there")
    given = parser.parse_args(arguments)
    logging.disable(logging.CRITICAL)  # what the page writes of each request would bury what is found
    if not given.runs and not given.seconds:
        given.seconds = 30.0
    how = "plain" if given.plain or given.target in NEVER_GUIDED or not can_be_guided() else "guided"
    print(f"fuzz {given.target}: {how}, seed {given.seed}", flush=True)
    if how == "guided":
        guided(
            given.target, runs=given.runs, seconds=given.seconds, seed=given.seed, found=given.found.absolute(),
            corpus=given.corpus, longest=given.longest, merge=given.merge,
        )  # fmt: skip
    began_s = time.monotonic()
    runs = plainly(target(given.target), runs=given.runs, seconds=given.seconds, seed=given.seed, found=given.found)
    print(f"Done {runs} runs in {time.monotonic() - began_s:.0f} second(s)", flush=True)
    return 0


if __name__ == "__main__":
    os.environ.setdefault("EMBERPAIL_LANGUAGE", "en")
    raise SystemExit(main(sys.argv[1:]))
