"""The pages of phones, settings and past batches, at their addresses."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from monitor.page.batches_page import batches_page
from monitor.page.forms import IN
from monitor.page.guard import WORDS_COOKIE
from monitor.page.household import Household
from monitor.page.parts import LocalTime, plain_page
from monitor.page.phones_page import phones_page, rung_page
from monitor.page.press import Buttons, Refusal, fields_of, page, see
from monitor.page.settings_page import settings_page
from monitor.words import UNIT_SYSTEMS, tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_A_YEAR_S = 365 * 86400
_MOST_WORDS = 100


def household_routes(
    household: Household,
    buttons: Buttons,
    local_time: LocalTime,
    languages: Sequence[str],
    pressed: Callable[[], None],
) -> list[BaseRoute]:
    """``pressed`` is called after something was changed."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import HTMLResponse
    from starlette.routing import Route

    one_test = threading.Lock()

    def shown(html: str, request: Request) -> Response:
        return page(html) if buttons.hand(request).state == IN else HTMLResponse(html)

    def batches(request: Request) -> Response:
        words = request.query_params.get("words", "")[:_MOST_WORDS]
        # Its form asks and changes nothing, but the browser wants leave for it all the same.
        return page(batches_page(household.batches(words), words, local_time))

    def phones(request: Request) -> Response:
        return shown(phones_page(household.view(), local_time, buttons.hand(request)), request)

    def settings(request: Request) -> Response:
        return page(settings_page(household.view(), local_time, buttons.hand(request), languages))

    def do_phones(request: Request, fields: dict[str, str]) -> Response:
        buttons.allowed(request, fields)
        what, person = fields.get("what", ""), fields.get("person", "")
        try:
            if what == "ring":
                if not one_test.acquire(blocking=False):
                    raise Refusal(409, tr("A test is under way; wait until it is over."))
                try:
                    return page(rung_page(person, household.ring(person)))
                finally:
                    one_test.release()
            if what != "on-call":
                raise Refusal(400, tr("That button is not known here; open the page anew."))
            household.on_call(person)
        except ValueError as error:
            return _not_noted(error, "/phones")
        pressed()
        return see("/phones")

    def do_settings(request: Request, fields: dict[str, str]) -> Response:
        buttons.allowed(request, fields)
        try:
            household.hold_reminders(fields.get("hold") == "1")
        except ValueError as error:
            return _not_noted(error, "/settings")
        return see("/settings")

    def do_words(fields: dict[str, str]) -> Response:
        language, units = fields.get("language", ""), fields.get("units", "")
        if language not in languages or units not in UNIT_SYSTEMS:
            raise Refusal(400, tr("That button is not known here; open the page anew."))
        answer = see("/settings")
        answer.set_cookie(
            WORDS_COOKIE, f"{language}.{units}", max_age=_A_YEAR_S, path="/", httponly=True, samesite="lax"
        )
        return answer

    async def post_phones(request: Request) -> Response:
        return await run_in_threadpool(do_phones, request, await fields_of(request))

    async def post_settings(request: Request) -> Response:
        return await run_in_threadpool(do_settings, request, await fields_of(request))

    async def post_words(request: Request) -> Response:
        return do_words(await fields_of(request))

    return [
        Route("/batches", batches),
        Route("/phones", phones),
        Route("/phones/do", post_phones, methods=["POST"]),
        Route("/settings", settings),
        Route("/settings/do", post_settings, methods=["POST"]),
        Route("/settings/words", post_words, methods=["POST"]),
    ]


def _not_noted(error: ValueError, back: str) -> Response:
    words = tr("Nothing was noted. {reason}", reason=str(error))
    return page(plain_page(tr("Not noted"), words, back, tr("back")), status=409)
