"""What the player needs of a run: a clip that plays, its gauge pictures, and figures a frame."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from overlay.compare.spoiled import TOLD
from overlay.errors import MismatchError, UndeterminedError
from overlay.files import made_folder, written_whole
from overlay.gauges.palette import BUILD_HUES, CUT, SPIN, Color, hex_of
from overlay.page.figures import spaced
from overlay.page.proxy import LONGEST_PX, make_proxy, why_not_played
from overlay.page.sheets import write_sheets
from overlay.render.pipeline import OnProgress
from overlay.render.source import even_size
from overlay.runs.course import Course
from overlay.runs.model import Split
from overlay.scene import Cell, Style, scene_of
from overlay.session import RunAnalysis, analyse, correct
from overlay.units import Z95, mps_to_speed

DATA = "play.json"
SPEED_DIGITS, TIME_DIGITS = 1, 3
_LOCK_STEP_S, _BEYOND_S = 0.1, 3600.0


@dataclass(frozen=True, eq=False)
class Shown:
    """A run to play."""

    run: RunAnalysis
    name: str
    build: str = ""
    hue: Color = BUILD_HUES[0]  # Of the build


def write_play(
    shown: Shown,
    folder: Path,
    style: Style,
    *,
    key: str = "",
    longest_px: int | None = None,
    progress: OnProgress | None = None,
) -> dict[str, Any]:
    """Make all files of one run's player in a folder of its own; give what ``play.json`` holds.

    What is there under the same key is not made again.

    Parameters
    ----------
    shown : Shown
    folder : Path
        Made where it is missing.
    style : Style
        As for a film: units, splits, gauges, layout.
    key : str
        Of everything the files depend on; empty: made anew.
    longest_px : int or None
        A copy of the clip with no longer side is made and carried along; None: only where no
        browser plays the clip itself, or parts of it are covered. Without a copy ``clip`` is None.
    progress : callable or None
        Of the copy.

    Raises
    ------
    InputError, OutputError, EncoderError
        As their messages say.
    """
    kept = read_play(folder, key) if key else None
    if kept is not None:
        return kept
    made_folder(folder)
    run = shown.run
    clip = _copied(run, folder, longest_px, progress)
    late, why = as_received(run, style)
    gauges = {"corrected": _gauges(run, shown, style, folder, "corrected")}
    gauges["received"] = (
        {"reason": why} if late is None else _gauges(late, shown, style, folder, "received")
    )
    data = {"key": key, "clip": clip, "gauges": gauges} | play_data(shown, style, late)
    with written_whole(folder / DATA) as part:
        part.write_text(json.dumps(data, ensure_ascii=False, allow_nan=False), encoding="utf-8")
    return data


def _copied(
    run: RunAnalysis, folder: Path, longest_px: int | None, progress: OnProgress | None
) -> str | None:
    """Name of the copy of the clip, made where one is asked for or needed; else None."""
    covers = run.options.covers
    if longest_px is None and not covers and not why_not_played(run.clip):
        return None
    longest = LONGEST_PX if longest_px is None else longest_px
    target = folder / "clip.mp4"
    make_proxy(run.clip, target, longest_px=longest, covers=covers, progress=progress)
    return target.name


def read_play(folder: Path, key: str) -> dict[str, Any] | None:
    """What was made before under the same key; None where there is none."""
    try:
        data: dict[str, Any] = json.loads((folder / DATA).read_text(encoding="utf-8"))
        return data if data["key"] == key else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def as_received(run: RunAnalysis, style: Style) -> tuple[RunAnalysis | None, str]:
    """The run as the receiver showed it, the lag left in; else None, and why in words."""
    inputs = run.aligned.inputs
    options = replace(inputs.options, corrected=False)
    aligned = replace(run.aligned, inputs=replace(inputs, options=options))
    try:
        return analyse(correct(aligned), style.goals), ""
    except UndeterminedError:
        return None, (
            "What the receiver showed cannot be played: its clock is not known apart from its lag"
        )
    except MismatchError as error:
        return None, f"What the receiver showed cannot be played: {error}"


def play_data(shown: Shown, style: Style, late: RunAnalysis | None) -> dict[str, Any]:
    """All that the player says of a run: times, figures and charts, formatted, a value a frame.

    Parameters
    ----------
    shown : Shown
    style : Style
    late : RunAnalysis or None
        The run as the receiver showed it.
    """
    run, course = shown.run, shown.run.course
    times_s = run.clip.frame_times.seconds
    size = even_size(run.clip)
    launch_s = None if run.launch is None else run.launch.at_s
    figures = _Figures(run, late, style.units)
    return {
        "name": shown.name,
        "build": shown.build,
        "hue": hex_of(shown.hue),
        "aspect": size[0] * float(run.clip.pixel_aspect) / size[1],
        "frame_times": spaced(times_s, 6),
        "launch_s": None if launch_s is None else round(launch_s, 6),
        "launch_frame": None if launch_s is None else _frame(times_s, launch_s),
        "posts": _posts(course, times_s),
        "along": figures.places(),
        "readouts": figures.readouts(),
        "charts": figures.charts(shown.hue),
    }


def lock_tables(first: RunAnalysis, second: RunAnalysis) -> dict[str, dict[str, str]]:
    """Footage times of two runs that belong together: from the launch, and at equal distance.

    Returns
    -------
    dict
        ``launch`` and ``distance``, each with the columns ``first`` and ``second`` (seconds,
        rising); empty where a run has no launch.
    """
    if first.launch is None or second.launch is None:
        return {}
    starts = first.launch.at_s, second.launch.at_s
    ends = [start + edge for edge in (-_BEYOND_S, _BEYOND_S) for start in starts]
    tables = {
        "launch": {
            "first": spaced([ends[0], ends[2]], TIME_DIGITS),
            "second": spaced([ends[1], ends[3]], TIME_DIGITS),
        }
    }
    rows = [(-_BEYOND_S, -_BEYOND_S), (0.0, 0.0)]
    for since_s in np.arange(_LOCK_STEP_S, first.course.finish_s - starts[0], _LOCK_STEP_S):
        gone = first.course.from_launch_m(starts[0] + float(since_s))
        there = second.course.reached_s(gone)
        if math.isnan(there) or starts[1] + there > second.course.finish_s:
            break
        if there > rows[-1][1]:
            rows.append((float(since_s), there))
    rows.append((rows[-1][0] + _BEYOND_S, rows[-1][1] + _BEYOND_S))
    tables["distance"] = {
        "first": spaced([starts[0] + a for a, _ in rows], TIME_DIGITS),
        "second": spaced([starts[1] + b for _, b in rows], TIME_DIGITS),
    }
    return tables


def split_text(split: Split) -> str:
    """A split with its time as the gauges have it, or why there is none."""
    if split.time_s is None:
        return f"{split.goal.label}: {split.reason or 'not reached'}"
    return f"{split.goal.label} {split.time_s:.2f} s"


def _gauges(
    run: RunAnalysis, shown: Shown, style: Style, folder: Path, stem: str
) -> dict[str, Any]:
    (layers,) = scene_of([Cell(run, shown.name, shown.hue)], style).layers
    clip = run.clip
    return write_sheets(layers, clip.frame_times.seconds, even_size(clip), folder, stem)


def _frame(times_s: np.ndarray[Any, Any], at_s: float) -> int:
    """The first frame at or after a footage time."""
    return min(int(np.searchsorted(times_s, at_s - 1e-6)), len(times_s) - 1)


def _posts(course: Course, times_s: np.ndarray[Any, Any]) -> list[dict[str, Any]]:
    """Places worth going to: the launch, each split, each mark."""
    found: list[tuple[float, str, str]] = []
    if course.launch is not None:
        found.append((course.launch.at_s, "Launch", "The first movement"))
    for split in course.splits:
        if split.at_s is not None:
            half_s = Z95 * (split.total_sigma_s or 0.0)
            title = f"± {half_s:.2f} s (95 %)" if half_s else ""
            found.append((split.at_s, split_text(split), title))
    found += [
        (mark.start_s, mark.kind.capitalize(), mark.detail)
        for mark in course.marks
        if mark.kind in TOLD
    ]
    return [
        {"frame": _frame(times_s, at_s), "label": label, "title": title}
        for at_s, label, title in sorted(found)
        if 0 <= at_s <= times_s[-1]
    ]


class _Figures:
    """A run's figures at each frame, as text."""

    def __init__(self, run: RunAnalysis, late: RunAnalysis | None, unit: str) -> None:
        self.run, self.late, self.unit = run, late, unit
        course, times_s = run.course, run.clip.frame_times.seconds.tolist()
        self.times_s = np.array(times_s)
        self.start_s = 0.0 if run.launch is None else run.launch.at_s
        self.now = [course.at(t_s) for t_s in times_s]
        self.since = spaced(self.times_s - self.start_s, TIME_DIGITS)
        self.distance = spaced([course.from_launch_m(t_s) for t_s in times_s], 1)
        self.rpm = spaced([course.rpm_at(t_s) for t_s in times_s], 0)
        self.speed = self._speeds([at.speed_mps for at in self.now])
        self.half = self._speeds([Z95 * at.sigma_mps for at in self.now])
        shown = None if late is None else [late.course.at(t_s).speed_mps for t_s in times_s]
        self.received = None if shown is None else self._speeds(shown)

    def _speeds(self, values_mps: Sequence[float]) -> str:
        return spaced(mps_to_speed(1.0, self.unit) * np.array(values_mps), SPEED_DIGITS)

    @property
    def along(self) -> dict[str, str]:
        """What charts have along x."""
        label = "footage time" if self.run.launch is None else "time from launch"
        return {"label": label, "unit": "s", "values": self.since}

    def places(self) -> dict[str, str]:
        """Where each frame belongs along the charts of a day; ``_`` outside the pull."""
        launch, course = self.run.launch, self.run.course
        if launch is None:
            return {}
        within = (self.times_s >= launch.at_s) & (self.times_s <= course.finish_s)
        gone = [course.from_launch_m(t_s) for t_s in self.times_s.tolist()]
        speed = mps_to_speed(1.0, self.unit) * np.array([at.speed_mps for at in self.now])
        return {
            "distance": spaced(np.where(within, gone, np.nan), 2),
            "speed": spaced(np.where(within, speed, np.nan), 2),
        }

    def readouts(self) -> list[dict[str, str]]:
        """The figures beside the picture."""
        rows = [(self.along["label"].capitalize(), "s", self.since)]
        rows += [("Speed", self.unit, self.speed), ("± 95 %", self.unit, self.half)]
        if self.received is not None:
            rows.append(("The receiver showed", self.unit, self.received))
        if self.run.launch is not None:
            rows.append(("Distance", "m", self.distance))
        if self.run.rpm is not None:
            heard = " (heard)" if self.run.rpm_from_sound else ""
            rows.append((f"Engine{heard}", "rpm", self.rpm))
        return [{"label": label, "unit": unit, "values": text} for label, unit, text in rows]

    def charts(self, hue: Color) -> list[dict[str, Any]]:
        """Speed, engine speed and acceleration along time."""
        factor = mps_to_speed(1.0, self.unit)
        speed = factor * np.array([at.speed_mps for at in self.now])
        half = factor * Z95 * np.array([at.sigma_mps for at in self.now])
        lines: list[dict[str, Any]] = [
            {
                "label": "corrected",
                "hue": hex_of(hue),
                "values": self.speed,
                "low": spaced(np.maximum(speed - half, 0.0), SPEED_DIGITS),
                "high": spaced(speed + half, SPEED_DIGITS),
            }
        ]
        if self.received is not None:
            label = "as the receiver showed it"
            lines.append({"label": label, "hue": "#808894", "dash": True, "values": self.received})
        charts = [self._chart("Speed", "speed", self.unit, lines)]
        if self.run.rpm is not None:
            lines = [{"label": "engine", "hue": hex_of(hue), "values": self.rpm}]
            per_mps = self.run.machine.rpm_per_mps
            if per_mps is not None:
                grip = spaced([per_mps * at.speed_mps for at in self.now], 0)
                label = "what the road speed asks for"
                lines.append({"label": label, "hue": "#808894", "dash": True, "values": grip})
            charts.append(self._chart("Engine speed", "engine", "rpm", lines))
        accel = np.array([at.accel_mps2 for at in self.now])
        half = Z95 * np.array([at.accel_sigma_mps2 for at in self.now])
        lines = [
            {
                "label": "acceleration",
                "hue": hex_of(hue),
                "values": spaced(accel, 1),
                "low": spaced(accel - half, 1),
                "high": spaced(accel + half, 1),
            }
        ]
        return [*charts, self._chart("Acceleration", "acceleration", "m/s²", lines)]

    def _chart(
        self, title: str, label: str, unit: str, lines: list[dict[str, Any]]
    ) -> dict[str, Any]:
        return {
            "title": title,
            "x": self.along,
            "y": {"label": label, "unit": unit, "from_zero": True},
            "series": lines,
            "lines": [
                {"x": round(split.at_s - self.start_s, TIME_DIGITS), "label": split.goal.label}
                for split in self.run.splits
                if split.at_s is not None
            ],
            "spans": [
                {
                    "from": round(mark.start_s - self.start_s, TIME_DIGITS),
                    "to": round(mark.end_s - self.start_s, TIME_DIGITS),
                    "label": mark.kind,
                    "hue": hex_of(SPIN if mark.kind == "wheelspin" else CUT),
                }
                for mark in self.run.marks
                if mark.kind in TOLD
            ],
        }
