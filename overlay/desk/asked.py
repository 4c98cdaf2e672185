"""What the page may ask, checked before anything is done with it."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from overlay.desk.films import FilmOrder

LARGEST_TEXT = 1 << 20


class Asked(BaseModel):
    """Something about a draft."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field(max_length=LARGEST_TEXT)


class AskEdit(BaseModel):
    """One edit of it."""

    model_config = ConfigDict(extra="forbid")

    op: Literal["set", "unset", "add", "remove"]
    path: list[str | int] = Field(min_length=1, max_length=8)
    value: Any = None


class AskDraft(Asked):
    """A draft with edits to make in it."""

    edits: list[AskEdit] = Field(default=[], max_length=1000)


class AskSave(Asked):
    """A draft to write in place of the sheet with the digest `base`, or beside it."""

    base: str = ""
    aside: bool = False


class AskRun(Asked):
    """One run of a draft."""

    name: str


class AskResults(Asked):
    """The builds compared, with small clips beside the page or without."""

    with_clips: bool = False


class AskFilm(Asked):
    """A film of runs of a draft; with `at_s` one picture of it, footage time in seconds."""

    film: FilmOrder
    at_s: float | None = Field(default=None, ge=0)


class AskFile(BaseModel):
    """A file of the folder."""

    model_config = ConfigDict(extra="forbid")

    name: str
