"""What is counted of a source is told in words, and the totals outlive a restart."""

from __future__ import annotations

from pathlib import Path

from monitor import counted
from tests.helpers_watch import NIGHT_S, Bench, StillSource, pack, settings_with


def test_damaged_lines_are_told_with_their_commonest_cause() -> None:
    """One sentence for all damage of a source; what is no damage has a sentence of its own, or none."""
    totals = {
        ("wire", "bad_crc"): 7, ("wire", "bad_json"): 2, ("wire", "cut_line"): 1, ("wire", "sent_again"): 4,
        ("broker", "other_unit"): 1, ("broker", "disconnected"): 2, ("broker", "bad_json"): 0,
    }  # fmt: skip
    assert counted.notes(totals) == [
        "broker: the broker went away 2 times so far.",
        'broker: 1 value in another unit passed over so far: have the node send °C as "u":"Cel".',
        "wire: 10 damaged lines so far, passed over (most of them: the check sum does not fit: damaged on the way).",
    ]


def test_the_totals_of_decoder_and_source_go_on_after_a_restart(tmp_path: Path) -> None:
    """Both kinds are in the journal, and a new watch counts on from there."""
    source = StillSource()
    source.faults = {"unplugged": 2}
    bench = Bench(tmp_path, NIGHT_S - 10.0, settings_with("shed-1"), [source])
    for expected in (1, 2):
        bench.line(bench.now_s + 1.0, b"[damaged")
        bench.line(bench.now_s + 1.0, pack("shed-7", 20.0))
        bench.until(bench.now_s + 120.0)
        assert bench.desk.counters() == {
            ("wire", "bad_json"): expected, ("wire", "other_bucket"): expected, ("wire", "unplugged"): 2 * expected,
        }  # fmt: skip
        bench.stop()
        bench.start()
    bench.close()
