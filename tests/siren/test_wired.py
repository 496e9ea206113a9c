"""The siren through the running watch: an alarm in the journal sounds at the bed, and the button answers it there."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.clock import ArrivalClock
from monitor.domain import Batch, OilShare, Recipe, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.running import Running
from monitor.settings import BucketSettings, Settings, SirenSettings
from monitor.toml_tables import Secret
from tests.siren.test_siren import ACCESS, USERS, Node
from tests.sources.conftest import Broker, wait_until

pytestmark = pytest.mark.broker


def test_an_alarm_sounds_and_its_button_is_noted_in_the_journal(
    new_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """Under the name that the settings give the siren."""
    access, passwords = tmp_path / "access", tmp_path / "passwords"
    access.write_text(ACCESS)
    passwords.write_text("".join(f"{user}:pass word\n" for user in USERS))
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
    access.chmod(0o700)
    passwords.chmod(0o700)
    broker = new_broker(f"acl_file {access}\npassword_file {passwords}", anonymous=False).start()
    clock = ArrivalClock()
    batch = Batch(
        "Quillmarsh 12", "shed-2", clock.now() - 60.0, Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3),
        Vessel(25, "bare"),
    )  # fmt: skip
    settings = Settings(
        buckets=(BucketSettings("shed-2", 25.0),),
        siren=SirenSettings(
            "bedside", "127.0.0.1", broker.port, username="watch", password=Secret("pass word"), button=True
        ),
        journal_path=tmp_path / "journal.sqlite",
    )
    stop = threading.Event()
    with Journal(settings.journal_path) as journal:
        journal.add_batch(batch)
        running = Running(settings, journal, clock, [], serve_page=False, say=lambda words: None)
        thread = threading.Thread(target=running.run, args=(stop,), daemon=True)
        thread.start()
        node = Node(broker, username="bed", password="pass word")
        try:
            with Journal(settings.journal_path) as other:
                other.save_alarm(
                    AlarmRecord(
                        alarm_id="shed-2/Quillmarsh 12/too_hot/1", kind="too_hot", bucket="shed-2", batch=batch.name,
                        state="unacknowledged", urgency="now", probability=0.99, raised_at_s=clock.now(),
                        message_id="too_hot", says="Hot.", do="Look.",
                    )
                )  # fmt: skip
                values = node.wait("now", 20.0)
                assert values["buckets"] == ["shed-2"]
                node.press({"n": values["n"], "act": "going"})
                wait_until(lambda: other.acts(batch.name), what="the answer in the journal")
                assert [(act.act, act.who) for act in other.acts(batch.name)] == [("going", "bedside")]
                assert [one.ok for one in other.health() if one.part == "siren"] == [True]
        finally:
            stop.set()
            thread.join(10.0)
            running.close()
            node.wait("stopped")
            node.end()
