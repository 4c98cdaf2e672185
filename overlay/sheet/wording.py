"""What the validating library finds, each with its line and what belongs there."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import TYPE_CHECKING

from pydantic import BaseModel

from overlay.sheet.candidates import Candidate, Engine
from overlay.sheet.model import Build, Columns, Conditions, DaySheet, Purchase, Report, Run, Vehicle
from overlay.sheet.problems import Places, Problem, shown

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_TABLES: dict[str, type[BaseModel]] = {
    "report": Report,
    "vehicle": Vehicle,
    "conditions": Conditions,
    "builds": Build,
    "parts": Purchase,
    "runs": Run,
    "columns": Columns,
    "engine": Engine,
    "candidates": Candidate,
}


def shape_problems(errors: Iterable[ErrorDetails], places: Places) -> list[Problem]:
    """One problem for each error, in the library's words and with what the key is for."""
    return [
        places.problem(error["loc"], _text(error))
        for error in errors
        # Items that are wrong themselves are left out of the library's count.
        if not (error["type"] == "too_short" and error["input"])
    ]


def _text(error: ErrorDetails) -> str:
    *way, key = error["loc"]
    table = next((part for part in reversed(way) if isinstance(part, str)), "")
    model = _TABLES.get(table, DaySheet)
    if error["type"] == "extra_forbidden":
        return _unknown_key(str(key), model)
    name = key if isinstance(key, str) else table
    owner = model if isinstance(key, str) else _TABLES.get(_above(way), DaySheet)
    field = owner.model_fields.get(name)
    about = f" ({field.description.rstrip('.')})" if field and field.description else ""
    if error["type"] == "missing":
        return f"is missing; add it{about}"
    message = error["msg"].replace("Tuple", "List")
    if error["type"] == "value_error":
        message, about = message.removeprefix("Value error, "), ""
    return f"{shown(error['input'])}: {message[:1].lower()}{message[1:]}{about}"


def _above(way: list[int | str]) -> str:
    """The table that holds the list at the end of the way."""
    names = [part for part in way if isinstance(part, str)]
    return names[-2] if len(names) > 1 else ""


def _unknown_key(key: str, model: type[BaseModel]) -> str:
    known = list(model.model_fields)
    longer = [name for name in known if name.startswith(f"{key.lower()}_")]
    likely = [*longer, *difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.6)]
    if likely:
        return f"is no key of the sheet; did you mean {likely[0]}?"
    home = next((name for name, other in _TABLES.items() if key in other.model_fields), None)
    if home is not None:
        return f"does not belong here; write it under {home}"
    return f"is no key here; take it out, or use one of {', '.join(known)}"
