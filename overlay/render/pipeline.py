"""One encoder process, fed with pictures, watched to its end, and cleaned up after."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from overlay.errors import EncoderError, OutputError
from overlay.files import written_whole
from overlay.render.encoder import ffmpeg_path
from overlay.render.picture_stream import picture_head, stream_head
from overlay.scene.layers import Layer, changes
from overlay.system import give_back_memory, start_fed, widen_pipe, write_all
from overlay.timebase import FloatArray

_PIPE_BYTES = 1 << 20  # room for a gauge picture, so that writer and reader switch seldom
_FULL = ("No space left on device", "Disk quota exceeded", "File too large")
_NOISE = re.compile(
    r"Conversion failed|Task finished with error|Terminating (thread|demuxer)|Nothing was written"
    r"|Error (muxing|submitting) a packet|Error closing file|Could not open encoder before EOF"
    r"|Error sending frames|Error while filtering|not enough frames to estimate rate"
    r"|Exiting normally|Queue input is backward"
)


OnProgress = Callable[[float], None]  # told about twice a second how much is done, 0 to 1


@dataclass(frozen=True, eq=False)
class Feed:
    """Pictures for one input of the encoder."""

    layer: Layer  # what draws them
    times_s: FloatArray  # shape (n,): The time given to the layer for each picture, seconds
    times_ns: Sequence[int]  # the time at which each picture stands in the stream, nanoseconds >= 0

    @property
    def step_ns(self) -> int:
        """Median time from a picture to the next, nanoseconds."""
        steps = np.diff(np.asarray(self.times_ns, dtype=np.int64))
        return max(1, int(np.median(steps))) if len(steps) else 40_000_000


@dataclass(frozen=True)
class Outcome:
    """What the encoder process did."""

    frames: int
    complaints: tuple[str, ...] = ()


class _Writer(threading.Thread):
    """Draws one layer and writes it into one pipe; a fault ends the encoder and is kept."""

    def __init__(self, feed: Feed, pipe: int, stop: Callable[[], None]) -> None:
        super().__init__(daemon=True)
        self._feed, self._pipe, self._stop_all = feed, pipe, stop
        self.fault: BaseException | None = None

    def run(self) -> None:
        feed = self._feed
        try:
            write_all(self._pipe, stream_head(feed.layer.width, feed.layer.height, feed.step_ns))
            for index, picture in changes(feed.layer, feed.times_s):
                whole = np.ascontiguousarray(picture)
                head = picture_head(feed.times_ns[index], whole.nbytes)
                write_all(self._pipe, head, whole.data.cast("B"))
        except BrokenPipeError:
            pass  # the encoder is gone; its own message tells why
        except BaseException as fault:
            self.fault = fault
            self._stop_all()
        finally:
            os.close(self._pipe)


def run(
    before: Sequence[str],
    feeds: Sequence[Feed],
    after: Sequence[str],
    *,
    total_s: float,
    progress: OnProgress | None = None,
) -> Outcome:
    """Run ffmpeg with `before`, one input a feed, and `after`; return when it has finished.

    Parameters
    ----------
    before, after : sequence of str
        Arguments up to the last ordinary input, and those from the filter graph on.
    feeds : sequence of Feed
        Further inputs, numbered after those of `before`.
    total_s : float
        Length of the finished clip in seconds, for `progress`.

    Raises
    ------
    OutputError
        If the disk is full.
    EncoderError
        If ffmpeg stops with an error, with its own last words.
    BaseException
        Whatever a layer, `progress` or Ctrl-C raises; ffmpeg is ended first.
    """
    command = [ffmpeg_path(), "-hide_banner", "-nostdin", "-y", "-nostats"]
    command += ["-loglevel", "level+warning", "-progress", "pipe:1", *before]
    reading, writing = [], []
    try:
        for _ in feeds:
            ends = os.pipe()
            reading.append(ends[0])
            writing.append(ends[1])
            widen_pipe(ends[1], _PIPE_BYTES)
            command += ["-probesize", "32", "-analyzeduration", "0", "-threads", "1"]
            command += ["-f", "matroska", "-i", f"pipe:{ends[0]}"]
        command += after
        with stopping_on_terminate():
            return _watch(command, feeds, reading, writing, total_s, progress)
    finally:
        for end in reading + writing:
            with contextlib.suppress(OSError):
                os.close(end)


def encode(
    target: Path,
    before: Sequence[str],
    feeds: Sequence[Feed],
    after: Sequence[str],
    *,
    total_s: float = 0.0,
    progress: OnProgress | None = None,
) -> Outcome:
    """As :func:`run`, into a file that is written whole or not at all."""
    with written_whole(target) as part:
        words = [*after, os.fspath(part.absolute())]
        return run(before, feeds, words, total_s=total_s, progress=progress)


def _watch(
    command: list[str],
    feeds: Sequence[Feed],
    reading: list[int],
    writing: list[int],
    total_s: float,
    progress: OnProgress | None,
) -> Outcome:
    """Start the process and its writers, follow it, and end it whatever happens."""
    # Else what reading the footage took counts beside the encoder to the job's end.
    give_back_memory()
    try:
        # Ctrl-C reaches this program only, which then ends the encoder at once instead of letting
        # it finish half a file.
        process = start_fed(
            command,
            reading,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            # Its many threads would each keep freed pictures for themselves.
            env=os.environ | {"MALLOC_ARENA_MAX": "1"},
        )
    except OSError as error:
        raise EncoderError(f"{command[0]}: cannot be started: {error.strerror or error}") from error
    assert process.stdout is not None
    assert process.stderr is not None
    while reading:
        os.close(reading.pop())
    words: deque[str] = deque(maxlen=200)
    listener = threading.Thread(target=_listen, args=(process.stderr, words), daemon=True)
    writers = [_Writer(feed, end, process.kill) for feed, end in zip(feeds, writing, strict=True)]
    writing.clear()  # each writer closes its own
    try:
        listener.start()
        for writer in writers:
            writer.start()
        frames = _follow(process.stdout, total_s, progress)
        code = process.wait()
    except BaseException:
        process.kill()
        raise
    finally:
        process.wait()
        for thread in (*writers, listener):
            thread.join()
        process.stdout.close()
        process.stderr.close()
    for writer in writers:
        if writer.fault is not None:
            raise writer.fault
    if code:
        raise _as_error(code, list(words))
    complaints = tuple(_bare(line) for line in words if "[error]" in line)
    return Outcome(frames, complaints)


def _follow(stream: IO[bytes], total_s: float, progress: OnProgress | None) -> int:
    """Read the progress report to its end; return the number of frames encoded."""
    frames, share = 0, 0.0
    for line in stream:
        name, _, value = line.decode("ascii", "replace").strip().partition("=")
        if name == "frame" and value.isdigit():
            frames = int(value)
        elif name == "out_time_us" and value.lstrip("-").isdigit() and total_s > 0:
            share = min(max(int(value) / 1e6 / total_s, 0.0), 1.0)
        elif name == "progress" and progress is not None:
            progress(1.0 if value == "end" else share)
    return frames


def _listen(stream: IO[bytes], words: deque[str]) -> None:
    for line in stream:
        text = line.decode("utf-8", "replace").strip()
        if text:
            words.append(text)


def _bare(line: str) -> str:
    """A message without the names and addresses of the parts that said it."""
    return re.sub(r"\[[^\]]*\]\s*", "", line).strip()


def _as_error(code: int, words: list[str]) -> OutputError | EncoderError:
    """Ffmpeg's end in plain words."""
    for line in words:
        for full in _FULL:
            if full in line:
                return OutputError(f"the result cannot be written: {full.lower()}; make room")
    telling = [line for line in words if not _NOISE.search(line)]
    severe = [line for line in telling if "[error]" in line or "[fatal]" in line]
    said = _bare((severe or telling or words or ["it said nothing"])[-1])
    if code < 0:
        name = signal.Signals(-code).name
        if name == "SIGXFSZ":
            return OutputError(
                "the result cannot be written: it grew past the file size limit; raise the limit "
                "(ulimit -f)"
            )
        return EncoderError(f"ffmpeg was ended from outside ({name}); its last words: {said}")
    return EncoderError(f"ffmpeg stopped with code {code}: {said}")


@contextlib.contextmanager
def stopping_on_terminate() -> Iterator[None]:
    """Let a request to terminate unwind this program, so that the encoder ends with it."""
    main = threading.current_thread() is threading.main_thread()
    if not main or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL:
        yield
        return

    def leave(number: int, _: object) -> None:
        raise SystemExit(128 + number)

    signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
