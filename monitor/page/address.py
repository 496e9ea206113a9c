"""Where a phone finds the page: for the code on the screen, in the terminal and in messages."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Sequence

# An address kept for examples (RFC 5737): asking the way to it sends nothing.
_SOMEWHERE = ("192.0.2.1", 9)


def lan_address() -> str | None:
    """This computer's own address on the way out of it, None without a network. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_SOMEWHERE)
        except OSError:
            return None
        found = str(probe.getsockname()[0])
    address = ipaddress.ip_address(found)
    return None if address.is_loopback or address.is_unspecified else found


def phone_address(
    host: str, port: int, address: str = "", *, find: Callable[[], str | None] = lan_address
) -> str | None:
    """The page's address for a phone on the same network, without a slash at its end; None when none can reach it.

    ``address`` is what the settings say and goes before all; ``host`` and ``port`` are where the page listens.
    """
    if address:
        return address
    if host in ("0.0.0.0", "::", ""):  # nosec B104 # asked of, not bound to
        found = find()
        return None if found is None else f"http://{found}:{port}"
    try:
        parsed = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return None if host == "localhost" or host.endswith(".localhost") else f"http://{host}:{port}"
    if parsed.is_loopback:
        return None
    return f"http://[{host}]:{port}" if parsed.version == 6 else f"http://{host}:{port}"


def code_svg(text: str) -> str:
    """A QR code (ISO/IEC 18004) as inline SVG, black on white whatever the scheme: a camera needs the contrast."""
    import segno

    code = segno.make(text, error="m", micro=False)
    return str(code.svg_inline(omitsize=True, border=4, dark="#000", light="#fff", svgclass="code", lineclass=None))


def code_lines(text: str) -> Sequence[str]:
    """A QR code for a terminal, two rows of it a line, in half blocks: dark is drawn where the code is light, since a
    terminal's ground is mostly dark.
    """
    import segno

    rows = [list(row) for row in segno.make(text, error="m", micro=False).matrix_iter(border=4)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    signs = {(0, 0): "\u2588", (0, 1): "\u2580", (1, 0): "\u2584", (1, 1): " "}
    return [
        "".join(signs[bool(above), bool(below)] for above, below in zip(rows[i], rows[i + 1], strict=True))
        for i in range(0, len(rows), 2)
    ]
