"""The pages of "would it have rung?", at their addresses."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.page.forms import IN
from monitor.page.log_routes import Room
from monitor.page.parts import LocalTime, plain_page
from monitor.page.press import Buttons, fields_of, page, see
from monitor.page.what_if_address import what_if_address
from monitor.page.what_if_form import form_page, read_trial
from monitor.page.what_if_page import result_page, under_way_page
from monitor.page.what_if_view import WhatIf
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_LOOK_AGAIN_S = 3


def what_if_room(jobs: WhatIf) -> Room:
    """The form, the wait and the result."""

    def routes(buttons: Buttons, local_time: LocalTime, _pressed: Callable[[], None]) -> list[BaseRoute]:
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import HTMLResponse
        from starlette.routing import Route

        def no_such(name: str) -> Response:
            words = tr("There is no batch {name} here.", name=name)
            return HTMLResponse(plain_page(tr("No such batch"), words), status_code=404)

        def shown(request: Request) -> Response:
            name, number = request.path_params["name"], request.query_params.get("of", "")
            if not jobs.knows(name):
                return no_such(name)
            found = jobs.look(number) if number else None
            hand = buttons.hand(request)
            if found is None or found.batch != name:
                gone = tr("That result is no longer kept: work it out anew.") if number else ""
                html = form_page(name, jobs.present(), hand, refusal=gone)
                return page(html) if hand.state == IN else HTMLResponse(html)
            if found.trouble:
                back, words = what_if_address(name), tr("try again")
                return HTMLResponse(plain_page(tr("It could not be worked out"), found.trouble, back, words))
            if found.result is not None:
                return HTMLResponse(result_page(found.result, local_time))
            # The browser asks again without a script; the header does what a meta element would.
            return HTMLResponse(under_way_page(found), headers={"refresh": str(_LOOK_AGAIN_S)})

        def begin(request: Request, fields: dict[str, str]) -> Response:
            buttons.allowed(request, fields)
            name = request.path_params["name"]
            if not jobs.knows(name):
                return no_such(name)
            present, hand = jobs.present(), buttons.hand(request)
            trial, wrong = read_trial(fields, present)
            if trial is None:
                return page(form_page(name, present, hand, fields, wrong), status=422)
            try:
                number = jobs.start(name, trial)
            except ValueError as error:
                return page(form_page(name, present, hand, fields, refusal=str(error)), status=409)
            return see(f"{what_if_address(name)}?of={number}")

        async def do(request: Request) -> Response:
            return await run_in_threadpool(begin, request, await fields_of(request))

        return [
            Route("/batch/{name:path}/would-ring/do", do, methods=["POST"]),
            Route("/batch/{name:path}/would-ring", shown),
        ]

    return routes
