"""Text recognition as a further witness of which digit is which, where it is installed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

from overlay.readout.holds import Hold
from overlay.readout.line import Number

LINES = 16  # holds read, the longest
PAD = 12

Vote = Callable[[Sequence[Hold], Sequence[Number]], "list[str | None]"]


@lru_cache(maxsize=1)
def reader_of_lines() -> Vote | None:
    """What reads the numbers of holds; None where the library is not installed.

    The extra ``readout`` brings it, with its models in the package; nothing is fetched.
    """
    try:
        import logging

        from rapidocr import RapidOCR
    except ImportError:
        return None
    logging.getLogger("RapidOCR").setLevel(logging.ERROR)
    engine = RapidOCR(params={"Global.log_level": "error"})

    def read(holds: Sequence[Hold], numbers: Sequence[Number]) -> list[str | None]:
        out: list[str | None] = [None] * len(holds)
        order = sorted(range(len(holds)), key=lambda k: holds[k].first - holds[k].last)
        for k in order[:LINES]:
            left, right = numbers[k].glyphs[0].left, numbers[k].right
            ink = np.pad(holds[k].ink[:, max(0, left - 2) : right + 2], PAD)
            picture = np.repeat((255 - 255 * ink).astype(np.uint8)[:, :, None], 3, axis=2)
            found = engine(picture, use_det=False, use_cls=False, use_rec=True)
            texts = getattr(found, "txts", None)
            out[k] = texts[0] if texts else None
        return out

    return read
