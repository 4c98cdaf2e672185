"""The types that day sheets are made of: names, goals, numbers with bounds that catch slips."""

from __future__ import annotations

import re
from functools import partial
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

from overlay.files import NAME_PATTERN
from overlay.goals import GOAL_PATTERN, ROLLING_PATTERN, sheet_goal


def _checked_name(name: str) -> str:
    if not re.match(NAME_PATTERN, name):
        raise ValueError(
            'must have 1 to 40 letters, no / \\ < > : " | ? *, and no space or dot at its ends, '
            "since files are named after it"
        )
    return name


Name = Annotated[
    str,
    AfterValidator(_checked_name),
    WithJsonSchema({"type": "string", "pattern": NAME_PATTERN}),
]
Text = Annotated[str, Field(max_length=2000)]
FileName = Annotated[str, Field(min_length=1, max_length=1000)]
Goal = Annotated[
    str,
    AfterValidator(partial(sheet_goal, is_rolling=False)),
    WithJsonSchema({"type": "string", "pattern": GOAL_PATTERN}),
]
RollingGoal = Annotated[
    str,
    AfterValidator(partial(sheet_goal, is_rolling=True)),
    WithJsonSchema({"type": "string", "pattern": ROLLING_PATTERN}),
]
ShownUnit = Literal["mph", "km/h", "m/s"]

# Bounds catch a wrong unit or a slip of the finger; they are ours and wide on purpose.
Mass = Annotated[float, Field(gt=0, le=3000)]
Diameter = Annotated[float, Field(gt=0.05, le=2)]
Circumference = Annotated[float, Field(gt=0.15, le=6.3)]
Ratio = Annotated[float, Field(gt=0, le=300)]
Ratios = Annotated[tuple[Ratio, ...], Field(min_length=1, max_length=12)]
Teeth = Annotated[int, Field(ge=4, le=400)]
Rpm = Annotated[float, Field(gt=0, le=30000)]
Money = Annotated[float, Field(ge=0, le=1e7)]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
Second = Annotated[float, Field(ge=0, le=86400)]


class Strict(BaseModel):
    """A table with no key but its own, every value of the kind that is asked for."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
