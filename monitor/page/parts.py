"""What every page is made of: the frame, escaped text, times and cautions. Pure.

Every text that came from outside (names over the wire, words of the log) passes through ``text_of`` on its way into
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

from monitor.words import DAY_DATE_TIME, TIME, tr, voice, when

LocalTime = Callable[[float], datetime]

_TEMPLATES = files("monitor.page").joinpath("templates")
_PAGE = Template(_TEMPLATES.joinpath("page.html").read_text(encoding="utf-8"))
_STILL = Template(_TEMPLATES.joinpath("still.html").read_text(encoding="utf-8"))


def page(title: str, body: str, head: str = "") -> str:
    """A page that keeps itself fresh; ``head`` is what it loads beside what all do."""
    return _PAGE.substitute(
        lang=text_of(voice().language),
        title=text_of(title),
        nav=_menu(),
        body=body,
        head=head,
        news=text_of(
            tr(
                "No news for [time]. What stands below is old: look at the buckets, at the computer that minds them, "
                "or at this phone's network."
            )
        ),
        less=text_of(tr("less than a minute")),
        one=text_of(tr("1 minute")),
        minutes=text_of(tr("[n] minutes")),
        hours=text_of(tr("[n] hours")),
    )


def still_page(title: str, body: str, *, menu: bool = True) -> str:
    """A page that stays as it is until somebody presses something: nothing moves under a thumb, no typing is lost.

    Without ``menu`` there is nothing on it but its body.
    """
    nav = _menu() if menu else ""
    return _STILL.substitute(lang=text_of(voice().language), title=text_of(title), nav=nav, body=body)


def _menu() -> str:
    """The way to the other pages: one line, opened by a thumb, so that the buckets come first."""
    places = (
        ("/", tr("Buckets")), ("/batches", tr("Batches")), ("/compare", tr("Compare")), ("/plan", tr("Plan")),
        ("/phones", tr("Phones")), ("/settings", tr("Settings")),
    )  # fmt: skip
    links = "".join(f'<li><a href="{address}">{text_of(words)}</a></li>' for address, words in places)
    return (
        f'<nav aria-label="{text_of(tr("Pages"))}"><details class="menu" id="menu"><summary>{text_of(tr("Menu"))}'
        f"</summary><ul>{links}</ul></details></nav>"
    )


def plain_page(title: str, sentence: str, back: str = "/", back_words: str = "") -> str:
    """One sentence and the way back: for what is not there, or cannot be told just now."""
    return still_page(
        title,
        f"<header><h1>{text_of(title)}</h1></header><p>{text_of(sentence)}</p>"
        f'<a class="back" href="{escape(back, quote=True)}">{text_of(back_words or tr("all buckets"))}</a>',
    )


def text_of(text: str) -> str:
    """Escaped for HTML; control characters (which a damaged name may hold) are shown as a replacement mark.

    A figure and its unit stay on one line.
    """
    shown = "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
    kept = shown.replace(" °C", "\u00a0°C").replace(" °F", "\u00a0°F").replace(" %", "\u00a0%")
    return escape(kept, quote=True)


# What stands in a text for a piece of markup, see ``with_markup``.
HOLE = "\0"


def with_markup(words: str, markup: str) -> str:
    """Words as HTML, with a piece of markup in the place of their HOLE."""
    # A control character is shown as a replacement mark, and the hole is the only one that a text of ours holds.
    return text_of(words).replace("\ufffd", markup)


def call_link(emergency_number: str) -> str:
    """The emergency number to be pressed; nothing where it holds no figure."""
    number = "".join(sign for sign in emergency_number if sign.isdigit() or sign == "+")
    words = text_of(tr("Emergency: {number}", number=emergency_number))
    return f'<p><a class="call" href="tel:{number}">{words}</a></p>' if number else ""


def address_of(bucket: str, more: str = "") -> str:
    """The address of a bucket's page, or of something below it."""
    return f"/bucket/{quote(bucket, safe='')}{more}"


def name_of(text: str) -> str:
    """A text as a name within a page: letters and figures only, and no two alike."""
    return "b-" + "".join(sign if sign.isascii() and sign.isalnum() else f"_{ord(sign):x}_" for sign in text)


def age_words(age_s: float | None) -> str:
    """How long ago, in the largest fitting units: "12 s ago", "4 min ago", "2 h 10 min ago", "3 days ago"."""
    if age_s is None or not math.isfinite(age_s):
        return tr("never")
    if age_s < 2:
        return tr("just now")
    if age_s < 120:
        return tr("{seconds:.0f} s ago", seconds=age_s)
    minutes = int(age_s // 60)
    if minutes < 60:
        return tr("{minutes} min ago", minutes=minutes)
    if minutes < 48 * 60:
        return tr("{hours} h {minutes:02d} min ago", hours=minutes // 60, minutes=minutes % 60)
    return tr("{days} days ago", days=minutes // 1440)


def clock(at_s: float, now_s: float, local_time: LocalTime) -> str:
    """A local time, with the day where it is not today's."""
    at, now = local_time(at_s), local_time(now_s)
    words = when(at, TIME if at.date() == now.date() else DAY_DATE_TIME)
    return f'<time datetime="{at.isoformat(timespec="seconds")}">{text_of(words)}</time>'


def cautions_list(cautions: Iterable[str]) -> str:
    """What to mind first, as a list; nothing where there is nothing."""
    items = "".join(f"<li>{text_of(caution)}</li>" for caution in cautions)
    return f'<div class="cautions"><p>{text_of(tr("First"))}</p><ul>{items}</ul></div>' if items else ""
