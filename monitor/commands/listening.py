"""Listening to one node from a command, as the watch would: the very same source, and what came of its lines."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import replace
from types import TracebackType

from monitor.clock import ArrivalClock
from monitor.sensing.listened import Listened
from monitor.sensing.senml import FAULTS, ProbeSettings
from monitor.settings import MqttSource, Settings, Source
from monitor.sources.line import Line
from monitor.sources.mqtt import MqttSource as MqttReader
from monitor.watch_parts import probe_settings, sources_of


class Listening:
    """A with statement: the source runs inside it. ``probes`` overrides the probes' settings."""

    def __init__(
        self, settings: Settings, source: Source, probes: Mapping[tuple[str, str], ProbeSettings] | None = None
    ) -> None:
        # Under a name of its own, and keeping nothing, so that a running watch loses no message to us.
        one = replace(source, client_id=f"{source.client_id}-check") if isinstance(source, MqttSource) else source
        self.clock = ArrivalClock()
        self.heard = Listened(self.clock.now(), probe_settings(settings) if probes is None else probes)
        self._bucket, self._lock, self._stop = source.bucket, threading.Lock(), threading.Event()
        self._source = sources_of(replace(settings, sources=(one,)), self.clock)[0]
        if isinstance(self._source, MqttReader):
            self._source.forget_session()
        self._thread = threading.Thread(target=self._source.run, args=(self._deliver, self._stop), daemon=True)

    def __enter__(self) -> Listening:
        self._thread.start()
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _value: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(5.0)
        health = self._source.health()
        with self._lock:
            self.heard.faults.update({kind: n for kind, n in health.faults.items() if kind in FAULTS})

    @property
    def says(self) -> str:
        """What the source says of itself."""
        return self._source.health().says

    def wait(self, seconds: float) -> None:
        """Listen for so long, or until the source has nothing more."""
        until = time.monotonic() + seconds
        while time.monotonic() < until and self._thread.is_alive():
            time.sleep(min(0.1, max(0.0, until - time.monotonic())))

    def values(self, bucket: str, probe: str, last_s: float) -> list[float]:
        """What a probe has shown in the last ``last_s`` seconds, °C."""
        from_s = self.clock.now() - last_s
        with self._lock:
            found = self.heard.latest(bucket, probe)
        return [one.temperature_c for one in found if one.temperature_c is not None and one.arrival_s >= from_s]

    def _deliver(self, line: Line) -> None:
        with self._lock:
            self.heard.take(line.data, line.arrival_s, retained=line.retained, default_bucket=self._bucket)
        if line.ack is not None:
            line.ack()
