"""Footage in: facts, small upright pictures at their true times, sound.

The public names are loaded at first use, since the decoder library is slow to import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.footage.chapters import Chapters, join_parts, joined_frames
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
    "joined_frames",
    "luma_crops",
    "luma_frames",
    "picture",
    "probe",
    "read_sound",
]

_HOMES = {
    "Chapters": "chapters",
    "ClipFacts": "model",
    "Luma": "model",
    "LumaFrame": "model",
    "LumaFrames": "frames",
    "Sound": "model",
    "join_parts": "chapters",
    "joined_frames": "chapters",
    "luma_crops": "frames",
    "luma_frames": "frames",
    "picture": "frames",
    "probe": "facts",
    "read_sound": "sound",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
