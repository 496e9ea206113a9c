"""What would have rung, side by side with what rang, and what is shown while it is worked out. Pure."""

from __future__ import annotations

from monitor.page.parts import LocalTime, still_page
from monitor.page.parts import text_of as _text
from monitor.page.what_if_address import what_if_address
from monitor.page.what_if_view import SOONER, SURER, Call, Comparison, Outcome, Progress, Ring, Trial, keys_of
from monitor.words import DAY_TIME, TIME, mark, quantity, several, tr, trc, trn, when

_KINDS = {
    "not_taken": mark("Has not taken"),
    "too_hot": mark("Too hot"),
    "cooled_early": mark("Cools too early"),
    "incomplete": mark("Will stay incomplete"),
    "separated": mark("Has split"),
    "sensor_fault": mark("A probe cannot be believed"),
    "silent": mark("No reading comes"),
}


def under_way_page(progress: Progress) -> str:
    """How far it is. The browser asks again by itself."""
    title = tr("Would it have rung?")
    told = tr("It is being worked out: {percent:.0f} % is done. This page looks again by itself.",
              percent=100.0 * progress.share)  # fmt: skip
    return still_page(
        title,
        f"<header><h1>{_text(title)}</h1><p>{_text(progress.batch)}</p></header>"
        f'<p class="panel" role="status">{_text(told)}</p>'
        f'<progress max="100" value="{100.0 * progress.share:.0f}" aria-label="{_text(tr("done"))}"></progress>'
        f"{_back(progress.batch)}",
    )


def result_page(found: Comparison, local_time: LocalTime) -> str:
    """Every alarm with what became of it then, now, and as tried."""
    title = tr("Would it have rung?")
    columns = columns_of(found)
    cards = "".join(
        _card(key, columns, local_time) for key in keys_of([outcome for _, outcome in columns])
    ) or f'<p class="panel">{_text(tr("No alarm then, and none with these settings."))}</p>'
    sums = "".join(
        f'<tr><th scope="row">{_text(words)}</th><td>{_text(summary(outcome, local_time))}</td></tr>'
        for words, outcome in columns
    )
    said = "".join(f"<p>{_text(sentence)}</p>" for sentence in sentences(found))
    body = [
        f"<header><h1>{_text(title)}</h1><p>{_text(found.batch)}</p></header>",
        _back(found.batch),
        f'<section class="panel"><h2>{_text(tr("In short"))}</h2><table>{sums}</table>{said}</section>',
        cards,
        f'<a class="button" href="{what_if_address(found.batch)}">{_text(tr("Try something else"))}</a>',
    ]
    return still_page(title, "".join(body))


def columns_of(found: Comparison) -> list[tuple[str, Outcome]]:
    """What stands side by side, each with its heading."""
    columns = [(tr("then"), found.then), (tr("with the settings now"), found.now)]
    return columns if found.tried is None else [*columns, (tr("as tried"), found.tried)]


def summary(outcome: Outcome, local_time: LocalTime) -> str:
    """How many alarms, and who was woken."""
    if not outcome.rings:
        return tr("no alarm")
    alarms = trn("{n} alarm", "{n} alarms", len(outcome.rings))
    woken = several([
        tr("{person} ({time})", person=person, time=when(local_time(at_s), DAY_TIME)) for person, at_s in outcome.woken
    ])  # fmt: skip
    if woken:
        return tr("{alarms}; woken: {people}", alarms=alarms, people=woken)
    return tr("{alarms}; nobody woken", alarms=alarms)


def sentences(found: Comparison) -> list[str]:
    """What was tried, what is the same, and what had to be assumed."""
    says = []
    if _same(found.then, found.now):
        says.append(tr("With the settings as they are now the same alarms come at the same times as then."))
    if found.tried is None:
        says.append(tr("Nothing else was tried."))
    else:
        says.append(tr("Tried: {what}.", what="; ".join(_tried(found.trial, found))))
        if _same(found.now, found.tried):
            says.append(tr("As tried the same alarms come at the same times as with the settings now."))
    if found.nobody_now or found.nobody_tried:
        says.append(tr("With no phone route set nobody would be rung; the alarms show on the page only."))
    if found.watch_assumed:
        says.append(
            tr("When the watch ran is no longer known; it is taken to have run all the time, so that a silence then "
               "may ring here.")
        )  # fmt: skip
    says.append(
        tr("What people answered is taken as they answered it then, and every message as if the phone took it at once.")
    )
    return says


def _same(one: Outcome, other: Outcome) -> bool:
    return [(ring.key, ring.raised_at_s, ring.cleared_at_s) for ring in one.rings] == [
        (ring.key, ring.raised_at_s, ring.cleared_at_s) for ring in other.rings
    ]


def _tried(trial: Trial, found: Comparison) -> list[str]:
    if trial.altitude_m is None:
        what = [tr("as at the sea")]
    else:
        what = [tr("{metres:.0f} m above the sea", metres=trial.altitude_m)]
    what = [tr("{height}, too hot from {limit}", height=what[0], limit=quantity(found.too_hot_tried_c, "degC", 1))]
    order = ", ".join(
        f"{one.name} ({one.waking_from // 60:02d}:{one.waking_from % 60:02d}-"
        f"{one.waking_to // 60:02d}:{one.waking_to % 60:02d})"
        for one in trial.people
    )
    what.append(tr("rung in this order: {people}", people=order) if order else tr("nobody is rung"))
    if trial.sureness == SOONER:
        what.append(tr("ringing at less certainty"))
    elif trial.sureness == SURER:
        what.append(tr("ringing only when more certain"))
    return what


def _card(key: tuple[str, str, int], columns: list[tuple[str, Outcome]], local_time: LocalTime) -> str:
    rows = []
    for words, outcome in columns:
        ring = next((one for one in outcome.rings if one.key == key), None)
        told = tr("does not ring") if ring is None else ring_words(ring, local_time)
        rows.append(f'<tr><th scope="row">{_text(words)}</th><td>{_text(told)}</td></tr>')
    return f'<section class="panel"><h2>{_text(title_of(key))}</h2><table>{"".join(rows)}</table></section>'


def title_of(key: tuple[str, str, int]) -> str:
    """An alarm in a few words: its kind, its probe, and the how-manieth it is."""
    kind, probe, number = key
    words = tr(_KINDS[kind]) if kind in _KINDS else kind
    if probe:
        words = tr("{alarm}: {probe}", alarm=words, probe=probe)
    return tr("{alarm}, time {n}", alarm=words, n=number) if number > 1 else words


def ring_words(ring: Ring, local_time: LocalTime) -> str:
    """When it stood, whether it wakes, and who was told."""
    began = when(local_time(ring.raised_at_s), DAY_TIME)
    if ring.cleared_at_s is None:
        stood = tr("from {time} to the end", time=began)
    else:
        stood = tr("{time}, over {end}", time=began, end=_until(ring.cleared_at_s, ring.raised_at_s, local_time))
    urgency = trc("an alarm", "wakes") if ring.urgency == "now" else trc("an alarm", "waits for waking hours")
    calls = "; ".join(_call_words(call, ring, local_time) for call in ring.calls) or tr("nobody was told of it")
    return f"{stood} ({urgency}). {calls[:1].upper()}{calls[1:]}."


def _call_words(call: Call, ring: Ring, local_time: LocalTime) -> str:
    at = _until(call.at_s, ring.raised_at_s, local_time)
    if not call.reached:
        return tr("{person} {time}, not sent", person=call.person, time=at)
    told = trn("{person} {time}", "{person} {time}, {n} times", call.times, person=call.person, time=at)
    if call.woken_s is None:
        return told
    return tr("{told}, woken {time}", told=told, time=_until(call.woken_s, ring.raised_at_s, local_time))


def _until(at_s: float, from_s: float, local_time: LocalTime) -> str:
    at = local_time(at_s)
    return when(at, TIME if at.date() == local_time(from_s).date() else DAY_TIME)


def _back(batch: str) -> str:
    return f'<a class="back" href="{what_if_address(batch, "")}">&#8592; {_text(tr("to {batch}", batch=batch))}</a>'
