"""Views -> HTML. Pure: a view and a clock's face (``local_time``) in, text out.

Every text that came from outside (names over the wire, words of the log) passes through ``_text`` on its way into
the markup; nothing else may be put between tags.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import datetime
from html import escape
from importlib.resources import files
from string import Template
from urllib.parse import quote

from monitor.page.chart import chart_svg
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
    StatusView,
)

LocalTime = Callable[[float], datetime]

_PAGE = Template(files("monitor.page").joinpath("templates/page.html").read_text(encoding="utf-8"))

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
        cards = (
            '<p class="panel">No bucket has been heard of yet. A bucket shows up here with its first reading, or when '
            "a batch is started in it.</p>"
        )
    body = f'{_head(view, local_time)}<div class="list">{cards}</div>{_foot(view)}'
    return _page(_title(view), body)


def bucket_page(bucket: BucketView, view: StatusView, local_time: LocalTime) -> str:
    """One bucket: its card, curve, figures, alarms and log."""
    parts = [
        _head(view, local_time),
        '<a class="back" href="/">&#8592; all buckets</a>',
        _card(bucket, view, local_time, link=False),
        _in_full(bucket),
        _drawing(bucket, local_time),
        _numbers(bucket),
        _past_alarms(bucket, view, local_time),
        _log(bucket, view, local_time),
        _foot(view),
    ]
    return _page(f"{bucket.name}: {STANDING_WORDS[bucket.standing]}", "".join(parts))


def plain_page(title: str, sentence: str) -> str:
    """One sentence and the way back: for what is not there, or cannot be told just now."""
    return _page(
        title,
        f'<header><h1>{_text(title)}</h1></header><p>{_text(sentence)}</p><a class="back" href="/">all buckets</a>',
    )


def _page(title: str, body: str) -> str:
    return _PAGE.substitute(title=_text(title), body=body)


def _text(text: str) -> str:
    """Escaped for HTML; control characters (which a damaged name may hold) are shown as a replacement mark.

    A figure and its unit stay on one line.
    """
    shown = "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
    return escape(shown.replace(" °C", "\u00a0°C").replace(" %", "\u00a0%"), quote=True)


def _title(view: StatusView) -> str:
    ringing = sum(bucket.standing == NOW for bucket in view.buckets)
    waiting = sum(bucket.standing in (DAYLIGHT, STALE) for bucket in view.buckets)
    if ringing:
        return f"({ringing}) Act now - Emberpail"
    return f"({waiting}) Emberpail" if waiting else "Emberpail"


# ---- words for times ----------------------------------------------------------------------------------------------


def age_words(age_s: float | None) -> str:
    """How long ago, in the largest fitting units: "12 s ago", "4 min ago", "2 h 10 min ago", "3 days ago"."""
    if age_s is None or not math.isfinite(age_s):
        return "never"
    if age_s < 2:
        return "just now"
    if age_s < 120:
        return f"{age_s:.0f} s ago"
    minutes = int(age_s // 60)
    if minutes < 60:
        return f"{minutes} min ago"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min ago"
    return f"{minutes // 1440} days ago"


def _clock(at_s: float, now_s: float, local_time: LocalTime) -> str:
    """A local time, with the day where it is not today's."""
    at, now = local_time(at_s), local_time(now_s)
    words = f"{at:%H:%M}" if at.date() == now.date() else f"{at:%a %d %b %H:%M}"
    return f'<time datetime="{at.isoformat(timespec="seconds")}">{words}</time>'


# ---- the parts of a page ------------------------------------------------------------------------------------------


def _head(view: StatusView, local_time: LocalTime) -> str:
    now = local_time(view.at_s)
    parts = [
        f"<header><h1>{_text(view.place or 'Emberpail')}</h1>",
        f'<p>As of <time datetime="{now.isoformat(timespec="seconds")}">{now:%a %d %b, %H:%M:%S}</time></p></header>',
    ]
    troubles = []
    if view.invented:
        troubles.append("<li>Demo: these buckets, this place and this night are invented.</li>")
    for sentence in view.watch:
        words = _text(sentence)
        troubles.append(f'<li data-announce="{words}"><strong>The watch itself:</strong> {words}</li>')
    if view.no_phone:
        troubles.append(
            "<li><strong>Nobody can be rung:</strong> no phone route is set. An alarm shows on this page only.</li>"
        )
    if troubles:
        parts.append(f'<ul class="trouble">{"".join(troubles)}</ul>')
    return "".join(parts)


def _foot(view: StatusView) -> str:
    number = "".join(sign for sign in view.emergency_number if sign.isdigit() or sign == "+")
    first_aid = f"<p>{_text(view.first_aid)}</p>" if view.first_aid else ""
    notes = "".join(f"<p><small>{_text(note)}</small></p>" for note in view.notes)
    call = f'<p><a class="call" href="tel:{number}">Emergency: {_text(view.emergency_number)}</a></p>' if number else ""
    return (
        "<footer><p>Potash used up says how far the reaction went. It does not say that nothing caustic is left: paste "
        f"burns until it has been diluted and tested.</p>{first_aid}{call}{notes}</footer>"
    )


def _card(bucket: BucketView, view: StatusView, local_time: LocalTime, *, link: bool = True) -> str:
    standing = bucket.standing
    batch = " · ".join(words for words in (bucket.batch or "", bucket.stage_words) if words)
    parts = [
        f'<article class="bucket state-{standing}">',
        f'<p class="state"><svg viewBox="0 0 28 28" aria-hidden="true">{_SHAPES[standing]}</svg>'
        f"{STANDING_WORDS[standing]}</p>",
        f"<h2>{_text(bucket.name)}<small>{_text(batch) if batch else 'nothing in it is being minded'}</small></h2>",
        _figure(bucket),
    ]
    ranked = _worst_first(bucket.alarms)
    others = ranked[1:]
    parts += [_alarm(alarm, bucket, view, local_time) for alarm in ranked[:1]]
    if link and others:  # one glance for all buckets; the bucket's own page has the rest
        also = "; ".join(alarm.says.partition(":")[0] for alarm in others)
        parts.append(f'<p class="also">Also: {_text(also)}.</p>')
    else:
        parts += [_alarm(alarm, bucket, view, local_time) for alarm in others]
    parts += [f'<p class="fault">{_text(fault)}</p>' for fault in bucket.probe_faults]
    if bucket.completeness:
        left = f" Potash left: {_text(bucket.potash_left)}." if bucket.potash_left else ""
        # An old figure is told as an old one.
        when = " at the last reading" if bucket.is_stale else ""
        parts.append(
            f'<p class="used">Potash used up{when}: <strong>{_text(bucket.completeness)}</strong>'
            f"<small>Not a measure of what is left.{left}</small></p>"
        )
    # What one could sleep on was said of readings that no longer come; an alarm that stands beside it mends nothing.
    if bucket.outlook and not bucket.is_stale and standing != STALE:
        parts.append(f'<p class="outlook">{_text(bucket.outlook)}</p>')
    if bucket.next_action:
        parts.append(_cautions(bucket.cautions))
        parts.append(f'<p class="next"><strong>Next:</strong> {_text(bucket.next_action)}</p>')
    if link:
        parts.append(
            f'<a class="button" href="/bucket/{quote(bucket.name, safe="")}">'
            f"{'What to do in full, curve' if bucket.alarms else 'Curve'} and log of {_text(bucket.name)}</a>"
        )
    return "".join([*parts, "</article>"])


def _figure(bucket: BucketView) -> str:
    stale = bucket.is_stale
    if bucket.temperature_c is None or not math.isfinite(bucket.temperature_c):
        return '<p class="figure none">no reading</p><p class="age aged">No paste temperature has come.</p>'
    aged = " aged" if stale else ""
    age = age_words(bucket.temperature_age_s)
    words = (
        f"Last reading {age}: too old to go by."
        if stale
        else " · ".join(filter(None, (bucket.direction, f"read {age}")))
    )
    figure = f'<p class="figure{aged}"><b>{bucket.temperature_c:.0f}</b><small> °C</small></p>'
    return f'{figure}<p class="age{aged}">{_text(words)}</p>'


def _worst_first(alarms: Iterable[AlarmView]) -> list[AlarmView]:
    return sorted(alarms, key=lambda alarm: (alarm.urgency != "now", alarm.since_s))


def _alarm(alarm: AlarmView, bucket: BucketView, view: StatusView, local_time: LocalTime) -> str:
    announce = f' data-announce="{_text(alarm.says)}"' if alarm.urgency == "now" else ""
    state = f" · {_text(alarm.state_words)}" if alarm.state_words else ""
    return (
        f'<div class="alarm"{announce}>{_words(alarm)}'
        f'<p class="since">since {_clock(alarm.since_s, view.at_s, local_time)}{state}</p></div>'
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
    return f'<section class="panel"><h3>What to do, in full</h3>{items}</section>'


def _cautions(cautions: Iterable[str]) -> str:
    items = "".join(f"<li>{_text(caution)}</li>" for caution in cautions)
    return f'<div class="cautions"><p>First</p><ul>{items}</ul></div>' if items else ""


def _drawing(bucket: BucketView, local_time: LocalTime) -> str:
    svg = chart_svg(
        bucket.curve, ambient=bucket.ambient, band=bucket.band, marks=bucket.marks, too_hot_c=bucket.too_hot_c,
        local_time=local_time,
    )  # fmt: skip
    if not svg:
        return '<section class="panel"><h3>Curve</h3><p>No reading to draw yet.</p></section>'
    keys = ['<li><svg viewBox="0 0 28 12"><line class="paste" x1="0" x2="28" y1="6" y2="6"/></svg>paste</li>']
    if bucket.ambient:
        keys.append('<li><svg viewBox="0 0 28 12"><line class="air" x1="0" x2="28" y1="6" y2="6"/></svg>air</li>')
    if bucket.band:
        keys.append(
            '<li><svg viewBox="0 0 28 12"><rect class="band" width="28" height="12"/></svg>a good batch today</li>'
        )
    if 'class="limit"' in svg:
        keys.append('<li><svg viewBox="0 0 28 12"><line class="limit" x1="0" x2="28" y1="6" y2="6"/></svg>too hot</li>')
    marks = "".join(f"<li>{_text(words)}, {local_time(at_s):%H:%M}</li>" for at_s, words in bucket.marks)
    done = f"<ol>{marks}</ol>" if marks else ""
    return f'<section class="panel drawing"><h3>Curve</h3>{svg}<ul class="key">{"".join(keys)}</ul>{done}</section>'


def _numbers(bucket: BucketView) -> str:
    rows = "".join(
        f'<tr><th scope="row">{_text(what)}</th><td>{_text(value)}</td></tr>' for what, value in bucket.numbers
    )
    return f'<section class="panel"><h3>Figures</h3><table>{rows}</table></section>' if rows else ""


def _past_alarms(bucket: BucketView, view: StatusView, local_time: LocalTime) -> str:
    rows = "".join(
        f"<li>{_clock(alarm.since_s, view.at_s, local_time)} {_text(alarm.says)} "
        f"<small>{_text(alarm.state_words)}</small></li>"
        for alarm in bucket.past_alarms
    )
    return f'<section class="panel"><h3>Alarms that are over</h3><ul class="log">{rows}</ul></section>' if rows else ""


def _log(bucket: BucketView, view: StatusView, local_time: LocalTime) -> str:
    rows = []
    for line in bucket.log:
        noted = f" <small>(noted {_clock(line.noted_at_s, view.at_s, local_time)})</small>" if line.noted_at_s else ""
        rows.append(f"<li>{_clock(line.at_s, view.at_s, local_time)} {_text(line.words)}{noted}</li>")
    return f'<section class="panel"><h3>Log</h3><ul class="log">{"".join(rows)}</ul></section>' if rows else ""
