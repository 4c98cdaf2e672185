"""Whether the runs of a day grew quicker or slower as it went on, whatever the build."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.figures import LEVEL
from overlay.compare.measure import t_quantile
from overlay.compare.mixed import floored
from overlay.compare.standing import Standing


@dataclass(frozen=True)
class Drift:
    """A steady change from one run to the next in one figure."""

    # As in the comparison.
    label: str
    unit: str
    # Change from one run to the next, and half width of its interval.
    per_run: float
    half: float

    @property
    def is_seen(self) -> bool:
        """Whether the interval leaves 0 out."""
        return abs(self.per_run) > self.half


def drift_of(standings: Sequence[Standing], column: int, label: str, unit: str) -> Drift | None:
    """Least squares on the place of each counted run, a level for each build and way driven.

    Its scatter is never less than the measurement's.

    Returns
    -------
    Drift or None
        None where too few runs count, or no build was driven at two places.
    """
    used = [one for one in standings if one.splits[column].used]
    if not used:
        return None
    y = np.array([one.splits[column].value for one in used], dtype=np.float64)
    groups = [(one.build, one.way) for one in used]
    levels = np.array([[float(g == group) for group in dict.fromkeys(groups)] for g in groups])
    table = np.column_stack([[float(one.place) for one in used], levels])
    free = len(y) - table.shape[1]
    if free < 1 or np.linalg.matrix_rank(table) < table.shape[1]:
        return None
    best = np.linalg.lstsq(table, y)[0]
    squares = np.array([float(np.sum((y - table @ best) ** 2))])
    floor = math.sqrt(math.fsum(one.splits[column].sigma ** 2 for one in used) / len(used))
    variance, dof, _ = floored(squares, free, np.array([floor]))
    sigma = math.sqrt(float(variance[0]) * float(np.linalg.inv(table.T @ table)[0, 0]))
    return Drift(label, unit, float(best[0]), t_quantile(float(dof[0]), 1 - LEVEL / 2) * sigma)
