"""``check`` of a site that is divided among watches: whether each bucket has one of them, and whether they live."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.commands.common import open_journal_to_read
from monitor.sensing.division import part_words
from monitor.settings import MqttSource, Settings
from monitor.sources.presence import BrokerUnavailable, Presence, heard_watches
from monitor.words import several, tr


def division_lines(settings: Settings) -> Iterator[tuple[bool | None, str]]:
    """(whether it is well, one sentence) for each thing that the division hangs on."""
    division = settings.division
    for sentence in settings.division_faults:
        yield False, sentence
    if not settings.division_faults:
        yield True, tr("each bucket of the settings is minded by one of {watches}.", watches=several(division.names))
    if division.undecided:
        yield (
            None,
            tr(
                "which watch this is, nobody has said: --name, EMBERPAIL_WATCH, or name under [watch] in the settings."
            ),
        )
        return
    yield None, part_words(division)
    for bucket in _strays(settings):
        yield (
            None,
            tr(
                "a batch runs here in {bucket}, which is another watch's; it is minded here to its end.",
                bucket=bucket,
            ),
        )
    yield from _presence(settings)


def _strays(settings: Settings) -> list[str]:
    try:
        journal = open_journal_to_read(settings)
        if journal is None:
            return []
        with journal:
            return sorted(one.bucket for one in journal.running_batches() if not settings.division.minds(one.bucket))
    except (ValueError, OSError):
        return []  # the journal's own line says it


def _presence(settings: Settings) -> Iterator[tuple[bool | None, str]]:
    """What the watches' own words on the broker say, kept there for whoever asks."""
    source = next((one for one in settings.sources if isinstance(one, MqttSource)), None)
    topic = settings.heartbeat.topic.removesuffix(f"/{settings.division.own}")
    if source is None or not topic:
        return
    try:
        heard = heard_watches(source, topic)
    except BrokerUnavailable:
        return  # the source's own line says it
    for name in settings.division.names:
        yield _of(name, heard.get(name), settings)
    for name in sorted(set(heard) - set(settings.division.names)):
        if heard[name].state in ("minding", "amiss"):
            yield False, tr("a watch {name} runs that these settings do not know: it goes by others.", name=name)


def _of(name: str, heard: Presence | None, settings: Settings) -> tuple[bool | None, str]:
    if heard is None:
        return None, tr("the watch {name} has never said anything on the broker.", name=name)
    if heard.minds and heard.minds != dict(settings.division.shares)[name]:
        return False, tr(
            "the watch {name} goes by other settings: it minds {buckets}.", name=name, buckets=several(heard.minds)
        )
    if heard.state == "minding":
        return True, tr("the watch {name} is minding, as it says on the broker.", name=name)
    return False, tr('the watch {name} says "{state}" on the broker.', name=name, state=heard.state)
