"""Time: the receiver's lag model, the estimate, its bounds, the correction."""

from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment, ChannelTiming
from overlay.sync.pool import pool
from overlay.sync.separate import separate

__all__ = [
    "Alignment",
    "ChannelTiming",
    "estimate_offset",
    "pool",
    "separate",
]
