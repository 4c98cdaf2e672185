"""The reel: cards and finished clips one after the other, with cross-fades and one sound mix.

Cards and cross-fades are short films of their own, composed by moviepy from still pictures: a
fade goes from the last picture of one clip to the first of the next, so that the clips themselves
stay whole and are copied without a second encode wherever their streams agree with the cards'.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.errors import UsageError
from overlay.files import written_whole
from overlay.footage.model import ClipFacts
from overlay.render.cards import Card, card_picture
from overlay.render.encoder import EncodeOptions, VideoEncoder, choose_encoder
from overlay.render.graph import nanoseconds
from overlay.render.join import listed
from overlay.render.loudness import brought_to
from overlay.render.output import (
    AAC,
    BT709,
    BT709_FILTER,
    RenderReport,
    file_arguments,
    report_of,
    video_arguments,
)
from overlay.render.pipeline import Feed, OnProgress, Outcome, run, stopping_on_terminate
from overlay.render.source import Source, base_chain, checked_target, even_size, named, source_of
from overlay.render.together import output_rate
from overlay.scene.layers import Layer
from overlay.timebase import FrameTimes

Rgb = npt.NDArray[np.uint8]

FADE_S = 0.6
SOUND_FADE_S = 0.4
RATE_HZ = 48_000
TICKS_HZ = 90_000
# The stream's head says nothing that differs without need. Clocks in it (H.264 Annex E) are advice
# only, the container's times rule; made equal, clips of different frame rates can share one head.
# So do clips that leave some of their colour tags out, which players then take from the matrix.
_HEAD = "h264_metadata=tick_rate=120:fixed_frame_rate_flag=0:level=5.1"
_HEAD += ":video_full_range_flag=0:colour_primaries=1:transfer_characteristics=1"
_HEAD += ":matrix_coefficients=1"
_FILM = ["-bsf:v", _HEAD, "-map_metadata", "-1", "-write_tmcd", "0"]
_FILM += ["-video_track_timescale", str(TICKS_HZ)]


@dataclass(frozen=True)
class _Piece:
    """A part of the reel: a film without sound, and the clip whose sound belongs to it."""

    path: Path
    length_s: float
    sound_of: ClipFacts | None = None


def make_reel(
    clips: Sequence[str | os.PathLike[str]],
    target: str | os.PathLike[str],
    *,
    title: Card,
    results: Card,
    loudness_lufs: float = -14.0,
    options: EncodeOptions | None = None,
    progress: OnProgress | None = None,
) -> RenderReport:
    """Write title card, clips and results card as one film.

    Parameters
    ----------
    clips : sequence of path
        Finished clips in the order shown: each build's best run, then the split-screen. The
        largest one's size is the reel's.
    target : path
        ``.mp4`` or ``.mov``.
    loudness_lufs : float
        Of the whole sound, such as -14 or -23.
    options : EncodeOptions
        Of cards and fades, and of clips that must be encoded again; H.264 only. With those that
        the clips were made with, and clips of one size, nothing is encoded twice.
    """
    options = options or EncodeOptions(codec="h264")
    if not clips:
        raise UsageError("a reel of no clips: name finished clips in the order shown")
    if not all(1 <= card.shown_s <= 30 for card in (title, results)):
        raise UsageError(f"cards of {title.shown_s:g} and {results.shown_s:g} s: use 1 to 30 s")
    final, suffix = checked_target(target, clips)
    if suffix == ".mkv" or options.codec not in ("auto", "h264"):
        raise UsageError(f"{final}: a reel is .mp4 or .mov with H.264")
    encoder = choose_encoder(replace(options, codec="h264"))
    studio = _Studio([source_of(clip) for clip in clips], encoder)
    opening, closing = ((card_picture(c, *studio.size), c.shown_s) for c in (title, results))
    with (
        stopping_on_terminate(),
        written_whole(final) as part,
        tempfile.TemporaryDirectory(prefix=".reel-", dir=part.absolute().parent) as made_in,
    ):
        folder = Path(made_in)
        pieces = studio.pieces(folder, opening, closing, progress)
        sound, said = mixed_sound(pieces, loudness_lufs)
        total_s = sum(piece.length_s for piece in pieces)
        before, after = _put_together(pieces, sound, folder)
        after += file_arguments(suffix, None, {"title": title.title})
        run(before, [], [*after, os.fspath(part.absolute())], total_s=total_s)
    made = Outcome(studio.frames)
    return report_of(target, studio.size, made, total_s, encoder, said[0], [*studio.notes, *said])


class _Studio:
    """Makes all pieces to one size, rate and stream."""

    def __init__(self, clips: Sequence[Source], encoder: VideoEncoder) -> None:
        self._clips, self._encoder = clips, encoder
        largest = max((clip.facts for clip in clips), key=lambda one: one.width * one.height)
        self.size = even_size(largest)
        if largest.pixel_aspect != 1:
            self.size = (round(self.size[0] * largest.pixel_aspect / 2) * 2, self.size[1])
        self._rate_hz = output_rate([largest.frame_rate_hz])
        self.frames = 0
        self.notes: list[str] = []

    def pieces(
        self,
        folder: Path,
        title: tuple[Rgb, float],
        results: tuple[Rgb, float],
        progress: OnProgress | None,
    ) -> list[_Piece]:
        """Title, clips with a fade between each two, results; made in `folder`."""
        from moviepy import vfx

        from overlay.footage import picture

        # A first short film shows what streams of this encoder look like.
        sample = folder / "sample.mp4"
        self._film(lambda t_s: title[0], round(self._rate_hz / 2), sample)
        like = _parameter_sets(sample)
        mains = []
        for index, clip in enumerate(self._clips):
            mains.append(self._main(clip, folder / f"clip{index}.mp4", like))
            if progress is not None:
                progress((index + 1) / (len(self._clips) + 2))
        firsts = [picture(piece.path, 0.0) for piece in mains]
        lasts = [picture(piece.path, piece.length_s) for piece in mains]
        opening = _fade(*title, firsts[0], 0.0).with_effects([vfx.FadeIn(0.4)])
        made = [self._moving(opening, title[1] + FADE_S, folder / "title.mp4"), mains[0]]
        for index, piece in enumerate(mains[1:], start=1):
            bridge = _fade(lasts[index - 1], 0.0, firsts[index], 0.0)
            made += [self._moving(bridge, FADE_S, folder / f"fade{index}.mp4"), piece]
        closing = _fade(lasts[-1], 0.0, *results).with_effects([vfx.FadeOut(0.5)])
        made.append(self._moving(closing, FADE_S + results[1], folder / "results.mp4"))
        if progress is not None:
            progress(1.0)
        return made

    def _main(self, clip: Source, path: Path, like: bytes) -> _Piece:
        """A finished clip as a piece: copied if its stream fits, else encoded again."""
        facts = clip.facts
        why = self._unfit(facts)
        if why is None:
            words = ["-map", "0:V:0", "-c", "copy", *_FILM]
            before = ["-i", named(facts.path)]
            run(before, [], [*words, os.fspath(path)], total_s=facts.duration_s)
            why = None if _parameter_sets(path) == like else "other encoder settings"
        if why is None:
            self.notes.append(f"{facts.path}: copied without a second encode")
            self.frames += len(facts.frame_times)
        else:
            self.notes.append(f"{facts.path}: encoded again, because of {why}")
            self._encode_again(clip, path)
        return _Piece(path, facts.duration_s, facts)

    def _unfit(self, facts: ClipFacts) -> str | None:
        """What keeps a clip from being copied, in words."""
        checks = {
            "another codec": facts.video_codec == "h264",
            "another size": (facts.width, facts.height) == self.size,
            "a turn": facts.rotation_deg == 0 and not facts.is_mirrored,
            "pixels that are not square": facts.pixel_aspect == 1,
            "another pixel format": facts.pixel_format == "yuv420p",
            "other colours": _is_bt709(facts),
            "a cut-off end": not facts.is_cut_off,
        }
        return next((what for what, fits in checks.items() if not fits), None)

    def _encode_again(self, clip: Source, path: Path) -> None:
        (width, height), facts = self.size, clip.facts
        base, _ = base_chain(clip, "yuv420p")
        shape = facts.width * facts.pixel_aspect / facts.height
        wide = min(width, round(height * shape / 2) * 2)
        high = min(height, round(width / shape / 2) * 2)
        chain = (
            f"{base},setpts=PTS-({clip.first_pts}),"
            f"scale={wide}:{high}:in_color_matrix={clip.matrix}:in_range={clip.color_range}"
            f":out_color_matrix=bt709:out_range=tv:flags=bicubic+accurate_rnd,format=yuv420p,"
            f"setsar=1,pad={width}:{height}:(ow-iw)/2:(oh-ih)/2:color=0x0d1015,{BT709_FILTER}[out]"
        )
        self.frames += self._coded(clip.entered(), [], chain, path, facts.duration_s)

    def _moving(self, clip: Any, length_s: float, path: Path) -> _Piece:
        """A short film of a moviepy clip."""
        count = round(length_s * self._rate_hz)
        self._film(clip.get_frame, count, path)
        self.frames += count
        return _Piece(path, float(count / self._rate_hz))

    def _film(self, shown: Callable[[float], Rgb], count: int, path: Path) -> None:
        width, height = self.size
        rgba = np.full((height, width, 4), 255, np.uint8)

        def draw(t_s: float) -> npt.NDArray[np.uint8]:
            rgba[..., :3] = shown(t_s)
            return rgba

        times = FrameTimes(np.arange(count), 1 / self._rate_hz)
        chain = (
            f"[0:v]scale=out_color_matrix=bt709:out_range=tv:flags=accurate_rnd,format=yuv420p,"
            f"setsar=1,settb=1/{TICKS_HZ},{BT709_FILTER}[out]"
        )
        feed = Feed(Layer(0, 0, width, height, draw), times.seconds, nanoseconds(times))
        self._coded([], [feed], chain, path, float(count / self._rate_hz))

    def _coded(
        self, before: list[str], feeds: list[Feed], chain: str, path: Path, total_s: float
    ) -> int:
        """Encode as all pieces are; the number of frames."""
        after = ["-filter_complex", chain, "-map", "[out]"]
        after += video_arguments(self._encoder, Fraction(1, TICKS_HZ), ".mp4")
        after += [*BT709, *_FILM]
        return run(before, feeds, [*after, os.fspath(path)], total_s=total_s).frames


def _is_bt709(facts: ClipFacts) -> bool:
    """Whether a clip's colours are those of BT.709, limited range, as far as it says."""
    said = {facts.color_primaries, facts.color_transfer}
    of_matrix = facts.color_space == "bt709" and facts.color_range != "pc"
    return of_matrix and said <= {"bt709", "unknown"}


def _parameter_sets(path: Path) -> bytes:
    """The stream's head, which a player reads once for the whole film."""
    import av

    with av.open(str(path)) as container:
        return bytes(container.streams.video[0].codec_context.extradata or b"")


def _fade(before: Rgb, before_s: float, after: Rgb, after_s: float) -> Any:
    """One picture for so long, and another for so long, the fade between them not counted."""
    from moviepy import CompositeVideoClip, ImageClip, vfx

    first = ImageClip(before, duration=before_s + FADE_S)
    second = ImageClip(after, duration=after_s + FADE_S).with_start(before_s)
    return CompositeVideoClip([first, second.with_effects([vfx.CrossFadeIn(FADE_S)])])


def mixed_sound(
    pieces: Sequence[_Piece], loudness_lufs: float
) -> tuple[npt.NDArray[np.float32] | None, tuple[str, ...]]:
    """The sound of all clips at their places, faded in and out, at the target loudness."""
    from moviepy import CompositeAudioClip, afx
    from moviepy.audio.AudioClip import AudioArrayClip

    voices, start_s = [], 0.0
    for piece in pieces:
        heard = None if piece.sound_of is None else _stereo(piece.sound_of, piece.length_s)
        if heard is not None:
            fade = min(SOUND_FADE_S, piece.length_s / 3)
            effects = [afx.AudioFadeIn(fade), afx.AudioFadeOut(fade)]
            voices.append(AudioArrayClip(heard, RATE_HZ).with_effects(effects).with_start(start_s))
        start_s += piece.length_s
    if not voices:
        return None, ("no clip has sound",)
    mix = CompositeAudioClip(voices).with_duration(start_s)
    samples = np.zeros((round(start_s * RATE_HZ), 2), np.float32)
    step = 10 * RATE_HZ
    for begin in range(0, len(samples), step):
        at = np.arange(begin, min(begin + step, len(samples)))
        # Asked for in the middle of each sample, so that rounding never takes its neighbour.
        samples[at] = mix.get_frame((at + 0.01) / RATE_HZ)
    made, _, notes = brought_to(samples, RATE_HZ, loudness_lufs)
    return made, notes


def _stereo(facts: ClipFacts, length_s: float) -> npt.NDArray[np.float32] | None:
    """Sound of a clip from its first picture to its end, two channels; None without sound."""
    from overlay.footage import read_sound

    sound = read_sound(facts.path, rate_hz=RATE_HZ, mono=facts.audio_channels != 2)
    if sound is None:
        return None
    whole = np.zeros((max(1, round(length_s * RATE_HZ)), 2), np.float32)
    begin = round(sound.start_s * RATE_HZ)
    part = sound.samples[max(0, -begin) :]
    place = max(0, begin)
    count = min(len(part), len(whole) - place)
    if count > 0:
        whole[place : place + count] = part[:count]
    return whole


def _put_together(
    pieces: Sequence[_Piece], sound: npt.NDArray[np.float32] | None, folder: Path
) -> tuple[list[str], list[str]]:
    """Arguments that put the pieces end to end by stream copy and add the sound."""
    from scipy.io import wavfile

    before = listed(folder, ((piece.path.name, piece.length_s) for piece in pieces))
    after = ["-map", "0:v:0", "-c:v", "copy"]
    if sound is not None:
        heard = folder / "mix.wav"
        codes = np.clip(np.round(sound * 32767.0), -32768, 32767)
        wavfile.write(heard, RATE_HZ, codes.astype(np.int16))
        before += ["-i", os.fspath(heard)]
        after += ["-map", "1:a:0", *AAC]
    return before, [*after, "-video_track_timescale", str(TICKS_HZ)]
