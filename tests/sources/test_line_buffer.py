"""Bytes in any pieces -> whole lines."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.line_buffer import LineBuffer


@given(st.lists(st.binary(max_size=40)), st.lists(st.integers(1, 30), min_size=1))
def test_lines_come_out_the_same_however_the_bytes_are_cut(lines: list[bytes], cuts: list[int]) -> None:
    """Where the reads end makes no difference."""
    lines = [line.replace(b"\n", b"") for line in lines]
    stream = b"".join(line + b"\n" for line in lines)
    buffer, got, start, turn = LineBuffer(), [], 0, 0
    while start < len(stream):
        size = cuts[turn % len(cuts)]
        got += buffer.feed(stream[start : start + size])
        start, turn = start + size, turn + 1
    assert got == lines
    assert not buffer.cut()


def test_an_unfinished_line_is_never_given() -> None:
    """A partial line waits for its end, and cut() says that there was one."""
    buffer = LineBuffer()
    assert buffer.feed(b"whole\nhal") == [b"whole"]
    assert buffer.cut() is True
    assert buffer.feed(b"next\n") == [b"next"]


def test_a_line_that_is_too_long_is_dropped_once_and_the_next_is_read() -> None:
    """A megabyte without a line feed costs no more memory than one line, and is counted once."""
    buffer = LineBuffer()
    for _ in range(256):
        assert buffer.feed(b"x" * 4096) == []
        assert len(buffer._pending) <= buffer.max_bytes
    assert buffer.feed(b"tail\ngood\n") == [b"good"]
    assert buffer.too_long == 1


def test_a_line_of_exactly_the_longest_length_passes() -> None:
    """The limit itself is allowed; one byte more is not."""
    buffer = LineBuffer(max_bytes=10)
    assert buffer.feed(b"0123456789\n0123456789a\nb\n") == [b"0123456789", b"b"]
    assert buffer.too_long == 1


def test_nul_and_carriage_return_are_kept_as_they_came() -> None:
    """What came is kept exactly; judging it is the decoder's."""
    assert LineBuffer().feed(b"a\x00b\r\n\xff\n") == [b"a\x00b\r", b"\xff"]
