"""The page of a bucket's log, at its address."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.page.forms import IN
from monitor.page.log_page import LogView, log_page
from monitor.page.parts import LocalTime, plain_page
from monitor.page.press import Buttons, page
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

# A further part of the page: from the buttons, the clock's face and what to call after a press to its routes.
Room = Callable[[Buttons, LocalTime, Callable[[], None]], "list[BaseRoute]"]


def log_room(read: Callable[[str], LogView | None]) -> Room:
    """``read`` gives the log of a bucket by its name, None for an unknown one; called from worker threads."""

    def routes(buttons: Buttons, local_time: LocalTime, _pressed: Callable[[], None]) -> list[BaseRoute]:
        from starlette.responses import HTMLResponse
        from starlette.routing import Route

        def log(request: Request) -> Response:
            name = request.path_params["name"]
            view = read(name)
            if view is None:
                words = tr("There is no bucket {name} here.", name=name)
                return HTMLResponse(plain_page(tr("No such bucket"), words), status_code=404)
            hand = buttons.hand(request)
            html = log_page(view, local_time, hand)
            return page(html) if hand.state == IN else HTMLResponse(html)

        return [Route("/bucket/{name:path}/log", log)]

    return routes
