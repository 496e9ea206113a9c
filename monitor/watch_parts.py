"""From settings to the parts that watch wires: sources, probe settings, people."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.clock import ArrivalClock
from monitor.judgement import escalation
from monitor.phone.people import Person
from monitor.sensing.senml import ProbeSettings
from monitor.settings import MqttSource as MqttSettings
from monitor.settings import SerialSource as SerialSettings
from monitor.settings import Settings
from monitor.sources.line import Source
from monitor.sources.mqtt import MqttSource
from monitor.sources.recording import RecordingSource
from monitor.sources.serial_port import SerialSource

# What the last watch's clock left, in the journal.
CLOCK_KEY = "clock"


def sources_of(settings: Settings, clock: ArrivalClock) -> list[Source]:
    """One source for each [[source]] of the settings."""
    sources: list[Source] = []
    for one in settings.sources:
        if isinstance(one, SerialSettings):
            sources.append(SerialSource(one.port, one.baud, clock=clock, name=one.name))
        elif isinstance(one, MqttSettings):
            sources.append(
                MqttSource(
                    one.host,
                    one.port,
                    clock=clock,
                    name=one.name,
                    topic=one.topic,
                    client_id=one.client_id,
                    username=one.username,
                    password=None if one.password is None else one.password.reveal(),
                    tls=one.tls,
                    ca_file=one.ca_file,
                )
            )
        else:
            sources.append(RecordingSource(one.path, clock=clock, name=one.name))
    return sources


def probe_settings(settings: Settings) -> dict[tuple[str, str], ProbeSettings]:
    """The probes' settings as the decoder wants them, by (bucket, probe)."""
    return {(bucket.name, probe.probe): probe for bucket in settings.buckets for probe in bucket.probes}


def people_of(settings: Settings) -> list[Person]:
    """The people to ring, in the order of the settings."""
    return [
        Person(
            one.name,
            tuple(route.reveal() for route in one.routes),
            one.waking_hours,
            one.knows_the_trade,
            one.language,
            one.units,
            one.reminders,
            one.on_call,
        )
        for one in settings.people
    ]


def for_escalation(person: Person) -> escalation.Person:
    """A person as `escalation` wants one: whether the trade is known, and the waking hours."""
    hours = person.waking_hours
    start = getattr(hours, "start_minute", 7 * 60)
    end = getattr(hours, "end_minute", 22 * 60)
    return escalation.Person(person.name, person.knows_the_trade, start, end)


def sleeping_hours(settings: Settings, people: Sequence[Person]) -> Callable[[str, float], bool]:
    """(name, Unix time) -> whether that lies outside the person's waking hours; nobody unknown sleeps."""
    rules = escalation_rules(settings)
    known = {person.name: for_escalation(person) for person in people}

    def asleep(name: str, at_s: float) -> bool:
        return name in known and not escalation.is_awake(known[name], at_s, rules)

    return asleep


def escalation_rules(settings: Settings) -> escalation.Settings:
    """The times of telling, by the clock of the place."""

    def utc_offset_s(at_s: float) -> float:
        offset = settings.local_time(at_s).utcoffset()
        return 0.0 if offset is None else offset.total_seconds()

    return escalation.Settings(utc_offset_s=utc_offset_s)
