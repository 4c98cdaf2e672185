"""The words of a new day sheet."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.files import NAME_PATTERN
from overlay.goals import default_goals
from overlay.units import MPS_PER

if TYPE_CHECKING:
    from overlay.jobs.day_new import Folder, Pairing

_HEAD = """\
# Day sheet: one day's runs. Lines after a # are comments; take the # away to use a key.
# File names count from this sheet's folder. 'timetrue day check' lists every mistake here.
# Closed course, helmet and gloves; local law and the rules of the venue come first.
"""
_VEHICLE = """\
[vehicle]
# name = "Club cart"
# mass_kg = 170                  # with driver and fuel; needed for power
# turning_kg = 7                 # what turning wheels add against acceleration; else assumed
# rolling_circumference_m = 1.76 # one turn of the driven wheel: mark the tyre, push, measure
# tyre_diameter_m = 0.56         # or this instead, measured outside
# gear_ratios = [9.4]            # turns of the crank for one turn of the driven wheel, one a gear
# sprocket_teeth = [10, 94]      # driving, driven: what gear_ratios holds for
# clutch = "centrifugal"         # or "plate" or "none"
# rolling_coefficient = 0.018    # rolling resistance over weight, if known; a coast in a run
# drag_area_m2 = 0.75            # (clutch out, no brake, revs logged) measures both by itself
# cylinders = 1
# strokes = 4                    # or 2; with it, revs that no log has are heard in the sound
# idle_rpm = 1500
# limiter_rpm = 3900             # where the ignition cuts or the governor holds
# stock_limit_rpm = 4000         # the maker's limit: a stock flywheel or rod can burst above it
"""
_CONDITIONS = """\
[conditions]                     # of the day, the way the first run went; a run may differ: add
                                 # [runs.conditions] under it
# temperature_c = 18
# pressure_hpa = 1009            # at the track, not reduced to sea level
# humidity_percent = 60
# headwind_mps = 1.5             # along the run; below 0 from behind
# slope_percent = 0.4            # below 0 downhill
"""
_BUILD_TAIL = """\
# about = "as bought"            # shown beside the name
# parts = [
#   { name = "main jet", price = 7 },
# ]
# currency = "GBP"               # price = ... instead of parts, if you only know the sum
# gear_ratios = [8.7]            # only what this build changes on the vehicle
"""
_SECOND_BUILD = """\
# [[builds]]
# name = "B"
# about = "open filter and jet"
"""
_RUN_NOTES = """\
# Each run: name, build, clip and logs. More, where it is needed:
#   notes = "gusty"
#   mass_kg = 176                # with driver and fuel, where it is not the build's
#   same_clock = true            # the log is the camera's own GPS
#   rounding = "down"            # a log in whole mph shows 23 for 23.0 to 23.9; or "nearest"
#   window_s = [12.0, 31.5]      # where in a long clip the run is
#   signal_s = 13.5              # the starting signal in the clip: a launch 1 s after it is late
#   columns = { rpm = "N" }      # which column of a table is what
#   counted = false              # takes a run out of the statistics; true brings in one that was
#   because = "tyre went soft"   # left out by its marks. The reason is needed. By itself a split
#                                # leaves out runs with wheelspin, a limiter cut, a lift, a gap in
#                                # the log or a creeping launch before its goal.
"""
_CANDIDATES = """\
# What might be fitted next; 'timetrue next' says what each would bring, from these runs.
# [[candidates]]
# name = "sprocket"
# price = 22
# wheel_teeth = [88, 100]        # a choice; or engine_teeth, gear_ratio, tyre_diameter_m
# [[candidates]]
# name = "lighter seat"
# price = 60
# mass_change_kg = -10           # or power_percent = [0, 6], limiter_rpm, gasket_mm
"""
MOST_BUILDS = 8  # more prefixes than this are file names, not builds
_SERIES = re.compile(r"(.*?[^\W\d_])[\s_-]*\d+")


def sheet_text(
    seen: Folder, pairings: Sequence[Pairing], units: str
) -> tuple[str, str, tuple[str, ...]]:
    """The sheet, how much is in it, and what a person should look at."""
    names = run_names([pairing.clip.name for pairing in pairings])
    builds = builds_of(names)
    doubts: list[str] = []
    runs: list[str] = []
    for name, build, pairing in zip(names, builds, pairings, strict=True):
        runs.append(_run(name, build, pairing))
        doubts += [f"{name}: {doubt}" for doubt in pairing.doubts]
    used = {log.name for pairing in pairings for log in pairing.logs}
    free = [(log.name, "no clip was found for it") for log in seen.logs if log.name not in used]
    unused = [*free, *seen.left_out]
    doubts += [f"{file}: {why}" for file, why in unused]
    known = list(dict.fromkeys(builds))
    sections = [_HEAD, _report(seen, units), _VEHICLE, _CONDITIONS]
    sections += [f"[[builds]]\nname = {quoted(build)}\n{_BUILD_TAIL}" for build in known]
    if len(known) == 1:
        sections.append(_SECOND_BUILD)
    sections += [_RUN_NOTES, *runs, _CANDIDATES]
    if unused:
        sections.append("".join(f"# not used: {file}: {why}\n" for file, why in unused))
    made = sum(bool(pairing.logs) for pairing in pairings)
    counts = f"{_count(made, 'run')}, {_count(len(known), 'build')}"
    return "\n".join(sections), counts, tuple(doubts)


def run_names(clips: Sequence[str]) -> list[str]:
    """A name for each clip's run that the sheet takes, no two alike.

    Examples
    --------
    >>> run_names(["a1.mp4", "A1.mov", "so: what?.mp4"])
    ['a1', 'A1-2', 'so what']
    """
    names: list[str] = []
    for clip in clips:
        stem = re.sub(r'[/\\\\<>:"|?*\x00-\x1f]', "", Path(clip).stem)[:36].strip(" .")
        stem = stem if re.fullmatch(NAME_PATTERN, stem) else "run"
        name, number = stem, 1
        while name.casefold() in {known.casefold() for known in names}:
            number += 1
            name = f"{stem}-{number}"
        names.append(name)
    return names


def builds_of(runs: Sequence[str]) -> list[str]:
    """A build for each run: the letters before its number where these tell builds apart, else A.

    Examples
    --------
    >>> builds_of(["a1", "a2", "b1"]), builds_of(["clip 1", "clip 2"])
    (['a', 'a', 'b'], ['A', 'A'])
    """
    found = [_SERIES.fullmatch(run) for run in runs]
    series = [match[1].strip(" ._-") for match in found if match]
    apart = {name.casefold(): name for name in reversed(series)}
    if len(series) < len(runs) or not 2 <= len(apart) <= MOST_BUILDS:
        return ["A"] * len(runs)
    return [apart[name.casefold()] for name in series]


def quoted(text: str) -> str:
    """A TOML basic string.

    Examples
    --------
    >>> quoted('a "b"')
    '"a \\\\"b\\\\""'
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _report(seen: Folder, units: str) -> str:
    top = max((log.top_mps() for log in seen.logs), default=0.0)
    goals = default_goals(units)
    reached = [g.label for g in goals if g.kind != "speed" or g.value <= top or top == 0.0]
    fast = units if units in MPS_PER else "mph"
    return (
        "[report]\n"
        f"speed_unit = {quoted(fast)}\n"
        '# Timed from launch; "60 m rollout" leaves the first 0.3048 m out.\n'
        f"splits = [{', '.join(map(quoted, reached))}]\n"
        '# judged = ["20 to 60 m"]         # what builds are judged by; else made of the splits\n'
        '# main = "20 to 60 m"             # the one that comes first\n'
        "worth_noticing_s = 0.1           # a smaller difference of a split does not matter\n"
        "worth_noticing_mps = 0.3         # the same for top speed\n"
    )


def _run(name: str, build: str, pairing: Pairing) -> str:
    reasons = [
        f"# {log.name}: paired {reason}\n"
        for log, reason in zip(pairing.logs, pairing.reasons, strict=True)
    ]
    doubts = [f"# LOOK: {doubt}\n" for doubt in pairing.doubts]
    lines = ["[[runs]]\n"]
    for key, value in (("name", name), ("build", build), ("clip", pairing.clip.name)):
        lines.append(f"{key} = {quoted(value)}\n")
    others = [log.name for log in pairing.logs if log.name != pairing.clip.name]
    if others or not pairing.logs:
        lines.append(f"logs = [{', '.join(map(quoted, others))}]\n")
    if not pairing.logs:
        lines = [f"# {line}" for line in lines]
    return "".join([*reasons, *doubts, *lines])


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'s' * (number != 1)}"
