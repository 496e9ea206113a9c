"""Views -> HTML: all buckets, and one bucket. Pure: a view and a clock's face (``local_time``) in, text out.

Every text that came from outside (names over the wire, words of the log) passes through ``_text`` on its way into
the markup; nothing else may be put between tags.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from urllib.parse import quote

from monitor.curve import BatchCurve
from monitor.page import curves
from monitor.page.drawing import drawing
from monitor.page.forms import READ_ONLY, Hand, alarm_buttons, note_something, quiet_buttons
from monitor.page.parts import (
    HOLE,
    LocalTime,
    address_of,
    age_words,
    call_link,
    name_of,
    page,
    plain_page,
    with_markup,
)
from monitor.page.parts import cautions_list as _cautions
from monitor.page.parts import clock as _clock
from monitor.page.parts import text_of as _text
from monitor.page.plan_page import plan_address
from monitor.page.small_chart import small_svg
from monitor.page.view import (
    DAYLIGHT,
    EMPTY,
    NOW,
    QUIET,
    STALE,
    STANDING_WORDS,
    STANDINGS,
    AlarmView,
    BucketView,
    LogLine,
    RecordView,
    StatusView,
)
from monitor.page.what_if_address import what_if_address
from monitor.words import DAY_DATE_TIME, quantity, tr, when

__all__ = ["age_words", "bucket_page", "plain_page", "record_page", "status_page"]

# One shape a state, so that it can be told without colour: octagon, triangle, dashed ring, disc with tick, empty ring.
_SHAPES = {
    NOW: '<path d="M9 2h10l7 7v10l-7 7H9l-7-7V9z"/><text class="sign" x="14" y="20">!</text>',
    DAYLIGHT: '<path d="M14 3 26 25H2z"/><text class="sign" x="14" y="22">!</text>',
    STALE: '<circle cx="14" cy="14" r="11" stroke-dasharray="4 3"/><text class="sign" x="14" y="19">?</text>',
    QUIET: '<circle cx="14" cy="14" r="11"/><path d="M8 14l4 5 8-9"/>',
    EMPTY: '<circle cx="14" cy="14" r="8"/>',
}


def status_page(view: StatusView, local_time: LocalTime) -> str:
    """All buckets, the worst first."""
    order = sorted(view.buckets, key=lambda bucket: STANDINGS.index(bucket.standing))
    cards = "".join(_card(bucket, view, local_time) for bucket in order)
    if not cards:
        words = tr(
            "No bucket has been heard of yet. A bucket shows up here with its first reading, or when a batch is "
            "started in it."
        )
        cards = f'<p class="panel">{_text(words)}</p>'
    body = f'{_head(view, local_time)}{_glance(order)}<div class="list">{cards}</div>{_foot(view)}'
    return page(_title(view), body)


# The panel with a curve, for a page whose address is given.
Draw = Callable[[BatchCurve, str], str]
_CURVE_SCRIPT = '<script src="/static/curve.js" type="module"></script>\n'


def bucket_page(
    bucket: BucketView, view: StatusView, local_time: LocalTime, hand: Hand = READ_ONLY, draw: Draw | None = None
) -> str:
    """One bucket: its card, what can be noted of it, curve, figures, alarms and log."""
    parts = [
        _head(view, local_time),
        f'<a class="back" href="/">&#8592; {_text(tr("all buckets"))}</a>',
        _card(bucket, view, local_time, link=False, hand=hand),
        _in_full(bucket),
        note_something(bucket, hand),
        _drawing(curves.of_bucket(bucket, view.at_s), address_of(bucket.name), local_time, draw),
        _numbers(bucket.numbers),
        _past_alarms(bucket.past_alarms, view.at_s, local_time),
        _log(bucket.log, view.at_s, local_time, "" if bucket.batch is None else address_of(bucket.name, "/log")),
        _foot(view),
    ]
    return page(f"{bucket.name}: {tr(STANDING_WORDS[bucket.standing])}", "".join(parts), _CURVE_SCRIPT)


def record_page(record: RecordView, local_time: LocalTime, draw: Draw | None = None) -> str:
    """One batch, running or ended, to read."""
    under = tr("runs in {bucket}", bucket=record.bucket) if record.running else tr("ended")
    where = " · ".join(filter(None, (record.place, under)))
    back = address_of(record.bucket) if record.running else "/"
    back_words = tr("to {bucket}", bucket=record.bucket) if record.running else tr("all buckets")
    says = "".join(f"<p>{_text(sentence)}</p>" for sentence in record.says)
    was = "".join(f"<li>{_text(sentence)}</li>" for sentence in record.corrections)
    parts = [
        f"<header><h1>{_text(record.name)}</h1><p>{_text(where)}</p></header>",
        f'<a class="back" href="{back}">&#8592; {_text(back_words)}</a>',
        f'<section class="panel">{_cautions(record.cautions)}</section>' if record.cautions else "",
        f'<section class="panel"><h2>{_text(tr("How it stood"))}</h2>{says}</section>' if says else "",
        _table(tr("Record"), record.rows, "h2"),
        f'<a class="button" href="{plan_address(record.name)}">{_text(tr("Plan another like it"))}</a>'
        if record.weighed
        else "",
        _drawing(curves.of_record(record), f"/batch/{quote(record.name, safe='')}", local_time, draw),
        _past_alarms(record.past_alarms, record.at_s, local_time),
        _log(record.log, record.at_s, local_time),
        f'<section class="panel"><h3>{_text(tr("Corrected"))}</h3><ul class="log">{was}</ul></section>' if was else "",
        f'<a class="button" href="{what_if_address(record.name)}">{_text(tr("Would it have rung?"))}</a>',
        _foot(StatusView(record.at_s, emergency_number=record.emergency_number, first_aid=record.first_aid)),
    ]
    return page(record.name, "".join(parts), _CURVE_SCRIPT)


def _title(view: StatusView) -> str:
    ringing = sum(bucket.standing == NOW for bucket in view.buckets)
    waiting = sum(bucket.standing in (DAYLIGHT, STALE) for bucket in view.buckets)
    if ringing:
        return tr("({n}) Act now - Emberpail", n=ringing)
    return f"({waiting}) Emberpail" if waiting else "Emberpail"


def _glance(buckets: Sequence[BucketView]) -> str:
    """Every bucket in one line each, where there are several: an old phone shows hardly more than one card at once."""
    if len(buckets) < 2:
        return ""
    rows = "".join(
        f'<li><a class="state state-{bucket.standing}" href="#{name_of(bucket.name)}">{_shape(bucket.standing)}'
        f"<b>{_text(bucket.name)}</b> <span>{_text(_short_reading(bucket))}</span> "
        f"<span>{_text(tr(STANDING_WORDS[bucket.standing]))}</span></a></li>"
        for bucket in buckets
    )
    return f'<ul class="glance">{rows}</ul>'


def _short_reading(bucket: BucketView) -> str:
    """The temperature where it is of the present; an old one stands on the card, marked as such."""
    if bucket.is_stale or bucket.temperature_c is None:
        return ""
    return quantity(bucket.temperature_c, "degC")


def _shape(standing: str) -> str:
    return f'<svg viewBox="0 0 28 28" aria-hidden="true">{_SHAPES[standing]}</svg>'


# ---- the parts of a page ------------------------------------------------------------------------------------------


def _head(view: StatusView, local_time: LocalTime) -> str:
    parts = [
        f"<header><h1>{_text(view.place or 'Emberpail')}</h1>",
        f'<p>{_as_of(view.at_s, local_time)}</p></header>',
    ]
    troubles = []
    if view.invented:
        troubles.append(f"<li>{_text(tr('Demo: these buckets, this place and this night are invented.'))}</li>")
    for sentence in view.watch:
        words = _text(sentence)
        troubles.append(f'<li data-announce="{words}"><strong>{_text(tr("The watch itself:"))}</strong> {words}</li>')
    if view.no_phone:
        troubles.append(
            f"<li><strong>{_text(tr('Nobody can be rung:'))}</strong> "
            f"{_text(tr('no phone route is set. An alarm shows on this page only.'))}</li>"
        )
    if troubles:
        parts.append(f'<ul class="trouble">{"".join(troubles)}</ul>')
    return "".join(parts)


def _as_of(at_s: float, local_time: LocalTime) -> str:
    """When it was so, to the second: a page that stands still gives itself away."""
    at = local_time(at_s)
    seconds = f":{at:%S}"
    stamp = f'<time datetime="{at.isoformat(timespec="seconds")}">{_text(when(at, DAY_DATE_TIME))}{seconds}</time>'
    return with_markup(tr("As of {time}", time=HOLE), stamp)


def _foot(view: StatusView) -> str:
    first_aid = f"<p>{_text(view.first_aid)}</p>" if view.first_aid else ""
    notes = "".join(f"<p><small>{_text(note)}</small></p>" for note in view.notes)
    limits = tr(
        "Potash used up says how far the reaction went. It does not say that nothing caustic is left: paste burns "
        "until it has been diluted and tested."
    )
    return f"<footer><p>{_text(limits)}</p>{first_aid}{call_link(view.emergency_number)}{notes}</footer>"


def _card(
    bucket: BucketView, view: StatusView, local_time: LocalTime, *, link: bool = True, hand: Hand = READ_ONLY
) -> str:
    standing = bucket.standing
    batch = " · ".join(words for words in (bucket.batch or "", bucket.stage_words) if words)
    parts = [
        f'<article class="bucket state-{standing}" id="{name_of(bucket.name)}">',
        f'<p class="state">{_shape(standing)}{_text(tr(STANDING_WORDS[standing]))}</p>',
        f"<h2>{_text(bucket.name)}<small>{_text(batch or tr('nothing in it is being minded'))}</small></h2>",
        _figure(bucket),
    ]
    ranked = _worst_first(bucket.alarms)
    others = ranked[1:]
    parts += [_alarm(alarm, bucket, view, local_time, hand) for alarm in ranked[:1]]
    if link and others:  # one glance for all buckets; the bucket's own page has the rest
        also = "; ".join(alarm.says.partition(":")[0] for alarm in others)
        parts.append(f'<p class="also">{_text(tr("Also: {alarms}.", alarms=also))}</p>')
    else:
        parts += [_alarm(alarm, bucket, view, local_time, hand) for alarm in others]
    parts += [f'<p class="fault">{_text(fault)}</p>' for fault in bucket.probe_faults]
    if bucket.next_action:
        parts.append(_cautions(bucket.cautions))
        parts.append(f'<p class="next"><strong>{_text(tr("Next:"))}</strong> {_text(bucket.next_action)}</p>')
    if link and bucket.batch is not None:
        parts.append(small_svg(bucket.curve, band=bucket.band, local_time=local_time))
    if bucket.completeness:
        left = tr("Potash left: {potash_left}.", potash_left=bucket.potash_left) if bucket.potash_left else ""
        # An old figure is told as an old one.
        used = tr("Potash used up at the last reading:") if bucket.is_stale else tr("Potash used up:")
        no_measure = " ".join(filter(None, (tr("Not a measure of what is left."), left)))
        parts.append(
            f'<p class="used">{_text(used)} <strong>{_text(bucket.completeness)}</strong>'
            f"<small>{_text(no_measure)}</small></p>"
        )
    # What one could sleep on was said of readings that no longer come; an alarm that stands beside it mends nothing.
    if bucket.outlook and not bucket.is_stale and standing != STALE:
        parts.append(f'<p class="outlook">{_text(bucket.outlook)}</p>')
    if bucket.learned:
        parts.append(f'<p class="learned">{_text(bucket.learned)}</p>')
    if bucket.batch is not None and bucket.steps:
        steps = _text(tr("Steps of {bucket}", bucket=bucket.name))
        parts.append(f'<a class="button" href="{address_of(bucket.name, "/steps")}">{steps}</a>')
    if link:
        words = (
            tr("What to do in full, curve and log of {bucket}", bucket=bucket.name)
            if bucket.alarms
            else tr("Curve and log of {bucket}", bucket=bucket.name)
        )
        parts.append(f'<a class="button" href="{address_of(bucket.name)}">{_text(words)}</a>')
    return "".join([*parts, "</article>"])


def _figure(bucket: BucketView) -> str:
    stale = bucket.is_stale
    if bucket.temperature_c is None or not math.isfinite(bucket.temperature_c):
        none, come = tr("no reading"), tr("No paste temperature has come.")
        return f'<p class="figure none">{_text(none)}</p><p class="age aged">{_text(come)}</p>'
    aged = " aged" if stale else ""
    age = age_words(bucket.temperature_age_s)
    words = (
        tr("Last reading {age}: too old to go by.", age=age)
        if stale
        else " · ".join(filter(None, (bucket.direction, tr("read {age}", age=age))))
    )
    value, _, unit = quantity(bucket.temperature_c, "degC").partition(" ")
    figure = f'<p class="figure{aged}"><b>{_text(value)}</b><small> {_text(unit)}</small></p>'
    return f'{figure}<p class="age{aged}">{_text(words)}</p>'


def _worst_first(alarms: Iterable[AlarmView]) -> list[AlarmView]:
    return sorted(alarms, key=lambda alarm: (alarm.urgency != "now", alarm.since_s))


def _alarm(alarm: AlarmView, bucket: BucketView, view: StatusView, local_time: LocalTime, hand: Hand) -> str:
    announce = f' data-announce="{_text(alarm.says)}"' if alarm.urgency == "now" else ""
    state = f" · {_text(alarm.state_words)}" if alarm.state_words else ""
    since = with_markup(tr("since {time}", time=HOLE), _clock(alarm.since_s, view.at_s, local_time))
    return (
        f'<div class="alarm"{announce}>{_words(alarm)}<p class="since">{since}{state}</p>'
        f"{alarm_buttons(alarm, bucket, hand)}{quiet_buttons(alarm, bucket, hand)}</div>"
    )


def _words(alarm: AlarmView) -> str:
    """The short words where there are some, or all of them. The caution stands before the deed: whoever is half
    asleep reads no further than the deed."""
    if alarm.short:
        return f'<p class="says">{_text(alarm.short)}</p>{_cautions(alarm.cautions)}'
    return f'<p class="says">{_text(alarm.says)}</p>{_cautions(alarm.cautions)}<p class="do">{_text(alarm.do)}</p>'


def _in_full(bucket: BucketView) -> str:
    """What the short words of the card leave out."""
    alarms = [alarm for alarm in _worst_first(bucket.alarms) if alarm.short]
    if not alarms:
        return ""
    items = "".join(f"<h4>{_text(alarm.says)}</h4><p>{_text(alarm.do)}</p>" for alarm in alarms)
    return f'<section class="panel"><h3>{_text(tr("What to do, in full"))}</h3>{items}</section>'


def _drawing(curve: BatchCurve, base: str, local_time: LocalTime, draw: Draw | None) -> str:
    return drawing(curve, local_time) if draw is None else draw(curve, base)


def _numbers(numbers: Iterable[tuple[str, str]]) -> str:
    return _table(tr("Figures"), numbers)


def _table(title: str, rows: Iterable[tuple[str, str]], level: str = "h3") -> str:
    lines = "".join(f'<tr><th scope="row">{_text(what)}</th><td>{_text(value)}</td></tr>' for what, value in rows)
    heading = f"<{level}>{_text(title)}</{level}>"
    return f'<section class="panel">{heading}<table>{lines}</table></section>' if lines else ""


def _past_alarms(alarms: Iterable[AlarmView], now_s: float, local_time: LocalTime) -> str:
    rows = "".join(
        f"<li>{_clock(alarm.since_s, now_s, local_time)} {_text(alarm.says)} "
        f"<small>{_text(alarm.state_words)}</small></li>"
        for alarm in alarms
    )
    title = _text(tr("Alarms that are over"))
    return f'<section class="panel"><h3>{title}</h3><ul class="log">{rows}</ul></section>' if rows else ""


def _log(lines: Iterable[LogLine], now_s: float, local_time: LocalTime, whole: str = "") -> str:
    """``whole`` is where the log stands with what was struck, and can be put right."""
    rows = []
    for line in lines:
        noted = ""
        if line.noted_at_s:
            words = with_markup(tr("(noted {time})", time=HOLE), _clock(line.noted_at_s, now_s, local_time))
            noted = f" <small>{words}</small>"
        rows.append(f"<li>{_clock(line.at_s, now_s, local_time)} {_text(line.words)}{noted}</li>")
    title = _text(tr("Log"))
    mend = _text(tr("Whole log, and moving an entry to the right bucket"))
    link = f'<a class="button" href="{whole}">{mend}</a>' if whole else ""
    if not rows and not link:
        return ""
    return f'<section class="panel"><h3>{title}</h3><ul class="log">{"".join(rows)}</ul>{link}</section>'
