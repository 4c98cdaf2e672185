"""One pair of pictures solved for its motion, against points projected exactly from a plane.

The signs and units are those of Longuet-Higgins and Prazdny (1980, Proc. R. Soc. B 208:385): axes
right, down, ahead; distances in heights of the camera, angles in radians.
"""

import numpy as np
import pytest

from overlay.verify.plane import FOREIGN, MAP, NOISE_PX, NOISE_SHARE, Flow, solve
from tests.verify.test_ground import turned

PIXEL = 1 / 400
# Two and a half pixels to a quarter of the picture.
WENT = 0.05


def seen_from(
    rng: np.random.Generator,
    *,
    went: float = WENT,
    heading: float = 0.0,
    horizon: float = 0.0,
    slant: float = 0.0,
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0),
    tilt: float = 0.0,
) -> Flow:
    """Corners of ground one height below a camera that goes `went` along it, then turns.

    The ground's normal in the camera's axes is (slant, 1, -horizon), not scaled; `tilt` lifts
    the nose of camera and vehicle together, as a turn of that sign does.
    """
    x = np.stack([rng.uniform(-0.6, 0.6, 300), rng.uniform(0.12, 0.4, 300)], axis=-1)
    rays = np.column_stack([x, np.ones(300)])
    normal = np.array([slant, 1.0, -horizon])
    rise = horizon * np.cos(heading) - slant * np.sin(heading)
    way = np.array([np.sin(heading), rise, np.cos(heading)])
    way /= np.linalg.norm(way)
    if tilt:
        lean = turned(0.0, tilt, 0.0).T
        normal, way = lean @ normal, lean @ way
    ground = rays / (rays @ normal)[:, None]
    after = (ground - went * way) @ turned(*turn)
    then = after[:, :2] / after[:, 2:]
    half, move = (x + then) / 2, then - x
    ok = np.ones((1, 300), bool)
    spread = np.ones(MAP * MAP)
    return Flow(half[None, :, 0], half[None, :, 1], move[None, :, 0], move[None, :, 1], ok, PIXEL,
                spread)  # fmt: skip


def solved(flow: Flow, *geometry: float, **options):
    return solve(flow, np.array(geometry), **options)


@pytest.mark.parametrize("went", [0.01, -0.03, 0.05])
@pytest.mark.parametrize(
    "geometry", [(0.0, 0.0, 0.0), (0.5, 0.0, 0.0), (np.pi, 0.0, 0.1), (0.3, 0.1, -0.08)]
)
def test_solve__distance_in_heights_of_the_camera(rng, went, geometry):
    heading, slant, horizon = geometry
    flow = seen_from(rng, went=went, heading=heading, slant=slant, horizon=horizon)
    found = solved(flow, *geometry, tilt=np.zeros(1))
    assert found.distance[0] == pytest.approx(went, rel=0.004)
    assert found.turn[0] == pytest.approx(0.0, abs=2e-5)
    assert np.max(found.misfit) < 0.2


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_solve__a_turn_is_no_distance(rng, axis):
    turn = tuple(0.004 * (np.arange(3) == axis))
    found = solved(seen_from(rng, turn=turn), 0.0, 0.0, 0.0, tilt=np.zeros(1))
    assert found.distance[0] == pytest.approx(WENT, rel=0.01)
    assert found.turn[0] == pytest.approx(turn[1], abs=5e-5)  # positive: the nose rises


@pytest.mark.parametrize("tilt", [-0.02, 0.015])
def test_solve__pitch_is_found_and_taken_out(rng, tilt):
    """The nose rises by 0.015, or dips by 0.02; what is not taken out makes the distance wrong."""
    flow = seen_from(rng, tilt=tilt)
    free = solved(flow, 0.0, 0.0, 0.0)
    assert free.tilt[0] == pytest.approx(tilt, abs=0.002)
    told = solved(flow, 0.0, 0.0, 0.0, tilt=free.tilt)
    assert told.distance[0] == pytest.approx(WENT, rel=0.01)
    assert abs(solved(flow, 0.0, 0.0, 0.0, tilt=-free.tilt).distance[0] / WENT - 1) > 0.05


def test_solve__sigmas_are_how_far_the_figures_scatter(rng):
    """Noise as stated, along and across the way that each corner goes, drawn 150 times."""
    flow = seen_from(rng)
    move = np.stack([flow.u[0], flow.v[0]], axis=-1)
    length = np.linalg.norm(move, axis=-1, keepdims=True)
    along = move / length
    across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    drawn = np.repeat(move[None], 150, axis=0)
    for way, noise_px, share in zip((along, across), NOISE_PX, NOISE_SHARE, strict=True):
        size = np.hypot(noise_px * PIXEL, share * length)
        drawn = drawn + way * size * rng.normal(size=(150, len(move), 1))
    x, y = (np.repeat(a, 150, axis=0) for a in (flow.x, flow.y))
    many = Flow(x, y, drawn[..., 0], drawn[..., 1], np.ones(x.shape, bool), PIXEL, flow.spread)
    told = solved(many, 0.0, 0.0, 0.0, tilt=np.zeros(150))
    assert np.std(told.distance) / np.mean(told.sigma) == pytest.approx(1.0, abs=0.25)
    free = solved(many, 0.0, 0.0, 0.0, stray_rad=10.0)
    assert np.std(free.tilt) * np.sqrt(np.mean(free.information)) == pytest.approx(1.0, abs=0.25)
    # It is of the corners alone, however well the pitch is known beforehand.
    known = solved(many, 0.0, 0.0, 0.0, stray_rad=0.01)
    assert np.mean(known.information) == pytest.approx(np.mean(free.information), rel=0.1)
    assert np.mean(told.misfit) == pytest.approx(1.0, abs=0.2)
    # Four times the variance along in every part of the picture, and twice the sigma.
    spread = Flow(*(getattr(many, name) for name in ("x", "y", "u", "v", "ok", "pixel")),
                  4 * flow.spread)  # fmt: skip
    wide = solved(spread, 0.0, 0.0, 0.0, tilt=np.zeros(150))
    assert np.mean(wide.misfit[..., 0]) == pytest.approx(np.mean(told.misfit[..., 0]) / 4, rel=0.05)


def test_solve__along_is_how_far_ground_goes_there(rng):
    flow = seen_from(rng)
    found = solved(flow, 0.0, 0.0, 0.0, tilt=np.zeros(1))
    np.testing.assert_allclose(found.along[0], np.hypot(flow.u[0], flow.v[0]), rtol=0.05)


def test_place__rows_and_columns_of_the_picture():
    """A share 0.8 of the longer side is a focal length: the middle, each corner, and beyond."""
    x, y = (np.array([axis]) for axis in ([0.0, -0.62, 0.62, 9.0], [0.0, -0.34, 0.34, -9.0]))
    flow = Flow(x, y, 0 * x, 0 * y, x < 99, PIXEL, np.ones(MAP * MAP))
    assert np.array_equal(flow.place // MAP, [[12, 5, 18, 0]])
    assert np.array_equal(flow.place % MAP, [[12, 0, 23, 23]])


def test_solve__a_part_that_shows_no_outside_world_says_nothing(rng):
    """The left half of the picture goes elsewhere, as a cowl that shakes does."""
    flow = seen_from(rng)
    left = flow.x < 0
    u, v = np.where(left, 0.02, flow.u), np.where(left, -0.01, flow.v)
    spread = np.ones((MAP, MAP))
    spread[:, : MAP // 2] = FOREIGN
    moved = Flow(flow.x, flow.y, u, v, flow.ok, PIXEL, spread.ravel())
    told = solved(moved, 0.0, 0.0, 0.0, tilt=np.zeros(1))
    assert told.distance[0] == pytest.approx(WENT, rel=0.004)
    untold = Flow(flow.x, flow.y, u, v, flow.ok, PIXEL, flow.spread)
    assert abs(solved(untold, 0.0, 0.0, 0.0, tilt=np.zeros(1)).distance[0] / WENT - 1) > 0.02
