"""``check`` of a site that is divided among watches: whether each bucket has one of them, and whether they live."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.commands.common import now_s, open_journal_to_read
from monitor.judgement.phrases import duration
from monitor.sensing.division import part_words
from monitor.settings import MqttSource, Settings
from monitor.sources.presence import BrokerUnavailable, Presence, heard_watches
from monitor.words import several, tr

# What a watch says while it runs; what it says at its end stays true.
_ALIVE = ("minding", "amiss")


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
    at_s = now_s()
    for name in settings.division.names:
        yield _of(name, heard.get(name), settings, at_s)
    for name in sorted(set(heard) - set(settings.division.names)):
        word = heard[name]
        if word.state not in _ALIVE:
            continue
        if word.at_s is not None and not word.is_fresh(at_s):  # perhaps one that was given up long ago
            yield None, _stale_words(name, word, at_s)
        else:
            yield False, tr("a watch {name} runs that these settings do not know: it goes by others.", name=name)


def _of(name: str, heard: Presence | None, settings: Settings, at_s: float) -> tuple[bool | None, str]:
    if heard is None:
        return None, tr("the watch {name} has never said anything on the broker.", name=name)
    if heard.minds and heard.minds != dict(settings.division.shares)[name]:
        return False, tr(
            "the watch {name} goes by other settings: it minds {buckets}.", name=name, buckets=several(heard.minds)
        )
    if heard.state in _ALIVE and not heard.is_fresh(at_s):
        return False, _stale_words(name, heard, at_s)
    if heard.state == "minding":
        return True, tr("the watch {name} is minding, as it says on the broker.", name=name)
    return False, tr('the watch {name} says "{state}" on the broker.', name=name, state=heard.state)


def _stale_words(name: str, heard: Presence, at_s: float) -> str:
    """What stays on the broker when it loses its power together with the watch: nobody is left to take it back."""
    if heard.at_s is None:
        return tr(
            'the watch {name} says "{state}" on the broker, but not since when: it may be gone.', name=name,
            state=heard.state,
        )  # fmt: skip
    age = duration(abs(at_s - heard.at_s) / 60.0)
    if heard.at_s > at_s:
        return tr(
            'the watch {name} says "{state}" on the broker, at a time {age} ahead of this computer\'s clock: set the '
            "clocks right, for whether it still lives cannot be told.",
            name=name, state=heard.state, age=age,
        )  # fmt: skip
    return tr(
        'the watch {name} said "{state}" on the broker {age} ago and nothing since, though it does so every minute: it '
        "is gone, or its computer's clock is wrong.",
        name=name, state=heard.state, age=age,
    )  # fmt: skip
