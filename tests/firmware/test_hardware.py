"""The files that touch the boards' hardware, run under MicroPython with stand-ins for its own modules."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path

import pytest

from tests.firmware.boards import evaluated, needs_micropython

pytestmark = needs_micropython
HARDWARE = str(Path(__file__).with_name("hardware"))
# MicroPython's own modules cannot be changed, so the board's file is given another one.
CLOCK = (
    "class Clock:\n    now = 0\n    ticks_diff = staticmethod(time.ticks_diff)\n"
    "    ticks_ms = staticmethod(lambda: Clock.now)\n    sleep_ms = staticmethod(lambda ms: None)\n"
    "wireless.time = Clock\n"
)
HEAD = f"sys.path.insert(0, {HARDWARE!r})\nimport time, machine, network, ntptime, settings, board, wireless\n"


def ran(folder: str, script: str) -> list[str]:
    """What the script prints, line by line."""
    return evaluated(folder, HEAD + script).splitlines()


def test_each_amplifier_is_read_alone_and_let_go() -> None:
    """Selects are high before anything is read, low for one alone while it is, and high again."""
    out = ran(
        "wifi_node",
        "machine.FRAMES.update({5: bytes((1, 144, 25, 0)), 17: b'\\xff' * 4})\nb = board.Board(settings)\n"
        "print(b.frames() == [machine.FRAMES[5], machine.FRAMES[17]])\n"
        "print(machine.PINS[5].log, machine.PINS[17].log, machine.PINS[5].mode == machine.Pin.OUT)\n",
    )
    assert out == ["True", "[1, 0, 1] [1, 0, 1] True"]


def test_the_supply_is_measured_through_its_divider() -> None:
    out = ran(
        "wifi_node",
        "machine.MICROVOLTS[0] = 1850000\nprint(board.Board(settings).supply_mv())\n"
        "settings.SUPPLY = None\nprint(board.Board(settings).supply_mv())\n"
        "del machine.ADC.ATTN_11DB\nsettings.SUPPLY = (34, 2.0)\nprint(board.Board(settings).supply_mv())\n",
    )
    assert out == ["3700", "0", "1900"], "a whole battery, no divider, and a board whose range cannot be set"


@pytest.mark.parametrize("folder", ["wifi_node", "bedside"])
def test_the_network_is_waited_for_a_while_and_the_watchdog_fed(folder: str) -> None:
    """Within five seconds it is there, or OSError; a second try does not mind that the first is still at it."""
    out = ran(
        folder,
        "b = board.Board(settings)\nnetwork.COMES_AFTER[0] = 3\nb.network()\nfed = machine.FED[0]\n"
        "print(0 < fed < 10, network.TRIED == [settings.WIFI])\nb.network()\nprint(len(network.TRIED))\n"
        f"{CLOCK}b = board.Board(settings)\nnetwork.COMES_AFTER[0] = -1\n"
        "try:\n    b.network()\n    print('in')\nexcept OSError:\n    print('out', machine.FED[0] - fed >= 50)\n",
    )
    assert out == ["True True", "1", "out True"]


@pytest.mark.parametrize(("most_ms", "has_ms"), [(100_000, 30_000), (8388, 8000)])
def test_the_watchdog_is_as_long_as_the_board_allows(most_ms: int, has_ms: int) -> None:
    """The boards with an RP2040 refuse more than 8388 ms (docs: library/machine.WDT)."""
    script = f"machine.MOST_WATCHDOG_MS[0] = {most_ms}\nprint(board.Board(settings)._watchdog.timeout)\n"
    assert ran("wifi_node", script) == [str(has_ms)]


SLOW = """
import socket, sys, time
from mqtt_small import Client
fed = [time.ticks_ms()]
gaps = []
def feed():
    gaps.append(time.ticks_diff(time.ticks_ms(), fed[0]))
    fed[0] = time.ticks_ms()
one = Client(("127.0.0.1", int(sys.argv[-1])), "node", None, ("t", "gone"), feed=feed)
for n in range(3):
    one.publish("t", "x" * 50)
one.ping()
feed()
print(max(gaps), len(gaps))
"""


def test_a_broker_that_is_slow_to_answer_starves_no_watchdog() -> None:
    """It answers each step after half a second; between two feedings lies one step, not the whole of a turn."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            with server.accept()[0] as wire:
                while head := wire.recv(2):
                    body = wire.recv(head[1], socket.MSG_WAITALL) if head[1] else b""  # none is longer than 127
                    time.sleep(0.5)
                    number = body[3:5]  # behind two bytes of length and the topic's one
                    answers = {0x10: b"\x20\2\0\0", 0x30: b"\x40\2" + number, 0xC0: b"\xd0\0"}
                    wire.sendall(answers[head[0] & 0xF0])

        thread = threading.Thread(target=answer, daemon=True)
        thread.start()
        longest_ms, times = map(int, evaluated("wifi_node", SLOW, str(server.getsockname()[1])).split())
        thread.join(5.0)
    assert times == 7 and 450 <= longest_ms < 950


def test_the_time_is_asked_for_and_may_stay_unknown() -> None:
    """A clock before 2026 was never set. Here the computer's own is later, so the floor is moved past it."""
    out = ran(
        "wifi_node",
        "network.COMES_AFTER[0] = 1\nb = board.Board(settings)\nb.network()\nb.network()\n"
        "print(ntptime.ASKED == [settings.TIME_SERVER], b.unix_s() is not None)\n"
        "board.NEVER_SET_BEFORE_S = time.time() + board.EPOCH_S + 1000\nprint(b.unix_s())\n"
        "ntptime.ANSWERS[0] = False\nc = board.Board(settings)\nc.network()\nc.network()\nprint(len(ntptime.ASKED))\n",
    )
    assert out == ["True True", "None", "3"], "one that does not answer is asked again"


def test_the_clock_does_not_come_round_with_the_counter_of_the_board() -> None:
    """MicroPython's ticks_ms comes round; what is added up does not."""
    out = ran(
        "wifi_node",
        f"{CLOCK}b = board.Board(settings)\nround = time.ticks_add(0, -1) + 1\nquarter = round // 4\n"
        "for n in range(1, 8):\n    Clock.now = n * quarter % round\n    b.ticks_s()\n"
        "    print(b._ms == n * quarter)\n",
    )
    assert out == ["True"] * 7


@pytest.mark.parametrize(
    ("sounds", "lamp", "buzzes", "lit"),
    [(True, "alarm", True, True), (True, "silent", True, True), (False, "seen", False, True),
     (False, "stopped", False, True), (False, "still", False, False)],
)  # fmt: skip
def test_lamp_and_buzzer_show_what_they_are_told(sounds: bool, lamp: str, buzzes: bool, lit: bool) -> None:
    """Over ten seconds of the board's clock: whether each was on at all, and no more than two flashes a second."""
    out = ran(
        "bedside",
        "b = board.Board(settings)\nat = [0]\nb.ticks_s = lambda: at[0] / 10\n"
        f"for n in range(100):\n    at[0] = n\n    b.show({sounds}, {lamp!r})\n"
        "lamp, buzzer = machine.PINS[settings.LAMP].log, machine.PINS[settings.BUZZER].log\n"
        "print(1 in buzzer, 1 in lamp, sum(a < b for a, b in zip(lamp, lamp[1:])))\n",
    )
    heard, seen, flashes = out[0].split()
    assert (heard, seen) == (str(buzzes), str(lit)) and int(flashes) <= 20


def test_the_button_is_pressed_when_it_pulls_its_pin_down() -> None:
    out = ran(
        "bedside",
        "b = board.Board(settings)\nprint(b.pressed())\nmachine.PINS[settings.BUTTON].level = 0\nprint(b.pressed())\n",
    )
    assert out == ["False", "True"]
