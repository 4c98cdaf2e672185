"""The desk's addresses: what the page asks for, and what it is given."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from overlay.desk.asked import AskDraft, Asks, AskSave
from overlay.desk.confine import SHOWN, inside
from overlay.desk.draft import checked, digest_of, first_draft, on_disk, save, set_aside
from overlay.desk.guard import APART, Guard, TooLargeError
from overlay.desk.queue import Queue
from overlay.desk.seen import Seen, folder_view, unknown_run
from overlay.errors import InputError, TimetrueError
from overlay.gauges.type import font_path
from overlay.jobs.names import CLIPS, FILMS, FOLDER, KEPT, SHEET_NAME
from overlay.page.scripts import STATIC as PLAYER
from overlay.sheet import DaySheet
from overlay.sheet.edit import Edit, edited

if TYPE_CHECKING:
    from overlay.desk.orders import Orders

STATIC = Path(__file__).with_name("static")
EVENT_EVERY_S = 0.15
QUIET_S = 10.0


class Desk:
    """One folder, its queue, and the answers.

    Parameters
    ----------
    folder : Path
        That exists.
    is_tour : bool
        Whether to film the demo day into it where it has no sheet, and to lead through it.
    seen : Seen, optional
        Its files, where they are being read already.
    """

    def __init__(self, folder: Path, *, is_tour: bool = False, seen: Seen | None = None) -> None:
        self.folder = folder.resolve()
        self.seen = seen or Seen(folder)
        self.path = self.folder / SHEET_NAME
        self.queue = Queue()
        # Begun when the page is there: the first who asks for a run need not wait for it.
        self._reading = threading.Thread(target=lambda: self.orders, daemon=True)
        self.is_tour = is_tour
        self.apart_key = secrets.token_urlsafe(32)
        if is_tour and not self.path.exists():
            from overlay.desk.work import demo

            self.queue.add("demo", "", demo, str(self.folder), wide=True)

    @cached_property
    def orders(self) -> Orders:
        """What is asked of runs. Its libraries take longer to read than all the rest of the start,
        and a folder where nothing is worked out can be shown without them.
        """
        from overlay.desk.orders import Orders

        return Orders(self.path, self.queue)

    # -- the folder and the sheet --------------------------------------------------------------

    def look(self) -> dict[str, Any]:
        """Files, pairing, and the sheet as it is or as it would start."""
        seen = self.seen.now()
        text = on_disk(self.path)
        return {
            "folder": str(self.folder),
            "files": folder_view(seen),
            "text": text if text is not None else first_draft(seen, "mph"),
            "base": digest_of(text),
            "is_new": text is None,
            "is_tour": self.is_tour,
            "films": self._films(),
            "results": self._results(),
            "has_clips": (self.folder / FOLDER / CLIPS).is_dir(),
        }

    def _results(self) -> str:
        """Address of the results page; empty where there is none."""
        name = f"{FOLDER}/results.html"
        return f"{APART}{self.apart_key}/{name}" if (self.folder / name).is_file() else ""

    def _films(self) -> list[str]:
        places = [self.folder / FOLDER / FILMS, self.folder / FOLDER]
        found = [film for place in places for film in sorted(place.glob("*.mp4"))]
        return [film.relative_to(self.folder).as_posix() for film in found]

    def draft(self, asked: AskDraft) -> dict[str, Any]:
        """A draft with its edits made, judged, and the state of each of its runs."""
        edits = [Edit(edit.op, edit.path, edit.value) for edit in asked.edits]
        text = edited(asked.text, edits) if edits else asked.text
        found = checked(text, self.path)
        runs = [] if found.sheet is None else self._runs(found.sheet)
        if not self._reading.ident:
            self._reading.start()
        return {"text": text, "raw": found.raw, "problems": found.problems, "runs": runs}

    def _runs(self, sheet: DaySheet) -> list[dict[str, Any]]:
        """State and colour of each run."""
        if (self.folder / FOLDER / KEPT).is_dir():
            return self.orders.states(sheet)
        return [unknown_run(sheet, run) for run in sheet.runs]

    def save(self, asked: AskSave) -> dict[str, Any]:
        """Write the sheet, or give the other text that is there."""
        if asked.aside:
            return {"aside": set_aside(self.path, asked.text)}
        theirs = save(self.path, asked.text, asked.base)
        if theirs is None:
            return {"base": digest_of(asked.text)}
        return {"theirs": theirs, "base": digest_of(theirs)}

    def disk(self) -> str:
        """Digest of the sheet on disk; of no text where it cannot be read."""
        try:
            return digest_of(on_disk(self.path))
        except InputError:
            return ""


def routes(desk: Desk) -> list[Route | Mount]:
    """Every address."""
    own: Asks = {"draft": (AskDraft, desk.draft), "save": (AskSave, desk.save)}
    return [
        Route("/", lambda _: FileResponse(STATIC / "index.html")),
        Route("/api/look", _answering(lambda _: desk.look())),
        Route("/api/events", _events(desk)),
        Route("/api/cancel/{number:int}", _cancel(desk), methods=["POST"]),
        Route("/api/draft", _asking(lambda: own), methods=["POST"]),
        Route("/api/save", _asking(lambda: own), methods=["POST"]),
        Route("/api/{name}", _asking(lambda: desk.orders.asks), methods=["POST"]),
        Route("/files/{name:path}", _answering(lambda request: _file(desk, request))),
        Route(APART + "{key}/{name:path}", _answering(lambda request: _apart(desk, request))),
        Route("/fonts/regular.otf", lambda _: FileResponse(font_path())),
        Route("/fonts/bold.otf", lambda _: FileResponse(font_path(bold=True))),
        Mount("/static", StaticFiles(directory=STATIC)),
        Mount("/player", StaticFiles(directory=PLAYER)),
    ]


def application(desk: Desk, *, token: str, port: int) -> Guard:
    """The whole desk behind its guard."""
    return Guard(Starlette(routes=routes(desk)), token=token, apart=desk.apart_key, port=port)


def _answering(answer: Callable[[Request], Any]) -> Callable[[Request], Awaitable[Response]]:
    """An address whose answer is made in a thread; what is refused says why in one line."""

    async def respond(request: Request) -> Response:
        try:
            found = await run_in_threadpool(answer, request)
        except TimetrueError as error:
            status = 404 if request.url.path.startswith(("/files/", APART)) else 422
            said = {"error": " ".join(str(error).split()), "exit_code": error.exit_code}
            return JSONResponse(said, status)
        if isinstance(found, Response):
            return found
        if isinstance(found, bytes):
            return Response(found, media_type="image/png")
        return JSONResponse(found)

    return respond


def _asking(
    asks: Callable[[], Asks],
) -> Callable[[Request], Awaitable[Response]]:
    """The same for a question in JSON, by its name."""

    async def respond(request: Request) -> Response:
        if request.headers.get("content-type", "").split(";")[0] != "application/json":
            return JSONResponse({"error": "the question must be JSON"}, 415)
        name = request.url.path.removeprefix("/api/")
        known = await run_in_threadpool(asks)
        if name not in known:
            return JSONResponse({"error": f"{name[:80]!r}: is not a question"}, 404)
        model, answer = known[name]
        try:
            asked = model.model_validate_json(await request.body())
        except TooLargeError:
            return JSONResponse({"error": "the request is too large"}, 413)
        except ClientDisconnect:
            return Response(status_code=400)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            place = ".".join(map(str, first["loc"]))
            return JSONResponse({"error": f"{place}: {first['msg']}"}, 400)
        return await _answering(lambda _: answer(asked))(request)

    return respond


def _cancel(desk: Desk) -> Callable[[Request], Awaitable[Response]]:
    def cancel(request: Request) -> dict[str, Any]:
        desk.queue.cancel(request.path_params["number"])
        return {}

    return _answering(cancel)


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


def _events(desk: Desk) -> Callable[[Request], Awaitable[Response]]:
    """Jobs and the sheet on disk, told whenever they change (server-sent events)."""

    async def told(request: Request) -> AsyncIterator[str]:
        last, quiet_s, checked_s, base = None, 0.0, 1.0, ""
        while not await request.is_disconnected():
            if checked_s >= 1.0:
                base, checked_s = await run_in_threadpool(desk.disk), 0.0
            now = (desk.queue.version, base)
            if now != last or quiet_s >= QUIET_S:
                last, quiet_s = now, 0.0
                yield f"data: {json.dumps({'jobs': desk.queue.views(), 'base': base})}\n\n"
            await asyncio.sleep(EVENT_EVERY_S)
            quiet_s, checked_s = quiet_s + EVENT_EVERY_S, checked_s + EVENT_EVERY_S

    async def respond(request: Request) -> Response:
        return StreamingResponse(told(request), media_type="text/event-stream")

    return respond
