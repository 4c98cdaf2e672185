"""What is asked of the runs of a draft; it needs the libraries that work a run out."""

from __future__ import annotations

import tempfile
import threading
from pathlib import Path
from typing import Any

from overlay.desk import work
from overlay.desk.asked import AskFile, AskResults, AskRun, Asks
from overlay.desk.confine import inside
from overlay.desk.draft import on_disk, sheet_of
from overlay.desk.films import AskFilm, places_of, scene_for
from overlay.desk.queue import Queue, Task
from overlay.desk.views import run_view, runs_view
from overlay.errors import InputError
from overlay.jobs.film import film_s, pictured
from overlay.jobs.names import FOLDER
from overlay.scene import Scene
from overlay.sheet import DaySheet, Run


class Orders:
    """One folder's runs, and the queue in which they are worked on.

    Parameters
    ----------
    path : Path
        Of the day sheet.
    queue : Queue
    """

    def __init__(self, path: Path, queue: Queue) -> None:
        self.path, self.folder, self.queue = path, path.parent, queue
        self._picturing = threading.Lock()

    @property
    def asks(self) -> Asks:
        """What is asked under each name, and what answers."""
        return {
            "run": (AskRun, self.run),
            "work-out": (AskRun, self.work_out),
            "find": (AskRun, self.find),
            "play": (AskRun, self.play),
            "results": (AskResults, self.results),
            "film": (AskFilm, self.film),
            "places": (AskFilm, self.places),
            "picture": (AskFilm, self.picture),
            "verify": (AskFile, self.verify),
        }

    def states(self, sheet: DaySheet) -> list[dict[str, Any]]:
        """State of each run and, where it is worked out, its figures in a few words."""
        return runs_view(sheet, self.folder / FOLDER)

    def run(self, asked: AskRun) -> dict[str, Any]:
        """One run with its evidence."""
        sheet = sheet_of(asked.text, self.path)
        return run_view(sheet, self._own_run(sheet, asked.name), self.folder / FOLDER)

    def work_out(self, asked: AskRun) -> dict[str, Any]:
        """Put a run in line, or all that are not worked out where no name is given."""
        sheet = sheet_of(asked.text, self.path)
        if asked.name:
            names = [asked.name]
        else:
            names = [view["name"] for view in self.states(sheet) if view["state"] != "done"]
        for name in names:
            self._own_run(sheet, name)
            self.queue.add("run", name, work.work_out, sheet, name)
        return {"count": len(names)}

    def find(self, asked: AskRun) -> dict[str, Any]:
        """Put the search for runs in a long recording in line."""
        return self._queued("find", asked, work.find)

    def play(self, asked: AskRun) -> dict[str, Any]:
        """Put the making of a run's player in line."""
        return self._queued("play", asked, work.play)

    def _queued(self, kind: str, asked: AskRun, task: Task) -> dict[str, Any]:
        sheet = sheet_of(asked.text, self.path)
        self._own_run(sheet, asked.name)
        self.queue.add(kind, asked.name, task, sheet, asked.name)
        return {}

    def results(self, asked: AskResults) -> dict[str, Any]:
        """Compare the builds of the saved sheet."""
        if on_disk(self.path) != asked.text:
            raise InputError("the results are those of the saved sheet; save the changes first")
        sheet = sheet_of(asked.text, self.path)
        for run in sheet.runs:
            self._own_run(sheet, run.name)
        self.queue.add("results", "", work.results, str(self.path), asked.with_clips, wide=True)
        return {}

    def film(self, asked: AskFilm) -> dict[str, Any]:
        """Put a film in line."""
        sheet, order = self._checked(asked), asked.film
        self.queue.add("film", order.name, work.film, sheet, order, wide=True)
        return {}

    def picture(self, asked: AskFilm) -> bytes:
        """One picture of a film, PNG."""
        with self._picturing, tempfile.TemporaryDirectory() as place:
            target = Path(place) / "still.png"
            pictured(self._scene(asked), asked.at_s or 0.0, target)
            return target.read_bytes()

    def _scene(self, asked: AskFilm) -> Scene:
        return scene_for(self._checked(asked), asked.film)

    def _checked(self, asked: AskFilm) -> DaySheet:
        """The sheet of a film whose runs are all in the folder."""
        sheet = sheet_of(asked.text, self.path)
        for name in asked.film.runs:
            self._own_run(sheet, name)
        return sheet

    def places(self, asked: AskFilm) -> dict[str, Any]:
        """The film's size and length, and where its gauges stand."""
        scene = self._scene(asked)
        return {**places_of(scene), "duration_s": film_s(scene)}

    def verify(self, asked: AskFile) -> dict[str, Any]:
        """Put the proof of a film in line."""
        self.queue.add("verify", asked.name, work.verify, str(inside(self.folder, asked.name)))
        return {}

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
