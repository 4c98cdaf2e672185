"""Opening a film file: the streams in it, and errors of the decoder library turned into ours."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from overlay.errors import InputError
from overlay.files import require_file
from overlay.footage.structure import Structure, structure

if TYPE_CHECKING:
    from av import Packet
    from av.audio.stream import AudioStream
    from av.container import InputContainer
    from av.video.stream import VideoStream

# Demuxers, by FFmpeg's names, of containers that hold films with times. Others, which take text,
# single pictures or bare streams without times for a film, are refused.
_FILM_FORMATS = {"mov", "matroska", "avi", "mpegts", "mpeg", "flv"}
_FILM_FORMATS |= {"asf", "mxf", "ogg", "dv", "nut"}
_USABLE = "MP4, MOV, MKV, WebM, AVI or TS"


@dataclass(frozen=True, eq=False)
class OpenClip:
    """A film file that is open for reading."""

    path: str  # the file as named by the user
    # The open container, its first film stream, and its first sound stream if any.
    container: InputContainer
    video: VideoStream
    sound: AudioStream | None
    structure: Structure  # what the outer parts of the file say

    @property
    def has_decode_times_only(self) -> bool:
        """Whether the container keeps no presentation times (AVI keeps frames in coded order)."""
        return self.container.format.name == "avi"


@contextmanager
def opened(path: str | os.PathLike[str]) -> Iterator[OpenClip]:
    """Open a film; every error of the decoder library inside the block becomes an InputError.

    Raises
    ------
    InputError
        If the file is missing, empty, not a film, without its index, or cannot be decoded.
    """
    import av

    found = require_file(path)
    outer = structure(found)
    if not outer.has_index:
        raise InputError(
            f"{path}: has no index (moov box), so the camera stopped before it finished the file; "
            "repair the file with the camera's own recovery, or use another recording"
        )
    if outer.is_false:
        raise InputError(
            f"{path}: its index counts more samples than the file can hold, so it is damaged; "
            "copy the clip again from the camera"
        )
    try:
        # An absolute name keeps a colon in it from being taken for a protocol.
        with av.open(os.path.abspath(found), metadata_errors="replace") as container:
            yield _chosen(os.fspath(path), container, outer)
    except av.error.FFmpegError as error:
        raise InputError(
            f"{path}: is not a film that can be read ({(error.strerror or str(error)).lower()}); "
            f"use the camera's own {_USABLE} file"
        ) from error


def _chosen(path: str, container: InputContainer, outer: Structure) -> OpenClip:
    if not _FILM_FORMATS.intersection(container.format.name.split(",")):
        raise InputError(
            f"{path}: is not a film ({container.format.long_name}); use an {_USABLE} file"
        )
    from av.stream import Disposition

    videos = [
        stream
        for stream in container.streams.video
        if not stream.disposition & (Disposition.attached_pic | Disposition.still_image)
        and stream.codec_context is not None
    ]
    if not videos:
        raise InputError(f"{path}: has no picture track, so there is nothing to draw on")
    sounds = [s for s in container.streams.audio if s.codec_context is not None]
    return OpenClip(path, container, videos[0], sounds[0] if sounds else None, outer)


def packets(clip: OpenClip, *streams: Any) -> Iterator[Packet[Any]]:
    """Whole packets of some streams up to the file's end, or to where it is cut off.

    A packet that the cut went through is left out. The empty packets that end each stream come
    last, so that decoders give what they hold back.
    """
    import av
    from av.stream import Discard

    for stream in clip.container.streams:
        stream.discard = Discard.default if stream in streams else Discard.all
    try:
        for packet in clip.container.demux(*streams):
            if not packet.is_corrupt or clip.structure.kind == "ts":
                yield packet
    except av.error.FFmpegError:
        # The data end here. What was read before is good; `structure` tells that it is cut off.
        for stream in streams:
            end = av.Packet()
            end.stream = stream
            yield end


def decoded(packet: Packet[Any]) -> tuple[list[Any], int]:
    """The frames a packet gives and the number of errors (0 or 1) it made on the way."""
    import av

    try:
        return packet.decode(), 0
    except av.error.EOFError:
        return [], 0
    except av.error.FFmpegError:
        return [], 1
