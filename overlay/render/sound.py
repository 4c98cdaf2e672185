"""Sound of several clips side by side: each at its time, panned, mixed without clipping."""

from __future__ import annotations

import math
from collections.abc import Sequence

RATE_HZ = 48_000
_FADE_S = 0.03  # long enough that the end of a run's sound does not click


def pan_gains(position: float) -> tuple[float, float]:
    """Gains of the left and right channel for a voice at `position`.

    Constant power: the squares add to one, so that loudness does not depend on the place.

    Parameters
    ----------
    position : float
        -1 far left, 0 middle, +1 far right.

    Examples
    --------
    >>> [round(gain, 4) for gain in pan_gains(0.0)]
    [0.7071, 0.7071]
    >>> [round(gain, 4) for gain in pan_gains(-1.0)]
    [1.0, 0.0]
    """
    angle = (position + 1) * math.pi / 4
    return math.cos(angle), math.sin(angle)


def spread(count: int) -> list[float]:
    """Positions of `count` voices from left to right; a lone voice stands in the middle.

    The outermost stay a little inside, since on one earphone nothing should be lost.

    Examples
    --------
    >>> spread(1), spread(2), spread(3)
    ([0.0], [-0.7, 0.7], [-0.7, 0.0, 0.7])
    """
    if count == 1:
        return [0.0]
    return [round(-0.7 + 1.4 * index / (count - 1), 6) for index in range(count)]


def placed(stream: str, origin_s: float, length_s: float, total_s: float, channels: str) -> str:
    """Filters that put a sound track on the finished clip's time.

    Parameters
    ----------
    stream : str
        Such as ``0:a:0``.
    origin_s : float
        The container's own time that becomes 0.
    length_s, total_s : float
        Where the sound ends, and where the silence after it ends.
    channels : str
        ``mono`` or ``stereo``.
    """
    fade_s = min(_FADE_S, length_s)
    origin = round(origin_s * RATE_HZ)
    return (
        f"[{stream}]aresample={RATE_HZ}:async=1,"
        f"aformat=sample_fmts=fltp:channel_layouts={channels},"
        f"asettb=1/{RATE_HZ},asetpts=PTS-({origin}),atrim=start=0:end={length_s:.6f},"
        f"aresample={RATE_HZ}:async=1:first_pts=0,"
        f"afade=t=out:st={length_s - fade_s:.6f}:d={fade_s:.6f},"
        f"apad=whole_dur={total_s:.6f},atrim=end={total_s:.6f}"
    )


def mixed(voices: Sequence[str], result: str) -> list[str]:
    """Filters that pan mono ``[voices]`` from left to right and add them up in ``[result]``.

    The sum is scaled so that it cannot clip even if all voices peak at once.
    """
    gains = [pan_gains(position) for position in spread(len(voices))]
    scale = 1 / max(1.0, *(sum(side) for side in zip(*gains, strict=True)))
    pieces = [
        f"[{voice}]pan=stereo|c0={left * scale:.6f}*c0|c1={right * scale:.6f}*c0[{voice}p]"
        for voice, (left, right) in zip(voices, gains, strict=True)
    ]
    panned = "".join(f"[{voice}p]" for voice in voices)
    pieces.append(f"{panned}amix=inputs={len(voices)}:normalize=0:dropout_transition=0[{result}]")
    return pieces
