"""The whole daemon as a grower starts it: what it leaves at the bed when it is killed, and when it is stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.siren.state import TOPIC
from tests.siren.test_siren import Node
from tests.sources.conftest import Broker, wait_until

pytestmark = pytest.mark.broker
ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(("ending", "left"), [(signal.SIGKILL, "unknown"), (signal.SIGTERM, "stopped")])
def test_what_the_daemon_leaves_behind(broker: Broker, tmp_path: Path, ending: signal.Signals, left: str) -> None:
    """Killed, the broker's last will speaks (its number is 0); stopped, the daemon says so itself. Either is kept."""
    settings = tmp_path / "emberpail.toml"
    settings.write_text(
        f'[siren]\nhost = "127.0.0.1"\nport = {broker.port}\n[journal]\npath = "{tmp_path / "journal.sqlite"}"\n'
    )
    node = Node(broker)
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "watch", "--settings", str(settings), "--no-page"],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_until(lambda: any(values["n"] > 0 for values in node.of(TOPIC)), 30.0, what="the daemon's own state")
        before = node.of(TOPIC)[-1]["n"]
        process.send_signal(ending)
        process.wait(15.0)
        wait_until(lambda: node.of(TOPIC)[-1]["n"] != before, what="what it leaves")
        late = Node(broker)
        try:
            values = late.wait(left)
        finally:
            late.end()
        assert (values["n"] == 0) == (ending == signal.SIGKILL)
        assert [retained for topic, _, retained in late.heard if topic == TOPIC] == [True]
    finally:
        process.kill()
        process.wait(5.0)
        node.end()
