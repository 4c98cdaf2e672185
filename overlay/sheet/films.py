"""Films that the desk draws, kept in the sheet with the places of their gauges; all optional."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, WithJsonSchema

from overlay.arrangements import ARRANGEMENTS
from overlay.sheet.base import Name, ShownUnit, Strict, Text


def _known(name: str) -> str:
    if name not in ARRANGEMENTS:
        raise ValueError(f"is none; use one of {', '.join(ARRANGEMENTS)}")
    return name


Arrangement = Annotated[
    str,
    AfterValidator(_known),
    WithJsonSchema({"type": "string", "enum": list(ARRANGEMENTS)}),
]
Share = Annotated[float, Field(ge=0, le=1)]
Place = Annotated[
    tuple[Share, ...],
    Field(
        min_length=4,
        max_length=5,
        description="Left, top, width, height as shares of the safe part of the picture; of a "
        "ladder the height of a rung too.",
    ),
]


class Film(Strict):
    """A film of one run or several."""

    name: Name = Field(description="Unlike any other film's; the file is named after it.")
    runs: Annotated[tuple[Text, ...], Field(min_length=1, max_length=4)] = Field(
        description="Names of runs, in the order shown."
    )
    arrangement: Arrangement = "alone"
    units: ShownUnit | None = Field(default=None, description="Else those of the report.")
    gauges: tuple[Text, ...] | None = Field(default=None, description="Else the usual ones.")
    places: dict[str, Place] = Field(
        default={}, description="Where a gauge is moved to, by its name."
    )
    codec: Literal["h264", "h265", "av1"] = "h264"
    quality: Annotated[int, Field(ge=0, le=63)] | None = Field(
        default=None, description="The codec's own number; lower is better and larger."
    )
