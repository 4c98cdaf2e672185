"""Files that are cut off are used up to the cut; files that are no films get one clear line."""

import numpy as np
import pytest
from clips import make_clip, run_ffmpeg

from overlay.errors import InputError
from overlay.footage import luma_crops, luma_frames, picture, probe, read_sound

WAYS = {
    "faststart": ("mp4", ["-movflags", "+faststart"]),
    "fragments": ("mp4", ["-movflags", "+frag_keyframe+empty_moov+default_base_moof"]),
    "mkv": ("mkv", []),
    "ts": ("ts", []),
    "avi": ("avi", []),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("share", [0.43, 0.7])
def test_cut_off__is_used_up_to_the_cut(tmp_path, way, share):
    suffix, extra = WAYS[way]
    whole = make_clip(
        tmp_path / f"whole.{suffix}", size=(192, 108), seconds=3.0, gop=15, audio=1, extra=extra
    )
    data = whole.read_bytes()
    cut = tmp_path / f"cut.{suffix}"
    cut.write_bytes(data[: int(len(data) * share) // 376 * 376 + 101])
    every, facts = probe(whole), probe(cut)
    assert not every.is_cut_off
    assert facts.is_cut_off
    count = len(facts.frame_times)
    assert 0.6 * share * 90 < count < 90
    times = set(np.round(every.frame_times.seconds, 3))
    assert set(np.round(facts.frame_times.seconds, 3)) <= times
    frames = list(luma_frames(cut))
    assert abs(len(frames) - count) <= 1  # a picture that the cut goes through may not decode
    assert [f.t_s for f in frames] == facts.frame_times.seconds[: len(frames)].tolist()
    late = [f.t_s for f in luma_frames(cut, start_s=0.6)]
    assert late == [f.t_s for f in frames if f.t_s >= 0.6]
    sound = read_sound(cut)
    assert 0.3 * share * 3 < sound.t_s[-1] < 3.0
    assert picture(cut, frames[-1].t_s).shape == (108, 192, 3)


def test_cut_off__without_an_index(tmp_path):
    whole = make_clip(tmp_path / "whole.mp4", seconds=1.0)
    cut = tmp_path / "died.mp4"
    cut.write_bytes(whole.read_bytes()[:-2000])
    with pytest.raises(InputError, match=r"died\.mp4: has no index .* camera stopped before"):
        probe(cut)


def test_probe__pictures_that_all_have_one_time(tmp_path):
    clip = make_clip(tmp_path / "one.mp4", size=(64, 48), seconds=0.4, extra=["-bf", "0"])
    data = bytearray(clip.read_bytes())
    at = (
        data.find(b"stts") + 4 + 4 + 4 + 4
    )  # version, entries, pictures: the step, ISO/IEC 14496-12
    data[at : at + 4] = bytes(4)
    clip.write_bytes(data)
    with pytest.raises(InputError, match="that can be decoded and have times of their own"):
        probe(clip)


def not_films(folder):
    (folder / "empty.mp4").write_bytes(b"")
    (folder / "text.mp4").write_text("run 3, second gear, wind from the left\n" * 50)
    (folder / "table.csv").write_text("time,speed\n0,1\n1,2\n")
    (folder / "noise.mp4").write_bytes(np.random.default_rng(3).bytes(60_000))
    (folder / "box.mp4").write_bytes(b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom")
    (folder / "riff.avi").write_bytes(b"RIFF\xff\x00\x00\x00AVI LIST")
    (folder / "ebml.mkv").write_bytes(bytes.fromhex("1A45DFA3A3428681"))
    (folder / "folder.mp4").mkdir()
    for suffix in ("png", "jpg", "gif", "webp", "tif", "bmp"):
        run_ffmpeg(
            "-f", "lavfi", "-i", "testsrc2=s=64x48", "-frames:v", "1", folder / f"p.{suffix}"
        )
    (folder / "picture.mp4").write_bytes((folder / "p.jpg").read_bytes())
    for name in ("tone.m4a", "tone.wav", "tone.mkv"):
        run_ffmpeg("-f", "lavfi", "-i", "sine=d=0.2", folder / name)
    run_ffmpeg(
        *("-i", folder / "tone.m4a", "-i", folder / "p.jpg", "-map", "0", "-map", "1"),
        *("-c", "copy", "-disposition:v", "attached_pic", folder / "cover.m4a"),
    )
    make_clip(folder / "one.mp4", seconds=0.03)
    make_clip(folder / "bare.h264", seconds=0.3)
    return [*sorted(folder.iterdir()), folder / "missing.mp4"]


def test_not_films__one_clear_line_each(tmp_path):
    readers = (
        probe,
        lambda path: list(luma_frames(path)),
        lambda path: list(luma_crops(path, [(0, 0, 4, 4)])),
        lambda path: picture(path, 0.0),
        read_sound,
    )
    for path in not_films(tmp_path):
        # A single picture has no run in it, but can be shown.
        for read in readers if path.name != "one.mp4" else readers[:1]:
            with pytest.raises(InputError) as caught:
                read(path)
            assert path.name in str(caught.value)
            assert "\n" not in str(caught.value)


def test_reading_leaves_the_file_as_it_is(tmp_path):
    clip = make_clip(tmp_path / "a.mp4", seconds=0.2, audio=1)
    before = (clip.read_bytes(), clip.stat().st_mtime_ns)
    probe(clip)
    next(luma_frames(clip)), picture(clip, 0.1), read_sound(clip)
    assert (clip.read_bytes(), clip.stat().st_mtime_ns) == before


def test_names_with_colons_and_percent_signs(tmp_path):
    clip = make_clip(tmp_path / "a.mp4", seconds=0.2)
    odd = tmp_path / "run: 1 %03d ü.mp4"
    odd.write_bytes(clip.read_bytes())
    assert len(probe(odd).frame_times) == 6
