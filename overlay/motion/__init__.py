"""What the picture says about motion: flow, forward motion, onset."""

from overlay.motion.ground import ground_signal
from overlay.motion.model import Box, MotionSignal, used
from overlay.motion.onset import Onset, motion_onset
from overlay.motion.signal import motion_signal

__all__ = [
    "Box",
    "MotionSignal",
    "Onset",
    "ground_signal",
    "motion_onset",
    "motion_signal",
    "used",
]
