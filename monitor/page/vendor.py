"""The chart library (uPlot, MIT licence), served out of an installed package.

It is never copied into this project, and the package that carries it is not imported: two of its files are read, and
served only if they are, to the byte, uPlot 1.6.31 as its makers published it. Without them the page keeps the curve
that the server draws.
"""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

log = logging.getLogger(__name__)

PACKAGE, FOLDER = "youplot", "vendor"
# SHA-256 of dist/uPlot.iife.min.js and dist/uPlot.min.css of uPlot 1.6.31, as its makers published them.
SHA256 = {
    "uplot.js": ("uplot.iife.min.js", "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2"),
    "uplot.css": ("uplot.min.css", "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
}
_TYPES = {"uplot.js": "text/javascript", "uplot.css": "text/css"}
_A_YEAR = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class Library:
    """The two files: as they are, and compressed."""

    plain: dict[str, bytes]
    zipped: dict[str, bytes]

    def address(self, name: str) -> str:
        """Where the page finds it; another edition would have another address, so that it may be kept for a year."""
        return f"/static/vendor/{name}?v={SHA256[name][1][:16]}"

    def answer(self, request: Request) -> Response:
        """Hand out the file that the address names."""
        from starlette.exceptions import HTTPException
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in self.plain:
            raise HTTPException(status_code=404)
        headers = {"vary": "Accept-Encoding"}
        if request.url.query == self.address(name).partition("?")[2]:
            headers["cache-control"] = _A_YEAR
        body = self.plain[name]
        if "gzip" in request.headers.get("accept-encoding", ""):
            body, headers["content-encoding"] = self.zipped[name], "gzip"
        return Response(body, media_type=_TYPES[name], headers=headers)


def library(folder: Path | None = None) -> Library | None:
    """The library from ``folder`` (None: from the installed package); None, and one line in the log, without it."""
    folder = _folder() if folder is None else folder
    if folder is None:
        log.warning("no %s is installed: the page draws its curves without zoom", PACKAGE)
        return None
    plain = {}
    for name, (file, sha256) in SHA256.items():
        try:
            plain[name] = (folder / file).read_bytes()
        except OSError as error:
            log.warning("the chart library cannot be read (%s): the page draws its curves without zoom", error)
            return None
        if hashlib.sha256(plain[name]).hexdigest() != sha256:
            log.warning("%s of %s is another than expected: not served, the page draws without zoom", file, PACKAGE)
            return None
    return Library(plain, {name: gzip.compress(data, 9, mtime=0) for name, data in plain.items()})


def _folder() -> Path | None:
    """Where the package lies; asked for by name, which runs none of its code."""
    found = importlib.util.find_spec(PACKAGE)
    places = None if found is None else found.submodule_search_locations
    return Path(next(iter(places))) / FOLDER if places else None
