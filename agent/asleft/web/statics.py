"""Static files: read once, named by what is in them, so that a browser may keep each for ever."""

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

__all__ = ["Statics"]

_TYPES: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}
_FOR_EVER: Final = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class _Static:
    data: bytes
    kind: str


class Statics:
    """Gives the static files and their paths. Nothing is looked up in a folder by what a browser asks for."""

    def __init__(self) -> None:
        self._paths: dict[str, str] = {}
        found: dict[str, _Static] = {}
        for file in sorted(files("asleft.web").joinpath("static").iterdir(), key=lambda one: one.name):
            stem, dot, kind = file.name.rpartition(".")
            if dot and kind in _TYPES:
                data = file.read_bytes()
                name = f"{stem}.{sha256(data).hexdigest()[:12]}.{kind}"
                self._paths[file.name] = f"/static/{name}"
                found[name] = _Static(data, _TYPES[kind])
        self._found: Mapping[str, _Static] = found

    def path(self, name: str) -> str:
        """Give the path of a file by its plain name."""
        return self._paths[name]

    def routes(self) -> list[Route]:
        """Give the route that serves them."""
        return [Route("/static/{name}", self._serve, methods=["GET"])]

    async def _serve(self, request: Request) -> Response:
        found = self._found.get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        return Response(found.data, headers={"Content-Type": found.kind, "Cache-Control": _FOR_EVER})
