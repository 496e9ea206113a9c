"""Lines from a node on a serial port, through unplugging, renaming, noise and a wrong speed.

What pyserial leaves to its user is done here: whole lines only (a read may end anywhere), an exclusive lock (two
readers of one port steal each other's bytes), finding the port again under another name, and no reset of the node
by a dropped DTR when the port is closed.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import getpass
import grp
import os
import re
import termios
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import serial
import serial.tools.list_ports

from monitor.sources.health import HealthBook, SourceHealth
from monitor.sources.line import Clock, Deliver, Line, Origin
from monitor.sources.line_buffer import LineBuffer
from monitor.sources.serial_speed import SpeedWatch
from monitor.words import tr

# A port that comes back has to be open again within 10 s, so the longest wait stays well below.
_FIRST_WAIT_S = 0.25
_LONGEST_WAIT_S = 3.0
_READ_TIMEOUT_S = 0.25
# Nothing is ever sent to a node, but a write that blocks for ever is a known trap: never leave it open.
_WRITE_TIMEOUT_S = 2.0
# How often, arrival clock, to see that the name still leads to the open device: some drivers report no unplugging.
_LOOK_EVERY_S = 1.0


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer: its path, the adapter's USB serial number ("" if none) and what it says it is."""

    path: str
    usb_serial: str = ""
    usb_id: str = ""
    usb_place: str = ""
    description: str = ""

    @property
    def is_usb(self) -> bool:
        """Whether it hangs on USB, as nodes do; a computer's built-in ports do not."""
        return bool(self.usb_id or self.usb_serial)

    @property
    def setting(self) -> str:
        """What to write into the settings to mean this port, whatever its number is tomorrow."""
        return f"usb:{self.usb_serial}" if self.usb_serial else self.path

    def same_adapter(self, other: PortInfo) -> bool:
        """Whether both are one adapter, perhaps under another name; without a serial number the socket decides."""
        if not (self.is_usb and self.usb_id == other.usb_id):
            return False
        if self.usb_serial or other.usb_serial:
            return self.usb_serial == other.usb_serial
        return self.usb_place == other.usb_place


def ports() -> list[PortInfo]:
    """The serial ports of this computer now, those on USB first."""
    found = [
        PortInfo(
            port.device,
            port.serial_number or "",
            "" if port.vid is None else f"{port.vid:04x}:{port.pid or 0:04x}",
            port.location or "",
            "" if port.description in (None, "n/a") else port.description,
        )
        for port in serial.tools.list_ports.comports()
    ]
    return sorted(found, key=lambda port: (not port.is_usb, port.path))


class PortUnavailable(ValueError):
    """The port cannot be opened now. ``mend``: a person has to do something, waiting alone will not help."""

    def __init__(self, sentence: str, *, mend: bool) -> None:
        self.mend = mend
        super().__init__(sentence)


def find_port(wanted: str, known: Iterable[PortInfo], last: PortInfo | None = None) -> str:
    """The path to open for a setting: "auto", a path, "usb:NUMBER" or a bare USB serial number.

    ``last`` is the adapter that was open before; it is followed to another name. Raises PortUnavailable.
    """
    known = list(known)
    if wanted == "auto":
        # A second adapter plugged in at night must not make the first one doubtful.
        again = [] if last is None else [port for port in known if last.same_adapter(port)]
        return _only_port(again or known)
    if os.sep in wanted and not wanted.startswith("usb:"):
        return _follow(wanted, known, last)
    number = wanted.removeprefix("usb:")
    matches = [port for port in known if port.usb_serial and port.usb_serial.lower() == number.lower()]
    if matches:
        return matches[0].path  # an adapter with several channels: the first one, as the list is sorted
    seen = ", ".join(port.usb_serial for port in known if port.usb_serial)
    raise PortUnavailable(
        tr(
            "the adapter with USB serial number {number} is not plugged in; plugged in: {seen}.",
            number=number,
            seen=seen,
        )
        if seen
        else tr("the adapter with USB serial number {number} is not plugged in; plug it in.", number=number),
        mend=False,
    )


def _only_port(known: list[PortInfo]) -> str:
    usb = [port for port in known if port.is_usb]
    if len(usb) == 1:
        return usb[0].path
    if not usb:
        raise PortUnavailable(tr("no USB serial port is plugged in; plug the node in."), mend=False)
    names = "; ".join(
        f'port = "{port.setting}"' + (f" ({port.description})" if port.description else "") for port in usb
    )
    raise PortUnavailable(
        tr("{n} USB serial ports are plugged in; choose one in the settings: {names}.", n=len(usb), names=names),
        mend=True,
    )


def _follow(wanted: str, known: list[PortInfo], last: PortInfo | None) -> str:
    there = os.path.exists(wanted)
    if last is not None:
        now_there = next(
            (port for port in known if there and os.path.realpath(port.path) == os.path.realpath(wanted)), None
        )
        if now_there is None or not last.same_adapter(now_there):
            moved = next((port for port in known if last.same_adapter(port)), None)
            if moved is not None:
                return moved.path
    if not there:
        raise PortUnavailable(tr("{wanted} is not there; plug the node in.", wanted=wanted), mend=False)
    return wanted


def why_not(error: BaseException, path: str) -> PortUnavailable:
    """An error of opening -> the sentence that says what it means and how to mend it."""
    code = getattr(error, "errno", None)
    if code is None and (in_words := re.search(r"\((\d+), ", str(error))):
        code = int(in_words.group(1))  # pyserial and termios keep the number in the words: (25, 'Inappropriate ioctl')
    if code in (errno.EACCES, errno.EPERM):
        group = _group_of(path)
        return PortUnavailable(
            tr(
                "{path} may not be read by this user: add the user to the {group} group "
                "(sudo usermod -aG {group} {user}), then log in again or restart the service.",
                path=path,
                group=group,
                user=_user(),
            ),
            mend=True,
        )
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return PortUnavailable(
            tr(
                "another program has {path} open: close it (fuser {path} shows which), or this watch runs twice.",
                path=path,
            ),
            mend=True,
        )
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO):
        return PortUnavailable(tr("{path} is not there; plug the node in.", path=path), mend=False)
    if code in (errno.ENOTTY, errno.EISDIR, errno.EINVAL):
        return PortUnavailable(tr("{path} is no serial port: correct port in the settings.", path=path), mend=True)
    what = os.strerror(code) if isinstance(code, int) else str(error)
    return PortUnavailable(tr("{path} cannot be opened ({what}).", path=path, what=what), mend=True)


def _group_of(path: str) -> str:
    try:
        status = os.stat(path)
        # A device only root may read names no group that would help.
        return "dialout" if status.st_gid == 0 else grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "NAME"


def open_port(path: str, baud: int) -> serial.Serial:
    """Open and lock a port, raw, 8N1. Raises OSError, termios.error or ValueError as pyserial does."""
    port = serial.Serial(
        path, baud, timeout=_READ_TIMEOUT_S, write_timeout=_WRITE_TIMEOUT_S, exclusive=True
    )  # fmt: skip
    try:
        _keep_node_running(port)
        _refuse_others(port)
    except BaseException:
        port.close()
        raise
    return port


def _keep_node_running(port: serial.Serial) -> None:
    """HUPCL off: closing the port then leaves DTR alone, which on many boards is wired to reset."""
    with contextlib.suppress(termios.error, OSError):
        attributes = termios.tcgetattr(port.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)


def _refuse_others(port: serial.Serial) -> None:
    """Have the kernel refuse programs that know nothing of the lock; a pseudo-terminal would stay refused after us."""
    if not os.path.realpath(port.port).startswith("/dev/pts/"):
        with contextlib.suppress(OSError):
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)


def set_speed(port: serial.Serial, baud: int) -> None:
    """Change the speed of an open port."""
    port.baudrate = baud


def check_port(wanted: str, baud: int = 115200) -> tuple[bool, str]:
    """Try a port as ``SerialSource`` would, and let it go again: (it opens, one sentence)."""
    try:
        path = find_port(wanted, ports())
        try:
            open_port(path, baud).close()
        except (OSError, termios.error, ValueError) as error:
            raise why_not(error, path) from None
    except PortUnavailable as problem:
        return False, str(problem)
    if path == wanted:
        return True, tr("{path} can be opened.", path=path)
    return True, tr('{path} can be opened (port = "{wanted}").', path=path, wanted=wanted)


class SerialSource:
    """Reads lines from a node, for as long as the watch runs. See ``monitor.sources.line`` for the contract."""

    def __init__(
        self,
        port: str = "auto",
        baud: int = 115200,
        *,
        clock: Clock,
        name: str = "serial",
        list_ports: Callable[[], Iterable[PortInfo]] = ports,
        opener: Callable[[str, int], serial.Serial] = open_port,
        speed_setter: Callable[[serial.Serial, int], None] = set_speed,
    ) -> None:
        self.name = name
        self._wanted = port
        self._clock = clock
        self._list_ports = list_ports
        self._open_port = opener
        self._set_speed = speed_setter
        self._origin = Origin("serial", name)
        self._speed = SpeedWatch(baud)
        self._adapter: PortInfo | None = None
        self._book = HealthBook(clock.now, tr('looking for the port "{port}".', port=port))

    def health(self) -> SourceHealth:
        """How it stands now."""
        return self._book.snapshot()

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        """Deliver lines until ``stop`` is set; finds the port again whenever it goes away."""
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            self._book.progress()
            try:
                path, port = self._open()
            except PortUnavailable as problem:
                self._book.enter("trouble" if problem.mend else "waiting", str(problem))
            except Exception as error:
                self._book.fault("unexpected")
                self._book.enter(
                    "trouble", tr("the serial port failed in a way nobody foresaw: {error!r}.", error=error)
                )
            else:
                lines_before = self._book.snapshot().lines
                self._read_until_lost(path, port, deliver, stop)
                if self._book.snapshot().lines > lines_before:
                    wait_s = _FIRST_WAIT_S
            stop.wait(wait_s)
            wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)

    def _open(self) -> tuple[str, serial.Serial]:
        known = list(self._list_ports())
        path = find_port(self._wanted, known, self._adapter)
        try:
            port = self._open_port(path, self._speed.speed)
        except (OSError, termios.error, ValueError) as error:
            raise why_not(error, path) from None
        real = os.path.realpath(path)
        adapter = next((info for info in known if os.path.realpath(info.path) == real), None)
        self._adapter = adapter or self._adapter
        return path, port

    def _read_until_lost(self, path: str, port: serial.Serial, deliver: Deliver, stop: threading.Event) -> None:
        reading = _Reading(self, path, port, deliver)
        try:
            reading.go_on(stop)
        except (OSError, termios.error) as error:
            self._book.fault("unplugged")
            self._book.enter(
                "waiting",
                tr("{path} went away ({reason}); it is opened again when it is back.", path=path, reason=_short(error)),
            )
        except Exception as error:
            self._book.fault("unexpected")
            self._book.enter(
                "trouble", tr("reading {path} failed in a way nobody foresaw: {error!r}.", path=path, error=error)
            )
        finally:
            if reading.buffer.cut() and not stop.is_set():
                self._book.fault("cut_line")
            with contextlib.suppress(Exception):
                port.close()


def _short(error: BaseException) -> str:
    code = getattr(error, "errno", None)
    return os.strerror(code).lower() if isinstance(code, int) else "unplugged"


class _Reading:
    """One time that the port is open."""

    def __init__(self, source: SerialSource, path: str, port: serial.Serial, deliver: Deliver) -> None:
        self.buffer = LineBuffer()
        self._source = source
        self._book = source._book
        self._path = path
        self._port = port
        self._deliver = deliver
        self._first_line = True
        self._looked_s = source._clock.now()
        self._too_long = 0

    def go_on(self, stop: threading.Event) -> None:
        self._tell()
        while not stop.is_set():
            data = self._port.read(max(1, min(self._port.in_waiting, 65536)))
            now_s = self._source._clock.now()
            self._book.progress()
            lines = self.buffer.feed(data)
            for line in lines:
                self._hand_on(line, now_s)
            if self.buffer.too_long > self._too_long:
                self._book.fault("too_long", self.buffer.too_long - self._too_long)
                self._too_long = self.buffer.too_long
            self._mind_speed(data, lines, now_s)
            if now_s - self._looked_s >= _LOOK_EVERY_S:
                self._looked_s = now_s
                self._look_whether_still_there()

    def _hand_on(self, line: bytes, now_s: float) -> None:
        first, self._first_line = self._first_line, False
        if not line.strip():
            return
        if first and not line.lstrip().startswith((b"[", b"{")):
            # Opening in the middle of a line is no fault of the wire, so it must not count as a damaged line.
            self._book.fault("cut_at_opening")
            return
        self._book.took_line(now_s)
        try:
            self._deliver(Line(now_s, line, self._source._origin))
        except Exception:
            self._book.fault("not_taken_in")

    def _mind_speed(self, data: bytes, lines: list[bytes], now_s: float) -> None:
        watch = self._source._speed
        said = watch.says
        new_speed = watch.see(data, lines, now_s)
        if new_speed is not None:
            self._source._set_speed(self._port, new_speed)
            self.buffer.cut()
            self._first_line = True
        if watch.says != said:
            if watch.unreadable and said is None:
                self._book.fault("wrong_speed")
            self._tell()

    def _tell(self) -> None:
        watch = self._source._speed
        if watch.says is None:
            self._book.enter("connected", tr("{path} is open at {speed} baud.", path=self._path, speed=watch.speed))
        else:
            self._book.enter("trouble" if watch.unreadable else "connected", f"{self._path}: {watch.says}")

    def _look_whether_still_there(self) -> None:
        """Raises OSError when the name leads nowhere any more, or to another device than the open one."""
        named, opened = os.stat(self._path), os.fstat(self._port.fileno())
        if (named.st_rdev, named.st_ino) != (opened.st_rdev, opened.st_ino):
            raise OSError(errno.ENODEV, tr("the name leads to another device now"))
