"""``blurscope pattern``: folders, files, schemas and refusals."""

from __future__ import annotations

import json
import re
import time
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from blurscope._cv import cv2
from blurscope.cli import main
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout
from blurscope.pattern.render import FrameMaker


def schema(name: str) -> dict:
    return json.loads(files("blurscope.schemas").joinpath(f"{name}.schema.json").read_text())


def valid(path, name: str) -> dict:
    data = json.loads(path.read_text())
    jsonschema.Draft202012Validator.check_schema(schema(name))
    jsonschema.validate(data, schema(name))
    return data


SMALL = ["--size", "800x480", "--px-per-refresh", "8"]


def test_command_writes_what_it_says_in_time(tmp_path, capsys):
    out = tmp_path / "P"
    begin = time.perf_counter()
    line = f"pattern {out} --size 1280x720 --px-per-refresh 8 --levels 5 --refresh-hz 60 --frames 24"
    assert main(line.split()) == 0
    assert time.perf_counter() - begin < 10
    assert capsys.readouterr().out.split() == [str(out / "pattern.json")]
    data = valid(out / "pattern.json", "pattern")
    names = sorted(p.name for p in out.iterdir())
    assert names == [*(f"frame_{n:04d}.png" for n in range(24)), "index.html", "pattern.json"]
    assert {(e["from_level"], e["to_level"]) for e in data["edges"]} == {
        (a, b) for a in (0, 64, 128, 191, 255) for b in (0, 64, 128, 191, 255) if a != b
    }
    maker = FrameMaker(Layout.from_json(data))
    for n in (0, 1, 23):
        frame = cv2.imread(str(out / f"frame_{n:04d}.png"), cv2.IMREAD_UNCHANGED)
        assert np.array_equal(frame, maker.draw(n))


@pytest.mark.parametrize("size", ["800x480", "1920x1080", "2560x1440", "3840x2160"])
def test_sizes(size, tmp_path):
    out = tmp_path / "P"
    assert main(["pattern", str(out), "--size", size, "--frames", "1", "--direction", "left"]) == 0
    width, height = map(int, size.split("x"))
    assert cv2.imread(str(out / "frame_0000.png"), cv2.IMREAD_UNCHANGED).shape == (height, width)
    data = valid(out / "pattern.json", "pattern")
    assert (data["width_px"], data["height_px"], data["direction"]) == (width, height, "left")
    assert data["repeats"] == 2


def test_defaults(tmp_path):
    assert main(["pattern", str(tmp_path / "P")]) == 0
    data = valid(tmp_path / "P" / "pattern.json", "pattern")
    assert data["px_per_refresh"] == 12 and len(data["levels"]) == 5 and data["refresh_hz"] == 60
    assert data["planned_max_exposure_refreshes"] == 8 and data["slowest_ms"] == 40


@pytest.mark.parametrize(("levels", "pairs"), [(9, 72), (11, 110)])
def test_plates(levels, pairs, tmp_path, capsys):
    out = tmp_path / "P"
    assert main(["pattern", str(out), *SMALL, "--levels", str(levels), "--plates", "auto", "--frames", "2"]) == 0
    index = valid(out / "plates.json", "plates")
    listed = [tuple(t.values()) for plate in index["plates"] for t in plate["transitions"]]
    found = set()
    for plate in index["plates"]:
        data = valid(out / plate["pattern"], "pattern")
        assert data["plate"] == plate["plate"] and data["plates"] == len(index["plates"])
        found |= {(e["from_level"], e["to_level"]) for e in data["edges"]}
        assert {p.name for p in (out / plate["folder"]).iterdir()} == {
            "frame_0000.png", "frame_0001.png", "index.html", "pattern.json",
        }  # fmt: skip
        assert f'href="{plate["folder"]}/index.html"' in (out / "index.html").read_text()
    assert found == set(listed) and len(listed) == len(found) == index["transitions"] == pairs
    assert capsys.readouterr().out.splitlines()[0] == str(out / "plates.json")


def test_one_plate_on_request_has_its_index_too(tmp_path):
    assert main(["pattern", str(tmp_path / "P"), *SMALL, "--plates", "auto"]) == 0
    index = valid(tmp_path / "P" / "plates.json", "plates")
    assert [p["pattern"] for p in index["plates"]] == ["plate_1/pattern.json"]


def test_explain_prints_the_budget(tmp_path, capsys):
    assert main(["pattern", str(tmp_path / "P"), *SMALL, "--explain"]) == 0
    out = capsys.readouterr().out
    for words in ("20 transitions", "rows", "bands", "response slits", "drawing", "flashes", "limit 25 %"):
        assert words in out


def test_nothing_is_overwritten_unasked(tmp_path, capsys):
    out = tmp_path / "P"
    assert main(["pattern", str(out), *SMALL, "--frames", "3"]) == 0
    (out / "photo.jpg").write_bytes(b"mine")
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    capsys.readouterr()
    assert main(["pattern", str(out), *SMALL, "--frames", "1", "--levels", "3"]) == 1
    said = capsys.readouterr().err
    assert "--overwrite" in said and said.count("\n") == 1
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    assert main(["pattern", str(out), *SMALL, "--frames", "1", "--levels", "3", "--overwrite"]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["frame_0000.png", "index.html", "pattern.json", "photo.jpg"]
    assert (out / "photo.jpg").read_bytes() == b"mine"
    assert len(valid(out / "pattern.json", "pattern")["levels"]) == 3


def test_overwriting_plates_with_one_plate_leaves_none_behind(tmp_path):
    out = tmp_path / "P"
    assert main(["pattern", str(out), *SMALL, "--levels", "9", "--plates", "2"]) == 0
    (out / "plate_2" / "notes.txt").write_text("mine")
    assert main(["pattern", str(out), *SMALL, "--overwrite"]) == 0
    left = sorted(str(p.relative_to(out)) for p in out.rglob("*"))
    assert left == ["index.html", "pattern.json", "plate_2", "plate_2/notes.txt"]


def test_other_files_in_the_folder_do_no_harm(tmp_path):
    out = tmp_path / "P"
    out.mkdir()
    (out / "photo.jpg").write_bytes(b"mine")
    assert main(["pattern", str(out), *SMALL]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["index.html", "pattern.json", "photo.jpg"]


def test_folder_rights_follow_the_umask(tmp_path):
    import os

    old = os.umask(0o027)
    try:
        assert main(["pattern", str(tmp_path / "P"), *SMALL]) == 0
    finally:
        os.umask(old)
    assert (tmp_path / "P").stat().st_mode & 0o777 == 0o750


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--size", "800"], 2, "--size"),
        (["--size", "axb"], 2, "--size"),
        (["--size", "100x100"], 1, "320x240"),
        (["--size", "99999x99999"], 1, "16384"),
        (["--direction", "up"], 2, "--direction"),
        (["--plates", "many"], 2, "--plates"),
        (["--plates", "0"], 2, "--plates"),
        (["--frames", "-1"], 2, "--frames"),
        (["--levels", "1"], 1, "2 to 17"),
        (["--px-per-refresh", "99"], 1, "--px-per-refresh"),
        (["--px-per-refresh", "2.5"], 2, "--px-per-refresh"),
        (["--refresh-hz", "nan"], 1, "--refresh-hz"),
        (["--refresh-hz", "0"], 1, "--refresh-hz"),
        (["--slowest-ms", "nan"], 1, "--slowest-ms"),
        (["--frames", "1000001"], 1, "--frames"),
        (["--size", "800x480", "--levels", "11", "--px-per-refresh", "16"], 1, "--plates auto"),
    ],
)
def test_refusals_leave_nothing_behind(options, code, words, tmp_path, capsys):
    assert main(["pattern", str(tmp_path / "P"), *options]) == code
    err = capsys.readouterr().err
    assert words in re.sub(r"\x1b\[[0-9;]*m", "", err) and "Traceback" not in err
    if code == 1:
        assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_targets_that_can_not_be_written(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    assert main(["pattern", str(tmp_path / "file"), *SMALL]) == 1
    assert main(["pattern", str(tmp_path / "no" / "P"), *SMALL]) == 1
    err = capsys.readouterr().err
    assert "is a file" in err and "does not exist" in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file"]


def test_failure_half_way_leaves_nothing(tmp_path, monkeypatch):
    import blurscope.pattern.write as write

    def broken(codes, level=1):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(write, "encode_png", broken)
    assert main(["pattern", str(tmp_path / "P"), *SMALL, "--frames", "2"]) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_by_the_name_that_was_asked_for(tmp_path, monkeypatch, capsys):
    """The files are first written beside the folder, under a name that nobody has given."""
    import blurscope.files as files

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    assert main(["pattern", str(tmp_path / "P"), *SMALL]) == 1
    said = capsys.readouterr().err
    assert ".part" not in said and str(tmp_path / "P") in said and "No space left" in said
    assert list(tmp_path.iterdir()) == []


def test_pattern_file_matches_its_schema_in_every_variant():
    checker = jsonschema.Draft202012Validator(schema("pattern"))
    for options in (
        dict(px_per_refresh=1, levels=2),
        dict(px_per_refresh=64, levels=2, direction="left"),
        dict(levels=3, allow_flashing=True, slowest_ms=1),
        dict(levels=11, px_per_refresh=16),
    ):
        checker.validate(make_layouts(1920, 1080, **options)[0][0].as_json())
    bad = make_layouts(1920, 1080)[0][0].as_json()
    bad["blocks"][0]["colour"] = "red"
    assert not checker.is_valid(bad)
