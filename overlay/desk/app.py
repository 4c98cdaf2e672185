"""The desk's addresses: what the page asks for, and what it is given."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from overlay.desk.confine import SHOWN, inside
from overlay.desk.guard import APART, Guard, TooLargeError
from overlay.errors import InputError, TimetrueError, UsageError
from overlay.gauges.fonts import font_path
from overlay.jobs.names import CLIPS, FOLDER
from overlay.page.scripts import STATIC as PLAYER

if TYPE_CHECKING:
    from overlay.desk.folder import Desk

STATIC = Path(__file__).with_name("static")
EVENT_EVERY_S = 0.15
QUIET_S = 10.0
KINDS = {
    ".html": "text/html",
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
}
KINDS |= {".otf": "font/otf", ".txt": "text/plain"}


# The desk, waited for while it is made: the page comes before all that answers it.
Wait = Callable[[], "Desk"]


def routes(desk: Wait) -> list[Route]:
    """Every address."""
    own = {f"/static/{name}": file for name, file in _files_in(STATIC).items()}
    own |= {f"/player/{name}": file for name, file in _files_in(PLAYER).items()}
    own |= {f"/fonts/{name}.otf": font_path(bold=name == "bold") for name in ("regular", "bold")}
    return [
        Route("/", _own("/static/index.html", own)),
        Route("/api/look", _answering(lambda _: desk().look())),
        Route("/api/events", _events(desk)),
        Route("/api/cancel/{number:int}", _answering(_cancel(desk)), methods=["POST"]),
        Route("/api/{name}", _asking(desk), methods=["POST"]),
        Route("/files/{name:path}", _answering(lambda request: _file(desk(), request))),
        Route(APART + "{key}/{name:path}", _answering(lambda request: _apart(desk(), request))),
        *[Route(path, _own(path, own)) for path in own],
    ]


def _files_in(folder: Path) -> dict[str, Path]:
    return {
        file.relative_to(folder).as_posix(): file
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def _own(path: str, own: Mapping[str, Path]) -> Callable[[Request], Awaitable[Response]]:
    """A file of the desk itself, read once and given at once: a page asks for twenty."""
    file = own[path]
    kept: list[bytes] = []

    async def respond(_: Request) -> Response:
        if not kept:
            kept.append(file.read_bytes())
        return Response(kept[0], media_type=KINDS.get(file.suffix, "application/octet-stream"))

    return respond


def application(desk: Wait, *, token: str, apart_key: str, port: int) -> Guard:
    """The whole desk behind its guard."""
    return Guard(Starlette(routes=routes(desk)), token=token, apart=apart_key, port=port)


def _answering(answer: Callable[[Request], Any]) -> Callable[[Request], Awaitable[Response]]:
    """An address whose answer is made in a thread; what is refused says why in one line."""

    async def respond(request: Request) -> Response:
        try:
            found = await run_in_threadpool(answer, request)
        except TimetrueError as error:
            is_file = request.url.path.startswith(("/files/", APART))
            status = 404 if is_file else 400 if isinstance(error, UsageError) else 422
            said = {"error": " ".join(str(error).split()), "exit_code": error.exit_code}
            return JSONResponse(said, status)
        if isinstance(found, Response):
            return found
        if isinstance(found, bytes):
            return Response(found, media_type="image/png")
        return JSONResponse(found)

    return respond


def _asking(desk: Wait) -> Callable[[Request], Awaitable[Response]]:
    """The same for a question in JSON."""

    async def respond(request: Request) -> Response:
        if request.headers.get("content-type", "").split(";")[0] != "application/json":
            return JSONResponse({"error": "the question must be JSON"}, 415)
        try:
            body = await request.body()
        except TooLargeError:
            return JSONResponse({"error": "the request is too large"}, 413)
        except ClientDisconnect:
            return Response(status_code=400)
        return await _answering(lambda _: desk().answer(request.path_params["name"], body))(request)

    return respond


def _cancel(desk: Wait) -> Callable[[Request], dict[str, Any]]:
    def cancel(request: Request) -> dict[str, Any]:
        desk().queue.cancel(request.path_params["number"])
        return {}

    return cancel


def _file(desk: Desk, request: Request) -> Response:
    found = inside(desk.folder, request.path_params["name"])
    if found.suffix.lower() == ".html":
        raise InputError("a page is shown apart from the desk, not among its files")
    return FileResponse(found, media_type=SHOWN[found.suffix.lower()])


def _apart(desk: Desk, request: Request) -> Response:
    """The results page, or what plays in it."""
    name = request.path_params["name"]
    found = inside(desk.folder, name)
    results = (desk.folder / FOLDER).resolve()
    if found != results / "results.html" and not found.is_relative_to(results / CLIPS):
        raise InputError(f"{name[:80]!r}: is no part of the results page")
    return FileResponse(found, media_type=SHOWN[found.suffix.lower()])


def _events(wait: Wait) -> Callable[[Request], Awaitable[Response]]:
    """Jobs and the sheet on disk, told whenever they change (server-sent events)."""

    async def told(request: Request) -> AsyncIterator[str]:
        last, quiet_s, checked_s, base = None, 0.0, 1.0, ""
        desk = await run_in_threadpool(wait)
        while not await request.is_disconnected():
            if checked_s >= 1.0:
                base, checked_s = await run_in_threadpool(desk.disk), 0.0
            now = (desk.queue.version, base, desk.seen.version)
            if now != last or quiet_s >= QUIET_S:
                last, quiet_s = now, 0.0
                said = {"jobs": desk.queue.views(), "base": base, "files": desk.seen.version}
                yield f"data: {json.dumps(said)}\n\n"
            await asyncio.sleep(EVENT_EVERY_S)
            quiet_s, checked_s = quiet_s + EVENT_EVERY_S, checked_s + EVENT_EVERY_S

    async def respond(request: Request) -> Response:
        return StreamingResponse(told(request), media_type="text/event-stream")

    return respond
