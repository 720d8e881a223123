"""Videos wherever photos go: the function of the package, manifests, boards."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from video_makers import clip_frames, display, small_plate, truths, write_video

import blurscope as bs
from blurscope.batch import displays_of_photos, measure_batch, photos_in, read_manifest
from blurscope.batch.task import Task, packed, run_task
from blurscope.camera import Camera, film
from blurscope.cli import main
from blurscope.errors import SettingsError
from blurscope.files import write_json
from blurscope.sidebyside import build_board

av = pytest.importorskip("av")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A clip of a camera at rest, a video that follows the plate, and a photo, of one display."""
    path = tmp_path_factory.mktemp("captures")
    layout, screen = small_plate(), display()
    write_json(path / "pattern.json", layout.as_json())
    write_video(path / "clip.mkv", clip_frames(layout, screen), 480)
    shots = [
        film(layout, screen, Camera(exposure_refreshes=2.0, tracking_error_px_per_refresh=e, margin=0.03), seed=i)
        for i, e in enumerate((0.05, -0.1))
    ]
    write_video(path / "pan.mkv", [s.codes for s in shots], 30)
    shot = film(layout, screen, Camera(file_format="jpeg"), seed=7)
    (path / "photo.jpg").write_bytes(shot.data)
    return path


@pytest.fixture(scope="module")
def pan(folder) -> bs.Measurement:
    return bs.measure(folder / "pan.mkv", pattern=folder / "pattern.json", frames=1, label="Birch")


def check(edges: list[dict]) -> None:
    truth = truths(small_plate(), display())
    assert len(edges) == len(truth)
    for e in edges:
        true = truth[e["from_level"], e["to_level"]]["bet_ms"]
        assert abs(e["bet_ms"]["value"] - true) <= e["bet_ms"]["u95"], e["id"]


def test_the_function_takes_videos_as_the_command_does(folder, pan):
    assert pan.label == "Birch" and pan.blocks["photo"]["kind"] == "video"
    with pytest.raises(SettingsError, match=r"photo.jpg|pan.mkv is a video, which is measured on its own"):
        bs.measure([folder / "pan.mkv", folder / "photo.jpg"], pattern=small_plate())
    for more, words in (
        ({"fixed_camera": True}, "fixed_camera is for a video, and no video is given"),
        ({"frames": 3}, "frames is for a video, and no video is given"),
    ):
        with pytest.raises(SettingsError, match=words):
            bs.measure(folder / "photo.jpg", pattern=small_plate(), **more)
    with pytest.raises(SettingsError, match="frame_rate is for a clip of a camera at rest"):
        bs.measure(folder / "pan.mkv", pattern=small_plate(), frame_rate=480)
    for more in ({"still": folder / "photo.jpg"}, {"exposure_refreshes": 2.0}, {"frames": 2}):
        with pytest.raises(SettingsError, match=f"{next(iter(more))} .*; leave it out"):
            bs.measure(folder / "clip.mkv", pattern=small_plate(), fixed_camera=True, **more)
    assert bs.measure_clip.__name__ == "measure_clip" and "measure_clip" in bs.__all__


@pytest.fixture(scope="module")
def batch(folder):
    """A manifest with a clip, a panned video and a photo, and the results."""
    lines = ["file,label,fixed_camera,frame_rate,frames", "clip.mkv,Alder,yes,480,", "pan.mkv,Birch,no,,1",
             "photo.jpg,Cedar,,,", "photo.jpg,odd,yes,,"]  # fmt: skip
    (folder / "m.csv").write_text("\n".join(lines) + "\n", "utf-8")
    line = ["measure", "--manifest", str(folder / "m.csv"), "--pattern", str(folder), "--out", str(folder / "out")]
    assert main([*line, "--jobs", "2"]) == 1  # a photo has no fixed camera
    return folder / "out"


def test_a_manifest_takes_videos(folder, batch, pan):
    found = {name: json.loads((batch / f"{name}.json").read_text("utf-8")) for name in ("Alder", "Birch", "Cedar")}
    for name, document in found.items():
        check(document["edges"])
        assert document["photo"]["kind"] == ("jpeg" if name == "Cedar" else "video")
    assert found["Birch"]["edges"] == json.loads(json.dumps(pan.as_json()["edges"], default=lambda q: q.as_json()))
    rows = list(csv.DictReader((batch / "refused.csv").read_text("utf-8").splitlines()))
    assert [r["label"] for r in rows] == ["odd"] and "fixed_camera is for a video" in rows[0]["reason"]


def test_a_second_run_keeps_videos_and_a_changed_one_is_measured_anew(folder, batch, tmp_path):
    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    displays, _ = read_manifest(copy / "m.csv", defaults={"pattern": str(copy)})
    again = measure_batch(displays[1:3], out=copy / "out", jobs=1)
    assert (again.kept, again.measured) == (2, 0)
    sent = packed(Task(number=0, display=displays[1]))
    outcome = run_task(sent)
    assert outcome.result is not None
    path = json.loads(outcome.result)["photo"]["path"]
    assert path.startswith(str(copy / "pan.mkv")) and path.endswith(" s")
    with (copy / "pan.mkv").open("ab") as stream:
        stream.write(b"\0" * 16)
    assert measure_batch(displays[1:3], out=copy / "out", jobs=1).measured == 1


def test_what_is_set_for_all_videos_does_not_concern_photos(folder, tmp_path):
    (tmp_path / "a.mkv").write_bytes(b"x")
    (tmp_path / "b.jpg").write_bytes(b"x")
    (tmp_path / "m.csv").write_text("file\na.mkv\nb.jpg\n")
    settings = {"pattern": "p.json", "fixed_camera": True, "frame_rate": 480.0}
    displays, _ = read_manifest(tmp_path / "m.csv", defaults=settings)
    each = displays_of_photos([tmp_path / "a.mkv", tmp_path / "b.jpg"], **settings)
    for one, other in (displays, each):
        assert (one.fixed_camera, one.frame_rate) == (True, 480.0)
        assert (other.fixed_camera, other.frame_rate) == (None, None)


@pytest.mark.parametrize(
    ("column", "cell"), [("fixed_camera", "maybe"), ("frames", "2.5"), ("frames", "0"), ("frame_rate", "nan"),
                         ("frame_exposure_ms", "-1")]
)  # fmt: skip
def test_cells_of_videos_that_cannot_be_used(tmp_path, column, cell):
    (tmp_path / "a.mkv").write_bytes(b"x")
    (tmp_path / "m.csv").write_text(f"file,{column}\na.mkv,{cell}\n")
    displays, refused = read_manifest(tmp_path / "m.csv", defaults={"pattern": "p.json"})
    assert not displays and column in refused[0].reason and "line 2" in refused[0].reason


def test_patterns_stand_for_videos_only_if_they_end_like_one(folder):
    names = lambda found: [Path(p).name for p in found]  # noqa: E731
    assert names(photos_in([folder / "*.mkv"])) == ["clip.mkv", "pan.mkv"]
    assert names(photos_in([folder / "p*"])) == ["photo.jpg"] and names(photos_in([folder])) == ["photo.jpg"]


# ------------------------------------------------------------------------------------------------ boards


def test_a_board_opens_the_frame_again(folder, pan, tmp_path):
    write_json(tmp_path / "pan.json", pan.as_json())
    board = build_board([tmp_path / "pan.json"])
    assert not [n for n in board.notes if "no crop" in n]
    assert board.panels[0].light is not None
    given = build_board([tmp_path / "pan.json"], photos=[folder / "pan.mkv"])
    assert (given.panels[0].light == board.panels[0].light).all()
    other = write_video(tmp_path / "other.mkv", [f // 2 for f in clip_frames(small_plate(), display(), count=2)], 30)
    with pytest.raises(SettingsError, match="is not the video that was measured"):
        build_board([tmp_path / "pan.json"], photos=[other])


def test_a_board_says_what_it_cannot_open(folder, batch, pan, tmp_path, capsys):
    gone = json.loads(json.dumps(pan.as_json(), default=lambda q: q.as_json()))
    gone["photo"]["path"] = gone["photo"]["path"].replace("pan.mkv", "gone.mkv")
    write_json(tmp_path / "gone.json", gone)
    board = build_board([tmp_path / "gone.json", batch / "Alder.json"])
    assert [n for n in board.notes if "Birch: its video was not found" in n and "--photo" in n]
    assert [n for n in board.notes if "Alder: it was measured in a clip of a camera at rest" in n]
    line = ["compare", str(batch / "Alder.json"), str(batch / "Cedar.json"), "--out", str(tmp_path / "b.png")]
    assert main(line) == 0 and "Traceback" not in capsys.readouterr().err
