"""Numbers as the browser gets them: text with the digits shown, which script plots as it stands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

UNKNOWN = "_"


def spaced(values: npt.ArrayLike, digits: int) -> str:
    """Numbers with so many decimals, one space between them; ``_`` for one that is not known.

    Examples
    --------
    >>> spaced([0.0, 1.25, float("nan"), -0.001], 2)
    '0.00 1.25 _ 0.00'
    """
    rounded = np.round(np.asarray(values, dtype=np.float64), digits) + 0.0  # no minus on a zero
    return " ".join(f"{v:.{digits}f}" if np.isfinite(v) else UNKNOWN for v in rounded.tolist())


def words(values: Iterable[str | None]) -> str:
    """Texts without spaces, one space between them; ``_`` for None."""
    return " ".join(UNKNOWN if value is None else value for value in values)
