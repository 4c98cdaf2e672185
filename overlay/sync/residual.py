"""The lag that is left between a picture and the speed shown in it."""

from __future__ import annotations

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment

SHOWN_STEP_S = 0.1
SHOWN_NOISE_MPS = 0.05  # error of a corrected speed that its smoothness hides
SHOWN_SEARCH_S = (-2.0, 4.0)


def residual_lag(
    motion: MotionSignal, shown: Series, *, search_s: tuple[float, float] = SHOWN_SEARCH_S
) -> Alignment:
    """How late the shown speed is against the motion in the picture.

    Parameters
    ----------
    motion : MotionSignal
        Motion in the finished picture, outside the gauges.
    shown : Series
        Speed as shown, m/s on footage time, at any rate; smooth curves are thinned to 10 Hz,
        since the errors of neighbouring pictures are the same error.
    search_s : (float, float)
        Least and greatest lag considered.

    Returns
    -------
    Alignment
        Total near 0 when the correction is right; `determined` False when it cannot be told.
    """
    step = shown.median_step_s
    every = max(1, round(SHOWN_STEP_S / step)) if np.isfinite(step) and step > 0 else 1
    thin = Series(shown.name, shown.t_s[::every], shown.values[::every])
    return estimate_offset(
        motion, thin, same_clock=True, search_s=search_s, least_noise_mps=SHOWN_NOISE_MPS
    )
