"""A day sheet to start from: find the clips and logs in a folder and pair them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf
from pathlib import Path

from overlay.errors import InputError, OutputError, TimetrueError
from overlay.files import written_whole
from overlay.footage import probe
from overlay.footage.model import ClipFacts
from overlay.jobs.day_text import sheet_text
from overlay.jobs.names import CLIP_SUFFIXES, LOG_SUFFIXES, SHEET_NAME
from overlay.logs import read_log, read_track_log
from overlay.logs.model import Log
from overlay.progress import Progress, silent

WIDEST_SHIFT_H = 14  # time zones reach from UTC-12 to UTC+14
SLACK_S = 120.0  # a camera's clock set by hand is a minute or two wrong besides the hours
MOVING_MPS = 2.0  # above the scatter of a receiver at rest and below any run


LeftOut = tuple[str, str]  # a file's name, and the reason why it cannot be read


@dataclass(frozen=True)
class SeenClip:
    """A clip in the folder, and the track inside it if there is one with speed."""

    name: str
    duration_s: float
    created_utc: datetime | None
    track: Log | None = None


@dataclass(frozen=True, eq=False)
class SeenLog:
    """A log in the folder."""

    name: str
    log: Log

    @property
    def has_speed(self) -> bool:
        """Whether it gives speed over ground."""
        return self.log.speed is not None

    @property
    def span_s(self) -> tuple[float, float]:
        """First and last instant on its own clock."""
        series = [s for s in self.log.channels.values() if len(s)]
        return min(float(s.t_s[0]) for s in series), max(float(s.t_s[-1]) for s in series)

    def top_mps(self, start_s: float = -inf, end_s: float = inf) -> float:
        """Highest speed between two instants of its own clock; 0 without any."""
        speed = self.log.speed
        return 0.0 if speed is None else float(speed.between(start_s, end_s).values.max(initial=0))


@dataclass(frozen=True)
class Pairing:
    """A clip with the logs found for it."""

    clip: SeenClip
    logs: tuple[SeenLog, ...] = ()  # the one with speed first
    reasons: tuple[str, ...] = ()  # why each log
    doubts: tuple[str, ...] = ()  # what a person should look at


@dataclass(frozen=True)
class Folder:
    """What a folder holds that can be read."""

    clips: tuple[SeenClip, ...]
    logs: tuple[SeenLog, ...]
    left_out: tuple[LeftOut, ...] = ()


@dataclass(frozen=True)
class NewSheet:
    """What was written."""

    path: Path
    counts: str  # such as ``6 runs, 2 builds``
    doubts: tuple[str, ...]  # what to look at, one sentence each


def new_sheet(
    folder: str | os.PathLike[str], *, units: str = "mph", progress: Progress = silent
) -> NewSheet:
    """Write a commented ``day.toml`` from the files in a folder.

    Raises
    ------
    InputError
        If there is no such folder, or no clip in it.
    OutputError
        If the sheet is there already, or cannot be written.
    """
    place = Path(folder)
    target = place / SHEET_NAME
    if not place.is_dir():
        raise InputError(f"{place}: no such folder; name the one with the day's clips and logs")
    if target.exists() or target.is_symlink():
        raise OutputError(f"{target}: is there already and is never overwritten; move it first")
    seen = look_at(place, progress=progress)
    if not seen.clips:
        bad = [one for one in seen.left_out if Path(one[0]).suffix.lower() in CLIP_SUFFIXES]
        left = f" ({bad[0][0]}: {bad[0][1]})" if bad else ""
        raise InputError(f"{place}: no clip in it that can be read{left}; name another folder")
    pairings = pair_up(seen.clips, seen.logs)
    text, counts, doubts = sheet_text(seen, pairings, units)
    with written_whole(target) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
    return NewSheet(target, counts, doubts)


def look_at(folder: Path, *, progress: Progress = silent) -> Folder:
    """Open every file of the folder that may be a clip or a log; folders in it are not entered."""
    names = names_in(folder)
    found: list[SeenClip | SeenLog | LeftOut] = []
    for number, name in enumerate(names):
        progress("looking at files", number / len(names))
        found.append(seen_file(folder, name))
    progress("looking at files", 1.0)
    return folder_of(found)


def names_in(folder: Path) -> list[str]:
    """Files of a folder that may be clips or logs, as a person sorts them.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        names = sorted((p.name for p in folder.iterdir() if p.is_file()), key=natural)
    except OSError as error:
        raise InputError(f"{folder}: cannot be read: {error.strerror or error}") from error
    return [
        name
        for name in names
        if Path(name).suffix.lower() in CLIP_SUFFIXES | LOG_SUFFIXES
        and not name.startswith(".")
        and name.isprintable()
    ]


def seen_file(folder: Path, name: str) -> SeenClip | SeenLog | LeftOut:
    """Open one of them; what cannot be read is left out with the reason."""
    try:
        if Path(name).suffix.lower() in CLIP_SUFFIXES:
            facts = probe(folder / name)
            return SeenClip(name, facts.duration_s, facts.created_utc, _track(facts))
        log = read_log(folder / name)
    except TimetrueError as error:
        return name, re.sub(f"^{re.escape(str(folder / name))}[:,] ", "", str(error))
    if log.speed is None and log.rpm is None:
        return name, "has neither speed nor RPM"
    return SeenLog(name, log)


def folder_of(found: Sequence[SeenClip | SeenLog | LeftOut]) -> Folder:
    """What was seen, by kind."""
    return Folder(
        tuple(one for one in found if isinstance(one, SeenClip)),
        tuple(one for one in found if isinstance(one, SeenLog)),
        tuple(one for one in found if isinstance(one, tuple)),
    )


def _track(facts: ClipFacts) -> Log | None:
    try:
        track = read_track_log(facts)
    except TimetrueError:  # a track without a fix is no reason to leave out the clip
        return None
    return track if track is not None and track.speed is not None else None


def natural(name: str) -> list[tuple[int, int | str]]:
    """Key for sorting names as a person does: a2 before a10.

    Examples
    --------
    >>> sorted(["a10", "a2", "b1"], key=natural)
    ['a2', 'a10', 'b1']
    """
    parts = re.findall(r"\d+|\D+", name.casefold())
    return [(0, int(part)) if part.isdecimal() else (1, part) for part in parts]


# -- pairing ------------------------------------------------------------------------------------


def pair_up(clips: Sequence[SeenClip], logs: Sequence[SeenLog]) -> tuple[Pairing, ...]:
    """Give each clip the log of its speed, and one with RPM where that has none.

    A name in common outweighs times, times outweigh the order. One shift of whole hours between
    the camera's clock and UTC is sought for the whole day.
    """
    speed = [log for log in logs if log.has_speed]
    shift_h = common_shift_h(clips, speed)
    first = _choose(clips, speed, shift_h)
    second = _choose(clips, [log for log in logs if not log.has_speed], shift_h)
    pairings: list[Pairing] = []
    for clip in clips:
        found = [first[clip.name]] if clip.name in first else []
        if clip.track is not None and (not found or found[0][1].startswith("only")):
            found = [(SeenLog(clip.name, clip.track), "as the track inside it")]
        if found and found[0][0].log.rpm is None and clip.name in second:
            found.append(second[clip.name])
        pairing = Pairing(clip, tuple(log for log, _ in found), tuple(why for _, why in found))
        doubts = (*_doubts(pairing, shift_h), *_doubles(pairing, pairings))
        pairings.append(replace(pairing, doubts=doubts))
    return tuple(pairings)


def _doubles(pairing: Pairing, before: Sequence[Pairing]) -> Iterator[str]:
    """Clips of one run from two cameras: the run would count twice."""
    for other in before:
        a, b = pairing.clip, other.clip
        if a.created_utc is None or b.created_utc is None or pairing.logs[:1] != other.logs[:1]:
            continue
        apart_s = (a.created_utc - b.created_utc).total_seconds()
        if pairing.logs and -a.duration_s < apart_s < b.duration_s:
            yield f"it was filmed at the same time as {b.name}; keep one if it is the same run"


def common_shift_h(clips: Sequence[SeenClip], logs: Sequence[SeenLog]) -> int | None:
    """Whole hours by which the camera's clock is ahead of UTC, or None without evidence.

    The shift that brings the most clips to a log wins, then the most seconds covered, then the
    smallest shift.
    """

    def rank(shift_h: int) -> tuple[int, float, int]:
        shared_s = [max((_shared_s(c, log, shift_h) for log in logs), default=-inf) for c in clips]
        near_s = [max(s, 0.0) for s in shared_s if s > -SLACK_S]
        return len(near_s), round(sum(near_s), 3), -abs(shift_h)

    best = max(range(-WIDEST_SHIFT_H, WIDEST_SHIFT_H + 1), key=rank)
    return best if rank(best)[0] else None


def _shared_s(clip: SeenClip, log: SeenLog, shift_h: int | None) -> float:
    """Seconds that a log and a clip share by their clocks; negative: seconds between them.

    Minus infinity where one's clock is not known.
    """
    window = _window_s(clip, log, shift_h)
    start_s, end_s = log.span_s
    return -inf if window is None else min(window[1], end_s) - max(window[0], start_s)


def _window_s(clip: SeenClip, log: SeenLog, shift_h: int | None) -> tuple[float, float] | None:
    """The clip's start and end on the log's own time, by the clocks."""
    if shift_h is None or clip.created_utc is None or log.log.start_utc is None:
        return None
    started = clip.created_utc - timedelta(hours=shift_h)
    start_s = (started - log.log.start_utc).total_seconds()
    return start_s, start_s + clip.duration_s


def _choose(
    clips: Sequence[SeenClip], logs: Sequence[SeenLog], shift_h: int | None
) -> dict[str, tuple[SeenLog, str]]:
    """A log and the reason for each clip that has one, by the clip's name."""
    chosen: dict[str, tuple[SeenLog, str]] = {}
    for clip in clips:
        named = max(logs, key=lambda log: _fitness(clip, log), default=None)
        if named is not None and _kinship(clip.name, named.name) > 0:
            at_its_time = _shared_s(clip, named, shift_h) > -SLACK_S
            also = " and time" + _shift_word(shift_h) if at_its_time else ""
            chosen[clip.name] = (named, "by its name" + also)
    used = {log.name for log, _ in chosen.values()}
    for clip in clips:
        near = [(_shared_s(clip, log, shift_h), log.name not in used, log) for log in logs]
        near = [item for item in near if item[0] > -SLACK_S]
        if clip.name not in chosen and near:
            log = max(near, key=lambda item: item[:2])[2]
            chosen[clip.name] = (log, "by its time" + _shift_word(shift_h))
    used = {log.name for log, _ in chosen.values()}
    waiting = [clip for clip in clips if clip.name not in chosen]
    free = [log for log in logs if log.name not in used and _may_hold_run(log)]
    if waiting and len(waiting) == len(free):
        free.sort(key=lambda log: natural(log.name))
        for clip, log in zip(_in_order(waiting), free, strict=True):
            chosen[clip.name] = (log, "only by its place in the order")
    return chosen


def _fitness(clip: SeenClip, log: SeenLog) -> tuple[float, bool]:
    """By the name; of two logs alike in that, measured speed before differences of positions."""
    return _kinship(clip.name, log.name), log.log.speed_source != "positions"


def _may_hold_run(log: SeenLog) -> bool:
    return not log.has_speed or log.top_mps() >= MOVING_MPS


def _in_order(clips: Sequence[SeenClip]) -> list[SeenClip]:
    """By creation time where every clip has one, else by name."""
    times = {clip.name: clip.created_utc.timestamp() for clip in clips if clip.created_utc}
    if len(times) == len(clips):
        return sorted(clips, key=lambda clip: times[clip.name])
    return sorted(clips, key=lambda clip: natural(clip.name))


def _kinship(clip: str, log: str) -> float:
    """Words that the whole shorter name shares with the start of the longer; 0 for strangers."""
    a, b = words(clip), words(log)
    shorter = min(len(a), len(b))
    if shorter == 0 or a[:shorter] != b[:shorter]:
        return 0.0
    return shorter - abs(len(a) - len(b)) / 100


def words(name: str) -> list[str]:
    """Words and numbers of a file's name, without its suffix.

    Examples
    --------
    >>> words("a1_revs.csv"), words("Run 03.MP4")
    (['a1', 'revs'], ['run', '03'])
    """
    return re.findall(r"[^\W_]+", Path(name).stem.casefold())


def _shift_word(shift_h: int | None) -> str:
    if not shift_h:
        return ""
    side = "ahead of" if shift_h > 0 else "behind"
    return f" (the camera's clock is {abs(shift_h)} h {side} UTC)"


def _doubts(pairing: Pairing, shift_h: int | None) -> tuple[str, ...]:
    """Evidence in the files themselves against a pairing."""
    clip = pairing.clip
    if not pairing.logs:
        return ("no log was found for it",)
    log = pairing.logs[0]
    doubts = [
        f"{other.name} was paired {reason}"
        for other, reason in zip(pairing.logs, pairing.reasons, strict=True)
        if reason.startswith("only")
    ]
    shared_s, window = _shared_s(clip, log, shift_h), _window_s(clip, log, shift_h)
    if -inf < shared_s <= -SLACK_S:
        doubts.append(f"{log.name} is {-shared_s / 60:.0f} min away by its time")
    covered_s = log.span_s[1] - log.span_s[0]
    if covered_s < clip.duration_s / 2:
        doubts.append(f"{log.name} lasts {covered_s:.0f} s, the clip {clip.duration_s:.0f} s")
    start_s, end_s = window if window and shared_s > 0 else (-inf, inf)
    top = log.top_mps(start_s - SLACK_S, end_s + SLACK_S)
    if top < MOVING_MPS:
        doubts.append(f"{log.name} shows no run there, {top:.1f} m/s at most")
    return tuple(doubts)
