"""What the watch and its journal amount to just now, as figures for Prometheus and its like.

Everything is a value of the journal, but for what only the running watch knows. Nothing of it is a secret: names of
buckets, batches and phone routes stand on the page, too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import monitor
from monitor.journal.database import Journal
from monitor.judgement.alarms import STANDING_STATES
from monitor.page.metrics import Family
from monitor.phone_health import health_to_show
from monitor.settings import Settings
from monitor.standing import last_watched_s

_COUNTER, _GAUGE = "counter", "gauge"
# What an estimate says -> (name of the figure, what it is).
_OF_ESTIMATES = {
    "completeness": ("completeness_ratio", "Soap formed as a share of what the recipe promises."),
    "completeness_sd": ("completeness_sd_ratio", "Standard deviation of that share."),
    "final_completeness": ("final_completeness_ratio", "The share expected at the planned dilution."),
    "self_heating_k": ("self_heating_kelvin", "The rise that the batch would have shown had it lost nothing."),
}


def read_metrics(
    to_read: Callable[[], Journal], settings: Settings, now_s: Callable[[], float],
    inside: Callable[[], Mapping[str, float]],
) -> Callable[[], list[Family]]:  # fmt: skip
    """A function that reads them all. ``inside`` tells what only the running watch knows: ``queue_bytes``,
    ``pending_readings``, and ``mirrored`` (the number of the last reading copied), as far as there is one."""

    def read() -> list[Family]:
        with to_read() as journal:
            return metrics(journal, settings, now_s(), inside())

    return read


def metrics(journal: Journal, settings: Settings, now_s: float, inside: Mapping[str, float]) -> list[Family]:
    """Every figure, in the order in which they are printed."""
    families = [
        _one("info", "The version that runs.", _GAUGE, 1.0, version=monitor.__version__),
        *_of_data(journal, now_s),
        *_of_batches(journal),
        *_of_alarms(journal),
        *_of_the_watch(journal, settings, now_s, inside),
    ]
    return families if settings.mirror is None else [*families, *_of_the_mirror(journal, now_s, inside)]


def _of_data(journal: Journal, now_s: float) -> list[Family]:
    latest = journal.latest_of_all()
    places = [{"bucket": one.reading.bucket, "probe": one.reading.probe} for one in latest]
    believed = [
        (place, float(one.reading.temperature_c))
        for place, one in zip(places, latest, strict=True)
        if one.reason is None and one.reading.state == "ok" and one.reading.temperature_c is not None
    ]
    ages = [max(0.0, now_s - one.reading.arrival_s) for one in latest]
    faults = [({"source": source, "kind": kind}, float(n)) for (source, kind), n in journal.counters().items()]
    total = float(journal.last_reading_number())
    return [
        _one("readings_total", "Readings kept since the journal was made.", _COUNTER, total),
        _many("faults_total", "Damaged lines, pulled plugs and values of no use, by source.", _COUNTER, faults),
        _many("reading_age_seconds", "Since the newest reading of a probe arrived.", _GAUGE,
              list(zip(places, ages, strict=True))),
        _many("temperature_celsius", "The newest reading of a probe, where it is believed.", _GAUGE, believed),
        _one("journal_bytes", "The journal's file.", _GAUGE, float(journal.size_bytes())),
    ]  # fmt: skip


def _of_batches(journal: Journal) -> list[Family]:
    running = journal.running_batches()
    estimates = [(batch, journal.last_estimate(batch.name)) for batch in running]
    families = [_one("batches_running", "Batches that run.", _GAUGE, float(len(running)))]
    for key, (name, says) in _OF_ESTIMATES.items():
        said = [
            ({"bucket": batch.bucket, "batch": batch.name}, float(value))
            for batch, estimate in estimates
            if estimate is not None and isinstance(value := estimate.values.get(key), int | float)
        ]
        families.append(_many(name, says, _GAUGE, said))
    return families


def _of_alarms(journal: Journal) -> list[Family]:
    standing = [one for one in journal.alarms(standing_only=True) if one.state in STANDING_STATES]
    each = [
        ({"bucket": one.bucket, "batch": one.batch, "kind": one.kind, "alarm": one.alarm_id, "urgency": one.urgency,
          "state": one.state}, 1.0)
        for one in standing
    ]  # fmt: skip
    count = [
        ({"urgency": urgency}, float(sum(one.urgency == urgency for one in standing)))
        for urgency in ("now", "daylight")
    ]
    return [
        _many("alarms_standing", "Alarms that stand, by urgency.", _GAUGE, count),
        _many("alarm", "An alarm that stands.", _GAUGE, each),
    ]


def _of_the_watch(
    journal: Journal, settings: Settings, now_s: float, inside: Mapping[str, float]
) -> list[Family]:
    waiting = journal.still_to_tell()
    watched_s = last_watched_s(journal)
    parts = [({"part": one.part}, float(one.ok)) for one in health_to_show(journal, settings)]
    oldest_s = min((created_s for _, created_s in waiting.values()), default=now_s)
    families = [
        _many("outbox_messages", "Messages that no service has taken yet.", _GAUGE,
              [({"state": state}, float(waiting.get(state, (0, 0.0))[0])) for state in ("waiting", "failed")]),
        _one("outbox_oldest_seconds", "Since the oldest of them was made.", _GAUGE, max(0.0, now_s - oldest_s)),
        _many("part_ok", "Whether a part of the watch says that it is well.", _GAUGE, parts),
    ]  # fmt: skip
    if watched_s is not None:
        age_s = max(0.0, now_s - watched_s)
        families.append(_one("tick_age_seconds", "Since the buckets were last judged.", _GAUGE, age_s))
    for key, says in (
        ("queue_bytes", "Lines that have come and are not taken in yet."),
        ("pending_readings", "Readings that wait for the next commit."),
    ):
        if key in inside:
            families.append(_one(key, says, _GAUGE, float(inside[key])))
    return families


def _of_the_mirror(journal: Journal, now_s: float, inside: Mapping[str, float]) -> list[Family]:
    state = journal.mirror_state()
    copied = int(inside.get("mirrored", state.get("readings", 0)))
    since_s = journal.waiting_since_s(copied)
    lag_s = 0.0 if since_s is None else max(0.0, now_s - since_s)
    behind = float(max(0, journal.last_reading_number() - copied))
    refused = float(state.get("refused", 0))
    return [
        _one("mirror_behind_readings", "Readings that are not copied yet.", _GAUGE, behind),
        _one("mirror_lag_seconds", "Since the oldest of them arrived.", _GAUGE, lag_s),
        _one("mirror_refused_total", "Points that the mirror's server refused.", _COUNTER, refused),
    ]


def _one(name: str, says: str, kind: str, value: float, **labels: str) -> Family:
    return _many(name, says, kind, [(labels, value)])


def _many(name: str, says: str, kind: str, samples: list[tuple[dict[str, str], float]]) -> Family:
    return Family(f"emberpail_{name}", says, kind, samples)
