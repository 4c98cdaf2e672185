"""A logged or heard speed in the form of motion between pictures, for the same estimator."""

from __future__ import annotations

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.series import Series

MOTION_HZ = 30.0  # as a camera's frames, which the estimator was measured with
LEAST_SIGMA = 0.002


def as_motion(series: Series) -> MotionSignal:
    """A logged speed in the form of motion between pictures, at no more than `MOTION_HZ`.

    Each value is the mean of two neighbours, stamped between them; its uncertainty comes from the
    second differences, in which a smooth speed cancels.
    """
    every = max(1, round(1 / (MOTION_HZ * series.median_step_s)))
    count = len(series) // every * every
    t_s = series.t_s[:count].reshape(-1, every).mean(axis=1)
    values = series.values[:count].reshape(-1, every).mean(axis=1)
    middle = (values[1:] + values[:-1]) / 2
    scale = float(np.quantile(np.abs(middle), 0.98)) or 1.0
    # The variance of a second difference of white noise is 6 times the noise's, halved here.
    noise = float(np.median(np.abs(np.diff(values, 2)))) / 0.6745 / np.sqrt(12)
    gaps = np.diff(t_s) > 2.5 * float(np.median(np.diff(t_s)))
    return MotionSignal(
        (t_s[1:] + t_s[:-1]) / 2,
        np.diff(t_s),
        middle / scale,
        np.where(gaps, 0.0, 1.0),
        np.full(len(middle), max(noise / scale, LEAST_SIGMA)),
        moving_share=1.0,
    )
