"""Numbers of this package that were chosen, and the benchmark that each choice rests on.

``sound`` is ``python -m tests.benchmarks.accuracy.sound``; ``runs`` is
``python -m tests.benchmarks.accuracy.runs``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ClockTuning:
    """How an RPM log is matched with a course of engine or ground speed; benchmark ``sound``.

    Attributes
    ----------
    seed_step_s : float
        Step of the search.
    spread : float
        Relative spread of the match while seeking.
    chance_spread : float
        Relative spread of speeds that have nothing to do with each other.
    independent_s : float
        Values closer than this say the same.
    reach_s : float
        A peak's own neighbourhood.
    least_support, least_margin : float
        Log likelihood that the best offset needs, over chance and over the next one.
    widest_half_s : float
        Half of the widest interval that is of use.
    model_sigma_s : float
        What the model leaves out.
    """

    seed_step_s: float
    spread: float
    chance_spread: float
    independent_s: float
    reach_s: float
    least_support: float
    least_margin: float
    widest_half_s: float
    model_sigma_s: float


# Left out: 0.3 m of air to the microphone, and frames that span a changing speed.
BY_SOUND = ClockTuning(0.02, 0.02, 0.35, 0.25, 0.5, 12.0, 6.0, 0.06, 0.0012)
# Left out: tyre growth, slip under load, the receiver's smoothing. An unlocked clutch is chance.
BY_SPEED = ClockTuning(0.05, 0.02, 0.3, 0.4, 1.0, 8.0, 4.0, 0.4, 0.02)


@dataclass(frozen=True)
class EventTuning:
    """When engine and ground disagree; benchmark ``runs`` (its table of marks).

    Attributes
    ----------
    window_s : float
        Shortest event to be found.
    begin_sigmas, go_on_sigmas : float
        For an event to begin (about 1 false in 10^4 windows of white noise), and to go on.
    margin : float
        Of ground speed: tyres creep 1 to 3 % in hard driving (common practice, no source).
    flare_s : float
        How long revs may still rise after launch while a clutch takes up.
    bounce : float
        Of the limit: least spread of bouncing revs, about 1.2 % from top to bottom.
    dip_sigmas : float
        That the revs must fall and rise again: a crest does not.
    scatter_known, scatter_unknown : float
        Sigmas of scatter beyond noise, where the limit is known and where not.
    touch : float
        Of the limit: the revs' upper turning points lie within this of it.
    """

    window_s: float = 0.2
    begin_sigmas: float = 4.0
    go_on_sigmas: float = 1.5
    margin: float = 0.03
    flare_s: float = 0.35
    bounce: float = 0.0035
    dip_sigmas: float = 2.8
    scatter_known: float = 1.0
    scatter_unknown: float = 1.6
    touch: float = 0.985


@dataclass(frozen=True)
class SoundTuning:
    """How engine speed is heard; benchmark ``sound``.

    Attributes
    ----------
    step_s : float
        From one value of the course to the next.
    silent_score : float
        Below the comb score of an engine, above that of wind and road.
    step_cost, switch_cost : float
        Of the path: for each candidate moved, and for going silent or sounding.
    fastest_per_s : float
        Largest relative change of engine speed in a second that is followed.
    least_stretch_s, nearby_s : float
        Shortest stretch kept; stretches closer than this belong to one course.
    jump : float
        Relative change from a stretch to the next that calls for another octave.
    least_s : float
        Shortest sound that is listened to.
    sure_contrast, sure_length_s, sure_stretch : float
        Contrast of an instant, length over which it is taken, and median of a stretch: noise
        alone stays below 0.45, engines lie above 0.95.
    least_confidence : float
        Of a value that is used.
    edge : float
        Relative room that evidence leaves around the heard range.
    """

    step_s: float = 0.02
    silent_score: float = 0.42
    step_cost: float = 0.09
    switch_cost: float = 3.0
    fastest_per_s: float = 3.0
    least_stretch_s: float = 0.4
    nearby_s: float = 0.6
    jump: float = 0.2
    least_s: float = 0.5
    sure_contrast: float = 1.2
    sure_length_s: float = 1.0
    sure_stretch: float = 0.7
    least_confidence: float = 0.5
    edge: float = 0.06


EVENTS, SOUND = EventTuning(), SoundTuning()
