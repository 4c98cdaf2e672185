"""What forbids a candidate: stated limits, missing ones, and what it puts at risk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.plan.bundle import Basis, Whole
from overlay.plan.compression import FUEL_CAUTION
from overlay.plan.figure import Figure
from overlay.plan.strength import float_rpm, spring_force_n
from overlay.sheet import Candidate, Engine
from overlay.timebase import FloatArray

BEYOND = "not recommended: beyond a stated limit"
ASKED = "not judged: a limit or the revs are missing"
RAISED = 1.01  # of the revs driven: less is within what a counter tells; our own figure


@dataclass(frozen=True, eq=False)
class Revs:
    """Highest revs on the course with a candidate."""

    rpm: FloatArray | None  # None where revs over speed are not known
    rise: float  # over those of now

    @property
    def high_rpm(self) -> float:
        """Upper end of their 95 % interval; 0 where they are not known."""
        return 0.0 if self.rpm is None else float(np.nanquantile(self.rpm, 0.975))


@dataclass(frozen=True)
class LimitCheck:
    """`answer` where a limit forbids it or is missing; what may break; the keys asked for."""

    answer: str = ""
    breaks: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


def against_limits(
    ground: Basis, whole: Whole, parts: Sequence[Candidate], revs: Revs
) -> LimitCheck:
    """Judge a bundle by every limit that is stated, and ask for those that are missing."""
    answer, asked = _missing(ground, whole, revs)
    breaks = []
    high = max(revs.high_rpm, whole.limiter_rpm or 0.0)
    if whole.limit_rpm is not None and high > whole.limit_rpm:
        load = (high / whole.limit_rpm) ** 2
        breaks.append(
            f"{high:.0f} rpm is beyond the stated {whole.limit_rpm:.0f} rpm, with {load:.2f} times "
            "the load: a stock flywheel or rod can burst"
        )
        answer = BEYOND
    floats = _floats_at(ground.engine, parts)
    if floats is not None and high > floats:
        breaks.append(f"valves begin to float near {floats:.0f} rpm by a plain estimate")
    beyond = [words for figure in whole.figures if (words := _beyond(figure))]
    answer = BEYOND if beyond else answer
    if whole.figures:
        beyond.append(FUEL_CAUTION)
        answer = answer or (ASKED if whole.missing else "")
    return LimitCheck(answer, (*breaks, *beyond), asked)


def _missing(ground: Basis, whole: Whole, revs: Revs) -> tuple[str, tuple[str, ...]]:
    """Without a stated limit, or without the revs, only what does not raise them is judged."""
    driven = ground.highest_rpm or ground.now_rpm
    raises = whole.limiter_rpm is not None or (
        revs.rise > RAISED if driven is None else revs.high_rpm > RAISED * driven
    )
    if not raises:
        return "", ()
    asked = []
    held = whole.limiter_rpm or ground.vehicle.limiter_rpm
    if revs.rpm is None and (held is None or held > (whole.limit_rpm or held)):
        asked.append("vehicle.gear_ratios and rolling_circumference_m, or a log of the revs")
    if whole.limit_rpm is None:
        asked.append("stock_limit_rpm of the vehicle, or of the candidate")
    return (ASKED if asked else ""), tuple(asked)


def _floats_at(engine: Engine, parts: Sequence[Candidate]) -> float | None:
    """Revs of float with the springs of a bundle; None where dimensions are missing."""
    stiff = engine.model_copy(
        update={
            key: value
            for part in parts
            for key in ("spring_seat_n", "spring_rate_npmm")
            if (value := getattr(part, key)) is not None
        }
    )
    force, train, lift = spring_force_n(stiff), stiff.valve_train_g, stiff.valve_lift_mm
    if not (force and train and lift and stiff.cam_duration_deg):
        return None
    return float_rpm(force, train, lift, stiff.cam_duration_deg)


def _beyond(figure: Figure) -> str:
    """In words, where the interval of a clearance or ratio reaches beyond its limit."""
    is_room = figure.unit == "mm"
    worst = figure.low if is_room else figure.high
    if figure.limit is None or worst is None:
        return ""
    if not ((worst < figure.limit) if is_room else (worst > figure.limit)):
        return ""
    unit = f" {figure.unit}" if figure.unit else ""
    word = "less than" if is_room else "beyond"
    return (
        f"{figure.name} {figure.value:.2f}{unit}, at worst {worst:.2f}{unit}: {word} "
        f"{figure.limit:g} ({figure.limit_from})"
    )
