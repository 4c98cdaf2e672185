"""One folder at the desk: what is in it, its sheet, and what the page is answered."""

from __future__ import annotations

import secrets
import threading
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from overlay.arrangements import ARRANGEMENTS
from overlay.desk.asked import AskDraft, Asks, AskSave
from overlay.desk.draft import checked, digest_of, on_disk, save, set_aside, unknown_run
from overlay.desk.guard import APART
from overlay.desk.queue import Queue
from overlay.desk.seen import Seen
from overlay.errors import InputError, UsageError
from overlay.gauges import GAUGES
from overlay.jobs.names import CLIPS, FILMS, FOLDER, KEPT, SHEET_NAME
from overlay.sheet import DaySheet
from overlay.sheet.edit import Edit, edited

if TYPE_CHECKING:
    from overlay.desk.orders import Orders

LOOK_S = 0.1  # that a page waits for all files of a folder; then it shows those known so far
READ_AFTER_S = 2.5  # the page has shown its runs by then


class Desk:
    """One folder, its queue, and the answers.

    Parameters
    ----------
    folder : Path
        That exists.
    seen : Seen, optional
        Of that folder, where it is being read already.
    is_tour : bool
        Whether to film the demo day into it where it has no sheet, and to lead through it.
    apart_key : str, optional
        Secret in the path of the results page.
    """

    def __init__(
        self,
        folder: Path,
        seen: Seen | None = None,
        *,
        is_tour: bool = False,
        apart_key: str = "",
    ) -> None:
        self.folder = folder.resolve()
        self.seen = seen or Seen(folder)
        self.path = self.folder / SHEET_NAME
        self.queue = Queue()
        # Begun when the page is there: the first who asks for a run need not wait for it.
        self._reading = threading.Timer(READ_AFTER_S, lambda: self.orders)
        self._reading.daemon = True
        self.is_tour = is_tour
        self.apart_key = apart_key or secrets.token_urlsafe(32)
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

    def answer(self, name: str, body: bytes) -> Any:
        """The answer to a question in JSON.

        Raises
        ------
        UsageError
            If there is no such question, or it makes no sense.
        TimetrueError
            Why there is no answer.
        """
        own: Asks = {"draft": (AskDraft, self.draft), "save": (AskSave, self.save)}
        asks = own if name in own else self.orders.asks
        if name not in asks:
            raise UsageError(f"{name[:80]!r}: is not what this page asks")
        model, answer = asks[name]
        try:
            asked = model.model_validate_json(body)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            place = ".".join(map(str, first["loc"]))
            raise UsageError(f"{place}: {first['msg']}") from None
        return answer(asked)

    # -- the folder and the sheet --------------------------------------------------------------

    def look(self) -> dict[str, Any]:
        """Files, pairing, and the sheet as it is or as it would start.

        ``text`` is None while there is no sheet and not all files are known; ``draft`` is what
        would be answered to it.
        """
        version = self.seen.version
        seen = self.seen.now(LOOK_S)
        there = on_disk(self.path)
        text = seen["text"] if there is None else there
        return {
            "folder": str(self.folder),
            "files": seen,
            "files_version": version,
            "text": text,
            "draft": None if text is None else self.draft(AskDraft(text=text)),
            "base": digest_of(there),
            "is_new": there is None,
            "is_tour": self.is_tour,
            "films": self._films(),
            "results": self._results(),
            "arrangements": [(name, one.called or name) for name, one in ARRANGEMENTS.items()],
            "gauges": [kind for kind in GAUGES if kind != "gap"],
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
        with suppress(RuntimeError):  # begun by an earlier draft
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

    def close(self) -> None:
        """End what is worked on, and let the process that reads go."""
        self.queue.close()
        self.seen.close()

    def disk(self) -> str:
        """Digest of the sheet on disk, or of no text where it cannot be read; files are seen to."""
        try:
            self.seen.now()
            return digest_of(on_disk(self.path))
        except InputError:
            return ""
