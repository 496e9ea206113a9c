"""The pages of the plan, at their addresses: a GET works out and changes nothing, a POST keeps."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.page.log_routes import Room
from monitor.page.parts import LocalTime, plain_page
from monitor.page.plan import FIELDS, NAME, Desk
from monitor.page.plan_page import checklist_page, plan_address, plan_page
from monitor.page.press import Buttons, fields_of, page, see
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute


def plan_room(desk: Desk, emergency_number: str) -> Room:
    """``emergency_number`` stands in the cautions of the steps."""

    def routes(buttons: Buttons, _local_time: LocalTime, _pressed: Callable[[], None]) -> list[BaseRoute]:
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import HTMLResponse
        from starlette.routing import Route

        def plan(request: Request) -> Response:
            name = request.path_params.get("name", "")
            view = desk.plan(name, {field: request.query_params.get(field, "") for field in FIELDS})
            if view is None:
                words = tr("There is no plan and no recipe {name} here.", name=name)
                return HTMLResponse(plain_page(tr("No such plan"), words, "/plan", tr("back")), status_code=404)
            return page(plan_page(view, buttons.hand(request)))

        def checklist(request: Request) -> Response:
            return HTMLResponse(checklist_page(emergency_number))

        def keep(request: Request, fields: dict[str, str]) -> Response:
            buttons.allowed(request, fields)
            # A browser ends the lines of a form with two signs.
            typed = {field: fields.get(field, "").replace("\r\n", "\n") for field in (*FIELDS, NAME)}
            kept = desk.keep(fields.get("recipe", ""), typed)
            if isinstance(kept, str):
                return see(plan_address(kept))
            return page(plan_page(kept, buttons.hand(request)), status=409)

        async def post(request: Request) -> Response:
            return await run_in_threadpool(keep, request, await fields_of(request))

        return [
            Route("/checklist", checklist),
            Route("/plan", plan),
            Route("/plan/keep", post, methods=["POST"]),
            Route("/plan/{name:path}", plan),
        ]

    return routes
