"""Small pictures, crops and colour pictures against what ffmpeg shows, and against known codes."""

from fractions import Fraction

import numpy as np
import pytest
from clips import make_clip, make_clip_of, run_ffmpeg, shown_by_ffmpeg, turn_clip

from overlay.errors import UsageError
from overlay.footage import luma_crops, luma_frames, picture, probe

SIZE = (96, 64)
# Limited-range BT.709 codes of full red, green, blue and white (computed from Kr = 0.2126,
# Kb = 0.0722 of ITU-R BT.709, as in the reference table), and BT.601 ones (from memory).
BT709 = {
    (255, 255, 255): (235, 128, 128),
    (255, 0, 0): (63, 102, 240),
    (0, 255, 0): (173, 42, 26),
    (0, 0, 255): (32, 240, 118),
}
BT601 = {(255, 255, 255): (235, 128, 128), (255, 0, 0): (81, 90, 240), (0, 0, 255): (41, 240, 110)}
# Full range: Y = 255 (0.2126 R + 0.7152 G + 0.0722 B), chroma scaled to 0.5, in the same way.
BT709_FULL = {
    (255, 255, 255): (255, 128, 128),
    (255, 0, 0): (54, 99, 255),
    (0, 0, 255): (18, 255, 116),
}


def patch(codes: tuple[int, int, int], size: tuple[int, int] = SIZE) -> np.ndarray:
    wide, high = size
    luma, blue, red = codes
    chroma = wide * high // 4
    flat = np.concatenate([np.full(wide * high, luma), np.full(chroma, blue), np.full(chroma, red)])
    return flat.astype(np.uint8).reshape(high * 3 // 2, wide)


def corner(size: tuple[int, int] = SIZE) -> np.ndarray:
    """Dark with a bright top left corner."""
    planes = patch((30, 128, 128), size)
    planes[: size[1] // 4, : size[0] // 4] = 220
    return planes


@pytest.mark.parametrize(
    ("rotation", "where"), [(0, (0, 0)), (90, (0, -1)), (180, (-1, -1)), (270, (-1, 0))]
)
def test_luma_frames__upright(tmp_path, rotation, where):
    plain = make_clip_of(tmp_path / "a.mp4", [corner()] * 3, [0, 33, 66])
    clip = turn_clip(plain, tmp_path / "r.mp4", rotation) if rotation else plain
    frame = next(luma_frames(clip))
    # Turned clockwise, the top left corner comes to the top right at 90 degrees, and so on.
    assert frame.luma[where] > 200
    corners = frame.luma[[0, 0, -1, -1], [0, -1, 0, -1]]
    assert np.sum(corners > 128) == 1
    facts = probe(clip)
    assert frame.luma.shape == (facts.height, facts.width)
    rgb = picture(clip, 0.0)
    assert rgb.shape == (facts.height, facts.width, 3)
    assert rgb[where].min() > 200
    assert rgb.mean(axis=2)[::8, ::8].mean() < 100


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_luma_frames__turned_as_ffmpeg_does(tmp_path, rotation, mirrored):
    plain = make_clip(tmp_path / "a.mp4", seconds=0.2)
    clip = turn_clip(plain, tmp_path / "r.mp4", rotation, mirrored=mirrored)
    ours = np.array([f.luma for f in luma_frames(clip, drop_loop_filter=False)])
    assert np.array_equal(ours, shown_by_ffmpeg(clip))


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv444p", "yuv422p10le"])
@pytest.mark.parametrize("size", [(97, 65), (50, 38), (321, 181)])
def test_luma_frames__odd_sizes(tmp_path, size, pix_fmt):
    wide, high = size
    clip = make_clip(
        tmp_path / "o.mkv",
        size=(400, 200),
        seconds=0.2,
        codec="ffv1",
        pix_fmt=pix_fmt,
        video_filter=f"format={pix_fmt},crop={wide}:{high}:exact=1",
    )
    ours = np.array([f.luma for f in luma_frames(clip, width=400, drop_loop_filter=False)])
    assert ours.shape == (6, size[1], size[0])
    if pix_fmt.endswith("p"):
        assert np.array_equal(ours, shown_by_ffmpeg(clip))


@pytest.mark.parametrize(("times", "roundings"), [(2, 1), (3, 1), (6, 2), (12, 3)])
def test_luma_frames__shrunk_by_area(tmp_path, times, roundings):
    clip = make_clip(tmp_path / "s.mp4", size=(384, 216), seconds=0.2)
    whole = next(luma_frames(clip, width=384, drop_loop_filter=False)).luma.astype(float)
    wide, high = 384 // times, 216 // times
    small = next(luma_frames(clip, width=wide, drop_loop_filter=False)).luma
    assert small.shape == (high, wide)
    means = whole.reshape(high, times, wide, times).mean(axis=(1, 3))
    assert np.max(np.abs(small - means)) <= 0.5 * roundings  # half a code each


@pytest.mark.parametrize(("rotation", "shape"), [(0, (22, 48)), (90, (105, 48))])
def test_luma_frames__pixel_aspect_makes_square_pixels(tmp_path, rotation, shape):
    # 96 x 64 pixels, each 16/11 as wide as high: the shape seen is 96 * 16 / 11 to 64 = 2.18 : 1,
    # so a width of 48 makes a height of 22 upright, and of 48 * 2.18 = 104.7 on its side.
    plain = make_clip(tmp_path / "a.mp4", sar=Fraction(16, 11), seconds=0.2)
    clip = turn_clip(plain, tmp_path / "r.mp4", rotation) if rotation else plain
    assert next(luma_frames(clip, width=48)).luma.shape == shape


def test_luma_frames__ten_bits_are_shifted(tmp_path):
    clip = make_clip(tmp_path / "h.mp4", codec="hevc", pix_fmt="yuv420p10le", seconds=0.2)
    raw = run_ffmpeg("-i", clip, "-f", "rawvideo", "-pix_fmt", "yuv420p10le", "-")
    planes = np.frombuffer(raw, dtype=np.uint16).reshape(-1, SIZE[0] * SIZE[1] * 3 // 2)
    expected = (planes[:, : SIZE[0] * SIZE[1]] >> 2).reshape(-1, SIZE[1], SIZE[0])
    ours = np.array([f.luma for f in luma_frames(clip, drop_loop_filter=False)])
    assert np.array_equal(ours, expected)


def test_luma_frames__full_range_stays_as_coded(tmp_path):
    full = make_clip_of(
        tmp_path / "f.mp4", [patch((255, 128, 128))] * 3, [0, 33, 66], color=(2, 1, 1, 1)
    )
    assert next(luma_frames(full)).luma.min() >= 254
    assert probe(full).color_range == "pc"


def test_luma_frames__packed_formats(tmp_path):
    clip = make_clip(tmp_path / "p.mkv", codec="ffv1", pix_fmt="bgr0", seconds=0.2)
    ours = np.array([f.luma for f in luma_frames(clip)]).astype(int)
    theirs = run_ffmpeg("-i", clip, "-f", "rawvideo", "-pix_fmt", "yuv444p", "-")
    luma = np.frombuffer(theirs, np.uint8).reshape(-1, 3, SIZE[1], SIZE[0])[:, 0].astype(int)
    assert np.mean(np.abs(ours - luma)) < 1.0


def test_luma_frames__loop_filter_left_out_does_not_build_up(tmp_path):
    clip = make_clip(tmp_path / "l.mp4", size=(320, 180), seconds=3.0, gop=90, extra=["-crf", "30"])
    without = [f.luma.astype(int) for f in luma_frames(clip)]
    with_it = [f.luma.astype(int) for f in luma_frames(clip, drop_loop_filter=False)]
    errors = [np.mean(np.abs(a - b)) for a, b in zip(without, with_it, strict=True)]
    assert sum(e == 0 for e in errors) >= 30  # frames that others refer to are the same
    assert np.mean(errors[-30:]) <= 1.5 * np.mean(errors[:30]) + 0.1


@pytest.mark.parametrize(
    ("gop", "crf", "everywhere"), [(25, 14, True), (25, 34, False), (90, 14, False)]
)
def test_luma_frames__no_loop_filter_where_clips_are_rich_and_key_frames_near(
    tmp_path, gop, crf, everywhere
):
    coded = {"gop": gop, "b_frames": 0, "extra": ["-crf", str(crf)]}
    clip = make_clip(tmp_path / "l.mp4", size=(320, 180), seconds=3.0, **coded)
    without = [f.luma.astype(int) for f in luma_frames(clip)]
    with_it = [f.luma.astype(int) for f in luma_frames(clip, drop_loop_filter=False)]
    errors = np.array([np.mean(np.abs(a - b)) for a, b in zip(without, with_it, strict=True)])
    assert bool(errors.any()) == everywhere  # without B-frames others refer to all
    assert errors.max() < 0.5


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts", "avi", "mov"])
def test_luma_frames__from_the_middle_as_from_the_start(tmp_path, suffix):
    clip = make_clip(tmp_path / f"a.{suffix}", seconds=4.0, gop=25, b_frames=2)
    every = list(luma_frames(clip, drop_loop_filter=False))
    for start_s, end_s in [(0.0, 0.5), (0.9, 1.4), (2.51, 3.0), (3.7, 9.0), (9.0, 12.0)]:
        part = list(luma_frames(clip, start_s=start_s, end_s=end_s, drop_loop_filter=False))
        wanted = [f for f in every if start_s <= f.t_s <= end_s]
        assert [f.t_s for f in part] == [f.t_s for f in wanted]
        assert all(np.array_equal(a.luma, b.luma) for a, b in zip(part, wanted, strict=True))


def test_luma_frames__middle_of_an_edited_clip(tmp_path):
    whole = make_clip(tmp_path / "a.mp4", seconds=3.0, gop=30)
    cut = tmp_path / "cut.mp4"
    run_ffmpeg("-ss", "0.5", "-i", whole, "-c", "copy", cut)
    every = list(luma_frames(cut, drop_loop_filter=False))
    part = list(luma_frames(cut, start_s=1.0, drop_loop_filter=False))
    assert [f.t_s for f in part] == [f.t_s for f in every if f.t_s >= 1.0]
    assert np.array_equal(part[0].luma, every[-len(part)].luma)


@pytest.mark.parametrize("codec", ["h264", "hevc"])
def test_luma_frames__stream_that_begins_between_key_frames(tmp_path, codec):
    extra = {"h264": ["-x264-params", "open-gop=1"], "hevc": []}[codec]
    whole = make_clip(tmp_path / "whole.ts", codec=codec, seconds=3.0, gop=20, extra=extra)
    data = whole.read_bytes()
    late = tmp_path / "late.ts"
    late.write_bytes(data[len(data) // 4 // 188 * 188 :])
    facts, frames = probe(late), list(luma_frames(late, drop_loop_filter=False))
    assert [f.t_s for f in frames] == facts.frame_times.seconds.tolist()
    assert 20 < len(frames) < 80
    every = list(luma_frames(whole, drop_loop_filter=False))[-len(frames) :]
    assert all(np.array_equal(a.luma, b.luma) for a, b in zip(frames, every, strict=True))


def test_luma_frames__damage_in_the_middle_is_passed_over(tmp_path, rng):
    clip = make_clip(tmp_path / "d.mkv", seconds=3.0, gop=15)
    data = bytearray(clip.read_bytes())
    times = probe(clip).frame_times.seconds
    middle = len(data) // 2
    data[middle : middle + 300] = rng.integers(0, 256, 300, dtype=np.uint8).tobytes()
    damaged = tmp_path / "damaged.mkv"
    damaged.write_bytes(data)
    frames = luma_frames(damaged)
    got = [f.t_s for f in frames]
    assert frames.broken > 0
    assert set(got) <= set(times.tolist())
    assert 60 <= len(got) < 90
    assert got == sorted(got)


def test_luma_frames__refuses_a_width_of_nothing(tmp_path):
    with pytest.raises(UsageError, match="width 0"):
        next(luma_frames(make_clip(tmp_path / "a.mp4", seconds=0.1), width=0))


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_luma_crops__are_parts_of_what_ffmpeg_shows(tmp_path, rotation, mirrored):
    plain = make_clip(tmp_path / "a.mp4", seconds=0.2)
    clip = turn_clip(plain, tmp_path / "r.mp4", rotation, mirrored=mirrored)
    shown = shown_by_ffmpeg(clip)
    boxes = [(0, 0, 10, 20), (5, 31, 33, 17), (shown.shape[2] - 3, 2, 3, 9)]
    got = list(luma_crops(clip, boxes, width=24))
    assert len(got) == len(shown)
    for (small, crops), whole in zip(got, shown, strict=True):
        assert small.luma.shape[1] == 24
        for (x, y, wide, high), crop in zip(boxes, crops, strict=True):
            assert np.array_equal(crop, whole[y : y + high, x : x + wide])


def test_luma_crops__read_the_codes_of_the_patches(tmp_path):
    pictures = [patch(codes) for codes in BT709.values()]
    clip = make_clip_of(tmp_path / "p.mp4", pictures, [0, 33, 66, 100], options={"crf": "1"})
    for (_, (crop,)), codes in zip(luma_crops(clip, [(8, 8, 40, 30)]), BT709.values(), strict=True):
        assert np.max(np.abs(crop.astype(int) - codes[0])) <= 1


@pytest.mark.parametrize("box", [(0, 0, 0, 5), (-1, 0, 5, 5), (90, 0, 7, 5), (0, 60, 5, 5)])
def test_luma_crops__refuses_boxes_outside(tmp_path, box):
    clip = make_clip(tmp_path / "a.mp4", seconds=0.1)
    with pytest.raises(UsageError, match="not inside the picture of 96x64"):
        next(luma_crops(clip, [box]))


@pytest.mark.parametrize(
    ("table", "size", "tags"),
    [
        (BT709, SIZE, (1, 1, 1, 1)),
        (BT601, SIZE, (1, 6, 6, 6)),
        (BT709_FULL, SIZE, (2, 1, 1, 1)),
        (BT709, (1280, 720), (0, 2, 2, 2)),  # untagged and large
        (BT601, SIZE, (0, 2, 2, 2)),  # untagged and small
    ],
    ids=["709", "601", "709 full", "untagged HD", "untagged SD"],
)
def test_picture__gives_the_colour_meant(tmp_path, table, size, tags):
    pts = [40 * i for i in range(len(table))]
    pictures = [patch(codes, size) for codes in table.values()]
    clip = make_clip_of(
        tmp_path / "p.mp4", pictures, pts, color=tags, options={"crf": "4", "preset": "ultrafast"}
    )
    for at, rgb in zip(pts, table, strict=True):
        shown = picture(clip, at / 1000)
        assert shown.shape == (size[1], size[0], 3)
        assert np.max(np.abs(shown.astype(int) - rgb)) <= 4


def test_picture__is_the_frame_on_screen(tmp_path):
    pts = [0, 100, 150, 900, 2600, 2633]  # milliseconds; one frame stands for 1.7 s
    pictures = [patch((40 + 30 * i, 128, 128)) for i in range(6)]
    clip = make_clip_of(tmp_path / "v.mkv", pictures, pts)
    at = {0: 0, 0.099: 0, 0.1: 1, 0.5: 2, 0.95: 3, 2.5: 3, 2.6: 4, 9: 5}
    for at_s, index in at.items():
        coded = 16 + picture(clip, at_s).mean() * 219 / 255
        assert coded == pytest.approx(40 + 30 * index, abs=2)
    with pytest.raises(UsageError, match="before the clip's first frame"):
        picture(clip, -0.1)


def test_picture__of_a_long_clip_is_sought(tmp_path):
    pts = [40 * i for i in range(100)]
    clip = make_clip_of(
        tmp_path / "l.mp4",
        [patch((30 + 2 * i, 128, 128)) for i in range(100)],
        pts,
        options={"crf": "4", "g": "20", "preset": "ultrafast"},
    )
    for index in (3, 37, 77, 99):
        coded = 16 + picture(clip, pts[index] / 1000 + 0.001).mean() * 219 / 255
        assert coded == pytest.approx(30 + 2 * index, abs=0.9)
