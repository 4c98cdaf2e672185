"""Draft and sheet: changed, saved, met by another's change; the folder; work in line."""

import shutil
import subprocess
import sys
import time
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from overlay.desk import draft as drafts
from overlay.desk import seen as seeing
from overlay.desk import work
from overlay.desk.films import FilmOrder, layout_text, places_of
from overlay.desk.folder import Desk
from overlay.desk.queue import Queue
from overlay.desk.reading import CRASHED
from overlay.desk.views import _first_guess_s, _thin
from overlay.errors import UndeterminedError, UsageError
from overlay.scene import Cell, Style, scene_of
from tests.desk.tasks import (
    copying,
    counting,
    crashing_on_b1,
    never_read,
    refusing,
    steady,
    waiting,
)
from tests.scene.test_adding import analysed


def look(client):
    """The folder, once all files are read."""
    until(lambda: "error" in client.get("/api/look").json() or is_read(client))
    return client.get("/api/look").json()


def is_read(client):
    return client.get("/api/look").json()["files"]["reading"] is None


def until(is_so):
    for _ in range(600):
        if is_so():
            return True
        time.sleep(0.05)
    raise AssertionError("not so within 30 s")


def post(client, what, **body):
    answer = client.post(f"/api/{what}", json=body)
    return answer.status_code, answer.json()


def nudged(text, value=1.5):
    return [{"op": "set", "path": ["runs", 0, "offset_s"], "value": value}]


def test_look__the_folder_and_its_pairs(client):
    found = look(client)
    assert [clip["name"] for clip in found["files"]["clips"]] == ["a1.mp4", "b1.mp4"]
    assert found["files"]["pairs"]["a1.mp4"]["logs"] == ["a1.gpx", "a1_revs.csv"]
    assert not found["is_new"] and found["films"] == [] and found["results"] == ""


def test_look__a_folder_without_a_sheet_gets_a_draft_and_no_file(client, day):
    (day / "day.toml").unlink()
    found = look(client)
    assert found["is_new"] and found["base"] == ""
    code, view = post(client, "draft", text=found["text"])
    assert code == 200 and [run["name"] for run in view["runs"]] == ["a1", "b1"]
    assert not (day / "day.toml").exists()
    assert post(client, "save", text=found["text"], base="")[1]["base"]
    assert (day / "day.toml").read_text() == found["text"]


def test_look__brings_what_a_draft_of_its_text_is(client):
    found = look(client)
    assert found["draft"] == post(client, "draft", text=found["text"])[1]


def test_look__does_not_wait_for_files_that_are_still_read(day, monkeypatch):
    (day / "day.toml").unlink()
    monkeypatch.setattr(seeing, "_read", never_read)
    desk = Desk(day)
    try:
        found = desk.look()
        assert found["files"]["reading"][1] == 6 and found["is_new"]
        assert found["text"] is found["draft"] is None
    finally:
        desk.close()


def test_look__a_file_that_comes_and_one_that_goes(client, desk, day):
    before = look(client)["files_version"]
    shutil.copy(day / "a1.gpx", day / "c1.gpx")
    (day / "b1.mp4").unlink()
    desk.disk()  # as once a second while a page is open
    files = look(client)["files"]
    assert "c1.gpx" in [log["name"] for log in files["logs"]]
    assert [clip["name"] for clip in files["clips"]] == ["a1.mp4"]
    assert desk.seen.version > before


def test_look__a_clip_that_ends_the_reading_process_is_left_out_alone(day, monkeypatch):
    (day / "day.toml").unlink()
    monkeypatch.setattr(seeing, "_read", crashing_on_b1)
    desk = Desk(day)
    try:
        found = until(lambda: desk.look()["files"]["reading"] is None) and desk.look()
        assert found["files"]["left_out"] == [{"name": "b1.mp4", "why": CRASHED}]
        assert [clip["name"] for clip in found["files"]["clips"]] == ["a1.mp4"]
        assert "a1.mp4" in found["text"] and len(found["files"]["logs"]) == 4
    finally:
        desk.close()


def test_look__an_empty_folder_and_one_that_is_gone(client, day):
    shutil.rmtree(day)
    day.mkdir()
    assert look(client)["files"]["clips"] == []
    day.rmdir()
    answer = client.get("/api/look")
    assert answer.status_code == 422 and "cannot be read" in answer.json()["error"]


def test_draft__is_changed_judged_and_not_written(client, day):
    before = (day / "day.toml").read_text()
    code, view = post(client, "draft", text=before, edits=nudged(before))
    assert code == 200 and tomllib.loads(view["text"])["runs"][0]["offset_s"] == 1.5
    wrong = [{"op": "set", "path": ["runs", 0, "build"], "value": "C"}]
    code, view = post(client, "draft", text=before, edits=wrong)
    assert view["problems"][0]["place"] == "runs[1].build" and view["runs"] == []
    assert (day / "day.toml").read_text() == before


def test_save__writes_only_over_what_the_draft_started_from(client, day):
    found = look(client)
    mine = post(client, "draft", text=found["text"], edits=nudged(""))[1]["text"]
    theirs = found["text"] + "\n# by an editor\n"
    (day / "day.toml").write_text(theirs)
    code, said = post(client, "save", text=mine, base=found["base"])
    assert code == 200 and said["theirs"] == theirs
    assert (day / "day.toml").read_text() == theirs
    assert post(client, "save", text=mine, aside=True)[1] == {"aside": "day.other-1.toml"}
    assert (day / "day.other-1.toml").read_text() == mine
    assert "theirs" not in post(client, "save", text=mine, base=said["base"])[1]
    assert (day / "day.toml").read_text() == mine


def test_save__keeps_line_ends_and_mark(client, day):
    text = drafts.MARK + (day / "day.toml").read_text().replace("\n", "\r\n")
    (day / "day.toml").write_bytes(text.encode())
    found = look(client)
    after = post(client, "draft", text=found["text"], edits=nudged(""))[1]
    assert after["problems"] == [] and after["text"].startswith(drafts.MARK)
    post(client, "save", text=after["text"], base=found["base"])
    data = (day / "day.toml").read_bytes()
    assert b"offset_s = 1.5\r\n" in data and data.count(b"\r\n") == data.count(b"\n")


def test_save__does_not_follow_a_link(day):
    there = day / "day.toml"
    other = day.parent / "other.toml"
    there.rename(other)
    there.symlink_to(other)
    base = drafts.digest_of(other.read_text())
    with pytest.raises(drafts.OutputError, match="link"):
        drafts.save(there, "x = 1", base)
    assert "Taxiway" in other.read_text()


def test_run__before_it_is_worked_out(client):
    found = look(client)
    code, view = post(client, "run", text=found["text"], name="a1")
    assert (code, view["state"]) == (200, "new") and "evidence" not in view
    assert post(client, "run", text=found["text"], name="zz")[0] == 422


def test_results__are_those_of_the_saved_sheet(client):
    found = look(client)
    code, said = post(client, "results", text=found["text"] + "\n# more\n")
    assert code == 422 and "save the changes first" in said["error"]


def test_first_guess__lays_the_fastest_instants_over_each_other():
    from types import SimpleNamespace as Made

    from overlay.series import Series

    t_s = np.arange(0, 10, 0.1)
    bump = np.exp(-((t_s - 4.0) ** 2))
    motion = Made(t_s=t_s, forward=bump, quality=np.ones(100), __len__=lambda self: 100)
    motion = type("M", (), {**vars(motion), "__len__": lambda self: 100})()
    inputs = Made(speed=Series("speed_mps", t_s + 2.5, bump), options=Made(same_clock=False))
    guess = _first_guess_s(Made(total_offset_s=None), motion, inputs)
    assert guess == pytest.approx(2.5)  # log time less footage time


def test_thin__keeps_ends_and_says_what_is_not_known():
    many = _thin(np.arange(10_000.0))
    assert 1000 <= len(many) <= 1500 and many[0] == 0 and many[1] - many[0] == 7
    assert _thin(np.array([1.0, np.nan])) == [1.0, None]


# -- films -------------------------------------------------------------------------------------


def pixels_of(scene, about):
    """Boxes of each run's gauges, from shares to pixels."""
    wide, high = about["width"], about["height"]
    made = []
    for cell in about["cells"]:
        left, top, across, down = cell["safe"]
        made.append(
            {
                kind: (
                    wide * (left + x * across),
                    high * (top + y * down),
                    wide * across * w,
                    high * down * h,
                )
                for kind, (x, y, w, h) in cell["boxes"].items()
            }
        )
    return made


@pytest.mark.parametrize(
    ("arrangement", "count"), [("alone", 1), ("side by side", 2), ("stacked", 2), ("grid", 3)]
)
def test_places__are_where_the_gauges_stand_and_given_back_move_them(tmp_path, arrangement, count):
    style = Style("mph", ("20 mph", "60 m"))
    cells = [Cell(analysed(), name) for name in "abc"[:count]]

    def drawn(places):
        layout = tmp_path / "own.toml"
        layout.write_text(layout_text(places, plain))
        return scene_of(cells, replace(style, layout=layout), arrangement)

    plain = scene_of(cells, style, arrangement)
    about = places_of(plain)
    assert (about["width"], about["height"]) == plain.geometry.size
    for own, told in zip(plain.layers, pixels_of(plain, about), strict=True):
        boxes = {layer.kind: layer.box for layer in own if layer.kind}
        assert boxes.keys() == told.keys() and "ribbon" in told
        for kind, box in boxes.items():
            assert told[kind] == pytest.approx(box, abs=1e-6)
    boxes = about["cells"][0]["boxes"]
    for one, other in zip(plain.layers[0], drawn(boxes).layers[0], strict=True):
        np.testing.assert_allclose(one.box, other.box, atol=4)  # two steps of even pixels
    x, y, w, h = boxes["ribbon"]
    for before, after, cell in zip(
        plain.layers,
        drawn({"ribbon": [x, y - 0.05, 0.8 * w, h]}).layers,
        about["cells"],
        strict=True,
    ):
        (was,), (now,) = ([one for one in own if one.kind == "ribbon"] for own in (before, after))
        assert now.width == pytest.approx(0.8 * was.width, abs=4)
        if arrangement == "alone":  # else it keeps clear of the clip's edges
            up_px = 0.05 * about["height"] * cell["safe"][3]
            assert now.y == pytest.approx(was.y - up_px, abs=2)


def test_places__of_a_ladder_are_filled_by_its_rungs(tmp_path):
    style, cells = Style("mph", ("20 mph", "60 m")), [Cell(analysed(), "a")]
    scene = scene_of(cells, style)
    x, y, w, h = places_of(scene)["usual"]["ladder"]
    assert h == pytest.approx(2 * 0.075)  # two rungs of the built-in layout
    layout = tmp_path / "own.toml"
    layout.write_text(layout_text({"ladder": [x, y, w, 0.4]}, scene))
    higher = scene_of(cells, replace(style, layout=layout)).layers[0]
    (ladder,) = (layer for layer in higher if layer.kind == "ladder")
    assert ladder.height == pytest.approx(0.4 * 0.9 * 1080, abs=2)


def test_film__lies_in_the_sheet_with_its_places(client, day):
    """Added, moved and changed by edits; the rest of the text stays, and the model takes it."""
    before = (day / "day.toml").read_text()
    film = {"name": "a1", "runs": ["a1"], "arrangement": "alone"}
    edits = [
        {"op": "add", "path": ["films"], "value": film},
        {"op": "set", "path": ["films", 0, "places", "ribbon"], "value": [0.1, 0.7, 0.5, 0.1]},
        {"op": "set", "path": ["films", 0, "quality"], "value": 26},
        {"op": "add", "path": ["films"], "value": {**film, "name": "second"}},
        {"op": "set", "path": ["films", 0, "places", "ribbon"], "value": [0.2, 0.7, 0.5, 0.1]},
    ]
    code, view = post(client, "draft", text=before, edits=edits)
    assert code == 200 and view["problems"] == []
    first, second = tomllib.loads(view["text"])["films"]
    assert first["places"] == {"ribbon": [0.2, 0.7, 0.5, 0.1]} and first["quality"] == 26
    assert second == {**film, "name": "second"}
    assert view["text"].startswith(before.rstrip("\n"))
    order = FilmOrder(
        **{**first, "runs": tuple(first["runs"]), "places": {"ribbon": (0.2, 0.7, 0.5, 0.1)}}
    )
    said = layout_text(order.places, scene_of([Cell(analysed(), "a1")], Style("mph")))
    assert "ribbon = { x = 0.2000, y = 0.7000" in said
    twice = [{"op": "set", "path": ["films", 1, "name"], "value": "a1"}]
    assert post(client, "draft", text=view["text"], edits=twice)[1]["problems"]
    beyond = [
        {"op": "set", "path": ["films", 0, "places", "ribbon"], "value": [0.2, 1.7, 0.5, 0.1]}
    ]
    assert post(client, "draft", text=view["text"], edits=beyond)[1]["problems"]


def test_film__runs_and_shape_must_fit(desk, day):
    from overlay.desk.films import scene_for
    from overlay.sheet import load_sheet

    sheet = load_sheet(day / "day.toml")
    with pytest.raises(UsageError, match="side by side takes two runs; 1 was given"):
        scene_for(sheet, FilmOrder(name="x", runs=("a1",), arrangement="side by side"))
    with pytest.raises(UndeterminedError, match="not worked out yet"):
        scene_for(sheet, FilmOrder(name="x", runs=("a1",)))


@pytest.mark.parametrize("name", ["../x", "a/b", "", "x" * 41, ".x"])
def test_film__a_name_that_would_leave_its_folder_is_refused(client, name):
    code, said = post(client, "film", text="", film={"name": name, "runs": ["a1"]})
    assert code == 400 and said["error"].startswith("film.name")


# -- work in line ------------------------------------------------------------------------------


def ended(queue: Queue, number: int, within_s: float = 240.0) -> dict:
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        (job,) = [job for job in queue.views() if job["number"] == number]
        if job["state"] not in ("waiting", "working"):
            return job
        time.sleep(0.05)
    raise AssertionError("the job did not end")


def test_queue__does_refuses_and_cancels(tmp_path):
    queue = Queue(at_once=1)
    try:
        done = queue.add("t", "one", counting, str(tmp_path / "made"))
        slow = queue.add("t", "two", waiting, str(tmp_path / "slow.txt"))
        again = queue.add("t", "two", waiting, str(tmp_path / "slow.txt"))
        never = queue.add("t", "three", counting, str(tmp_path / "never"))
        assert again == slow
        assert ended(queue, done)["result"] == "counted"
        queue.cancel(never)
        until = time.monotonic() + 240
        while not (tmp_path / "begun").exists() and time.monotonic() < until:
            time.sleep(0.05)
        queue.cancel(slow)
        assert ended(queue, slow)["state"] == ended(queue, never)["state"] == "cancelled"
        failed = ended(queue, queue.add("t", "four", refusing))
        assert failed["state"] == "failed"
        assert failed["error"] == "a1.mp4: is empty; copy it again"
    finally:
        queue.close()
    assert {path.name for path in tmp_path.iterdir()} == {"made", "begun"}


def test_queue__time_left_of_a_job_of_known_length():
    lasts_s, told = 4.0, []
    queue = Queue(at_once=1)
    first = queue.add("x", "steady", steady, lasts_s)
    queue.add("x", "next", waiting, "nowhere")  # in line: nothing is known of it
    until(lambda: queue.views()[0]["state"] == "working")
    while (view := queue.views()[0])["state"] == "working":
        assert queue.views()[1]["left_s"] is None
        told.append((time.monotonic(), view["share"], view["left_s"]))
        time.sleep(0.1)
    ended_s = time.monotonic()
    assert ended(queue, first)["left_s"] is None
    queue.close()
    sure = [(at, share, left) for at, share, left in told if left is not None]
    assert len(sure) > 10
    for at, share, left in sure:
        late_s = 0.1 + 0.05 / share  # a share told 50 ms late tells a pace that much too slow
        assert left == pytest.approx(lasts_s * (1 - share), abs=late_s), (share, left)
        assert at + left == pytest.approx(ended_s, abs=0.2 + late_s), (share, left)
    assert sure[-1][1] > 0.9


def test_tour__films_the_demo_day_only_where_there_is_none(tmp_path, day, monkeypatch):
    monkeypatch.setattr(work, "demo", copying)
    made = Desk(tmp_path / "day", is_tour=True)
    assert made.queue.views() == [] and made.look()["is_tour"]
    made.close()
    empty = tmp_path / "empty"
    empty.mkdir()
    made = Desk(empty, is_tour=True)
    try:
        (job,) = made.queue.views()
        assert job["kind"] == "demo"
        assert ended(made.queue, job["number"])["state"] == "done"
        assert not made.look()["is_new"]
    finally:
        made.close()


def test_film_demo__is_the_demos_own_day(tmp_path, monkeypatch):
    from overlay.jobs import demo

    monkeypatch.setattr(demo, "film", lambda plan, folder, tell: plan.name)
    monkeypatch.setattr(
        demo, "in_parallel", lambda task, items, **_: [task(i, None) for i in items]
    )
    monkeypatch.setattr(demo, "write_day", lambda folder, truths: truths)
    assert demo.film_demo(tmp_path / "made") == tuple(
        plan.name for plan in demo.plan_day(runs_per_build=3, size=(960, 540), camera_gps=True)
    )
    assert (tmp_path / "made").is_dir()


def test_start__a_folder_is_shown_without_the_libraries_that_work_a_run_out(day):
    script = (
        "import sys; from pathlib import Path; from overlay.desk.asked import AskDraft; "
        "from overlay.desk.folder import Desk; desk = Desk(Path(sys.argv[1])); "
        "view = desk.draft(AskDraft(text=desk.look()['text'])); "
        "assert [run['state'] for run in view['runs']] == ['new', 'new']; "
        "desk.close(); "
        "print(sorted({'numpy', 'av', 'scipy', 'cv2', 'overlay.session'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", script, day], capture_output=True, text=True)
    assert (shown.stdout, shown.stderr) == ("[]\n", "")


def test_start__files_are_read_without_the_library_that_checks_sheets():
    script = (
        "import sys, overlay.desk.reading; print(sorted({'pydantic', 'scipy'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (shown.stdout, shown.stderr) == ("[]\n", "")
