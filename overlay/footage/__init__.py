"""Footage in: facts, small upright pictures at their true times, sound.

The decoder (av) and OpenCV are imported inside the functions that use them: they load longer
than all else together, and much of the program needs the data classes only.
"""

from overlay.footage.chapters import Chapters, join_parts
from overlay.footage.facts import probe
from overlay.footage.frames import LumaFrames, luma_crops, luma_frames, picture
from overlay.footage.model import ClipFacts, Luma, LumaFrame, Sound
from overlay.footage.sound import read_sound

__all__ = [
    "Chapters",
    "ClipFacts",
    "Luma",
    "LumaFrame",
    "LumaFrames",
    "Sound",
    "join_parts",
    "luma_crops",
    "luma_frames",
    "picture",
    "probe",
    "read_sound",
]
