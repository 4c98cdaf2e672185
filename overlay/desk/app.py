"""The desk's addresses: what the page asks for, and what it is given."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from overlay.desk import work
from overlay.desk.asked import AskDraft, AskFile, AskFilm, AskResults, AskRun, AskSave
from overlay.desk.confine import SHOWN, inside
from overlay.desk.draft import checked, digest_of, first_draft, on_disk, save, set_aside
from overlay.desk.films import FILMS, scene_for, usual_places
from overlay.desk.guard import APART, Guard, TooLargeError
from overlay.desk.queue import Queue
from overlay.desk.seen import Seen
from overlay.desk.views import folder_view, run_view, runs_view
from overlay.errors import InputError, TimetrueError
from overlay.gauges.type import font_path
from overlay.jobs.day_run import CLIPS, FOLDER
from overlay.jobs.sheet_runs import SHEET_NAME
from overlay.page.scripts import STATIC as PLAYER
from overlay.sheet import DaySheet, Run
from overlay.sheet.edit import Edit, edited

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
        self._picturing = threading.Lock()
        self.is_tour = is_tour
        self.apart_key = secrets.token_urlsafe(32)
        if is_tour and not self.path.exists():
            self.queue.add("demo", "", work.demo, str(self.folder), wide=True)

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
        runs = [] if found.sheet is None else runs_view(found.sheet, self.folder / FOLDER)
        return {"text": text, "raw": found.raw, "problems": found.problems, "runs": runs}

    def save(self, asked: AskSave) -> dict[str, Any]:
        """Write the sheet, or give the other text that is there."""
        if asked.aside:
            return {"aside": set_aside(self.path, asked.text)}
        theirs = save(self.path, asked.text, asked.base)
        if theirs is None:
            return {"base": digest_of(asked.text)}
        return {"theirs": theirs, "base": digest_of(theirs)}

    def _sheet(self, text: str) -> DaySheet:
        found = checked(text, self.path)
        if found.sheet is None:
            first = found.problems[0]
            said = f"line {first['line']}: {first['place']}: {first['text']}"
            raise InputError(f"the sheet has problems; the first: {said}")
        return found.sheet

    # -- work ----------------------------------------------------------------------------------

    def run(self, asked: AskRun) -> dict[str, Any]:
        """One run with its evidence."""
        sheet = self._sheet(asked.text)
        return run_view(sheet, self._own_run(sheet, asked.name), self.folder / FOLDER)

    def _own_run(self, sheet: DaySheet, name: str) -> Run:
        """The run of that name, whose files are all in the folder."""
        run = sheet.run(name)
        if run is None:
            raise InputError(f"{name!r}: no run of that name in the sheet")
        for file in (run.clip, *run.logs):
            if not sheet.file(file).resolve().is_relative_to(self.folder):
                raise InputError(
                    f"{file}: is outside the folder, which the desk does not leave; copy it in, "
                    "or use 'timetrue day run'"
                )
        return run

    def work_out(self, asked: AskRun) -> dict[str, Any]:
        """Put a run in line, or all that are not worked out where no name is given."""
        sheet = self._sheet(asked.text)
        if asked.name:
            names = [asked.name]
        else:
            views = runs_view(sheet, self.folder / FOLDER)
            names = [view["name"] for view in views if view["state"] != "done"]
        for name in names:
            self._own_run(sheet, name)
            self.queue.add("run", name, work.work_out, sheet, name)
        return {"count": len(names)}

    def find(self, asked: AskRun) -> dict[str, Any]:
        """Put the search for runs in a long recording in line."""
        sheet = self._sheet(asked.text)
        self._own_run(sheet, asked.name)
        self.queue.add("find", asked.name, work.find, sheet, asked.name)
        return {}

    def play(self, asked: AskRun) -> dict[str, Any]:
        """Put the making of a run's player in line."""
        sheet = self._sheet(asked.text)
        self._own_run(sheet, asked.name)
        self.queue.add("play", asked.name, work.play, sheet, asked.name)
        return {}

    def results(self, asked: AskResults) -> dict[str, Any]:
        """Compare the builds of the saved sheet."""
        if on_disk(self.path) != asked.text:
            raise InputError("the results are those of the saved sheet; save the changes first")
        sheet = self._sheet(asked.text)
        for run in sheet.runs:
            self._own_run(sheet, run.name)
        self.queue.add("results", "", work.results, str(self.path), asked.with_clips, wide=True)
        return {}

    def film(self, asked: AskFilm) -> dict[str, Any]:
        """Put a film in line."""
        sheet, order = self._sheet(asked.text), asked.film
        for name in order.runs:
            self._own_run(sheet, name)
        self.queue.add("film", order.name, work.film, sheet, order, wide=True)
        return {}

    def picture(self, asked: AskFilm) -> bytes:
        """One picture of a film of one run, PNG."""
        import tempfile

        from overlay.render.stills import still

        sheet = self._sheet(asked.text)
        order = asked.film.model_copy(update={"arrangement": "alone"})
        order = order.model_copy(update={"runs": order.runs[:1]})
        self._own_run(sheet, order.runs[0])
        with self._picturing, tempfile.TemporaryDirectory() as place:
            scene = scene_for(sheet, order)
            clip = scene.cells[0].run.clip
            at_s = min(asked.at_s or 0.0, clip.duration_s)
            target = Path(place) / "still.png"
            still(clip, scene.layers[0], at_s, target)
            return target.read_bytes()

    def places(self, asked: AskRun) -> dict[str, Any]:
        """The usual places of gauges in a run's picture."""
        from overlay.footage import probe

        sheet = self._sheet(asked.text)
        clip = probe(sheet.file(self._own_run(sheet, asked.name).clip))
        return {**usual_places(clip.width, clip.height), "duration_s": clip.duration_s}

    def verify(self, asked: AskFile) -> dict[str, Any]:
        """Put the proof of a film in line."""
        self.queue.add("verify", asked.name, work.verify, str(inside(self.folder, asked.name)))
        return {}

    def disk(self) -> str:
        """Digest of the sheet on disk; of no text where it cannot be read."""
        try:
            return digest_of(on_disk(self.path))
        except InputError:
            return ""


def routes(desk: Desk) -> list[Route | Mount]:
    """Every address."""
    asks: dict[str, tuple[type[BaseModel], Callable[[Any], Any]]] = {
        "draft": (AskDraft, desk.draft),
        "save": (AskSave, desk.save),
        "run": (AskRun, desk.run),
        "work-out": (AskRun, desk.work_out),
        "find": (AskRun, desk.find),
        "play": (AskRun, desk.play),
        "results": (AskResults, desk.results),
        "film": (AskFilm, desk.film),
        "places": (AskRun, desk.places),
        "picture": (AskFilm, desk.picture),
        "verify": (AskFile, desk.verify),
    }
    return [
        Route("/", lambda _: FileResponse(STATIC / "index.html")),
        Route("/api/look", _answering(lambda _: desk.look())),
        Route("/api/events", _events(desk)),
        Route("/api/cancel/{number:int}", _cancel(desk), methods=["POST"]),
        *(
            Route(f"/api/{name}", _asking(model, answer), methods=["POST"])
            for name, (model, answer) in asks.items()
        ),
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
    model: type[BaseModel], answer: Callable[[Any], Any]
) -> Callable[[Request], Awaitable[Response]]:
    """The same for a question in JSON."""

    async def respond(request: Request) -> Response:
        if request.headers.get("content-type", "").split(";")[0] != "application/json":
            return JSONResponse({"error": "the question must be JSON"}, 415)
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
