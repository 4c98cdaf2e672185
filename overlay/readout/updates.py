"""When a readout takes a new value: its changes to the frame, and the clock they follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.motion.model import BoolArray
from overlay.readout.decode import IntArray
from overlay.timebase import FloatArray

RATES_HZ = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 18.0, 20.0, 25.0)  # common practice
DRIFTS = np.linspace(-5e-4, 5e-4, 21)  # of the readout's clock against the camera's
FITS = 0.97  # share of the changes that a clock must explain
LEAST_CHANGES = 4
FEWEST_FRAMES = 1.9  # frames in a step of a clock that can still be told
ODDS = 50.0  # how unlikely it must be that changes at any time fit a clock
BY_ONE = 0.9  # share of changes by a single step where a readout shows every value that it passes
REST_EVERY_S = 0.25
HELD = 1 / 2  # share of an update's frames that must be read, and two at least, for all of them


@dataclass(frozen=True, eq=False)
class Updates:
    """Values a readout took, in order.

    Attributes
    ----------
    t_s : ndarray, shape (m,)
        Footage time, seconds.
    values : ndarray, shape (m,)
        In the unit shown.
    rate_hz : float or None
        Of its clock; None where its changes follow none, and then only they are updates.
    sigma_s : float
        How well each time is known: changes are seen to the frame.
    passed : bool
        Whether each is the instant at which the speed passed the middle between two figures, as
        where a readout follows the speed at once; then 0 is also given at rest.
    """

    t_s: FloatArray
    values: FloatArray
    rate_hz: float | None
    sigma_s: float
    passed: bool = False

    @property
    def common_sigma_s(self) -> float:
        """How well the times are known together.

        A clock that keeps step with the frames puts all changes at one place between two frames;
        a speed passes from figure to figure at any place, so that these errors average out.
        """
        return self.sigma_s / float(np.sqrt(max(len(self.t_s), 1))) if self.passed else self.sigma_s


def updates_of(t_s: FloatArray, shown: FloatArray) -> Updates:
    """Updates of a readout from what each frame shows.

    A frame shows what was taken until then, so a change lies between the frame that shows it first
    and the one before. A readout that follows a clock also takes a value where none changes.

    Parameters
    ----------
    t_s, shown : ndarray, shape (n,)
        Times of frames, and the figure in each; NaN where none can be read.
    """
    ok, changed, frame_s, clock = _changes(t_s, shown)
    if clock is None:
        return _clockless(t_s, shown, ok, changed)
    period_s, phase_s, width_s, rate_hz = clock
    first = np.ceil((t_s[ok[0]] - phase_s) / period_s)
    last = np.floor((t_s[ok[-1]] - phase_s) / period_s)
    at_s = phase_s + period_s * np.arange(first, last + 1)
    # The frame after the update shows it; a readout that was lost at that moment says nothing.
    frame = np.clip(np.searchsorted(t_s, at_s + width_s / 2), 0, len(t_s) - 1)
    values = shown[frame]
    read = np.isfinite(values) & (t_s[frame] - at_s < 2 * frame_s)
    return Updates(at_s[read], values[read], rate_hz, width_s / float(np.sqrt(12)))


def with_held(t_s: FloatArray, shown: FloatArray) -> FloatArray:
    """The figures, with those of frames that are not read though others of the same update are.

    A readout that follows a clock cannot change between two of its instants.

    Parameters
    ----------
    t_s, shown : ndarray, shape (n,)
        Times of frames, and the figure in each; NaN where none can be read.
    """
    *_, clock = _changes(t_s, shown)
    if clock is None:
        return shown
    period_s, phase_s, width_s, _ = clock
    since = (t_s - phase_s) / period_s
    number, out = np.floor(since), shown.copy()
    # Whether a frame close to an instant shows what was taken then is not known.
    inside = np.abs(since - np.rint(since)) * period_s > width_s / 2
    for one in np.unique(number[~np.isfinite(shown)]):
        frames = np.flatnonzero((number == one) & inside)
        read = shown[frames][np.isfinite(shown[frames])]
        if len(read) >= max(2, HELD * len(frames)) and np.ptp(read) == 0:
            out[frames] = read[0]
    return out


def _changes(
    t_s: FloatArray, shown: FloatArray
) -> tuple[IntArray, IntArray, float, tuple[float, float, float, float] | None]:
    """Frames that are read, which of these show a change, a frame's time, and the clock if any."""
    ok = np.flatnonzero(np.isfinite(shown))
    changed = np.flatnonzero(np.diff(shown[ok]) != 0) + 1
    frame_s = float(np.median(np.diff(t_s)))
    return ok, changed, frame_s, _clock(t_s[ok[changed - 1]], t_s[ok[changed]], frame_s)


def _clockless(t_s: FloatArray, shown: FloatArray, ok: IntArray, changed: IntArray) -> Updates:
    """Changes as updates; or as passings of the middle where each is to the next figure."""
    low, high = t_s[ok[changed - 1]], t_s[ok[changed]]
    middle_s, values = (low + high) / 2, shown[ok[changed]]
    sigma_s = float(np.sqrt(np.mean((high - low) ** 2) / 12)) if len(low) else 0.0
    jumps = np.abs(values - shown[ok[changed - 1]])
    if not len(jumps) or np.mean(jumps < 1.5 * np.min(jumps)) < BY_ONE:
        return Updates(middle_s, values, None, sigma_s)
    values = (values + shown[ok[changed - 1]]) / 2
    still = ok[shown[ok] == 0.0]
    every = max(1, round(REST_EVERY_S / float(np.median(np.diff(t_s)))))
    still = still[(still % every == 0) & np.isin(still - every, still) & np.isin(still + 1, still)]
    at_s = np.concatenate([middle_s, t_s[still]])
    order = np.argsort(at_s)
    values = np.concatenate([values, np.zeros(len(still))])[order]
    return Updates(at_s[order], values, None, sigma_s, passed=True)


def _clock(
    low: FloatArray, high: FloatArray, frame_s: float
) -> tuple[float, float, float, float] | None:
    """Period, phase, how far the phase is open, and nominal rate of the slowest clock that fits."""
    if len(low) < LEAST_CHANGES:
        return None
    for rate_hz in RATES_HZ:
        if 1 / rate_hz < FEWEST_FRAMES * frame_s:
            break
        share = float(np.mean(np.minimum((high - low) * rate_hz, 1.0)))
        # Changes at any time would all fit by chance in share^(n - 1) of all clocks.
        if (len(low) - 1) * np.log(1 / share) < np.log(ODDS * len(RATES_HZ)):
            continue
        best: tuple[float, float, float, float] | None = None
        most = FITS * len(low)
        for drift in sorted(DRIFTS, key=abs):
            period_s = (1 + drift) / rate_hz
            count, phase_s, width_s = _phase(low, high, period_s)
            if count > most or (best is None and count >= most):
                most, best = count, (period_s, phase_s, width_s, rate_hz)
        if best is not None:
            return best
    return None


def _phase(low: FloatArray, high: FloatArray, period_s: float) -> tuple[int, float, float]:
    """How many spans hold an instant of a clock at its best phase, that, and how open it is."""
    origin = float(low[0])
    # To the microsecond, so that edges that are one are one.
    start = np.round((low - origin) % period_s, 6) % period_s
    width = np.round(high - low, 6)
    edges = np.unique(np.round(np.concatenate([start, (start + width) % period_s]), 6))
    open_s = np.diff(np.append(edges, edges[0] + period_s))
    nodes = edges + open_s / 2
    inside: BoolArray = ((nodes[:, None] - start[None, :]) % period_s) <= width[None, :]
    counts = inside.sum(axis=1)
    k = int(np.argmax(counts + open_s / (2 * period_s)))
    return int(counts[k]), origin + float(nodes[k]), float(open_s[k])
