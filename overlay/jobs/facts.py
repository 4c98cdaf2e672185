"""Facts of one file, clip or log, for a person or a program to read."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from overlay.errors import InputError
from overlay.files import require_file
from overlay.footage import probe, read_sound
from overlay.footage.model import ClipFacts
from overlay.jobs.names import LOG_SUFFIXES
from overlay.jobs.prospects import prospects
from overlay.logs import is_log, read_log, read_track_log
from overlay.logs.model import Log
from overlay.progress import Progress, silent
from overlay.session import measure_motion

LONGEST_WATCHED_S = 900.0
SOUND_HZ = 16_000
PICTURE = ("video_codec", "pixel_format", "bit_depth", "is_interlaced")
COLOUR = ("color_range", "color_space", "color_primaries", "color_transfer")
AUDIO = ("audio_codec", "audio_rate_hz", "audio_channels")
DROPPED = ("bad_checksums", "unparsable", "duplicates", "backward_steps", "out_of_range")
COUNTS = ("records_read", "records_kept", *DROPPED, "void_fixes", "without_time", "rollovers")


def facts_of(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    watch: bool = False,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Facts of a clip or a log as a plain dictionary; the key ``kind`` says which.

    Parameters
    ----------
    columns : mapping, optional
        Column map for tables.
    watch : bool
        Also say what a clip will be good for, for which its pictures are watched and its sound is
        heard.

    Raises
    ------
    InputError
        If the file is neither; the message says what is wrong with it.
    """
    found = require_file(path)
    if found.suffix.lower() in LOG_SUFFIXES or is_log(found):
        return log_facts(read_log(found, columns=columns))
    clip = probe(found)
    track: Log | None = None
    try:
        track = read_track_log(clip, columns=columns)
        said = _track_facts(track)
    except InputError as error:
        said = str(error)
    facts = {**clip_facts(clip), "track": said}
    return facts | _prospects(clip, track, progress) if watch else facts


def _prospects(clip: ClipFacts, track: Log | None, progress: Progress) -> dict[str, Any]:
    motion = None
    if clip.duration_s <= LONGEST_WATCHED_S:
        motion = measure_motion(clip, progress=lambda _, share: progress("watching", share))
    sound = read_sound(clip.path, mono=True, rate_hz=SOUND_HZ) if clip.audio_codec else None
    found = prospects(clip, motion, sound, track)
    return {
        "launch_s": None if found.launch_s is None else round(found.launch_s, 3),
        "stop_s": None if found.stop_s is None else round(found.stop_s, 3),
        "good_for": list(found.good_for),
        "next_time": list(found.next_time),
    }


def _track_facts(log: Log | None) -> dict[str, Any] | str:
    """Facts of the track inside a clip."""
    if log is None:
        return "none"
    facts = log_facts(log)
    kept = ("format", "speed_source", "start_utc", "records_read", "void_fixes")
    speed = facts["channels"].get("speed_mps") or {}
    return {
        **{name: facts[name] for name in kept},
        **{f"speed_{name}": value for name, value in speed.items()},
        "notes": "; ".join(facts["notes"]) or None,
    }


def clip_facts(clip: ClipFacts) -> dict[str, Any]:
    """Facts of a clip, units in the keys."""
    return {
        "kind": "clip",
        "path": str(clip.path),
        "duration_s": round(clip.duration_s, 6),
        "frames": len(clip.frame_times),
        "frame_rate_hz": round(float(clip.frame_rate_hz), 6),
        "frame_rate_is_variable": clip.is_variable,
        "width_px": clip.width,
        "height_px": clip.height,
        "rotation_deg": clip.rotation_deg,
        "pixel_aspect": str(clip.pixel_aspect),
        **{name: getattr(clip, name) for name in (*PICTURE, *COLOUR, *AUDIO)},
        "audio_start_s": round(clip.audio_start_s, 6),
        "audio_duration_s": round(clip.audio_duration_s, 6),
        "created_utc": clip.created_utc.isoformat() if clip.created_utc else None,
        "is_cut_off": clip.is_cut_off,
    }


def log_facts(log: Log) -> dict[str, Any]:
    """Facts of a log, units in the keys."""
    cleaning = log.cleaning
    return {
        "kind": "log",
        "path": str(log.path),
        "format": log.format,
        "clock": log.clock,
        "start_utc": log.start_utc.isoformat() if log.start_utc else None,
        "channels": {
            name: {
                "values": len(series),
                "first_s": round(float(series.t_s[0]), 6),
                "last_s": round(float(series.t_s[-1]), 6),
                "sample_rate_hz": _rate(series.median_step_s),
                "lowest": round(float(np.min(series.values)), 6),
                "highest": round(float(np.max(series.values)), 6),
            }
            for name, series in log.channels.items()
            if len(series)
        },
        "speed_source": log.speed_source,
        "columns": log.columns,
        "extra_lag_s": log.extra_lag_s,
        **{name: getattr(cleaning, name) for name in COUNTS},
        "gaps_s": [[round(start, 3), round(end, 3)] for start, end in cleaning.gaps_s],
        "notes": list(cleaning.notes),
    }


def _rate(step_s: float) -> float | None:
    return round(1 / step_s, 3) if step_s > 0 else None
