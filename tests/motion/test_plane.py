"""The plane fitted to a template, against a pinhole camera worked out by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from overlay.motion.cells import turning_basis
from overlay.motion.plane import CellGrid, cell_grid, find_plane, plane_flow, plane_tilting
from overlay.motion.trust import honest_sigma

Array = npt.NDArray[np.float64]
SIZE = (320, 180)
FOCAL_PX = 180.0
HEIGHT_M = 0.8


def grid() -> CellGrid:
    return cell_grid(16, 18, *SIZE, FOCAL_PX)


def moved_by_projection(pitch_rad: float, yaw_rad: float) -> Array:
    """Pixels that the ground under each cell moves for a millimetre travelled, projected twice."""
    g = grid()
    out = np.zeros((len(g.x), 2))
    down, sink = np.cos(pitch_rad), np.sin(pitch_rad)
    for k, (x, y) in enumerate(zip(g.x, g.y, strict=True)):
        drop, ahead = y * down + sink, down - y * sink
        if drop <= 0:
            continue
        depth = HEIGHT_M / drop
        right, far = x * depth, ahead * depth
        step = 0.001
        right_then, far_then = right + step * np.sin(yaw_rad), far - step * np.cos(yaw_rad)
        z = far_then * down + HEIGHT_M * sink
        out[k] = (
            FOCAL_PX * (right_then / z - x),
            FOCAL_PX * ((HEIGHT_M * down - far_then * sink) / z - y),
        )
    return out * 1000


@pytest.mark.parametrize("yaw_rad", [0.0, 0.3, np.pi, np.pi / 2])
def test_find_plane__recovers_the_camera(yaw_rad: float) -> None:
    g, pitch = grid(), 0.12
    along = moved_by_projection(pitch, yaw_rad)
    turning = turning_basis(16, 18, *SIZE, FOCAL_PX)
    hidden = np.array([0.002, -0.01, 0.001])
    plane = find_plane(g, along + turning @ hidden, np.ones(len(along)), turning)
    assert plane is not None
    horizon_px = -plane.normal[2] / plane.normal[1] * FOCAL_PX
    assert horizon_px == pytest.approx(-np.tan(pitch) * FOCAL_PX, abs=2.0)
    assert 1 / np.linalg.norm(plane.normal) == pytest.approx(HEIGHT_M, rel=0.05)
    assert plane.turn == pytest.approx(hidden, abs=0.003)


def test_find_plane__tells_bodywork_from_ground() -> None:
    g = grid()
    along = moved_by_projection(0.1, 0.0)
    bonnet = (g.y > 0.25) & (np.abs(g.x) < 0.5)
    along[bonnet] = 0.0
    turning = turning_basis(16, 18, *SIZE, FOCAL_PX)
    plane = find_plane(g, along, np.ones(len(along)), turning)
    assert plane is not None
    assert not plane.follows[bonnet].any()
    assert plane.follows[~bonnet & (g.y > 0.1)].mean() > 0.9


def test_find_plane__none_in_a_shapeless_field(rng: np.random.Generator) -> None:
    turning = turning_basis(16, 18, *SIZE, FOCAL_PX)
    noise = rng.standard_normal((288, 2))
    assert find_plane(grid(), noise, np.ones(288), turning) is None


def test_plane_tilting__is_the_change_under_pitch() -> None:
    g = grid()
    level = (np.array([0.0, -0.1, 1.0]), np.array([0.0, 1.0, 0.1]) / HEIGHT_M)
    # Nose up by a milliradian: everything seen moves down by as much.
    nod = 1e-3
    travel, normal = (v + nod * np.array([0.0, v[2], -v[1]]) for v in level)
    change = (plane_flow(g, travel, normal) - plane_flow(g, *level)) / nod
    below = g.y > 0.1
    assert plane_tilting(g, *level)[below][:, :, 0] == pytest.approx(change[below], rel=0.02, abs=1)


def test_honest_sigma__grows_to_the_scatter(rng: np.random.Generator) -> None:
    t = np.arange(400) / 30
    speed, said = np.minimum(t, 6.0), np.full(400, 0.02)
    seen = speed + 0.05 * rng.standard_normal(400)
    told = honest_sigma(t, seen, said, np.ones(400, bool))
    assert np.median(told) == pytest.approx(0.05, rel=0.15)
    kept = honest_sigma(t, speed, said, np.ones(400, bool))
    assert kept == pytest.approx(said)
