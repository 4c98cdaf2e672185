"""What a scene is like: camera, ground, light, and everything that can go wrong with a picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from overlay.demo.camera import Ride
from overlay.demo.ground import GroundKind
from overlay.errors import UsageError
from overlay.timebase import FloatArray

Facing = Literal["forward", "backward", "left", "right"]


@dataclass(frozen=True)
class SceneSpec:
    """Everything about camera, light and place that is not the motion itself.

    Attributes
    ----------
    width, height : int
        Picture size in pixels, both even.
    frame_rate_hz : float
        Nominal rate, 24 to 120.
    vfr_jitter : float
        Standard deviation of a frame's time as a share of a step; 0 for a constant rate.
    duplicate_share : float
        Share of frames that repeat the one before.
    exposure_s : float
        Shutter time, shorter than a step.
    facing : str
        ``forward``, ``backward``, ``left`` or ``right``.
    height_m, pitch_deg, yaw_deg : float
        Camera above the ground; looking down and to the right of `facing` by so much.
    focal_widths : float
        Focal length in picture widths (0.55: 85° across).
    ride : Ride
        Steering, shake, bumps, a hand-held start, a bend.
    ground : GroundKind
    roadside : bool
        Whether cones, boards, hedges and trees stand beside the track.
    bodywork : bool
        Whether bonnet and front wheels are in view (looking forward only).
    light : float
        1 in daylight; 0.15 at dusk. Less light means more noise.
    noise_codes : float
        Standard deviation of the sensor noise in 8-bit codes in daylight.
    exposure_drift : float
        Relative size of slow brightness changes.
    passing_at_s : float or None
        Footage time at which another cart draws level, faster by `passing_mps`.
    readout_lag_s : float or None
        A speed in digits, late by so much, burnt into the corner by the camera.
    cuts_s : tuple of float
        Times at which the picture cuts to the next of `cut_facings` and back again.
    flashes_s : tuple of float
        Times of single frames that are far too bright.
    dark : bool
        The lens is covered: noise only.
    rng_seed : int
        Chooses noise and frame jitter.
    """

    width: int = 1280
    height: int = 720
    frame_rate_hz: float = 30.0
    vfr_jitter: float = 0.0
    duplicate_share: float = 0.0
    exposure_s: float = 1 / 120
    facing: Facing = "forward"
    height_m: float = 0.82
    pitch_deg: float = 4.0
    yaw_deg: float = 0.6
    focal_widths: float = 0.55
    ride: Ride = field(default_factory=Ride)
    ground: GroundKind = field(default_factory=GroundKind)
    roadside: bool = True
    bodywork: bool = True
    light: float = 1.0
    noise_codes: float = 1.6
    exposure_drift: float = 0.03
    passing_at_s: float | None = None
    passing_mps: float = 3.0
    readout_lag_s: float | None = None
    cuts_s: tuple[float, ...] = ()
    cut_facing: Facing = "left"
    flashes_s: tuple[float, ...] = ()
    dark: bool = False
    rng_seed: int = 1

    def __post_init__(self) -> None:
        if self.width < 64 or self.height < 64 or self.width % 2 or self.height % 2:
            raise UsageError(
                f"picture size {self.width}×{self.height}: both sides must be even and at least 64"
            )
        if not 1 <= self.frame_rate_hz <= 480:
            raise UsageError(f"frame rate {self.frame_rate_hz:g} Hz: use 1 to 480")
        if not 0 < self.exposure_s <= 1 / self.frame_rate_hz:
            raise UsageError(
                f"exposure {self.exposure_s:g} s: must be over 0 and within a frame's "
                f"{1 / self.frame_rate_hz:.4f} s"
            )

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.focal_widths * self.width


def frame_times_s(spec: SceneSpec, duration_s: float) -> FloatArray:
    """Presentation times from 0 up to `duration_s`, strictly increasing, in whole 1/90000 s.

    Examples
    --------
    >>> frame_times_s(SceneSpec(frame_rate_hz=25), 0.1).round(3).tolist()
    [0.0, 0.04, 0.08]
    """
    count = int(duration_s * spec.frame_rate_hz) + 1
    t = np.arange(count) / spec.frame_rate_hz
    if spec.vfr_jitter:
        rng = np.random.default_rng([spec.rng_seed, 5])
        shift = rng.normal(0, spec.vfr_jitter, count).clip(-0.45, 0.45) / spec.frame_rate_hz
        shift[0] = 0
        t = t + shift
    return np.asarray(np.round(t * 90000) / 90000)
