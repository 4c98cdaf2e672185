"""The gauges of a clip as sheets of pictures, one picture for each frame at its own time.

The pictures are those that a film gets, so nothing draws a gauge a second time. Any frame's gauges
are there at once, whichever way the clip is moved, in every browser that knows WebP.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from overlay.files import written_whole
from overlay.scene.layers import Layer, Picture, changes
from overlay.timebase import FloatArray

FRAMES = 32  # on a sheet: about a second, a few megabytes decoded
WIDEST_PX = 1280  # of the picture that the gauges are kept for
_SHEET_PX = 1600


def write_sheets(
    layers: Sequence[Layer],
    times_s: FloatArray,
    size: tuple[int, int],
    folder: Path,
    stem: str,
) -> dict[str, Any]:
    """Write ``STEM-000.webp`` and so on (lossless), and say where on them each picture lies.

    Parameters
    ----------
    layers : sequence of Layer
    times_s : ndarray of float, shape (n,)
        Footage times of the clip's frames.
    size : (int, int)
        Of the picture that the layers lie on, pixels.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    scale = min(1.0, WIDEST_PX / max(size))
    cells = [(max(1, round(a.width * scale)), max(1, round(a.height * scale))) for a in layers]
    sheets = []
    for number, first in enumerate(range(0, len(times_s), FRAMES)):
        part = times_s[first : first + FRAMES]
        sheet, places = _sheet(layers, cells, part)
        name = f"{stem}-{number:03d}.webp"
        with written_whole(folder / name) as path:
            sheet.save(path, "webp", lossless=True, method=0)
        sheets.append({"name": name, "cells": places})
    return {
        "size": list(size),
        "frames": FRAMES,
        "layers": [
            {"x": a.x, "y": a.y, "width": a.width, "height": a.height, "cell": list(cell)}
            for a, cell in zip(layers, cells, strict=True)
        ],
        "sheets": sheets,
    }


def _sheet(
    layers: Sequence[Layer], cells: Sequence[tuple[int, int]], times_s: FloatArray
) -> tuple[Image.Image, list[list[list[int]]]]:
    """One sheet, and of each layer the corner of the picture that belongs to each time."""
    stacked: list[tuple[Image.Image, int, int]] = []
    places: list[list[list[int]]] = []
    top = width = 0
    for layer, (wide, high) in zip(layers, cells, strict=True):
        columns = max(1, _SHEET_PX // wide)
        corners: list[list[int]] = []
        count = 0
        for index, picture in changes(layer, times_s):
            corner = [count % columns * wide, top + count // columns * high]
            corners += [corners[-1]] * (index - len(corners)) if corners else []
            corners.append(corner)
            stacked.append((_shrunk(picture, (wide, high)), corner[0], corner[1]))
            count += 1
        corners += [corners[-1]] * (len(times_s) - len(corners))
        places.append(corners)
        top += -(-count // columns) * high
        width = max(width, min(count, columns) * wide)
    sheet = Image.new("RGBA", (max(width, 1), max(top, 1)))
    for image, x, y in stacked:
        sheet.paste(image, (x, y))
    return sheet, places


def _shrunk(picture: Picture, size: tuple[int, int]) -> Image.Image:
    """A copy at that size; colours are weighed by their alpha, so no edge darkens."""
    image = Image.fromarray(np.array(picture))
    if image.size == size:
        return image
    return image.convert("RGBa").resize(size, Image.Resampling.LANCZOS).convert("RGBA")
