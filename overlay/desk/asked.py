"""What the page may ask, checked before anything is done with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

# The model of each question, and what answers it.
Asks = Mapping[str, tuple[type[BaseModel], Callable[[Any], Any]]]
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


class AskFile(BaseModel):
    """A file of the folder."""

    model_config = ConfigDict(extra="forbid")

    name: str
