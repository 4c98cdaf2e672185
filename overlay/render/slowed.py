"""A section of a clip slowed down: when each frame is shown, and what becomes of the sound."""

from __future__ import annotations

import functools
import math
import subprocess
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from overlay.errors import UsageError
from overlay.footage.model import ClipFacts
from overlay.render.encoder import ffmpeg_path
from overlay.render.sound import placed
from overlay.render.source import Source, require_section
from overlay.timebase import FrameTimes

SOUNDS = ("stretched", "muted")
LEAST_FACTOR, MOST_FACTOR = 2, 16


@dataclass(frozen=True)
class SlowedTimes:
    """When each frame of a clip is shown, once a section of it is slowed."""

    source: FrameTimes
    # Frames of the section: `first` is its first, `last` the first after it.
    first: int
    last: int
    factor: int  # how many times as long the section lasts
    # Inside the section ``stretched`` (as long as the picture, at its pitch) or ``muted``.
    sound: str = "stretched"

    @property
    def edges(self) -> tuple[int, int]:
        """Ticks from the first frame to the section's start and to its end."""
        pts = self.source.pts
        start = int(pts[self.first] - pts[0])
        if self.last < len(pts):
            return start, int(pts[self.last] - pts[0])
        step = round(Fraction(self.source.median_step_s) / self.source.time_base)
        return start, int(pts[-1] - pts[0]) + step

    @property
    def edges_s(self) -> tuple[float, float]:
        """The same edges as footage times in seconds."""
        start, end = self.edges
        return float(start * self.source.time_base), float(end * self.source.time_base)

    @property
    def shown(self) -> FrameTimes:
        """Times in the finished clip.

        Examples
        --------
        >>> at = FrameTimes(np.array([5, 6, 7, 8]), Fraction(1, 10))
        >>> SlowedTimes(at, 1, 3, 4).shown.pts.tolist()
        [0, 1, 5, 9]
        """
        since = self.source.pts - self.source.pts[0]
        start, end = self.edges
        inside = np.clip(since, start, end) - start
        return FrameTimes(since + (self.factor - 1) * inside, self.source.time_base)

    @property
    def added_s(self) -> float:
        """Seconds by which the clip becomes longer."""
        start_s, end_s = self.edges_s
        return (self.factor - 1) * (end_s - start_s)


def slowed_times(
    facts: ClipFacts, from_s: float, to_s: float, factor: int, *, sound: str = "stretched"
) -> SlowedTimes:
    """Slow the frames that are shown from `from_s` on and before `to_s`, footage times.

    Raises
    ------
    UsageError
        If the section holds fewer than two frames, leaves the clip, or the factor is out of range;
        if the sound is none of the two.
    """
    if sound not in SOUNDS:
        raise UsageError(f"unknown sound {sound!r}: use one of {', '.join(SOUNDS)}")
    if not LEAST_FACTOR <= factor <= MOST_FACTOR:
        raise UsageError(f"slowed {factor} times: use {LEAST_FACTOR} to {MOST_FACTOR}")
    require_section(facts, from_s, to_s)
    times_s = facts.frame_times.seconds
    first, last = (int(np.searchsorted(times_s, edge - 1e-6)) for edge in (from_s, to_s))
    if last - first < 2:
        raise UsageError(
            f"{facts.path}: the section from {from_s:g} to {to_s:g} s holds {last - first} "
            "frames; give a longer one"
        )
    return SlowedTimes(facts.frame_times, first, last, factor, sound)


def moved(slowed: SlowedTimes) -> str:
    """A filter that sets the footage's times to the slowed ones.

    Whole ticks throughout, so that a picture and its gauges meet exactly.
    """
    first = int(slowed.source.pts[0])
    start, end = slowed.edges
    since = f"PTS-({first})"
    return f"setpts='{since}+{slowed.factor - 1}*(clip({since},{start},{end})-{start})'"


def sound_chains(clip: Source, slowed: SlowedTimes) -> list[str]:
    """The sound in three pieces, before, inside and after the section, put end to end."""
    edges_s = (0.0, *slowed.edges_s, clip.facts.duration_s)
    pieces, names = [], ""
    for index, name in enumerate(("before", "inside", "after")):
        start_s, length_s = edges_s[index], edges_s[index + 1] - edges_s[index]
        if length_s < 0.001:
            continue
        chain = placed("0:a:0", clip.origin_s(start_s), length_s, length_s, "stereo")
        if name == "inside":
            long_s = length_s * slowed.factor
            change = _stretch(slowed.factor) if slowed.sound == "stretched" else "volume=0"
            chain += f",{change},apad=whole_dur={long_s:.6f},atrim=end={long_s:.6f}"
        pieces.append(f"{chain}[{name}]")
        names += f"[{name}]"
    return [*pieces, f"{names}concat=n={len(pieces)}:v=0:a=1[sound]"]


def _stretch(factor: int) -> str:
    """Filters that make sound `factor` times as long at its pitch.

    Every way to do that smears a sudden sound over about one of its windows; shorter windows would
    shift the low notes of an engine. At a factor of 4, where a picture of 30 a second stays for
    133 ms, a beep begins 50 to 95 ms early by the first choice and 115 ms by the plain way.
    """
    if _has_filter(ffmpeg_path(), "rubberband"):
        return f"rubberband=tempo={1 / factor:.9f}:transients=crisp"
    return _plain_stretch(factor)


def _plain_stretch(factor: int) -> str:
    """The way that every ffmpeg has; one step takes at most two.

    Examples
    --------
    >>> _plain_stretch(4), _plain_stretch(3)
    ('atempo=0.5,atempo=0.5', 'atempo=0.5,atempo=0.666666667')
    """
    steps = max(1, math.ceil(math.log2(factor)))
    tempos = [0.5] * (steps - 1) + [2 ** (steps - 1) / factor]
    return ",".join(f"atempo={tempo:.9g}" for tempo in tempos)


@functools.cache
def _has_filter(program: str, name: str) -> bool:
    """Whether this ffmpeg was built with a filter."""
    try:
        listed = subprocess.run(
            [program, "-hide_banner", "-filters"], capture_output=True, check=False, text=True
        )
    except OSError:
        return False  # it cannot be started at all, which the encode will say
    return any(line.split()[1:2] == [name] for line in listed.stdout.splitlines())
