"""A wrong baud rate is recognised, named, and the right one found."""

from __future__ import annotations

import random
from collections.abc import Callable

import serial

from monitor.sources.serial_port import PortInfo, SerialSource
from monitor.sources.serial_speed import USUAL_SPEEDS, SpeedWatch, readable
from tests.sources.conftest import Node, Running, wait_until

PACK = b'[{"bn":"shed-2/","n":"core","u":"Cel","v":56.25},{"n":"ambient","u":"Cel","v":8.5}]'


def seen_at(line: bytes, sent_baud: int, read_baud: int) -> bytes:
    """What a UART set to ``read_baud`` makes of bytes sent 8N1 at ``sent_baud``: the wire sampled in mid-bit."""
    bits = [1] * 20
    for byte in line:
        bits += [0, *((byte >> k) & 1 for k in range(8)), 1]
    bits += [1] * 40

    def level(time_bits: float) -> int:  # time in bits of the reader
        index = int(time_bits * sent_baud / read_baud)
        return bits[index] if index < len(bits) else 1

    out, t, end = bytearray(), 0.0, len(bits) * read_baud / sent_baud
    while t < end:
        if level(t) == 0:
            out.append(sum(level(t + 1.5 + k) << k for k in range(8)))
            t += 9.5
            while t < end and level(t) == 0:
                t += 0.25  # a framing error: wait for the line to rest
        else:
            t += 0.25
    return bytes(out)


def test_the_model_of_a_uart_reads_its_own_speed() -> None:
    """The test's own model is sound: at equal speeds, the bytes come back."""
    assert seen_at(PACK + b"\n", 9600, 9600) == PACK + b"\n"


def play(watch: SpeedWatch, node_baud: int, seconds: int, every_s: int = 10, start_s: int = 0) -> list[int]:
    """A node that sends a pack every ``every_s``, read once a second; gives the speeds gone through."""
    speeds = []
    for second in range(start_s, start_s + seconds):
        data = b""
        if second % every_s == 0:
            data = (PACK + b"\n") if watch.speed == node_baud else seen_at(PACK + b"\n", node_baud, watch.speed)
        new_speed = watch.see(data, data.split(b"\n")[:-1], float(second))
        if new_speed is not None:
            assert new_speed == watch.speed
            speeds.append(new_speed)
    return speeds


def test_every_usual_speed_is_found_from_every_other_within_three_minutes() -> None:
    """Whatever the settings say, the node is read, and the sentence says which line to write."""
    for node_baud in USUAL_SPEEDS:
        for configured in USUAL_SPEEDS:
            if node_baud == configured:
                continue
            watch = SpeedWatch(configured)
            play(watch, node_baud, 180)
            assert watch.speed == node_baud, (node_baud, configured)
            assert not watch.unreadable
            assert watch.says is not None and f"set baud = {node_baud}" in watch.says


def test_a_node_that_sends_once_a_minute_is_found_too() -> None:
    """A speed is given up only after something came at it: in twelve seconds nothing need have come."""
    watch = SpeedWatch(9600)
    play(watch, 19200, 600, every_s=60)
    assert watch.speed == 19200 and not watch.unreadable


def test_the_right_speed_is_not_left_amid_a_line() -> None:
    """A port gives a byte first and the rest of the line later; half a minute has passed by the first."""
    watch = SpeedWatch(9600)
    for turn in range(12):
        whole = PACK + b"\n"
        data = whole if watch.speed == 19200 else seen_at(whole, 19200, watch.speed)
        for piece in (data[:1], data[1:], b""):
            watch.see(piece, (piece and data).split(b"\n")[:-1] if piece == data[1:] else [], 30.0 * turn)
    assert watch.speed == 19200 and not watch.unreadable


def test_the_right_speed_with_some_noise_is_left_alone() -> None:
    """One damaged line in three, as a motor makes it, is no wrong speed."""
    rng, watch = random.Random(7), SpeedWatch(9600)
    for second in range(0, 3600, 10):
        line = bytearray(PACK)
        if second % 30 == 0:
            for _ in range(8):
                line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
        assert watch.see(bytes(line) + b"\n", [bytes(line)], float(second)) is None
    assert watch.says is None


def test_a_second_of_junk_at_start_is_no_wrong_speed() -> None:
    """A board that boots shouts at another speed for a moment."""
    watch = SpeedWatch(115200)
    assert watch.see(seen_at(PACK * 3, 9600, 115200), [], 0.0) is None
    assert watch.see(PACK + b"\n", [PACK], 1.0) is None
    assert watch.says is None


def test_when_no_speed_gives_text_it_goes_back_and_says_where_else_to_look() -> None:
    """The search ends, rests, and starts again much later."""
    rng, watch = random.Random(3), SpeedWatch(9600)
    speeds = []
    for second in range(400):
        new_speed = watch.see(bytes(rng.randrange(128, 256) for _ in range(50)), [], float(second))
        if new_speed is not None:
            speeds.append(new_speed)
    assert speeds == [115200, 57600, 38400, 19200, 9600]
    assert watch.unreadable and "ground wire" in (watch.says or "")


def test_a_node_set_to_another_speed_later_is_found_again() -> None:
    """Also back to the speed of the settings."""
    watch = SpeedWatch(115200)
    play(watch, 9600, 180)
    assert watch.speed == 9600
    play(watch, 115200, 180, start_s=180)
    assert watch.speed == 115200 and watch.says is None


def test_only_a_whole_pack_counts_as_readable() -> None:
    """Noise that happens to be text proves nothing."""
    assert readable(PACK) and readable(PACK + b" 0badc0de\r")
    assert not readable(b"hello") and not readable(PACK[:-3]) and not readable(b"[\xff]") and not readable(b"")


def test_the_source_changes_the_speed_of_its_port_and_delivers(node: Node, running: Callable[..., Running]) -> None:
    """A node at 9600 under settings of 115200 is read, and the health says what to write. (A pseudo-terminal has no
    speed of its own, so the test hands in the setting of it.)"""
    node.plug_in()
    speed = [115200]

    def set_speed(port: serial.Serial, baud: int) -> None:
        speed[0] = baud

    class Quick:  # the search takes a minute; the clock runs faster here
        now_s = 1.0

        def now(self) -> float:
            return self.now_s

    clock = Quick()
    no_ports: list[PortInfo] = []
    source = SerialSource(str(node.link), 115200, clock=clock, list_ports=lambda: no_ports, speed_setter=set_speed)
    run = running(source)
    run.wait_state("connected")
    for _ in range(60):
        if run.lines and b"core" in run.lines[-1].data:
            break
        node.send(PACK + b"\n" if speed[0] == 9600 else seen_at(PACK + b"\n", 9600, speed[0]))
        turn = clock.now_s = clock.now_s + 4.0
        wait_until(lambda turn=turn: source.health().progress_s >= turn)
    wait_until(lambda: run.lines and run.lines[-1].data == PACK)
    assert "set baud = 9600" in run.wait_state("connected")
    assert source.health().faults["wrong_speed"] == 1
