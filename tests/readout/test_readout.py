"""A burnt-in speed read back from clips whose every frame is known.

The typefaces (Roboto, Source Sans) come from their own packages and are none of those that digits
are compared with; the pictures behind are real ones where the footage is at hand, else noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import count
from pathlib import Path

import av
import font_roboto
import font_source_sans_pro
import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.errors import UndeterminedError, UsageError
from overlay.footage import picture, probe
from overlay.jobs.readout import align_readout, readout_log, write_log
from overlay.logs import read_log
from overlay.readout import Readout, read_readout, scan, updates_of
from overlay.readout.decode import BOTTOM, TOP, Tones
from overlay.readout.find import _place, places
from overlay.readout.glyphs import ABOVE, HIGH, ROWS, Glyph, glyphs_of, ink_of, luma_of_ink, normal
from overlay.readout.holds import Hold
from overlay.readout.labels import Written, by_counting, first_labels, kinds_of
from overlay.readout.layout import Layout, layout_of
from overlay.readout.line import number_of
from overlay.readout.read import Line, _agreeing, _candidates
from overlay.readout.record import Frames
from overlay.readout.spots import Spot
from overlay.readout.typefaces import DIGITS, bank, drawn
from overlay.readout.unseen import with_unseen
from overlay.readout.updates import Updates, with_held
from overlay.session import RunOptions
from overlay.sync.receiver import apply_receiver
from tests.demo_runs import ready_runs
from tests.readout.burnt import Burnt, launch_and_stop, write_burnt

MPH_MPS = 0.44704  # exact: 5280 ft of 0.3048 m in an hour
ROBOTO, SOURCE = Path(font_roboto.RobotoBold), Path(font_source_sans_pro.SourceSansProSemibold)
SMALL = {"size": (640, 360), "fps": Fraction(25), "preset": "ultrafast"}


def _run(t_s: np.ndarray) -> np.ndarray:
    return launch_and_stop(t_s * 12 / 8, top=31.0)


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, np.ndarray, Readout]]:
    """Three clips, what their frames show, and what is read of them."""
    folder = tmp_path_factory.mktemp("burnt")
    kinds = {
        "outline": (Burnt(ROBOTO, 0.07, ground="outline", rate_hz=2.0, width=0), 28),
        "comma": (
            Burnt(
                SOURCE,
                0.07,
                place="top right",
                text="{}km/h",
                decimals=1,
                comma=True,
                rate_hz=5.0,
                beside=(("{clock}", "bottom left"), ("{altitude} m", "bottom middle")),
            ),
            23,
        ),
    }
    made = {}
    for name, (spec, crf) in kinds.items():
        path = folder / f"{name}.mp4"
        _, shown, _ = write_burnt(path, spec, _run, seconds=8.0, crf=crf, **SMALL)
        made[name] = path, shown, read_readout(probe(path))
    return made


@pytest.mark.parametrize("name", ["outline", "comma"])
def test_every_frame_is_read__as_it_was_written(clips: dict, name: str) -> None:
    _, shown, found = clips[name]
    assert np.mean(found.shown == shown) >= 0.995
    wrong = np.isfinite(found.shown) & (found.shown != shown)
    assert np.count_nonzero(wrong) <= 2
    assert found.error_limit < 0.05


def test_unit_and_decimals__are_read_beside_a_clock_and_an_altitude(clips: dict) -> None:
    outline, comma = clips["outline"][2], clips["comma"][2]
    assert (outline.unit, outline.decimals) == ("mph", 0)
    assert (comma.unit, comma.decimals) == ("km/h", 1)
    x, y, wide, high = comma.box
    assert x <= 0.70 * 640 and y < 0.10 * 360 < y + high and x + wide > 0.80 * 640


def test_speed__is_in_metres_a_second_at_the_instants_of_update(clips: dict) -> None:
    _, _, found = clips["outline"]
    assert found.updates.rate_hz == 2.0
    speed = found.speed
    late = (speed.t_s - 0.013) * 2.0
    assert np.max(np.abs(late - np.rint(late))) < 0.5 * 2.0 / 25
    true = np.rint(_run(np.rint(late) / 2.0 + 0.013)) * MPH_MPS
    np.testing.assert_allclose(speed.values, true, atol=1e-9)


def test_command__writes_a_log_on_the_footage_clock(clips: dict, tmp_path: Path) -> None:
    path, _, found = clips["outline"]
    log = tmp_path / "log.csv"
    x, y, wide, high = found.box
    assert invoke(["readout", str(path), "--box", f"{x},{y},{wide},{high}", "-o", str(log)]) == 0
    read = read_log(log)
    assert read.clock == "footage" and read.speed is not None
    np.testing.assert_allclose(read.speed.t_s, found.speed.t_s, atol=1e-4)
    np.testing.assert_allclose(read.speed.values, found.speed.values, atol=1e-9)


def test_command__says_that_its_rows_are_passings(clips: dict, tmp_path: Path) -> None:
    """Of a readout that follows at once: 11.5 is passed as it turns from 11 to 12, and exact."""
    _, _, found = clips["outline"]
    log = tmp_path / "log.csv"
    for passed, header, step in ((True, "passed speed (mph)", 0.0), (False, "speed (mph)", None)):
        values = np.array([0.0, 0.5, 1.5, 2.5]) if passed else np.array([0.0, 1.0, 2.0, 3.0])
        updates = Updates(np.array([1.0, 1.5, 2.0, 2.5]), values, None, 0.01, passed)
        write_log(log, replace(found, updates=updates))
        assert log.read_text().splitlines()[0] == f"footage time (s),{header}"
        read = read_log(log).speed
        assert read is not None and read.step == step
        np.testing.assert_allclose(read.values, values * MPH_MPS, atol=1e-9)


def test_log__is_named_after_its_clip_and_on_its_clock(clips: dict) -> None:
    _, _, found = clips["outline"]
    log = readout_log(found)
    assert (log.path, log.clock) == ("the readout in outline.mp4", "footage")
    assert log.speed is not None
    np.testing.assert_array_equal(log.speed.values, found.speed.values)


def test_command__says_what_is_wrong(clips: dict, tmp_path: Path, capsys) -> None:
    path, log = str(clips["outline"][0]), tmp_path / "log.csv"
    where = ["--box", "600,300,100,100"]
    assert invoke(["readout", path, *where, "-o", str(log)]) == UsageError.exit_code
    assert "outside its 640×360 picture" in capsys.readouterr().err
    where = ["--box", "300,20,200,100"]
    assert invoke(["readout", path, *where, "-o", str(log)]) == UndeterminedError.exit_code
    assert "no changing number is found" in capsys.readouterr().err
    assert invoke(["readout", path, "-o", str(tmp_path / "log.txt")]) == UsageError.exit_code
    assert not log.exists()


def _number(shown: list[float], unit: str | None) -> scan._Found:
    values = np.array(shown)
    none = np.full(len(values), np.nan)
    line = Line(Frames(values, values, none), unit, 0, False, False, (20.0, 90.0))
    box, crop = (100, 100, 40, 28), (60, 90, 200, 44)
    spot = Spot(box, crop, (640, 360), (92.0, 44.0), 240.0, 30.0, 0.4)
    return scan._Found(spot, line, values, 0)


@pytest.mark.parametrize(("wrong", "is_read"), [(4, True), (16, False)])
def test_unclear_figures__are_not_taken_for_a_speed(wrong: int, is_read: bool, monkeypatch) -> None:
    """Where many frames read otherwise alone, no one knows how many are wrong in the record too."""
    values = np.repeat([0.0, 2.0, 5.0, 9.0, 12.0, 14.0, 12.0, 8.0, 3.0, 0.0], 20)
    alone = values.copy()
    alone[5 : 5 + wrong] += 8.0
    line = Line(Frames(values, alone, np.ones(200)), "mph", 0, False, False, (20.0, 90.0))
    monkeypatch.setattr(scan, "inks", lambda *_: np.zeros((200, 44, 8), np.uint8))
    monkeypatch.setattr(scan, "read_line", lambda *_: line)
    found = scan._read(_number([0.0, 1.0], "mph").spot, [], np.arange(200) / 10)
    assert isinstance(found, scan._Found) == is_read
    if not is_read:
        with pytest.raises(UndeterminedError, match=r"too unclear to be sure.*clearer digits"):
            scan._chosen("a.mp4", [], [found], None, asked=False)


def test_choice__what_may_be_no_speed_is_asked_for() -> None:
    """A height hardly changes; a distance and a top speed never fall."""
    run, lone = [0.0, 12.0, 31.0, 20.0, 0.0], [0.0, 12.0, 25.0, 31.0]
    lost, clock = "its digits keep no places", scan.A_CLOCK
    for shown, unit, others in (
        (run, "mph", [lost]),
        (run, None, [clock]),
        (lone, "mph", [clock]),
        (lone, None, []),
    ):
        scan._require_speed("a.mp4", _number(shown, unit), others)
    for shown, unit, others in (
        (run, None, [lost]),
        (lone, "mph", [lost]),
        ([112.0, 115.0, 109.0, 112.0], None, []),
    ):
        with pytest.raises(UndeterminedError, match=r"may not be the speed.*--box \d+,\d+,\d+,\d+"):
            scan._require_speed("a.mp4", _number(shown, unit), others)


@pytest.mark.parametrize("face", [ROBOTO, SOURCE])
def test_digits__of_typefaces_never_compared_are_known(face: Path) -> None:
    from PIL import ImageFont

    tall = -ImageFont.truetype(str(face), 100).getbbox("8", anchor="ls")[1]
    font = ImageFont.truetype(str(face), 100 * HIGH / tall)
    for sign in DIGITS:
        patch = drawn(sign, font)
        look = bank().likeness(normal(patch[ABOVE : ABOVE + HIGH]), patch.shape[1] / HIGH)
        assert DIGITS[int(np.argmax(look[:10]))] == sign


def _glare() -> Iterator[np.ndarray]:
    """A dark scene whose upper half turns as bright as the digits from 3.6 to 5.6 s."""
    grain = np.random.default_rng(3).normal(0, 3, (360, 640))
    for k in count():
        upper = 244.0 if 90 <= k < 140 else 60.0
        level = np.where(np.arange(360)[:, None] < 180, upper, 110.0)
        scene = level + np.roll(grain, 7 * k, axis=1)
        yield np.clip(scene, 0, 255).astype(np.uint8)


def test_digits__before_a_scene_as_bright_as_they_are_or_never_seen_plainly(tmp_path: Path) -> None:
    """All 9s but one are shown before the glare: they are left out, not read as the next best."""
    path = tmp_path / "glare.mp4"
    spec = Burnt(ROBOTO, 0.07, place="top right", ground="outline", rate_hz=5.0)
    _, shown, _ = write_burnt(path, spec, _run, seconds=8.0, pictures=_glare(), **SMALL)
    found = read_readout(probe(path), box=(440, 0, 200, 60)).shown
    glare = np.arange(len(shown))
    glare = (glare >= 90) & (glare < 140)
    assert np.count_nonzero(np.isfinite(found) & (found != shown)) == 0
    assert np.mean(found[~glare] == shown[~glare]) > 0.99
    assert np.mean(found[glare] == shown[glare]) > 0.5
    assert np.count_nonzero(shown == 29.0) > 15


def test_digits__that_were_never_seen_are_lent_by_the_likest_typeface() -> None:
    from PIL import ImageFont

    tall = -ImageFont.truetype(str(ROBOTO), 100).getbbox("8", anchor="ls")[1]
    font = ImageFont.truetype(str(ROBOTO), 100 * HIGH / tall)
    cells = {}
    for sign in DIGITS:
        patch = drawn(sign, font)[TOP:BOTTOM]
        side = 24 - patch.shape[1]
        cells[sign] = np.pad(patch, ((0, 0), (side // 2, side - side // 2)))
    layout = Layout({1: 0.0}, np.full(11, 24.0), 0.0, {1: 24.0}, 0.1)
    for missing in DIGITS:
        known = {sign: cell for sign, cell in cells.items() if sign != missing}
        lent = with_unseen(Tones(known, {}, np.zeros((1, 1))), layout).signs[missing]
        moved = [np.roll(lent, k, axis=1).ravel() for k in range(-3, 4)]
        alike = [max(np.corrcoef(m, cells[sign].ravel())[0, 1] for m in moved) for sign in DIGITS]
        assert DIGITS[int(np.argmax(alike))] == missing


def test_numbers__beyond_those_seen_plainly_may_stand_there_too() -> None:
    """29.9 is shown for a moment only, or never plainly; else it would be read as 28.9."""
    assert {"0.0", "29.9", "31.0"} <= set(_candidates(["3.1", "28.8"], 1))
    assert {"00", "33"} <= set(_candidates(["04", "28"], 0))


def test_counting__tells_digits_that_look_alike() -> None:
    """An 8 drawn as a blend of 3 and 8 counts between 7 and 9."""
    from PIL import ImageFont

    tall = -ImageFont.truetype(str(ROBOTO), 100).getbbox("8", anchor="ls")[1]
    font = ImageFont.truetype(str(ROBOTO), 100 * HIGH / tall)
    patches = {sign: drawn(sign, font) for sign in DIGITS}
    wide = min(patches["3"].shape[1], patches["8"].shape[1])
    patches["8"] = 0.58 * patches["3"][:, :wide] + 0.42 * patches["8"][:, :wide]
    order = [str(k % 10) for k in (*range(10), *range(8, -1, -1))] * 2
    glyphs = [Glyph(0, patches[s].shape[1], "tall", patches[s].copy()) for s in order]
    kinds = kinds_of(glyphs)
    labels = first_labels(kinds, len(glyphs))
    assert [labels[kinds.of[id(g)]] for g in glyphs] != order
    numbers = [Written((kinds.of[id(g)],), 0) for g in glyphs]
    labels, _ = by_counting(kinds, labels, numbers)
    assert [labels[kinds.of[id(g)]] for g in glyphs] == order


@pytest.mark.parametrize("fps", [25.0, 30000 / 1001])
def test_updates__are_dated_within_a_frame_also_where_nothing_changes(fps: float) -> None:
    t_s = np.arange(0, 20, 1 / fps)
    taken = np.floor(t_s - 0.4137)
    shown = np.where(taken < 5, 3.0, np.where(taken < 12, taken, 12.0))
    found = updates_of(t_s, shown)
    assert found.rate_hz == 1.0
    assert np.max(np.abs((found.t_s - 0.4137) - np.rint(found.t_s - 0.4137))) < 0.5 / fps + 0.003
    assert len(found.t_s) == 20
    np.testing.assert_array_equal(found.values[7:11], [7.0, 8.0, 9.0, 10.0])


def test_updates__at_no_even_rate_are_the_changes_alone() -> None:
    rng = np.random.default_rng(4)
    at_s = np.cumsum(rng.uniform(0.4, 1.6, 20))
    t_s = np.arange(0, 20, 1 / 30)
    found = updates_of(t_s, 3.0 * np.searchsorted(at_s, t_s, side="right") ** 1.5 // 1.0)
    assert found.rate_hz is None and not found.passed
    seen = at_s[at_s < t_s[-1]]
    assert np.max(np.abs(found.t_s - seen[: len(found.t_s)])) < 0.5 / 30 + 1e-9


@pytest.mark.parametrize("fps", [10.0, 25.0, 30.0, 60.0])
def test_updates__say_how_well_they_are_dated(fps: float) -> None:
    """Where the clock keeps step with the frames, a change may lie anywhere between two of them."""
    t_s = np.arange(0, 20, 1 / fps)
    misses = []
    for share in np.linspace(0.05, 0.95, 10):
        first_s = 0.4 + share / fps
        found = updates_of(t_s, np.floor(t_s - first_s))
        misses.append(float(np.mean(found.t_s - first_s - np.rint(found.t_s - first_s))))
        assert found.sigma_s == pytest.approx(1 / fps / np.sqrt(12), rel=0.1)
    assert np.ptp(misses) > 0.8 / fps
    assert abs(float(np.mean(misses))) < 0.06 / fps
    assert np.std(misses) == pytest.approx(1 / fps / np.sqrt(12), rel=0.15)


@pytest.mark.parametrize(("fps", "cut_off"), [(10.0, False), (25.0, False), (25.0, True)])
def test_updates__of_a_readout_that_follows_at_once_are_passings(fps: float, cut_off: bool) -> None:
    """It shows 12 as soon as the speed passes 11.5 (or 12, cut off), never later."""
    t_s = np.arange(0, 14, 1 / fps)
    true = np.interp(t_s, [0, 2.03, 8.17, 9, 13.11, 14], [0, 0, 30, 30, 0, 0])
    found = updates_of(t_s, np.floor(true) if cut_off else np.rint(true))
    assert found.passed and found.rate_hz is None
    there = np.interp(found.t_s, t_s, true) - (0.5 if cut_off else 0.0)
    moving = found.values > 0
    assert np.count_nonzero(moving) == 60
    # Frames see each passing at another place between two of them.
    assert found.common_sigma_s == pytest.approx(found.sigma_s / np.sqrt(len(found.t_s)))
    assert np.std((there - found.values)[moving]) > 3 * 7.6 * found.common_sigma_s / 2
    assert np.max(np.abs(there - found.values)[moving]) <= 0.5 / fps * 7.6
    assert abs(float(np.mean((there - found.values)[moving]))) < 0.02
    assert np.all(found.values[(found.t_s > 0.5) & (found.t_s < 1.8)] == 0.0)
    assert np.count_nonzero(~moving) >= 4


def test_draw__reads_the_speed_takes_its_lag_out_and_covers_it(tmp_path: Path) -> None:
    """A speed in whole mph at 1 Hz, 0.9 s late, burnt into a ready-made run of known motion."""
    (run, _) = ready_runs()
    truth, clip = run.truth, tmp_path / "burnt.mp4"
    late_s = 0.9

    def shown(t_s: np.ndarray) -> np.ndarray:
        at = {"delay_s": 0.6, "smoothing_s": 0.3}
        speed = apply_receiver(np.array(truth.t_s), np.array(truth.speed_mps), at_s=t_s, **at)
        return speed / MPH_MPS

    with av.open(run.clip) as box:
        pictures = [frame.to_ndarray(format="gray") for frame in box.decode(video=0)]
    spec = Burnt(SOURCE, 0.06, place="top right", ground="shadow", rate_hz=1.0, first_s=0.31)
    seconds = len(pictures) / 30
    write_burnt(clip, spec, shown, size=(854, 480), seconds=seconds, pictures=iter(pictures))
    aligned = align_readout(clip, (), RunOptions())
    found = aligned.alignment
    assert found.readout_lag_s is not None and found.readout_lag_interval_s is not None
    low, high = found.readout_lag_interval_s
    assert low < late_s < high and high - low < 0.5
    assert abs(found.readout_lag_s - late_s) < 0.1

    finished = tmp_path / "finished.mp4"
    words = ["--gauges", "ribbon", "-q", "-o", str(finished)]
    assert invoke(["draw", str(clip), "--readout", *words]) == 0
    (x, y, wide, high_px) = aligned.inputs.options.covers[0]
    before, after = (picture(path, 8.0)[y : y + high_px, x : x + wide] for path in (clip, finished))
    assert np.ptp(before.astype(float)) > 100  # digits
    assert np.std(after.astype(float)) < 0.5 * np.std(before.astype(float))
    # Nor is anything left of them around it, where the picture is a quiet sky.
    around = slice(y - 6, y + high_px + 12), slice(x - 6, x + wide + 6)
    assert np.ptp(picture(finished, 8.0)[around].astype(float)) < 100


def _bar(left: int, right: int, upper: int, lower: int) -> np.ndarray:
    """Ink of one upright block on a line."""
    ink = np.zeros((ROWS, 120))
    ink[upper:lower, left:right] = 1.0
    return ink


def test_ink__of_light_digits_is_full_over_whatever_ground_is_darker() -> None:
    """A stroke of luma 226 on a ground that rises from 30 to 204, in one table of contrast."""
    luma = np.stack([np.full((ROWS, 120), ground, np.uint8) for ground in (30, 120, 180, 204)])
    luma[:, ABOVE : ABOVE + HIGH, 50:54] = 226
    for frame in ink_of(luma, 226.0, 30.0, HIGH):
        assert np.all(frame[ABOVE : ABOVE + HIGH, 50:54] == 255)
        assert frame[:, :40].max() == 0 and frame[:, 64:].max() == 0
    same = np.full((1, ROWS, 120), 226, np.uint8)  # a ground of that luma is no ink
    assert ink_of(same, 226.0, 30.0, HIGH).max() == 0
    assert luma_of_ink(luma, 236.0, 30.0, HIGH) == 226.0


@pytest.mark.parametrize("dark", [False, True])
def test_places__where_digits_change_before_a_scene_as_light_as_they_are(dark: bool) -> None:
    """Digits of luma 226 on a ground of 40 to 240, among things as light that pass behind."""
    import cv2

    rng = np.random.default_rng(3)
    pictures = []
    for k in range(24):
        coarse = rng.uniform(0, 60, (12, 20)).astype(np.float32)
        scene = cv2.resize(coarse, (400, 240), interpolation=cv2.INTER_CUBIC)
        scene += np.linspace(40, 200, 24)[(7 * k) % 24]
        for x, y in rng.integers(0, (380, 220), (12, 2)):
            scene[y : y + 15, x : x + 4] = rng.uniform(200, 255)
        picture = np.clip(scene, 0, 240).astype(np.uint8)
        cv2.putText(picture, f"{3 * k + 10}", (250, 60), 0, 1.0, 226, 3, cv2.LINE_AA)
        pictures.append(picture)
    seen = np.stack(pictures)
    place = next(p for p in places(255 - seen if dark else seen) if (p.ink < p.ground) == dark)
    x, y, wide, high = place.box
    assert 245 < x < 260 and 270 < x + wide < 295 and 34 <= y < 44 and 54 < y + high <= 66
    assert place.ink == (29 if dark else 226)


def test_places__ground_of_outlined_digits_is_what_is_around_and_no_outline() -> None:
    """Strokes that turn from ink of 226 to their outline of 30, before a scene of 140."""
    pictures = np.full((24, 60, 80), 140, np.uint8)
    mask = np.zeros((60, 80), np.uint8)
    for x in (30, 38, 46):
        mask[20:40, x : x + 4] = 1
    pictures[::2, mask > 0], pictures[1::2, mask > 0] = 226, 30
    place = _place(pictures, mask, np.full_like(mask, 226), (30, 20, 50, 40, 226.0))
    assert (place.ink, place.ground) == (226, 140)


def test_glyphs__decimal_sign_below_the_arm_of_a_7_and_close_to_a_1_is_one_of_its_own() -> None:
    foot = ABOVE + HIGH
    seven = np.maximum(_bar(20, 34, ABOVE, ABOVE + 4), _bar(22, 26, ABOVE, foot))
    dot, one = _bar(29, 33, foot - 4, foot), _bar(36, 40, ABOVE, foot)
    found = glyphs_of(np.maximum.reduce([seven, dot, one]))
    assert [(g.kind, g.left) for g in found] == [("tall", 20), ("dot", 29), ("tall", 36)]


def test_number__with_a_digit_missing_beside_its_decimal_sign_is_none() -> None:
    foot = ABOVE + HIGH
    tall = [Glyph(20 * k, 20 * k + 14, "tall", np.zeros((ROWS, 14))) for k in range(1, 5)]
    dot = Glyph(57, 60, "dot", np.zeros((ROWS, 3)))
    whole = number_of([tall[0], tall[1], dot, tall[2]], ["1", "2", "", "3"], (20, 80))
    assert whole is not None and whole.decimals == 1
    # The digit behind it is taken for a letter, or the one before for none.
    assert number_of([tall[0], tall[1], dot, tall[2]], ["1", "2", "", "h"], (20, 80)) is None
    assert number_of([dot, tall[2], tall[3]], ["", "3", "4"], (20, 80)) is None
    assert foot < ROWS


def test_layout__kerned_pairs_and_digits_of_several_widths_stand_where_they_are_drawn() -> None:
    """Places in closed form: widths 8 to 17, a decimal sign of 6, and 7 and sign 4 closer."""
    wide = dict(zip("0123456789.", [*range(8, 18), 6], strict=True))
    texts = [f"{v / 10:.1f}" for v in range(100, 800, 7)]

    def drawn_at(text: str) -> tuple[list[float], list[float]]:
        lefts, x = [], 50.0
        for k, sign in enumerate(text):
            x -= 4.0 if text[k - 1 : k + 1] == "7." else 0.0
            lefts.append(x + 1.0)
            x += wide[sign] + 2.0
        return lefts, [left + wide[s] for left, s in zip(lefts, text, strict=True)]

    layout = layout_of([(text, *drawn_at(text)) for text in texts])
    assert set(layout.kerns) == {"7."} and -4.3 < layout.kerns["7."] < -3.0
    for text in ("17.4", "27.9", "31.3"):
        middles = np.mean(layout.cells(text), axis=1)
        np.testing.assert_allclose(middles, np.mean(drawn_at(text), axis=0), atol=0.6)


def test_layout__digits_that_the_scene_makes_wider_tell_nothing_of_kerning() -> None:
    """Digits of one width 20 columns apart; the scene adds five left of each 3 of 13."""
    texts = [str(v) for v in (10, 13, 19, 13, 21, 23, 25, 13, 28, 30, 33)]
    seen = []
    for text in texts:
        lefts = [50.0 + 20 * k - (5.0 if text == "13" and k else 0.0) for k in range(2)]
        seen.append((text, lefts, [50.0 + 20 * k + 15 for k in range(2)]))
    layout = layout_of(seen)
    assert not layout.kerns and not layout.is_proportional
    np.testing.assert_allclose(np.mean(layout.cells("13"), axis=1), [57.5, 77.5], atol=0.3)


def test_held__frames_of_an_update_that_are_not_read_have_its_figure() -> None:
    t_s = np.arange(0, 8, 1 / 30)
    shown = np.floor((t_s - 0.31) * 2.0) + 4.0
    seen = shown.copy()
    seen[65:70] = seen[125:129] = np.nan  # inside an update, and across a change
    seen[160:175] = np.nan  # all of an update
    found = with_held(t_s, seen)
    known = np.isfinite(found)
    np.testing.assert_array_equal(found[known], shown[known])
    assert np.all(known[65:70]) and not np.any(known[161:173])
    loose = np.cumsum(np.random.default_rng(3).random(len(t_s)) < 0.1).astype(float)
    loose[100] = np.nan
    assert np.isnan(with_held(t_s, loose)[100])  # changes at any time


def test_reading__that_is_a_part_of_what_stands_there_is_left_out() -> None:
    """13 whose 1 has no place in the layout would be read as 3."""
    none = np.full(6, np.nan)
    frames = Frames(np.array([3.0, 3.0, 13.0, 3.0, 8.0, 8.0]), none, none)
    holds = [Hold(k, k + 2, np.zeros((1, 1))) for k in (0, 2, 4)]
    text_of = {3.0: "3", 8.0: "8", 13.0: "13"}
    read = [(holds[0], "13", False), (holds[1], "3", True), (holds[2], "13", False)]
    found = _agreeing(frames, read, text_of).values
    np.testing.assert_array_equal(found, [np.nan, np.nan, np.nan, 3.0, 8.0, 8.0])


def test_top_speed__beside_the_speed_is_not_taken_for_it() -> None:
    up_and_down = [0.0, 8, 20, 31, 22, 9, 0]
    speed, top = _number(up_and_down, "mph"), _number([0.0, 8, 20, 31, 31, 31, 31], "mph")
    chosen, unit = scan._chosen("run.mp4", [top, speed], [], None, asked=True)
    assert chosen is speed and unit == "mph"
    with pytest.raises(UndeterminedError, match="several speeds"):
        scan._chosen("run.mp4", [speed, _number(up_and_down[::-1], "mph")], [], None, asked=True)
