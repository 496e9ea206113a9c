"""The pages that a message's own address opens: one alarm and one big button, or a drill and "I heard it".

No passphrase: the signed address is enough, for that alarm, that person and that time only (see ``links``). A GET
shows and never answers: messengers fetch an address to show a preview of it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING

from monitor.page.links import HEARD, Link, link_in
from monitor.page.parts import (
    HOLE,
    LocalTime,
    address_of,
    age_words,
    call_link,
    cautions_list,
    clock,
    plain_page,
    still_page,
    with_markup,
)
from monitor.page.parts import text_of as _text
from monitor.page.press import Deeds, Refusal, page, see
from monitor.page.view import AlarmView, BucketView, StatusView
from monitor.words import quantity, tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response


class Links:
    """What is behind the addresses in messages. ``knowing`` are those who know the trade, in the order of ringing:
    everybody else is told to look only, and whom to call.
    """

    def __init__(
        self,
        deeds: Deeds | None,
        view: Callable[[], StatusView],
        now_s: Callable[[], float],
        pressed: Callable[[], None],
        *,
        knowing: Collection[str] = (),
        local_time: LocalTime,
    ) -> None:
        self._deeds, self._view, self._now_s, self._pressed = deeds, view, now_s, pressed
        self._knowing, self._local_time = tuple(knowing), local_time

    def show(self, request: Request) -> Response:
        """How the alarm stands, and the button, if it is still of use."""
        link, _ = self._read(request)
        if link.purpose == HEARD:
            return page(_drill_page(link, heard="heard" in request.query_params))
        view = self._view()
        found = _found(view, link.about)
        if not found:
            return page(plain_page(tr("It is over"), tr("That alarm stands no longer. Nothing is to be done for it.")))
        return page(_alarm_page(found, view, self._local_time, link, self._knowing))

    def press(self, request: Request, fields: dict[str, str]) -> Response:
        """ "I am going", "I have seen it", or "I heard it"; then the same address again, which says so."""
        link, deeds = self._read(request)
        address = request.url.path
        try:
            if link.purpose == HEARD:
                deeds.heard(link.person)
                return see(f"{address}?heard")
            act = fields.get("act", "")
            if act not in ("going", "acknowledged"):
                raise Refusal(400, tr("That button is not known here; open the page anew."))
            for bucket, alarm in _found(self._view(), link.about):
                deeds.act(bucket.name, alarm.alarm_id, act, who=link.person)
        except ValueError as error:
            words = tr("Nothing was noted. {reason}", reason=str(error))
            return page(plain_page(tr("Not noted"), words, address, tr("back")), status=409)
        self._pressed()
        return see(address)

    def _read(self, request: Request) -> tuple[Link, Deeds]:
        if self._deeds is None:
            raise Refusal(404, tr("There is nothing at this address."))
        link = link_in(request.path_params["token"], self._deeds.key())
        if link is None:
            words = tr("This address is not whole, or not of this watch. The page itself shows every bucket.")
            raise Refusal(404, words)
        if link.is_over(self._now_s()):
            words = tr("This address has served its time. The page itself shows how every bucket stands now.")
            raise Refusal(410, words)
        return link, self._deeds


def _found(view: StatusView, about: Collection[str]) -> list[tuple[BucketView, AlarmView]]:
    """The alarms that still stand, those that nobody goes to first."""
    found = [(bucket, alarm) for bucket in view.buckets for alarm in bucket.alarms if alarm.alarm_id in about]
    return sorted(found, key=lambda pair: (pair[1].going, pair[1].seen))


def _alarm_page(
    found: Sequence[tuple[BucketView, AlarmView]], view: StatusView, local_time: LocalTime, link: Link,
    knowing: tuple[str, ...],
) -> str:
    bucket, alarm = found[0]
    also = [one.name for one, _ in found[1:] if one.name != bucket.name]
    since = with_markup(tr("since {time}", time=HOLE), clock(alarm.since_s, view.at_s, local_time))
    state = f" · {_text(alarm.state_words)}" if alarm.state_words else ""
    knows = link.person in knowing
    # What fits a locked screen, cautions included, then the button: the rest is read by whoever still can.
    said = alarm.short if knows and alarm.short else alarm.says
    parts = [
        f"<header><h1>{_text(', '.join([bucket.name, *also]))}</h1><p>{_text(bucket.batch or '')}</p></header>",
        f'<p class="banner alarm-{_text(alarm.urgency)}">{_text(said)}</p>',
        "" if knows else _look_only([name for name in knowing if name != link.person]),
        f'<p class="since">{since}{state}</p>',
        _answers(alarm),
        f"<p>{_reading(bucket)}</p>",
    ]
    if knows:
        title = _text(tr("What to do, in full"))
        says = f"<p>{_text(alarm.says)}</p>" if said != alarm.says else ""
        do = f'{cautions_list(alarm.cautions)}<p class="do">{_text(alarm.do)}</p>'
        parts.append(f'<section class="panel"><h2>{title}</h2>{says}{do}</section>')
    more = tr("Curve and log of {bucket}", bucket=bucket.name)
    parts += [
        f'<a class="button" href="{address_of(bucket.name)}">{_text(more)}</a>',
        f"<footer><p>{_text(view.first_aid)}</p>" if view.first_aid else "<footer>",
        f"{call_link(view.emergency_number)}</footer>",
    ]
    return still_page(f"{bucket.name} - Emberpail", "".join(parts), menu=False)


def _answers(alarm: AlarmView) -> str:
    if alarm.going:
        said = tr("Noted: somebody is going. In half an hour the phone asks what was done.")
        return f'<p class="panel"><strong>{_text(said)}</strong></p>'
    if alarm.seen:
        rest = f"<p>{_text(tr('Noted: somebody has seen it. It stands all the same.'))}</p>"
    else:
        rest = _button("acknowledged", tr("I have seen it"), "press plain")
    return f'<form class="one" method="post">{_button("going", tr("I am going"), "press huge")}{rest}</form>'


def _reading(bucket: BucketView) -> str:
    if bucket.temperature_c is None:
        return _text(tr("No paste temperature has come."))
    age = age_words(bucket.temperature_age_s)
    if bucket.is_stale:
        return f"<strong>{_text(tr('Last reading {age}: too old to go by.', age=age))}</strong>"
    return _text(tr("{temperature}, read {age}", temperature=quantity(bucket.temperature_c, "degC"), age=age))


def _look_only(knowing: list[str]) -> str:
    words = tr("Look only. Do not open or touch. Keep people and animals away.")
    call = tr("Call {name}.", name=knowing[0]) if knowing else ""
    return f'<p class="do"><strong>{_text(words)}</strong> {_text(call)}</p>'


def _button(act: str, words: str, kind: str) -> str:
    return f'<button class="{kind}" name="act" value="{act}">{_text(words)}</button>'


def _drill_page(link: Link, *, heard: bool) -> str:
    title, who = tr("Drill"), link.person
    words = tr("This was a drill: nothing is wrong with any bucket. It shows that the phone wakes {name}.", name=who)
    if heard:
        said = _text(tr("Noted: {name} heard it. Thank you.", name=who))
        rest = f'<p class="panel"><strong>{said}</strong></p>'
    else:
        rest = f'<form class="one" method="post">{_button("heard", tr("I heard it"), "press huge")}</form>'
    back = f'<a class="back" href="/">{_text(tr("all buckets"))}</a>'
    return still_page(title, f"<header><h1>{_text(title)}</h1></header><p>{_text(words)}</p>{rest}{back}", menu=False)
