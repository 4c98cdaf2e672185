"""Numbers of this package that were chosen, and the benchmark that each choice rests on.

``runs`` is ``python -m tests.benchmarks.accuracy.runs``: a change shows in its errors and coverage.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RestTuning:
    """What a log shows while the vehicle stands; benchmark ``runs``."""

    # Below a walking pace; receivers at rest show up to about 0.2 (common practice, no source).
    speed_mps: float = 0.25
    shortest_s: float = 0.6  # a shorter pause is no rest
    noise_floor_mps: float = 5e-3  # no receiver is less noisy
    gap_steps: float = 2.5  # a pause between readings of more of the log's steps is a gap


@dataclass(frozen=True)
class JerkTuning:
    """The prior of the jerk; benchmark ``runs``.

    Acceleration changes most just after launch and dies away with it: for v = V(1 - exp(-t/T)) the
    squared jerk falls as exp(-2t/T), T of 2 to 5 s. Chosen on simulated launches of that family.
    """

    instant_s: float = 1e-3  # smoothing shorter than this is the same as none at any log rate
    # How many times the later jerk is added at launch, and how fast that dies away.
    early: float = 30.0
    early_s: float = 1.5
    launch_span_s: float = 0.5  # jerk stays heavy after launch: a clutch takes up its load


@dataclass(frozen=True)
class SmootherTuning:
    """How the smoother weighs launches, jumps and outliers; benchmark ``runs``."""

    block: int = 4000  # grid points handled at once, to bound memory
    step_mps2: float = 4.0  # prior of the acceleration after a sudden launch
    ramp_jerk: float = 40.0  # prior of that of a gradual one: about 4 m/s^2 within 0.4 s
    look_back_s: float = 2.5  # furthest that a creeping launch can precede a visible rise
    # Standardised jump of acceleration that calls for an explanation. White jerk of one size fits
    # no run: a clutch that locks, a governor, a brake change the acceleration more than it allows,
    # and what is not explained is smoothed away with too small a sigma. On simulated carts the
    # 95 % intervals hold 92 % of instants at 2.8, 94 % at 2.4 and 95 % at 2.0, where sigmas at a
    # split grow by a tenth.
    jump_sigmas: float = 2.4
    outlier_sigmas: float = 4.0  # the same for a single reading
    # The next is half the time that such a jump may take: a brake or a lift is not instant. Like
    # `launch_reach_s` it is no whole number of a log's steps, lest rounding decide.
    jump_half_s: float = 0.307
    passes: int = 4  # times that jumps and outliers are looked for
    launch_reach_s: float = 4.013  # how much of the run after launch is used to find it
    still_mps: float = 0.01  # how still a standing vehicle stands


REST, JERK, SMOOTHER = RestTuning(), JerkTuning(), SmootherTuning()
