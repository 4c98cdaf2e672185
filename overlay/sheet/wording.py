"""What the validating library finds, in words for the person who writes the sheet."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from overlay.sheet.goals import read_goal
from overlay.sheet.model import Build, Conditions, DaySheet, Report, Run, Vehicle
from overlay.sheet.places import Path
from overlay.sheet.problems import Places, Problem, shown

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_EXAMPLES = {
    "builds.name": 'name = "A"',
    "builds.parts.name": 'name = "main jet"',
    "runs.name": 'name = "a1"',
    "build": 'build = "A"',
    "clip": 'clip = "a1.mp4"',
    "logs": 'logs = ["a1.gpx"]',
    "price": "price = 7",
}
_NO_TABLES = {
    "builds": "the sheet has no builds; add a [[builds]] table with a name for each",
    "runs": "the sheet has no runs; add a [[runs]] table with name, build, clip and logs for each",
}
_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": 'text in quotes, "..."',
    "tuple_type": "a list, [...]",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
}
_CURRENCY_SIGNS = {"£": "GBP", "€": "EUR", "$": "USD", "¥": "JPY", "zł": "PLN", "kr": "SEK"}
_MEANT = {  # what people write first, where likeness alone does not find it
    "mass": "mass_kg",
    "weight": "mass_kg",
    "weight_kg": "mass_kg",
    "wheel_diameter_m": "tyre_diameter_m",
    "tire_diameter_m": "tyre_diameter_m",
    "ratio": "gear_ratios",
    "gear_ratio": "gear_ratios",
    "gearing": "gear_ratios",
    "rev_limit": "limiter_rpm",
    "rolling": "rolling_coefficient",
    "drag_area": "drag_area_m2",
    "cost": "price",
    "video": "clip",
    "footage": "clip",
    "log": "logs",
    "note": "notes",
    "wind": "headwind_mps",
    "wind_mps": "headwind_mps",
    "slope": "slope_percent",
    "gradient": "slope_percent",
    "temperature": "temperature_c",
    "pressure": "pressure_hpa",
    "humidity": "humidity_percent",
    "units": "speed_unit",
    "unit": "speed_unit",
    "margin_s": "worth_noticing_s",
    "reason": "because",
    "description": "about",
    "title": "about",
    "window": "window_s",
    "offset": "offset_s",
    "signal": "signal_s",
    "start_signal": "signal_s",
}
_HOMES: dict[str, type[BaseModel]] = {
    "[report]": Report,
    "[vehicle]": Vehicle,
    "[[builds]]": Build,
    "[[runs]]": Run,
    "[conditions]": Conditions,
}


def shape_problems(errors: Iterable[ErrorDetails], places: Places) -> list[Problem]:
    """One problem for each error of the validating library, worded for the sheet's writer.

    Parameters
    ----------
    errors : iterable of pydantic_core.ErrorDetails
    places : Places
    """
    found: dict[tuple[Path, str], Problem] = {}
    errors = list(errors)
    misspelt = {
        _likely(str(error["loc"][0]), list(_NO_TABLES))
        for error in errors
        if error["type"] == "extra_forbidden" and len(error["loc"]) == 1
    }
    for error in errors:
        if error["type"] == "too_short" and error["input"]:
            continue  # items that are wrong themselves are left out of the count
        if error["type"] == "missing" and error["loc"][-1] in misspelt:
            continue  # the table is there under a name that is told already
        path, text = _worded(error)
        found.setdefault((path, text), places.problem(path, text))
    return list(found.values())


def _worded(error: ErrorDetails) -> tuple[Path, str]:
    path: Path = tuple(error["loc"])
    kind, value, limits = error["type"], error["input"], error.get("ctx", {})
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if kind == "missing":
        return _missing(path)
    if kind == "extra_forbidden":
        return path, _unknown_key(path)
    if kind in _WANTED:
        return path, _wrong_type(path, kind, value)
    if kind == "string_pattern_mismatch":
        return path, f"{shown(value)} {_misshapen(key, str(value))}"
    if kind == "literal_error":
        return path, f"{shown(value)} is not known here; use one of {_choices(limits)}"
    if kind in ("too_short", "string_too_short"):
        return path, _too_little(path, key)
    if kind in ("too_long", "string_too_long"):
        most = limits.get("max_length")
        if key == "window_s":
            return path, "needs two numbers, the start and the end, such as [12.0, 31.5]"
        return path, f"is too long; {most} is the most"
    return path, f"{shown(value)} {_out_of_range(key, kind, limits)}"


def _missing(path: Path) -> tuple[Path, str]:
    last = path[-1]
    if isinstance(last, int):
        return path[:-1], "needs two numbers, the start and the end, such as [12.0, 31.5]"
    if len(path) == 1:
        return path, _NO_TABLES[last]
    example = _EXAMPLES.get(last) or _EXAMPLES[".".join(p for p in path if isinstance(p, str))]
    return path, f"is missing; add {example} or the like"


def _too_little(path: Path, key: str) -> str:
    if key in _NO_TABLES:
        return _NO_TABLES[key]
    if key == "logs" and not isinstance(path[-1], int):
        return 'is empty; name at least one log with speed, such as ["a1.gpx"]'
    return "is empty; write it or take the line out"


def _out_of_range(key: str, kind: str, limits: Mapping[str, Any]) -> str:
    if kind == "finite_number":
        return "is no finite number; write the number or take the line out"
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    for name, word in words.items():
        if name in limits:
            return f"is out of range; write a number {word} {limits[name]:g}{_unit(key)}"
    return "is not what belongs here"


def _unit(key: str) -> str:
    units = {"kg": "kg", "m": "m", "rpm": "rpm", "s": "s", "mps": "m/s", "c": "°C", "hpa": "hPa"}
    units["percent"] = "%"
    unit = units.get(key.rsplit("_", 1)[-1]) if "_" in key else None
    return f" {unit}" if unit else ""


def _wrong_type(path: Path, kind: str, value: object) -> str:
    key = path[-1]
    if key in _NO_TABLES and isinstance(value, dict):
        return f"write [[{key}]] in double brackets, one for each"
    if kind == "tuple_type" and isinstance(value, str | int | float):
        return f"{shown(value)} must be a list; write [{shown(value)}]"
    wanted = _WANTED[kind]
    text = f"{shown(value)} must be {wanted}"
    if isinstance(value, str) and kind in ("float_type", "int_type"):
        number = re.fullmatch(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(.*)", value)
        if number:
            return f"{text}; write {number[1].replace(',', '.')} without quotes or unit"
    if kind == "string_type" and isinstance(value, int | float):
        return f'{text}; write "{shown(value)}"'
    if kind == "bool_type":
        return f"{text}, without quotes"
    return text


def _misshapen(key: str, value: str) -> str:
    if key == "splits":
        wrong = read_goal(value)
        return wrong if isinstance(wrong, str) else "is no goal; write one such as 60 m"
    if key == "currency":
        code = _CURRENCY_SIGNS.get(value.strip(), value.upper())
        example = code if re.fullmatch("[A-Z]{3}", code) else "GBP"
        return (
            f"is no currency code; write the three capital letters of ISO 4217, such as {example}"
        )
    bad = sorted({char for char in value if char in '/\\<>:"|?*' or not char.isprintable()})
    if bad:
        return f"holds {' '.join(map(shown, bad))}, which a file name cannot; take it out"
    if not value.strip():
        return "is empty; write a short name"
    if len(value) > 40:
        return "is too long for a file name; 40 characters are the most"
    return "starts or ends with a space or a dot, which a file name cannot; take it away"


def _choices(limits: Mapping[str, Any]) -> str:
    return str(limits.get("expected", "")).replace("'", '"').replace(" or ", ", ")


# -- unknown keys -----------------------------------------------------------------------------


def _unknown_key(path: Path) -> str:
    key = str(path[-1])
    known = list(_model_at(path[:-1]).model_fields)
    likely = _likely(key.lower(), known)
    if likely is not None:
        return f"is no key of the sheet; did you mean {likely}?"
    for home, model in _HOMES.items():
        likely = _MEANT.get(key.lower(), key)
        if likely in model.model_fields:
            return f"does not belong here; write it as {likely} under {home}"
    return f"is no key here; take it out, or use one of {', '.join(known)}"


def _likely(key: str, known: list[str]) -> str | None:
    """The known key that a person most likely meant."""
    meant = _MEANT.get(key)
    if meant in known:
        return meant
    longer = [name for name in known if name.startswith(f"{key}_")]
    close = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    return next(iter([*longer, *close]), None)


def _model_at(path: Path) -> type[BaseModel]:
    """The model whose table lies at `path`."""
    model: type[BaseModel] = DaySheet
    for part in path:
        if isinstance(part, str):
            found = _model_in(model.model_fields[part].annotation)
            assert found is not None, path
            model = found
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Union, UnionType, Annotated, tuple):
        for inner in get_args(annotation):
            found = _model_in(inner)
            if found is not None:
                return found
    return None
