"""The serial source against real pseudo-terminals, and finding a port among several."""

from __future__ import annotations

import errno
import fcntl
import os
import random
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from monitor.clock import ArrivalClock
from monitor.sources.serial_port import (
    PortInfo,
    PortUnavailable,
    SerialSource,
    check_port,
    find_port,
    open_port,
    ports,
)
from tests.sources.conftest import Node, Running, wait_until

PACK = b'[{"n":"shed-2/core","u":"Cel","v":56.2}]'


def no_ports() -> list[PortInfo]:
    return []


@pytest.fixture
def source(node: Node, clock: ArrivalClock) -> SerialSource:
    return SerialSource(str(node.link), clock=clock, name="shed node", list_ports=no_ports)


# ---- lines ---------------------------------------------------------------------------------------------------------


def test_whole_lines_are_delivered_with_arrival_time_and_origin(
    source: SerialSource, node: Node, running: Callable[..., Running], clock: ArrivalClock
) -> None:
    """A line split over several writes arrives once, whole, stamped when its line feed came."""
    node.plug_in()
    run = running(source)
    run.wait_state("connected")
    before_s = clock.now()
    for piece in (PACK[:7], PACK[7:20], PACK[20:] + b"\n" + PACK + b" 1234"):
        node.send(piece)
        time.sleep(0.03)
    node.send(b"5678\n")
    first, second = run.wait_lines(2)
    assert (first.data, second.data) == (PACK, PACK + b" 12345678")
    assert before_s <= first.arrival_s <= second.arrival_s <= clock.now()
    assert (first.origin.kind, first.origin.name, first.ack) == ("serial", "shed node", None)
    health = source.health()
    assert (health.state, health.lines, health.last_line_s) == ("connected", 2, second.arrival_s)


def test_garbage_nul_and_a_megabyte_without_a_line_feed_do_not_stop_it(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """Damaged lines are handed on exactly, an endless one is dropped and counted, the next pack is read."""
    node.plug_in()
    run = running(source)
    run.wait_state("connected")
    noise = bytes(random.Random(1).randrange(128) for _ in range(50)).replace(b"\n", b"").replace(b"\r", b"")
    node.send(PACK + b"\n" + b"\x00" * 5 + noise + b"\n")
    run.wait_lines(2)
    node.send(b"x" * 1_000_000 + b"\n" + PACK + b"\n")
    run.wait_lines(3, 20.0)
    assert run.data == [PACK, b"\x00" * 5 + noise, PACK]
    assert source.health().faults == {"too_long": 1}


def test_opening_in_the_middle_of_a_line_is_no_damaged_line(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """The rest of a line that began before we listened is dropped and counted apart."""
    node.plug_in()
    run = running(source)
    run.wait_state("connected")
    node.send(PACK[12:] + b"\n" + PACK + b"\n")
    run.wait_lines(1)
    assert run.data == [PACK]
    assert source.health().faults == {"cut_at_opening": 1}


# ---- losing the port -----------------------------------------------------------------------------------------------


def test_absent_at_start_is_waited_for(source: SerialSource, node: Node, running: Callable[..., Running]) -> None:
    """A node that is plugged in later is found by itself."""
    run = running(source)
    assert "plug the node in" in run.wait_state("waiting")
    node.plug_in()
    run.wait_state("connected")
    node.send(PACK + b"\n")
    run.wait_lines(1)


def test_unplugged_and_plugged_back_under_another_name_within_ten_seconds(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """The link leads to another device afterwards; the partial line at the unplugging is dropped and counted."""
    first_name = node.plug_in()
    keeper = os.openpty()  # takes the next number, so that the name must change
    run = running(source)
    run.wait_state("connected")
    node.send(PACK + b"\n" + PACK[:10])
    run.wait_lines(1)
    time.sleep(0.1)
    node.unplug()
    run.wait_state("waiting")
    taken = os.openpty()
    assert node.plug_in() != first_name
    back = time.monotonic()
    run.wait_state("connected")
    assert time.monotonic() - back < 10.0
    node.send(PACK + b"\n")
    run.wait_lines(2)
    assert run.data == [PACK, PACK]
    assert source.health().faults == {"unplugged": 1, "cut_line": 1}
    for fd in (*keeper, *taken):
        os.close(fd)


def test_a_link_that_leads_elsewhere_is_followed_even_if_the_old_device_stays_mute(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """Some drivers never report the unplugging; the name then decides."""
    node.plug_in()
    old_master = node.master
    run = running(source)
    run.wait_state("connected")
    node.plug_in()
    wait_until(lambda: source.health().faults.get("unplugged"), what="the change to be seen")
    run.wait_state("connected")
    node.send(PACK + b"\n")
    run.wait_lines(1)
    os.close(old_master)


def test_ten_unpluggings_leave_no_file_open(source: SerialSource, node: Node, running: Callable[..., Running]) -> None:
    """Opening again and again leaks no file descriptor."""
    run = running(source)
    counts = []
    for turn in range(10):
        node.plug_in()
        run.wait_state("connected")
        node.send(PACK + b"\n")
        run.wait_lines(turn + 1)
        counts.append(len(os.listdir("/proc/self/fd")))
        node.unplug()
        run.wait_state("waiting")
    assert max(counts) == min(counts)


# ---- what a person has to mend -------------------------------------------------------------------------------------


def test_a_port_that_another_program_has_open_is_named_and_taken_later(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """Two readers would steal each other's bytes, so the port is locked and the sentence says so."""
    node.plug_in()
    other = os.open(node.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    run = running(source)
    assert "another program has" in run.wait_state("trouble")
    assert check_port(str(node.link)) == (False, source.health().says)
    os.close(other)
    run.wait_state("connected")
    assert "another program has" in check_port(str(node.link))[1]


def test_no_permission_names_the_group(node: Node, clock: ArrivalClock, running: Callable[..., Running]) -> None:
    """The commonest trouble of all: the sentence holds the command that mends it."""

    def refuse(path: str, baud: int) -> serial.Serial:
        raise serial.SerialException(errno.EACCES, "could not open port")

    node.link.write_bytes(b"")
    run = running(SerialSource(str(node.link), clock=clock, list_ports=no_ports, opener=refuse))
    says = run.wait_state("trouble")
    assert "dialout" in says and "usermod -aG" in says


def test_a_path_that_is_no_serial_port_is_told(tmp_path: Path) -> None:
    """A plain file is not a port."""
    path = tmp_path / "notes.txt"
    path.write_text("hello")
    opens, says = check_port(str(path))
    assert not opens and "is no serial port" in says


def test_check_says_when_a_port_opens(node: Node) -> None:
    """A good port is opened and let go again."""
    node.plug_in()
    for _ in range(2):
        assert check_port(str(node.link)) == (True, f"{node.link} can be opened.")


def test_an_opened_port_is_locked_has_a_write_timeout_and_does_not_reset_the_node(node: Node) -> None:
    """The three settings that pyserial leaves off."""
    node.plug_in()
    port = open_port(str(node.link), 9600)
    try:
        assert port.write_timeout is not None
        assert not termios.tcgetattr(port.fileno())[2] & termios.HUPCL
        with pytest.raises(serial.SerialException):
            open_port(str(node.link), 9600)
    finally:
        port.close()


def test_a_failure_nobody_foresaw_does_not_end_the_thread(
    node: Node, clock: ArrivalClock, running: Callable[..., Running]
) -> None:
    """Whatever the library does, the source goes on and says so."""
    calls = []

    def fails_once(path: str, baud: int) -> serial.Serial:
        calls.append(path)
        if len(calls) == 1:
            raise ZeroDivisionError("a bug")
        return open_port(path, baud)

    node.plug_in()
    run = running(SerialSource(str(node.link), clock=clock, list_ports=no_ports, opener=fails_once))
    run.wait_state("connected")
    assert run.source.health().faults == {"unexpected": 1}


def test_a_worker_that_refuses_a_line_does_not_end_the_thread(
    source: SerialSource, node: Node, running: Callable[..., Running]
) -> None:
    """An exception in deliver is counted."""

    def refuse(line: object) -> None:
        raise RuntimeError("full")

    node.plug_in()
    run = running(source, deliver=refuse)
    run.wait_state("connected")
    node.send(PACK + b"\n" + PACK + b"\n")
    wait_until(lambda: source.health().faults.get("not_taken_in") == 2)


# ---- which port ----------------------------------------------------------------------------------------------------

BUILT_IN = PortInfo("/dev/ttyS0")
ONE = PortInfo("/dev/ttyUSB0", "A1", "1a86:7523", "1-1", "USB Serial")
TWO = PortInfo("/dev/ttyUSB1", "B2", "1a86:7523", "1-2", "USB Serial")
NAMELESS = PortInfo("/dev/ttyUSB2", "", "0403:6001", "1-3")


def test_auto_takes_the_one_usb_port() -> None:
    """Built-in ports do not count."""
    assert find_port("auto", [BUILT_IN, ONE]) == "/dev/ttyUSB0"


def test_auto_with_several_says_which_and_how_to_choose() -> None:
    """Guessing among two nodes would be wrong half the time."""
    with pytest.raises(PortUnavailable) as problem:
        find_port("auto", [ONE, NAMELESS])
    assert problem.value.mend
    assert 'port = "usb:A1"' in str(problem.value) and 'port = "/dev/ttyUSB2"' in str(problem.value)


def test_auto_stays_with_the_adapter_it_had() -> None:
    """A second node plugged in at night does not make the first one doubtful."""
    assert find_port("auto", [ONE, TWO], last=TWO) == "/dev/ttyUSB1"


def test_auto_without_any_waits() -> None:
    """Nothing plugged in is no mistake of the settings."""
    with pytest.raises(PortUnavailable) as problem:
        find_port("auto", [BUILT_IN])
    assert not problem.value.mend


@pytest.mark.parametrize("wanted", ["usb:B2", "B2", "usb:b2"])
def test_a_usb_serial_number_finds_its_port_under_any_name(wanted: str) -> None:
    """With or without "usb:", in any case of letters."""
    assert find_port(wanted, [ONE, TWO]) == "/dev/ttyUSB1"


def test_an_absent_usb_serial_number_names_those_that_are_there() -> None:
    """A slip in the number is found at once."""
    with pytest.raises(PortUnavailable, match="A1"):
        find_port("usb:C3", [ONE])


def test_a_path_is_followed_to_the_adapters_new_name(tmp_path: Path) -> None:
    """The adapter that was at the path is the one that is meant, not what stands there after a re-plug."""
    for number in (0, 1):
        (tmp_path / f"ttyUSB{number}").touch()
    old, new = str(tmp_path / "ttyUSB0"), str(tmp_path / "ttyUSB1")
    was = PortInfo(old, "A1", "1a86:7523")
    now = PortInfo(new, "A1", "1a86:7523")
    stranger = PortInfo(old, "Z9", "1a86:7523")
    assert find_port(old, [stranger, now], last=was) == new
    assert find_port(old, [was], last=was) == old
    # The grower has swapped the adapter: the path is all that is left to go by.
    assert find_port(old, [stranger], last=was) == old


def test_adapters_without_a_number_are_told_apart_by_their_socket() -> None:
    """Cheap adapters carry no serial number."""
    assert NAMELESS.same_adapter(PortInfo("/dev/ttyUSB7", "", "0403:6001", "1-3"))
    assert not NAMELESS.same_adapter(PortInfo("/dev/ttyUSB7", "", "0403:6001", "1-4"))
    assert not BUILT_IN.same_adapter(BUILT_IN)


def test_the_ports_of_this_computer_can_be_listed() -> None:
    """Whatever hardware there is, the list comes, and USB stands first."""
    found = ports()
    assert found == sorted(found, key=lambda port: (not port.is_usb, port.path))
