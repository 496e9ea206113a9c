"""What both TOML files have in common for a fuzzer: words of the language, and what one sentence is."""

from __future__ import annotations

WORDS = (
    b"=", b" = ", b"\n", b"[", b"]", b"[[", b"]]", b"{", b"}", b",", b"#", b'"', b"'", b'"""', b"'''", b"true",
    b"false", b"0", b"-1", b"1.5", b"1e400", b"inf", b"-inf", b"nan", b"0x1F", b"0o7", b"0b1", b"1_000", b'""',
    b'"x"', b"[]", b"{}", b"2026-03-14T08:10:00+00:00", b"2026-03-14", b"08:10:00", b"25:61:00", b"2026-13-45",
    b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-12:00", b"2026-03-14T08:10", b"a.b.c", b'"a.b"',
    b"\\u0000", b"\\U0010FFFF", b"\\ud800", b"0x" + b"f" * 4500, b"9" * 400, b"9" * 5000, b"[" * 400, b"{a=" * 200,
    b"a." * 400,
)  # fmt: skip


def one_sentence(sentence: str, path: str) -> None:
    """A sentence for a person: one line that says where, short enough to be read, and never a traceback."""
    assert sentence.startswith(path), sentence
    assert sentence.isprintable(), f"more than a line, or signs nobody can read: {sentence!r}"
    assert len(sentence) < 1200, f"{len(sentence)} characters: {sentence[:300]}"
    assert "Traceback" not in sentence
