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
from overlay.desk.films import AskFilm, scene_for, usual_places
from overlay.desk.queue import Queue
from overlay.desk.views import run_view, runs_view
from overlay.errors import InputError
from overlay.footage import probe
from overlay.jobs.names import FOLDER
from overlay.render.stills import still
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
            "places": (AskRun, self.places),
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
        sheet = sheet_of(asked.text, self.path)
        self._own_run(sheet, asked.name)
        self.queue.add("find", asked.name, work.find, sheet, asked.name)
        return {}

    def play(self, asked: AskRun) -> dict[str, Any]:
        """Put the making of a run's player in line."""
        sheet = sheet_of(asked.text, self.path)
        self._own_run(sheet, asked.name)
        self.queue.add("play", asked.name, work.play, sheet, asked.name)
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
        sheet, order = sheet_of(asked.text, self.path), asked.film
        for name in order.runs:
            self._own_run(sheet, name)
        self.queue.add("film", order.name, work.film, sheet, order, wide=True)
        return {}

    def picture(self, asked: AskFilm) -> bytes:
        """One picture of a film of one run, PNG."""
        sheet = sheet_of(asked.text, self.path)
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
        sheet = sheet_of(asked.text, self.path)
        clip = probe(sheet.file(self._own_run(sheet, asked.name).clip))
        return {**usual_places(clip.width, clip.height), "duration_s": clip.duration_s}

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
