"""Coasts in a day's runs: the clutch is out, no brake is on, and only the road load slows.

Whether the clutch is out, engine speed tells: it then has nothing to do with the speed of the
wheels. A coast against the engine (clutch in) holds the engine's drag too and is passed over, and
so is everything without engine speed, where the two look alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.compare.power import RoadLoad, Setting
from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.runs.model import Kinematics, Launch
from overlay.series import Series, stretches

LEAST_S = 2.0
EDGE_S = 0.3  # at each end, where the smoother still feels what came before
SLOWEST_MPS = 1.0  # below it the last roll to rest is as much bearings as road
APART = 0.12  # relative: tyres creep 3 %, sensors and gearing add a few more
SURE = 3.0  # sigmas of the road load expected that the deceleration may reach; a brake passes them
LEAST_DECEL_MPS2 = 0.02


@dataclass(frozen=True, eq=False)
class Coast:
    """A coast of one run."""

    run: str
    kinematics: Kinematics
    # Footage times.
    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Seconds of coasting."""
        return self.end_s - self.start_s


def find_coasts(
    run: str,
    kinematics: Kinematics,
    launch: Launch | None,
    rpm: Series | None,
    driveline: Driveline | None,
    *,
    expected: RoadLoad,
    setting: Setting,
) -> tuple[Coast, ...]:
    """Stretches of a run in which it coasts with the clutch out.

    Parameters
    ----------
    run : str
        Name of the run.
    rpm : Series or None
        Engine speed on footage time; without it no coast is found.
    driveline : Driveline or None
        With several gears none of them may fit; with no clutch no coast is found.
    expected : RoadLoad
        What the road load is thought to be, with its uncertainty; a deceleration beyond it is
        braking.
    setting : Setting
        Mass, slope, wind and air of the run.
    """
    if rpm is None or len(rpm) < 8 or driveline is None or driveline.clutch == "none":
        return ()
    k = kinematics
    t, v = k.t_s, np.maximum(k.speed_mps, 0.0)
    turning = np.interp(t, rpm.t_s, rpm.values, left=np.nan, right=np.nan)
    off = np.isfinite(turning)
    for ratio in driveline.ratios:
        fitting = engine_rpm_at(v, ratio, driveline.circumference_m)
        off &= np.abs(turning - fitting) > APART * fitting
    slowing = setting.resistance_n(expected, setting.mass_kg, v) + SURE * expected.sigma_n(v)
    most = slowing / setting.inert_kg + k.accel_sigma_mps2
    begin_s = -np.inf if launch is None else launch.at_s + 1.0
    ok = off & k.known & (t > begin_s) & (v > SLOWEST_MPS)
    ok &= (k.accel_mps2 < -LEAST_DECEL_MPS2) & (k.accel_mps2 > -most)
    found = [
        Coast(run, k, float(t[a]) + EDGE_S, float(t[b - 1]) - EDGE_S) for a, b in stretches(ok)
    ]
    return tuple(coast for coast in found if coast.duration_s >= LEAST_S)
