"""What the Wi-Fi node makes of frames and samples, under MicroPython, held against the watch's own reading of it."""

from __future__ import annotations

import json
import random
import subprocess

import pytest

from monitor.sensing.frames import max31855
from monitor.sensing.senml import Decoder
from tests.firmware.boards import NOTES, PROGRAM, evaluated, needs_micropython

pytestmark = needs_micropython
AT_S = 1_773_480_000.0
# Frames of the MAX31855 datasheet (19-5793 Rev 5, tables 4 and 5), its faults, and no answer.
DATASHEET = (
    0x64007F00, 0x3E806490, 0x064C1900, 0x01901900, 0xFFFCFFF0, 0xFFF0FF00, 0xF060C900, 0x00011901, 0x00011902,
    0x00011904, 0xFFFFFFFF, 0x00000000, 0x01921900, 0x01901908,
)  # fmt: skip
MANY = 400

PACKS = """
import json
from amplifier import reading_of
from ring import Ring
from pack import pack_of
from sys import stdin
for line in stdin:
    asked = json.loads(line)
    ring = Ring(len(asked["probes"]), 8)
    for at_s, supply_mv, frames in asked["samples"]:
        ring.add(at_s, supply_mv, [reading_of(bytes.fromhex(one)) for one in frames])
    print(pack_of("shed-2", asked["probes"], ring.oldest(8), asked["now_s"], asked["unix_s"]))
"""


def packs(asked: list[dict[str, object]]) -> list[str]:
    head = f"import sys\nsys.path.insert(0, {str(NOTES / 'wifi_node')!r})\n"
    done = subprocess.run(
        [str(PROGRAM), "-c", head + PACKS], input="".join(json.dumps(one) + "\n" for one in asked),
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def hex_of(word: int) -> str:
    return f"{word:08x}"


def asked_at_random(chance: random.Random) -> dict[str, object]:
    """Some samples of some probes, at any times since the start."""

    def frame() -> int:
        kind = chance.random()
        if kind < 0.2:
            return chance.choice(DATASHEET)
        if kind < 0.3:
            return chance.getrandbits(32)
        return (chance.randint(-200, 2000) & 0x3FFF) << 18 | (chance.randint(-160, 1360) & 0xFFF) << 4

    probes = chance.sample(["core", "wall", "top", "bottom", "ambient"], chance.randint(1, 5))
    times = sorted(chance.sample(range(0, 50_000), chance.randint(1, 8)))
    return {
        "probes": probes, "now_s": times[-1] + chance.randint(0, 50_000),
        "unix_s": chance.choice([None, int(AT_S)]),
        "samples": [
            [at_s, chance.choice([0, 3300, 2999, 4205]), [hex_of(frame()) for _ in probes]] for at_s in times
        ],
    }  # fmt: skip


def test_the_watch_reads_every_pack_as_it_was_meant() -> None:
    """400 packs drawn at random, with absolute and with relative times: each value, each fault, each time."""
    chance = random.Random(9)
    asked = [asked_at_random(chance) for _ in range(MANY)]
    for one, line in zip(asked, packs(asked), strict=True):
        found = Decoder().decode(line.encode(), AT_S)
        assert found.faults == (), line
        expected = {}
        for at_s, _, frames in one["samples"]:  # type: ignore[attr-defined]
            for probe, text in zip(one["probes"], frames, strict=True):  # type: ignore[call-overload]
                word = int(text, 16)
                frame = max31855(word)
                state = "bus" if word & 7 and not word & (1 << 16) else frame.state
                value = frame.temperature_c if state == "ok" else None
                expected[probe, AT_S - one["now_s"] + at_s] = (state, value)  # type: ignore[operator]
        got = {(r.probe, r.time_s): (r.state, r.temperature_c) for r in found.readings}
        assert got == expected, line
        volts = {AT_S - one["now_s"] + at_s: mv / 1000 for at_s, mv, _ in one["samples"] if mv}  # type: ignore[operator,attr-defined]
        assert {supply.time_s: supply.volts for supply in found.supplies} == volts, line


def test_the_ring_keeps_half_a_day_and_more_in_what_a_board_has() -> None:
    """Fourteen hours of four probes at ten seconds: as many bytes as a small Wi-Fi board can spare, the newest kept."""
    out = evaluated(
        "wifi_node",
        "import gc\nfrom ring import Ring\ngc.collect()\nbefore = gc.mem_alloc()\nring = Ring(4, 14 * 360)\n"
        "print(gc.mem_alloc() - before)\n"
        "for n in range(14 * 360 + 7):\n    ring.add(10 * n, 3300, [(400 + n % 100, 320)] * 4)\n"
        "print(ring.waiting, ring.lost, ring.oldest(1)[0][0])\nring.drop(14 * 360 - 1)\n"
        "print(ring.waiting, ring.oldest(9)[0][0])\n",
    ).splitlines()
    assert 100_000 < int(out[0]) < 125_000
    assert out[1:] == ["5040 7 70", "1 50460"]


def test_the_whole_node_fits_the_board_that_the_notes_name(capsys: pytest.CaptureFixture[str]) -> None:
    """All of its code and the ring, full, with a pack of ten samples in the making and a copy of it: 200 kB of free
    memory do. This computer's MicroPython has words of eight bytes, a board's of four, so a board needs less.
    """
    out = evaluated(
        "wifi_node",
        "import gc, settings\ngc.collect()\nbefore = gc.mem_alloc()\nfrom node import Node\nfrom pack import pack_of\n"
        "class Board:\n    ticks_s = lambda self: 0.0\n"
        "settings.PROBES = {'core': 5, 'wall': 16, 'top': 21, 'ambient': 17}\nnode = Node(Board(), settings)\n"
        "for n in range(14 * 360):\n    node.ring.add(10 * n, 3900, [(400, 320)] * 4)\n"
        "gc.collect()\npack = pack_of('shed-2', node.probes, node.ring.oldest(10), 50400, 1773480000)\n"
        "held = gc.mem_alloc() - before\ngc.collect()\nprint(held, gc.mem_alloc() - before, len(pack))\n",
    )
    most, after, pack = map(int, out.split())
    with capsys.disabled():
        print(f"\nWi-Fi node: {after} bytes of memory, {most + pack} while it sends a pack of {pack} bytes")
    assert 100_000 < after < 150_000 and most + pack < 200_000


def test_a_board_with_less_room_sends_smaller_packs() -> None:
    """Where there is no room for ten samples it tries five, then two, and gives up none of them."""
    out = evaluated(
        "wifi_node",
        "import settings, node\nsent = []\nfull = node.pack_of\n"
        "def pack_of(bucket, probes, samples, now_s, unix_s):\n    if len(samples) > 3:\n        raise MemoryError\n"
        "    return full(bucket, probes, samples, now_s, unix_s)\nnode.pack_of = pack_of\n"
        "class Client:\n    def publish(self, topic, pack):\n        sent.append(pack.count('core\"'))\n"
        "    def close(self, politely):\n        pass\n"
        "class Board:\n    now = 0.0\n    ticks_s = lambda self: self.now\n    unix_s = lambda self: None\n"
        "    supply_mv = lambda self: 0\n    frames = lambda self: [bytes((1, 144, 25, 0))] * 2\n"
        "board = Board()\none = node.Node(board, settings)\n"
        "def connect(link):\n    link.client = Client()\none._connect = connect\none._link._try_at = 95\n"
        "for n in range(300):\n    board.now = n\n    one.turn()\n"
        "print(max(sent), sum(sent), one.ring.waiting, one.ring.lost)\n",
    )
    assert out.split() == ["2", "30", "0", "0"], out


@pytest.mark.parametrize("broken", ["OSError", "MemoryError"])
def test_what_the_broker_has_not_taken_is_handed_over_again(broken: str) -> None:
    """Each second message breaks while it is under way: every sample is taken in the end, in order, and none twice."""
    out = evaluated(
        "wifi_node",
        "import json, settings, node\ntook, tries = [], [0]\n"
        "class Client:\n    def publish(self, topic, pack):\n        tries[0] += 1\n        if tries[0] % 2:\n"
        f"            raise {broken}\n"
        "        took.extend(one['v'] for one in json.loads(pack) if one['n'] == 'core')\n"
        "    def close(self, politely):\n        pass\n"
        "class Board:\n    now = 0.0\n    ticks_s = lambda self: self.now\n    unix_s = lambda self: None\n"
        "    supply_mv = lambda self: 0\n"
        "    frames = lambda self: [bytes((self.now // 60 + 1, 16 * (self.now % 60 // 10), 25, 0))] * 2\n"
        "board = Board()\none = node.Node(board, settings)\n"
        "def connect(link):\n    link.client = Client()\none._connect = connect\n"
        "seen, add = [], one.ring.add\n"
        "def kept(at_s, supply_mv, readings):\n"
        "    seen.append(readings[0][0] / 4)\n    add(at_s, supply_mv, readings)\n"
        "one.ring.add = kept\n"
        "for n in range(600):\n    board.now = n\n    one.turn()\n"
        "print(took == seen[:len(took)], len(set(seen)), len(took), one.ring.waiting, one.ring.lost)\n",
    )
    in_order, different, taken, waiting, lost = out.split()
    assert in_order == "True" and int(different) == 60, out
    assert int(taken) > 40 and int(taken) + int(waiting) == 60 and lost == "0", out
