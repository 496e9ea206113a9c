"""Mutations that keep something of the shape: words, numbers, quoted texts and lines instead of single bits.

Flipped bits break JSON or TOML at once and stop there; these get past the outer reader. Everything comes from the
``random.Random`` handed in, so a seed gives the same inputs again.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

_TOKEN = re.compile(rb'"(?:[^"\\\n]|\\.)*"|-?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?|[A-Za-z_-]+|[ \t]+|.', re.DOTALL)
_NUMBER = re.compile(rb"-?[0-9]")
# Around this many bytes are cut into tokens: enough for a record, cheap on a long input.
_WINDOW = 240

# What readers of numbers, texts and encodings commonly trip over; common practice among fuzzers.
_NUMBERS = (
    b"0", b"-0", b"1", b"-1", b"85.0", b"-127", b"1e308", b"-1.7e308", b"1e-320", b"1e999", b"268435456",
    b"268435455", b"2147483648", b"4294967296", b"1773480000", b"7.3e9", b"253402300800", b"9" * 25, b"9" * 320,
    b"0.1", b"NaN", b"nan", b"inf", b"Infinity", b"null", b"true", b"0x" + b"f" * 40,
)  # fmt: skip
_BYTES = (
    b"", b"\0", b"\n", b"\r\n", b"\t", b" ", b'"', b"'", b"\\", b"\xff", b"\xc3\xa9", b"\xed\xa0\x80",
    b"\xf0\x9f\xa7\xbc", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"\x1b[2J", b"[", b"]", b"{", b"}", b"%", b"${", b"../",
    b"A" * 300, b"[" * 1200,
)  # fmt: skip


def mutated(data: bytes, rng: random.Random, words: Sequence[bytes], longest: int) -> bytes:
    """One to four small changes; never longer than ``longest``."""
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        data = rng.choice(_WAYS)(data, rng, words)
    return data[:longest]


def _tokens(data: bytes, rng: random.Random, words: Sequence[bytes]) -> bytes:
    """Change tokens within a window: put another in, leave one out, double or swap."""
    start = rng.randrange(len(data) + 1) - _WINDOW // 2
    start = max(0, start)
    window = data[start : start + _WINDOW]
    tokens = _TOKEN.findall(window)
    if not tokens:
        return rng.choice(words)
    at = rng.randrange(len(tokens))
    what = rng.randrange(6)
    if what == 0:
        tokens[at] = b""
    elif what == 1:
        tokens[at] *= 2
    elif what == 2:
        other = rng.randrange(len(tokens))
        tokens[at], tokens[other] = tokens[other], tokens[at]
    elif what == 3:
        tokens.insert(at, rng.choice(words))
    elif _NUMBER.match(tokens[at]) and rng.random() < 0.7:
        tokens[at] = rng.choice(_NUMBERS)
    else:
        tokens[at] = rng.choice(words)
    return data[:start] + b"".join(tokens) + data[start + _WINDOW :]


def _numbers(data: bytes, rng: random.Random, _words: Sequence[bytes]) -> bytes:
    """Another number in a number's place."""
    found = list(re.finditer(rb"-?[0-9]+(?:\.[0-9]+)?", data[:2000]))
    if not found:
        return data
    match = rng.choice(found)
    return data[: match.start()] + rng.choice(_NUMBERS) + data[match.end() :]


def _lines(data: bytes, rng: random.Random, _words: Sequence[bytes]) -> bytes:
    """Double, leave out, swap or join whole lines."""
    lines = data.split(b"\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(4)
    if what == 0:
        lines.insert(at, lines[other])
    elif what == 1:
        del lines[at]
    elif what == 2:
        lines[at], lines[other] = lines[other], lines[at]
    else:
        lines[at : at + 2] = [b"".join(lines[at : at + 2])]
    return b"\n".join(lines)


def _bytes(data: bytes, rng: random.Random, words: Sequence[bytes]) -> bytes:
    """Put some bytes in another's place, as a damaged wire or a hostile hand would."""
    at = rng.randrange(len(data) + 1)
    cut = rng.choice((0, 0, 1, 1, 2, 8, 64))
    put = rng.choice(_BYTES) if rng.random() < 0.5 else rng.choice(words)
    return data[:at] + put + data[at + cut :]


def _bit(data: bytes, rng: random.Random, _words: Sequence[bytes]) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def _repeated(data: bytes, rng: random.Random, _words: Sequence[bytes]) -> bytes:
    """A stretch many times over: what is quadratic shows here."""
    at = rng.randrange(len(data) + 1)
    piece = data[at : at + rng.choice((1, 2, 8, 40))]
    return data[:at] + piece * rng.choice((2, 8, 64)) + data[at:]


_WAYS: tuple[Callable[[bytes, random.Random, Sequence[bytes]], bytes], ...] = (
    _tokens, _tokens, _tokens, _tokens, _numbers, _lines, _bytes, _bytes, _bit, _repeated,
)  # fmt: skip
