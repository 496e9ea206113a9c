"""The charts of the page: where their curves come from, and the addresses curve.json, curve.png and the library."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import quote

from monitor.curve import BatchCurve, LocalTime
from monitor.page import curves
from monitor.page.drawing import drawing
from monitor.page.vendor import library
from monitor.page.view import RecordView, StatusView
from monitor.words import tr, voice

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

log = logging.getLogger(__name__)

# A picture takes some tenths of a second to make; whoever asks again within this gets the same one.
_PICTURE_FOR_S = 10.0
_PICTURES = 16
# Fifty phones that hear of the same news draw once. Band and forecast change without a word in the journal.
_FIGURES_FOR_S = 2.0
_KEPT = 24

Window = tuple[float, float] | None
# A curve, the clock's face and where it stands -> a PNG.
Picture = Callable[[BatchCurve, LocalTime, str], bytes]


class NotKnownError(Exception):
    """The present state could not be asked for; its cause is in ``__cause__``."""


class Courses(Protocol):
    """Who knows the curves of batches; None for one that is not there."""

    def of_bucket(self, name: str, window: Window = None) -> BatchCurve | None: ...

    def of_batch(self, name: str, window: Window = None) -> BatchCurve | None: ...


class Charts:
    """Charts for the application. Without ``courses`` they show what the views hold; without ``picture`` there is no
    PNG; without the chart library they are the server's drawings."""

    def __init__(  # noqa: PLR0917
        self,
        view: Callable[[], StatusView],
        record: Callable[[str], RecordView | None] | None,
        courses: Courses | None,
        picture: Picture | None,
        local_time: LocalTime,
        now_s: Callable[[], float],
        stamp: Callable[[], object] | None = None,
    ) -> None:
        """``stamp`` changes whenever there is news; without it nothing is kept from one answer to the next."""
        self._view, self._record, self._courses, self._picture = view, record, courses, picture
        self._local_time, self._now_s = local_time, now_s
        self._library, self._stamp = library(), stamp
        self._figures: dict[tuple[str, str, str, str], tuple[object, float, bytes]] = {}
        self._panels: dict[tuple[str, str, str], tuple[BatchCurve, str]] = {}
        self._pictures: dict[tuple[str, str, str, str], tuple[float, bytes]] = {}
        self._drawing = threading.Lock()

    def record(self, name: str) -> RecordView | None:
        """The record of a batch. Raises NotKnownError."""
        try:
            return None if self._record is None else self._record(name)
        except Exception as error:
            raise NotKnownError("The batch cannot be read just now.") from error

    def panel(self, curve: BatchCurve, base: str) -> str:
        """The panel with the chart for the page at ``base``; ``curve`` is what the page's view knows of it."""
        key = (base, voice().language, voice().units)
        kept = self._panels.get(key)
        if kept is None or kept[0] != curve:  # many that ask at once are shown the same view
            kept = curve, self._panel(curve, base)
            _keep(self._panels, key, kept)
        return kept[1]

    def _panel(self, curve: BatchCurve, base: str) -> str:
        try:
            known = self._known(curve.bucket, curve.batch if base.startswith("/batch/") else "")
        except NotKnownError as error:
            # Alarm and next step stand on the same page: they must not go for want of a finer curve.
            log.warning("the curve could not be read: %r", error.__cause__)
            known = None
        return drawing(
            known or curve, self._local_time, base=base, library=self._library, picture=self._picture is not None
        )

    def routes(self) -> list[BaseRoute]:
        """Addresses, to stand before those of the pages."""
        from starlette.routing import Route

        routes: list[BaseRoute] = []
        for kind in ("bucket", "batch"):
            routes.append(Route(f"/{kind}/{{name:path}}/curve.json", self._json_of(kind)))
            if self._picture is not None:
                routes.append(Route(f"/{kind}/{{name:path}}/curve.png", self._png_of(kind)))
        if self._library is not None:
            routes.append(Route("/static/vendor/{name}", self._library.answer))
        return routes

    # ---- answers ---------------------------------------------------------------------------------------------------

    def _json_of(self, kind: str) -> Callable[[Request], Response]:
        def answer(request: Request) -> Response:
            from starlette.responses import JSONResponse, Response

            name = request.path_params["name"]
            window = curves.window_of((request.query_params.get("from"), request.query_params.get("to")))
            try:
                body = self._figures_of(kind, name) if window is None else self._part_of(kind, name, window)
            except NotKnownError as error:
                return JSONResponse({"error": str(error)}, status_code=503)
            if body is None:
                return JSONResponse({"error": "There is no such curve here."}, status_code=404)
            return Response(body, media_type="application/json")

        return answer

    def _figures_of(self, kind: str, name: str) -> bytes | None:
        """The whole curve as JSON, made once for all that ask before the next news."""
        key = (kind, name, voice().language, voice().units)
        stamp, now_s = None if self._stamp is None else self._stamp(), time.monotonic()
        of, made_s, body = self._figures.get(key, (None, float("-inf"), b""))
        if stamp is None or of != stamp or now_s - made_s > _FIGURES_FOR_S:
            curve = self._curve(kind, name, None)
            if curve is None:
                return None
            body = _json(curves.curve_values(curve, self._local_time))
            _keep(self._figures, key, (stamp, now_s, body))
        return body

    def _part_of(self, kind: str, name: str, window: tuple[float, float]) -> bytes | None:
        curve = self._curve(kind, name, window)
        return None if curve is None else _json(curves.window_values(curve, window[0]))

    def _png_of(self, kind: str) -> Callable[[Request], Response]:
        def answer(request: Request) -> Response:
            from starlette.exceptions import HTTPException
            from starlette.responses import Response

            name = request.path_params["name"]
            curve = self._curve(kind, name, None)
            if curve is None or not curve.core:
                raise HTTPException(status_code=404)
            day = f"{self._local_time(curve.at_s if curve.running else curve.core[-1][0]):%Y-%m-%d}"
            file = f"{curve.batch or curve.bucket} {day}.png"
            return Response(
                self._png(kind, name, curve),
                media_type="image/png",
                headers={"content-disposition": f"inline; filename*=UTF-8''{quote(file, safe='')}"},
            )

        return answer

    def _png(self, kind: str, name: str, curve: BatchCurve) -> bytes:
        assert self._picture is not None
        key = (kind, name, voice().language, voice().units)
        # One at a time: the pages must not wait for a processor that draws the same picture for ten people.
        with self._drawing:
            made_s, png = self._pictures.get(key, (float("-inf"), b""))
            if not 0.0 <= self._now_s() - made_s < _PICTURE_FOR_S:
                png = self._picture(curve, self._local_time, self._place())
                _keep(self._pictures, key, (self._now_s(), png), _PICTURES)
            return png

    # ---- what there is to draw -------------------------------------------------------------------------------------

    def _curve(self, kind: str, name: str, window: Window) -> BatchCurve | None:
        if self._courses is not None:
            return self._known(name, name if kind == "batch" else "", window)
        if kind == "batch":
            found = self.record(name)
            return None if found is None else _within(curves.of_record(found), window)
        present = self._view()
        shown = next((bucket for bucket in present.buckets if bucket.name == name), None)
        return None if shown is None else _within(curves.of_bucket(shown, present.at_s), window)

    def _known(self, bucket: str, batch: str, window: Window = None) -> BatchCurve | None:
        if self._courses is None:
            return None
        try:
            return self._courses.of_batch(batch, window) if batch else self._courses.of_bucket(bucket, window)
        except Exception as error:
            raise NotKnownError(tr("The curve cannot be read just now.")) from error

    def _place(self) -> str:
        try:
            return self._view().place
        except NotKnownError:
            return ""


def _json(values: dict[str, Any]) -> bytes:
    return json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _keep(kept: dict[Any, Any], key: object, value: object, most: int = _KEPT) -> None:
    """Keep it, and not more than so many: whoever leafs through years of batches must not fill the memory."""
    if len(kept) >= most and key not in kept:
        kept.clear()
    kept[key] = value


def _within(curve: BatchCurve, window: Window) -> BatchCurve:
    """Only the part that was asked for."""
    if window is None:
        return curve

    def part(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        return tuple(point for point in points if window[0] <= point[0] <= window[1])

    return replace(curve, paste=tuple((probe, part(points)) for probe, points in curve.paste), air=part(curve.air))
