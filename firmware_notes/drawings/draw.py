"""Draws the wiring of the nodes and the place of the probes as SVG, beside this file: ``python draw.py``.

Each drawing is data: boxes with their pins, and which pin goes to which. A wire is told by the words at its ends, not
by its colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

FOLDER = Path(__file__).parent
STEP, HEAD, WIDTH = 26, 44, 190
# Told apart also in grey by their dashes (stroke-dasharray, SVG 1.1).
LOOKS = {
    "power": ("#b3261e", ""), "ground": ("#222222", "7 3"), "signal": ("#1a56b0", ""), "select": ("#7a5a00", "2 3"),
    "probe": ("#1d6b35", "10 3 2 3"),
}  # fmt: skip


@dataclass(frozen=True)
class Box:
    """One part: its corner, its name, and its pins by side, from the top down."""

    name: str
    x: int
    y: int
    left: Sequence[str] = ()
    right: Sequence[str] = ()
    note: str = ""
    width: int = WIDTH

    @property
    def height(self) -> int:
        return HEAD + STEP * max(len(self.left), len(self.right)) + (22 if self.note else 0)

    def pin(self, name: str) -> tuple[int, int, int]:
        """Where a pin is, and to which side a wire leaves it (-1 left, 1 right)."""
        for side, pins, x in ((-1, self.left, self.x), (1, self.right, self.x + self.width)):
            if name in pins:
                return x, self.y + HEAD + STEP * pins.index(name), side
        raise KeyError(f"{self.name} has no pin {name}")

    def drawn(self) -> str:
        parts = [
            f'<rect x="{self.x}" y="{self.y}" width="{self.width}" height="{self.height}" rx="6" class="box"/>',
            f'<text x="{self.x + self.width / 2}" y="{self.y + 22}" class="name">{escape(self.name)}</text>',
        ]
        for pins, x, anchor in ((self.left, self.x + 8, "start"), (self.right, self.x + self.width - 8, "end")):
            for pin in pins:
                y = self.pin(pin)[1]
                parts.append(f'<text x="{x}" y="{y + 4}" text-anchor="{anchor}">{escape(pin)}</text>')
                parts.append(f'<circle cx="{self.pin(pin)[0]}" cy="{y}" r="3"/>')
        if self.note:
            y = self.y + self.height - 8
            parts.append(f'<text x="{self.x + self.width / 2}" y="{y}" class="note">{escape(self.note)}</text>')
        return "".join(parts)


@dataclass(frozen=True)
class Wire:
    """From a pin to a pin; ``lane`` is the x at which it runs up or down. ``via``: before that at an x to a y."""

    a: Box
    pin_a: str
    b: Box
    pin_b: str
    look: str
    lane: int
    via: tuple[int, int] | None = None

    def drawn(self) -> str:
        (xa, ya, _), (xb, yb, _) = self.a.pin(self.pin_a), self.b.pin(self.pin_b)
        colour, dashes = LOOKS[self.look]
        via = "" if self.via is None else f"H{self.via[0]}V{self.via[1]}"
        way = f"M{xa} {ya}{via}H{self.lane}V{yb}H{xb}"
        return f'<path d="{way}" stroke="{colour}" stroke-dasharray="{dashes}" class="wire"/>'


def svg(title: str, width: int, height: int, parts: Sequence[str]) -> str:
    """A whole drawing; readable on white and on black, because it brings its own ground."""
    style = (
        "text{font:14px sans-serif;fill:#111}.name{font-weight:bold;text-anchor:middle}"
        ".note{font-size:12px;text-anchor:middle}.box{fill:#f6f4ee;stroke:#111;stroke-width:1.5}"
        ".wire{fill:none;stroke-width:2}.small{font-size:12px}"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" width="{width}" '
        f'height="{height}"><title>{escape(title)}</title><style>{style}</style>'
        f'<rect width="{width}" height="{height}" fill="#fff"/>{"".join(parts)}</svg>\n'
    )


def _joint(x: int, y: int, look: str) -> str:
    """Where a wire branches off."""
    return f'<circle cx="{x}" cy="{y}" r="4" fill="{LOOKS[look][0]}"/>'


def _bus(node: Box, amplifiers: Sequence[Box], pins: dict[str, str], selects: Sequence[str], power: str) -> list[str]:
    """Every amplifier on the node's one bus, each with a select line of its own."""
    wires = []
    for number, amplifier in enumerate(amplifiers):
        lanes = iter(range(node.x + node.width + 24, 10_000, 16))
        for theirs, ours, look in (
            ("VIN", power, "power"), ("GND", "GND", "ground"), ("SCK", pins["SCK"], "signal"),
            ("SO", pins["SO"], "signal"), ("CS", selects[number], "select"),
        ):  # fmt: skip
            lane = next(lanes) + (8 if look == "select" and number else 0)
            wires.append(Wire(node, ours, amplifier, theirs, look, lane).drawn())
            if number and look != "select":  # where it branches off
                wires.append(_joint(lane, node.pin(ours)[1], look))
    return wires


def _amplifier(name: str, y: int, x: int = 510) -> Box:
    return Box(f"amplifier, {name}", x, y, ("VIN", "GND", "SCK", "SO", "CS"), ("T+", "T-"), "10 nF from T+ to T-")


def _probe(name: str, amplifier: Box, x: int = 800) -> tuple[Box, list[str]]:
    ends = ("+ (K: green)", "- (K: white)")  # IEC 60584-3
    box = Box(f"{name} probe", x, amplifier.y, ends, (), "insulated junction, 316 sheath", 220)
    lane = amplifier.x + amplifier.width + 40
    return box, [
        Wire(amplifier, "T+", box, "+ (K: green)", "probe", lane).drawn(),
        Wire(amplifier, "T-", box, "- (K: white)", "probe", lane + 20).drawn(),
    ]


def _measuring(node: Box, pins: dict[str, str], selects: Sequence[str], power: str) -> list[str]:
    """What both nodes have on their right: two amplifiers on the node's bus, each with its probe."""
    names = ("core", "ambient")
    amplifiers = [_amplifier(name, 40 + 220 * number) for number, name in enumerate(names)]
    parts = _bus(node, amplifiers, pins, selects, power)
    for name, amplifier in zip(names, amplifiers, strict=True):
        probe, wires = _probe(name, amplifier)
        parts += [*wires, amplifier.drawn(), probe.drawn()]
    return parts


def wired_node() -> str:
    """The AVR node: two amplifiers on its SPI bus, USB to the computer."""
    node = Box(
        "ATmega328P board, 16 MHz", 170, 40, ("USB",),
        ("5 V", "GND", "PB5 SCK", "PB4 MISO", "PB2 select", "PB1 select"),
        "often printed 13, 12, 10 and 9", 230,
    )  # fmt: skip
    computer = Box("computer", 10, 200, (), ("USB",), "minds the buckets", 130)
    parts = _measuring(node, {"SCK": "PB5 SCK", "SO": "PB4 MISO"}, ("PB2 select", "PB1 select"), "5 V")
    parts.append(Wire(node, "USB", computer, "USB", "signal", node.x - 14).drawn())
    parts += [node.drawn(), computer.drawn()]
    parts.append('<text x="10" y="470" class="small">5 V only for boards with a regulator of their own; '
                 "the bare chip wants 3.3 V and levels to match.</text>")  # fmt: skip
    return svg("The wired node: an ATmega328P with two thermocouple amplifiers", 1040, 490, parts)


def wifi_node() -> str:
    """The Wi-Fi node: the same bus, a divider for the battery's voltage."""
    node = Box(
        "Wi-Fi board", 200, 40, ("5 V in", "GND in", "34 (ADC)"),
        ("3.3 V", "GND", "18 SCK", "19 MISO", "5 select", "17 select"), width=200,
    )  # fmt: skip
    converter = Box("converter", 190, 330, ("in +", "in -"), ("5 V", "GND"), "for a battery only", 150)
    divider = Box("2 x 100 kOhm", 190, 480, ("+ end", "- end"), ("middle",), "100 nF from middle to GND", 190)
    supply = Box("battery", 10, 330, (), ("+", "-"), "one lithium cell", 120)
    parts = _measuring(node, {"SCK": "18 SCK", "SO": "19 MISO"}, ("5 select", "17 select"), "3.3 V")
    plus, minus = 150, 168
    parts += [
        Wire(node, "5 V in", converter, "5 V", "power", 360, via=(172, 300)).drawn(),
        Wire(node, "GND in", converter, "GND", "ground", 376, via=(156, 284)).drawn(),
        Wire(node, "34 (ADC)", divider, "middle", "signal", 400, via=(140, 268)).drawn(),
        Wire(supply, "+", converter, "in +", "power", plus).drawn(),
        Wire(supply, "-", converter, "in -", "ground", minus).drawn(),
        Wire(supply, "+", divider, "+ end", "power", plus).drawn(),
        Wire(supply, "-", divider, "- end", "ground", minus).drawn(),
        _joint(plus, supply.pin("+")[1], "power"),
        _joint(minus, supply.pin("-")[1], "ground"),
    ]
    parts += [node.drawn(), supply.drawn(), converter.drawn(), divider.drawn()]
    parts += [
        f'<text x="420" y="{y}" class="small">{words}</text>'
        for y, words in (
            (500, "The divider measures the battery itself, before the converter."),
            (520, "From USB: its 5 V and GND go to the board and to the divider's ends; no converter."),
            (540, "The middle must stay under 3.3 V: measure it before pin 34 is joined."),
        )
    ]
    return svg("The Wi-Fi node: two thermocouple amplifiers and a divider for its battery", 1040, 610, parts)


def bedside() -> str:
    """Lamp, buzzer and button at the bed."""
    board = Box("Wi-Fi board", 40, 40, (), ("5 V", "25", "26", "27", "GND"), width=150)
    buzzer = Box("buzzer with transistor", 340, 20, ("+", "control", "-"), (), "", 200)
    lamp = Box("LED with 330 Ohm", 340, 160, ("+", "-"), (), "", 200)
    button = Box("push button", 340, 280, ("a", "b"), (), "pulled up inside the board", 200)
    parts = [
        Wire(board, "5 V", buzzer, "+", "power", 220).drawn(),
        Wire(board, "25", buzzer, "control", "signal", 236).drawn(),
        Wire(board, "26", lamp, "+", "signal", 252).drawn(),
        Wire(board, "27", button, "a", "signal", 268).drawn(),
        Wire(board, "GND", buzzer, "-", "ground", 300).drawn(),
        Wire(board, "GND", lamp, "-", "ground", 300).drawn(),
        Wire(board, "GND", button, "b", "ground", 300).drawn(),
        _joint(300, board.pin("GND")[1], "ground"),
        _joint(300, lamp.pin("-")[1], "ground"),
    ]
    parts += [box.drawn() for box in (board, buzzer, lamp, button)]
    return svg("The bedside node: buzzer, lamp and button", 570, 420, parts)


def bucket() -> str:
    """Where the probes go, seen from the side."""
    parts = [
        '<path d="M150 80L170 380H390L410 80" fill="none" stroke="#111" stroke-width="3"/>',
        '<path d="M160 230L170 380H390L400 230Z" fill="#eadfc4" stroke="none"/>',
        '<path d="M140 78H270M300 78H420" stroke="#111" stroke-width="5"/>',
        '<text x="430" y="70">lid, loose: steam must get out</text>',
        '<text x="430" y="90" class="small">the cables\' notch twice as wide as they are</text>',
        '<path d="M20 380H560" stroke="#555" stroke-width="2"/>',
    ]
    for name, x, y, words in (
        ("core", 280, 302, "core: 5 cm or more from wall and bottom"), ("wall", 384, 292, "wall: 1 cm from it"),
        ("top", 262, 258, "top: 4 cm under the surface"), ("bottom", 300, 352, "bottom: 4 cm over the bottom"),
    ):  # fmt: skip
        colour, dashes = LOOKS["probe"]
        parts.append(f'<path d="M285 60V78L{x} {y}" stroke="{colour}" stroke-dasharray="{dashes}" class="wire"/>')
        parts.append(f'<circle cx="{x}" cy="{y}" r="5" fill="{colour}"/>')
        at = {"core": 312, "wall": 284, "top": 256, "bottom": 355}[name]
        parts.append(f'<path d="M{x + 6} {y}L425 {at - 4}" stroke="#999" stroke-width="1"/>')
        parts.append(f'<text x="430" y="{at}">{escape(words)}</text>')
    parts += [
        f'<circle cx="70" cy="230" r="5" fill="{LOOKS["probe"][0]}"/>',
        f'<path d="M70 225V60H285" stroke="{LOOKS["probe"][0]}" stroke-dasharray="{LOOKS["probe"][1]}" class="wire"/>',
        '<text x="12" y="255">ambient: an arm\'s</text><text x="12" y="273">length away, out</text>',
        '<text x="12" y="291">of the sun, off</text><text x="12" y="309">the floor</text>',
        '<path d="M285 60C285 10 330 10 350 30C362 46 380 46 390 28C396 18 410 14 424 14" stroke="#111" fill="none" '
        'stroke-width="2"/>',
        '<text x="430" y="20" class="small">to the box: with a drip loop, never over the buckets</text>',
        '<text x="430" y="120" class="small">all probes out before every blending</text>',
        '<text x="430" y="215" class="small">paste at most to half the bucket: it foams and spits</text>',
    ]
    return svg("Where the probes go in a bucket of paste, seen from the side", 760, 400, parts)


DRAWINGS = {"wired_node": wired_node, "wifi_node": wifi_node, "bedside": bedside, "bucket": bucket}


def main() -> None:
    """Write all drawings."""
    for name, draw in DRAWINGS.items():
        (FOLDER / f"{name}.svg").write_text(draw(), encoding="utf-8")


if __name__ == "__main__":
    main()
