"""Numbers of this package that were chosen, and the benchmark that each choice rests on.

``sound`` is ``python -m tests.benchmarks.accuracy.sound``; ``runs`` is
``python -m tests.benchmarks.accuracy.runs``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ClockTuning:
    """How an RPM log is matched with a course of engine or ground speed; benchmark ``sound``."""

    seed_step_s: float  # step of the search
    spread: float  # relative spread of the match while seeking
    chance_spread: float  # relative spread of speeds that have nothing to do with each other
    independent_s: float  # values closer than this say the same
    reach_s: float  # a peak's own neighbourhood
    least_support: float  # log likelihood that the best offset needs over chance,
    least_margin: float  # and over the next one
    widest_half_s: float  # half of the widest interval that is of use
    model_sigma_s: float  # what the model leaves out


# Left out: 0.3 m of air to the microphone, and frames that span a changing speed.
BY_SOUND = ClockTuning(0.02, 0.02, 0.35, 0.25, 0.5, 12.0, 6.0, 0.06, 0.0012)
# Left out: tyre growth, slip under load, the receiver's smoothing. An unlocked clutch is chance.
BY_SPEED = ClockTuning(0.05, 0.02, 0.3, 0.4, 1.0, 8.0, 4.0, 0.4, 0.02)


@dataclass(frozen=True)
class EventTuning:
    """When engine and ground disagree; benchmark ``runs`` (its table of marks)."""

    window_s: float = 0.2  # shortest event to be found
    begin_sigmas: float = 4.0  # about 1 false in 10^4 windows of white noise
    go_on_sigmas: float = 1.5
    margin: float = 0.03  # of ground speed: tyres creep 1 to 3 % (common practice, no source)
    flare_s: float = 0.35  # how long revs may still rise after launch while a clutch takes up
    bounce: float = 0.0035  # of the limit: least spread of bouncing revs, 1.2 % from top to bottom
    dip_sigmas: float = 2.8  # that the revs must fall and rise again: a crest does not
    scatter_known: float = 1.0  # sigmas of scatter beyond noise, where the limit is known
    scatter_unknown: float = 1.6  # and where not
    touch: float = 0.985  # of the limit: the revs' upper turning points lie within this of it


@dataclass(frozen=True)
class SoundTuning:
    """How engine speed is heard; benchmark ``sound``."""

    step_s: float = 0.02  # from one value of the course to the next
    silent_score: float = 0.42  # below the comb score of an engine, above that of wind and road
    step_cost: float = 0.09  # of the path: for each candidate moved,
    switch_cost: float = 3.0  # and for going silent or sounding
    fastest_per_s: float = 3.0  # largest relative change in a second that is followed
    least_stretch_s: float = 0.4  # shortest stretch kept
    nearby_s: float = 0.6  # stretches closer than this belong to one course
    jump: float = 0.2  # relative change between stretches that calls for another octave
    least_s: float = 0.5  # shortest sound that is listened to
    # Contrast of an instant, length over which it is taken, and median of a stretch: noise alone
    # stays below 0.45, engines lie above 0.95.
    sure_contrast: float = 1.2
    sure_length_s: float = 1.0
    sure_stretch: float = 0.7
    least_confidence: float = 0.5  # of a value that is used
    edge: float = 0.06  # relative room that evidence leaves around the heard range


EVENTS, SOUND = EventTuning(), SoundTuning()
