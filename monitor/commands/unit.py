"""``unit``: prints a unit file by which systemd starts the watch, starts it again after anything, and locks it in."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, add_as_watch, parser_for, settings_of
from monitor.settings import SerialSource, Settings
from monitor.words import tr

# Feeding stops at the first look at which a worker hangs (within 50 s), and the watch then begins anew by itself; the
# system's own watchdog is for when even that does not come about.
_WATCHDOG_S = 90
_USER = "emberpail"
# What the kernel calls a node's USB adapter, or the computer's own port (Documentation/admin-guide/devices.txt).
_SERIAL_KINDS = ("ttyUSB", "ttyACM", "ttyAMA", "ttyS", "ttyGS", "rfcomm")


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "unit", tr("print a unit file that has systemd start watch and keep it running"),
        "emberpail unit --user emberpail",
        description=tr(
            "Print a systemd unit for watch: started with the computer, started again whatever ends it, and allowed no "
            "more than it needs. Nothing is installed."
        ),
    )  # fmt: skip
    parser.add_argument("--user", metavar=tr("NAME"), help=tr("the user that watch runs as; left out: you"))
    parser.add_argument(
        "--record", metavar="NAME.rec", type=Path, help=tr("append everything that comes over the wire")
    )
    add_as_watch(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the unit; how to install it goes to the other stream, so that the unit can be piped."""
    settings = settings_of(args)
    if settings.file is None:
        raise CommandError(
            tr(
                "There is no emberpail.toml to run by: write one first (emberpail check says what is missing), then "
                "ask again from its folder."
            )
        )
    if any(one in sys.executable for one in "\"'\\"):
        raise CommandError(
            tr(
                "Systemd starts no program whose path has quotation marks in it ({path}): move Emberpail to another "
                "folder.",
                path=sys.executable,
            )
        )
    user = args.user or _user()
    print(unit_text(settings, user=user, python=sys.executable, record=args.record), end="")
    print(f"\n{how_to_install(settings, user)}", file=sys.stderr)
    return YES


def _user() -> str:
    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        return _USER
    # Nothing here needs root, so it is given none of it.
    return _USER if name == "root" else name


def how_to_install(settings: Settings, user: str) -> str:
    """What to type next."""
    return tr(
        "Save it and start it:\n"
        "  emberpail unit | sudo tee /etc/systemd/system/emberpail.service\n"
        "  sudo systemctl daemon-reload && sudo systemctl enable --now emberpail\n"
        "It runs as {user} (if there is no such user: sudo useradd --system {user}). {user} must be able to read "
        "{file} and to write in {folder}. Passwords may stand in /etc/emberpail.env as NAME=value, readable by root "
        "only (sudo chmod 600). See how it is: systemctl status emberpail, journalctl -u emberpail.",
        user=user, file=_absolute(settings.file or Path()), folder=_absolute(settings.journal_path).parent,
    )  # fmt: skip


def unit_text(settings: Settings, *, user: str, python: str, record: Path | None = None) -> str:
    """The unit file. ``settings.file`` names the settings; ``python`` is the interpreter that has the program."""
    assert settings.file is not None
    home, paths = _absolute(Path(python)), [_absolute(settings.journal_path).parent]
    words = [str(home), "-m", "monitor", "watch", "--settings", str(_absolute(settings.file))]
    if settings.division.own:
        words += ["--name", settings.division.own]
    if record is not None:
        words += ["--record", str(_absolute(record))]
        paths.append(_absolute(record).parent)
    kept = [_absolute(folder) for folder in (settings.keep.backup_to, settings.keep.copy_to) if folder]
    serial = any(isinstance(source, SerialSource) for source in settings.sources)
    lines = [
        "# " + tr("Emberpail's watch under systemd; printed by: emberpail unit"),
        "",
        "[Unit]",
        "Description=" + tr("Emberpail: minds buckets of potash soap"),
        "Wants=network-online.target",
        "After=network-online.target time-sync.target mosquitto.service",
        "# " + tr("It is never given up, however often it fails."),
        "StartLimitIntervalSec=0",
        "",
        "[Service]",
        "Type=notify",
        "NotifyAccess=main",
        # Systemd puts no variable into the program's own path, so a dollar sign stands there for itself.
        f"ExecStart={' '.join([_quoted(words[0]).replace('$$', '$'), *map(_quoted, words[1:])])}",
        f"User={user}",
        # Kept over restarts: there stands when the phones were last rung because the watch could not begin.
        "RuntimeDirectory=emberpail",
        "RuntimeDirectoryPreserve=yes",
        # There stands that there was a journal, whose disk may be away at the next start.
        "StateDirectory=emberpail",
        *(["SupplementaryGroups=dialout"] if serial else []),
        "Environment=PYTHONUNBUFFERED=1",
        "# " + tr("Passwords and routes as NAME=value, readable by root only; the file may be missing."),
        "EnvironmentFile=-/etc/emberpail.env",
        "Restart=always",
        "RestartSec=5",
        f"WatchdogSec={_WATCHDOG_S}",
        "# " + tr("Going on where the last watch ended takes a while; as long as it gets on it asks for more."),
        "TimeoutStartSec=15min",
        "TimeoutStopSec=30",
        "# " + tr("When memory runs out, something else is to end first."),
        "OOMScoreAdjust=-500",
        "",
        "# " + tr("It may write where its journal is, and do nothing that reading and telling do not need."),
        # With a dash: a stick that is not plugged in must not keep the watch from starting; and where the journal's own
        # folder is gone, systemd would end it before it could ring.
        *[f"ReadWritePaths={_quoted(f'-{path}')}" for path in dict.fromkeys([*paths, *kept])],
        *_HARDENING,
        *(_serial_devices() if serial else ["PrivateDevices=yes"]),
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"


_HARDENING: Sequence[str] = (
    "ProtectSystem=strict",
    "ProtectHome=read-only",
    "PrivateTmp=yes",
    "UMask=0077",
    "NoNewPrivileges=yes",
    "CapabilityBoundingSet=",
    "AmbientCapabilities=",
    "ProtectHostname=yes",
    "ProtectKernelLogs=yes",
    "ProtectKernelModules=yes",
    "ProtectKernelTunables=yes",
    "ProtectControlGroups=yes",
    "ProtectProc=invisible",
    "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK",
    "RestrictNamespaces=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "RemoveIPC=yes",
    "KeyringMode=private",
    "LockPersonality=yes",
    "SystemCallArchitectures=native",
    "SystemCallFilter=@system-service",
    "SystemCallFilter=~@privileged",
    # To ask whether the time is known; setting it would need a capability, and there are none.
    "SystemCallFilter=adjtimex clock_adjtime",
    "SystemCallErrorNumber=EPERM",
    "DevicePolicy=closed",
)


def _serial_devices() -> list[str]:
    return [f"DeviceAllow=char-{kind} rw" for kind in _SERIAL_KINDS]


def _absolute(path: Path) -> Path:
    # Not resolved: a link to the interpreter of a virtual environment has to stay that link.
    return path.expanduser().absolute()


def _quoted(word: str) -> str:
    """As a unit file wants it (systemd.syntax(7), systemd.service(5)): %, $, quotes and blanks made harmless."""
    plain = word.replace("\\", "\\\\").replace("%", "%%").replace("$", "$$").replace('"', '\\"')
    return f'"{plain}"' if any(one in plain for one in " \t\\'\"") else plain
