"""Whether open pages delay an alarm: ``python -m tests.bench.open_pages [--pages 50] [--speed 120]``.

Plays the first forty minutes of the invented night through the real daemon, with its page, twice: with no page open,
and with so many open pages in another process, each of which hears the stream and asks for the whole page at every
news, as the script does. Prints, in real time, how far apart the judged minutes came, and how long a message lay
between the outbox and its phone.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import itertools
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from monitor.commands import demo
from monitor.journal.database import Journal
from monitor.phone.postman import Postman

_MINUTES = 40
_RECORDINGS = Path(__file__).parents[2] / "recordings"


def main() -> None:
    """Both runs, beside each other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pages", type=int, default=50)
    parser.add_argument("--speed", type=float, default=120.0)
    parser.add_argument("--client", metavar="URL", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.client:
        _open_pages(args.client, args.pages)
        return
    results = [_play(0, args.speed), _play(args.pages, args.speed)]
    print(f"{'':28}{'no page':>14}{f'{args.pages} pages':>14}{'ratio':>8}")
    for name in results[0]:
        none, many = results[0][name], results[1][name]
        ratio = f"{many / none:8.2f}" if none else ""
        print(f"{name:28}{none:14.3f}{many:14.3f}{ratio}")


def _play(pages: int, speed: float) -> dict[str, float]:
    ticks: list[float] = []
    waits: list[float] = []
    put: dict[str, float] = {}
    add, hand_over, on_tick = Journal.add_messages, Postman._send, demo._Grower.on_tick
    clients: list[subprocess.Popen[bytes]] = []

    def adding(self: Journal, messages: object) -> object:
        new = add(self, messages)  # type: ignore[arg-type]
        put.update({one.title: time.monotonic() for one in new})
        return new

    def ticking(self: demo._Grower, watch: object, tick_s: float) -> None:
        ticks.append(time.monotonic())
        if len(ticks) >= _MINUTES:
            self.stop.set()
        on_tick(self, watch, tick_s)

    def sending(self: Postman, url: str, letter: Any, *rest: Any, **more: Any) -> Any:
        if letter.title in put:
            waits.append(time.monotonic() - put.pop(letter.title))
        return hand_over(self, url, letter, *rest, **more)

    class Said(io.StringIO):
        """Starts the clients once the page says where it is."""

        def write(self, text: str) -> int:
            for word in text.split():
                if word.startswith("http://") and pages and not clients:
                    command = [sys.executable, "-m", "tests.bench.open_pages", "--client", word, "--pages", str(pages)]
                    clients.append(subprocess.Popen(command))
            return len(text)

    Journal.add_messages, demo._Grower.on_tick = adding, ticking  # type: ignore[method-assign,assignment]
    Postman._send = sending  # type: ignore[method-assign]
    began = time.process_time()
    try:
        with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(Said()):
            demo._play(_RECORDINGS, Path(folder), speed, True)
    finally:
        Journal.add_messages, demo._Grower.on_tick = add, on_tick  # type: ignore[method-assign]
        Postman._send = hand_over  # type: ignore[method-assign]
        for client in clients:
            client.terminate()
    apart = [later - earlier for earlier, later in itertools.pairwise(ticks)]
    return {
        "ticks": float(len(ticks)),
        "between ticks, median, s": statistics.median(apart),
        "between ticks, longest, s": max(apart),
        "messages": float(len(waits)),
        "outbox to phone, median, s": statistics.median(waits) if waits else float("nan"),
        "outbox to phone, longest, s": max(waits, default=float("nan")),
        "CPU of the watch, s": time.process_time() - began,
    }


def _open_pages(url: str, pages: int) -> None:
    """Pages as a browser keeps them open: one stream each, and the whole page at every event."""
    import httpx

    answered = [0] * pages

    def one(number: int) -> None:
        with httpx.Client(timeout=30.0, headers={"accept-encoding": "gzip"}) as client:
            while True:
                try:
                    client.get(url)
                    with client.stream("GET", f"{url}live") as stream:
                        for line in stream.iter_lines():
                            if line.startswith("event:"):
                                client.get(url)
                                answered[number] += 1
                except httpx.HTTPError:
                    time.sleep(1.0)

    threads = [threading.Thread(target=one, args=(number,), daemon=True) for number in range(pages)]
    for thread in threads:
        thread.start()
    time.sleep(12.0)
    print(f"{pages} pages were told and answered {sum(answered)} times in 12 s", file=sys.stderr)
    threads[0].join()


if __name__ == "__main__":
    main()
