"""The page of comparisons, at its address: a GET works out and changes nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.page.compare_page import compare_page
from monitor.page.compare_view import MOST_CURVES, Asked, Seasons
from monitor.page.log_routes import Room
from monitor.page.parts import LocalTime
from monitor.page.press import Buttons, page
from monitor.seasons.curves import ALIGNED, AS, HOURS, overlay
from monitor.seasons.differences import MEASURES
from monitor.seasons.groups import BY
from monitor.seasons.table import Row, rows_of

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

# Shown first, before anybody has chosen.
_NEWEST = 4


def compare_room(seasons: Seasons) -> Room:
    """``seasons`` is asked from worker threads."""

    def routes(_buttons: Buttons, _local_time: LocalTime, _pressed: Callable[[], None]) -> list[BaseRoute]:
        from starlette.routing import Route

        def compare(request: Request) -> Response:
            query = request.query_params
            choices = seasons.choices()
            names = tuple(query.getlist("b"))[:MOST_CURVES] or tuple(one.name for one in choices[:_NEWEST])
            asked = Asked(
                names,
                _one_of(query.get("as", ""), AS),
                _one_of(query.get("zero", ""), ALIGNED),
                int(_one_of(query.get("hours", ""), tuple(map(str, HOURS)))),
                query.get("by", "") if query.get("by", "") in BY else "",
                _one_of(query.get("of", ""), tuple(MEASURES)),
            )
            stories = seasons.stories(asked.names)
            found, refusal, every = None, "", list[Row]()
            if asked.by:
                try:
                    every = seasons.every_row()
                    found = seasons.held(every, asked.by, asked.of)
                except ValueError as error:  # the library is missing, or the figures tell nothing
                    refusal = str(error)
            laid = overlay(stories, asked.shown_as, asked.zero, hours=asked.hours)
            # Its form asks and changes nothing, but the browser wants leave for it all the same.
            return page(compare_page(asked, choices, laid, rows_of(stories), found, refusal, len(every)))

        return [Route("/compare", compare)]

    return routes


def _one_of(typed: str, known: tuple[str, ...]) -> str:
    """What was typed if it is known, else the first."""
    return typed if typed in known else known[0]
