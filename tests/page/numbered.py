"""A clip and a gauge that both carry their frame's number in their pixels."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from overlay.page.sheets import write_sheets
from overlay.scene.layers import Layer
from tests.clips import make_clip_of

SIZE = (320, 180)
BITS, CELL = 10, 32
HALF = 90  # the clip's number stands in the lower half, the gauge's in the upper


def barcode(number: int) -> npt.NDArray[np.uint8]:
    """The number as black and white cells, most significant first."""
    cells = [255 if number >> bit & 1 else 0 for bit in reversed(range(BITS))]
    return np.repeat(np.array(cells, np.uint8), CELL)[None, :].repeat(HALF, 0)


def read_number(grey: npt.NDArray[np.uint8], half: int) -> int:
    """The number in the upper (0) or lower (1) half of a grey picture of any size."""
    high, wide = grey.shape
    row = grey[int(high * (0.25 + 0.5 * half))]
    places = [int(wide * (bit + 0.5) / BITS) for bit in range(BITS)]
    return sum(int(row[x] > 127) << (BITS - 1 - bit) for bit, x in enumerate(places))


def uneven_times_ms(frames: int) -> list[int]:
    """Frame times of a phone in changing light: steps of 17 to 67 ms."""
    steps = np.random.default_rng(5).choice(
        [17, 33, 34, 50, 67], frames, p=[0.2, 0.3, 0.3, 0.1, 0.1]
    )
    return [0, *np.cumsum(steps)[:-1].tolist()]


def write_numbered(folder: Path, times_ms: list[int], name: str = "numbered") -> dict[str, Any]:
    """Clip, gauge sheets and what the player is told of them."""
    pictures = [
        np.repeat(np.vstack([np.zeros((HALF, SIZE[0]), np.uint8), barcode(n)])[..., None], 3, 2)
        for n in range(len(times_ms))
    ]
    make_clip_of(
        folder / "clip.mp4", pictures, times_ms, options={"crf": "10", "g": "40", "bf": "2"}
    )
    times_s = np.array(times_ms) / 1000

    def draw(t_s: float) -> npt.NDArray[np.uint8]:
        picture = np.full((HALF, SIZE[0], 4), 255, np.uint8)
        picture[..., :3] = barcode(int(np.flatnonzero(times_s == t_s)[0]))[..., None]
        return picture

    layer = Layer(0, 0, SIZE[0], HALF, draw)
    return {
        "name": name,
        "hue": "#56b4e9",
        "aspect": SIZE[0] / SIZE[1],
        "clip": "clip.mp4",
        "frame_times": " ".join(f"{t:.6f}" for t in times_s),
        "launch_frame": 3,
        "posts": [],
        # Two metres a frame from the launch on, 60 m at frame 33; the speed rises by a tenth.
        "along": {
            "distance": " ".join("_" if n < 3 else f"{2 * (n - 3)}.0" for n in range(len(times_s))),
            "speed": " ".join("_" if n < 3 else f"{(n - 3) / 10:.1f}" for n in range(len(times_s))),
        },
        "readouts": [{"label": "t", "unit": "s", "values": " ".join(f"{t:.3f}" for t in times_s)}],
        "charts": [],
        "gauges": {
            "corrected": write_sheets([layer], times_s, SIZE, folder, "corrected"),
            "received": {"reason": "unknown"},
        },
    }


def on_screen(png: bytes) -> tuple[int, int]:
    """Numbers of the gauges and of the picture, from a screen with the player at its corner."""
    grey = np.array(Image.open(io.BytesIO(png)).convert("L"))[: SIZE[1], : SIZE[0]]
    return read_number(grey, 0), read_number(grey, 1)
