"""A still camera's clock by the vehicle in its picture, against projections of known runs."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from overlay.demo.scenario import BUILD_A
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.footage.model import LumaFrame
from overlay.motion.beside import LEAST_CORNERS, Beside, Path, apart, clock_beside
from overlay.timebase import FloatArray
from tests.beside_scene import SIZE, Stand, filmed

RATE_HZ = 12.5  # one in two pictures of a camera is enough
FILMED_S = 7.0  # its launch, and a good way


@cache
def driven() -> tuple[Motion, tuple[FloatArray, FloatArray, FloatArray]]:
    """A run of 66 m, and its course as it is known on board."""
    motion = simulate(BUILD_A.vehicle, Drive())
    t_s = np.arange(0.0, motion.duration_s, 0.05)
    return motion, (t_s, motion.at("distance_m", t_s), motion.at("speed_mps", t_s))


def frames(stand: Stand, clock_s: float, **options: float) -> list[LumaFrame]:
    motion, _ = driven()
    t_s = np.arange(0.0, FILMED_S, 1 / RATE_HZ)
    pictures = filmed(stand, t_s, motion.at("distance_m", t_s), **options)
    return [LumaFrame(float(t + clock_s), p) for t, p in zip(t_s, pictures, strict=True)]


def paths_of(stand: Stand, clock_s: float, start_s: float, length_s: float) -> list[Path]:
    """Corners of the vehicle in closed form, by the pinhole, with 0.1 px of noise."""
    motion, _ = driven()
    rng = np.random.default_rng(3)
    t_s = np.arange(start_s, start_s + length_s, 0.1)
    out = []
    for place_m in np.linspace(-1, 1, 12):
        along = motion.at("distance_m", t_s) + place_m
        spots = stand.seen(along, np.full_like(along, 0.5))[:, 0]
        out.append(Path(t_s + clock_s, spots + rng.normal(0, 0.1, len(t_s))))
    return out


@pytest.mark.parametrize("clock_s", [2.5, -1.2])
@pytest.mark.parametrize("turned_rad", [0.0, 0.6])
def test_apart__launch_in_view(clock_s: float, turned_rad: float) -> None:
    found = apart(paths_of(Stand(2.0, 8.0, turned_rad), clock_s, 0.6, 4.0), *driven()[1])
    assert found.offset_s == pytest.approx(clock_s, abs=0.015)
    assert found.interval_s is not None
    assert 0.02 < (found.interval_s[1] - found.interval_s[0]) / 2 < 0.06


def test_apart__a_steady_speed_tells_nothing() -> None:
    t_s = np.arange(0.0, 20.0, 0.05)
    steady = np.full_like(t_s, 9.0)
    seen_s = np.arange(5.0, 8.0, 0.1)
    places = [Stand(60.0, 8.0).seen(9.0 * seen_s + x, np.ones(30))[:, 0] for x in range(12)]
    found = apart([Path(seen_s, p) for p in places], t_s, 9.0 * t_s, steady)
    assert found.offset_s is None
    assert found.reason is not None and "does not set off" in found.reason


@pytest.mark.parametrize("sways_px", [0.0, 3.0])
def test_clock_beside__rendered_pictures_with_somebody_walking_through(sways_px: float) -> None:
    found = clock_beside(frames(Stand(1.0, 8.0, 0.2), 1.5, sways_px=sways_px), *driven()[1])
    assert found.offset_s == pytest.approx(1.5, abs=0.03)
    assert found.interval_s is not None
    assert found.interval_s[0] < 1.5 < found.interval_s[1]
    assert found.corners >= LEAST_CORNERS


def test_clock_beside__without_the_vehicle_is_refused() -> None:
    found = clock_beside(frames(Stand(-300.0, 8.0), 1.5), *driven()[1])
    assert found.offset_s is None and found.reason is not None


def test_clock_beside__a_camera_that_turns_along_is_refused() -> None:
    still = frames(Stand(1.0, 8.0), 0.0)
    turned = [LumaFrame(f.t_s, np.roll(f.luma, -int(30 * f.t_s), axis=1)) for f in still]
    found = clock_beside(turned, *driven()[1])
    assert found == Beside(reason="the camera turns with what it films: put it on a stand")


def test_clock_beside__too_short_and_nothing_moving() -> None:
    assert "too short" in str(clock_beside(frames(Stand(), 0.0)[:9], *driven()[1]).reason)
    grey = np.full((SIZE[1], SIZE[0]), 90, np.uint8)
    plain = [LumaFrame(k / 25, grey) for k in range(200)]
    assert clock_beside(plain, *driven()[1]).reason == "nothing in it was seen to move"
