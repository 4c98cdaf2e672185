"""``timetrue demo`` in few small pictures, one short run a build, else as the command does it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import overlay.jobs.demo
from overlay.cli.main import run
from overlay.demo.scenario import RunPlan, plan_day

SIZE = (428, 240)
LIFT_M = 12.0
RATE_HZ = 12.0


def small_day(**_: Any) -> tuple[RunPlan, ...]:
    """The demo's plans, cut down: the throttle is shut early, few pictures a second."""
    return tuple(
        replace(
            plan,
            drive=replace(plan.drive, lift_at_m=LIFT_M),
            scene=replace(plan.scene, frame_rate_hz=RATE_HZ),
        )
        for plan in plan_day(runs_per_build=1, size=SIZE, camera_gps=True)
    )


if __name__ == "__main__":
    overlay.jobs.demo.plan_day = small_day
    run()
