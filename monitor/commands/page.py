"""``page``: where the page is, and a code that opens it on a phone."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import parser_for, print_json, say, settings_of
from monitor.page.address import code_lines, phone_address
from monitor.words import tr


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "page", tr("where the page is, with a code that opens it on a phone"), "emberpail page",
        description=tr(
            "Say where the page of watch is, and draw a code for a phone's camera. Exit code 1 when no phone can open "
            "it."
        ),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Address and code; 1 where no phone can open it."""
    page = settings_of(args).page
    address = phone_address(page.host, page.port, page.address)
    if args.json:
        print_json({"address": address, "passphrase": page.passphrase is not None})
        return NO if address is None else YES
    if address is None:
        say(no_phone_words(page.host, page.port))
        return NO
    lines = code_lines(address)
    try:
        "".join(lines).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        lines = ()  # a terminal without block signs: the address alone
    print("\n".join(lines))
    say(tr("On the farm's own network, point the phone's camera at this, or type the address."))
    say(address, "  ")
    if page.passphrase is None:
        say(
            tr(
                "It only shows; to note things and answer alarms there, set passphrase in [page] of emberpail.toml and "
                "start watch again."
            )
        )
    return YES


def no_phone_words(host: str, port: int) -> str:
    """Why no phone can open the page, and how to mend it."""
    if host in ("0.0.0.0", "::", ""):  # nosec B104 # asked of, not bound to
        return tr("This computer is in no network now, so no phone can open the page; connect it, then ask again.")
    return tr(
        'The page is for this computer only (http://{host}:{port}/). For phones set host = "0.0.0.0" under [page] of '
        "emberpail.toml and start watch again.",
        host=host, port=port,
    )  # fmt: skip
