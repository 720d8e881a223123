"""``blurscope simulate`` from the command line: files, schema, refusals."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from camera_plates import band, grey, lane, plate, slit

from blurscope._cv import cv2
from blurscope.cli import main

SCHEMAS = Path(__file__).parent.parent / "blurscope" / "schemas"


@pytest.fixture(scope="module")
def pattern(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("plate") / "pattern.json"
    layout = plate(grey(255, 30), lane(slit(100), rows=6), band(34), width_px=320, circuit=(0, 128, 255, 128))
    path.write_text(json.dumps(layout.as_json()))
    return path


def validate(truth: dict) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((SCHEMAS / "truth.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(truth)


def test_a_capture_with_everything(pattern, tmp_path, capsys):
    out = tmp_path / "shot"
    assert main(["simulate", str(out), "--pattern", str(pattern), "--unit", "Birch", "--still", "--traces",
                 "--tracking-error", "0.3", "--roll", "2", "--campx-per-px", "2.5",
                 "--bayer", "--seed", "3"]) == 0  # fmt: skip
    printed = capsys.readouterr().out.split()
    assert [Path(p).name for p in printed] == ["photo.jpg", "still.jpg", "truth.json", "transitions.csv"]
    assert all(Path(p).is_file() for p in printed)
    truth = json.loads((out / "truth.json").read_text())
    validate(truth)
    assert truth["label"] == "Birch" and truth["seed"] == 3 and not truth["still"]
    assert truth["tracking"]["error_px_per_refresh"] == 0.3
    photo, still = (cv2.imread(str(out / name)) for name in ("photo.jpg", "still.jpg"))
    assert photo.shape == still.shape and np.abs(photo.astype(int) - still).mean() > 3
    rows = list(csv.DictReader((out / "traces" / "transitions.csv").read_text().splitlines()))
    pairs = {(int(r["from_level"]), int(r["to_level"])) for r in rows}
    assert pairs == {(a, b) for a in (0, 128, 255) for b in (0, 128, 255) if a != b and {a, b} != {0, 255}}
    assert all((out / "traces" / r["file"]).is_file() for r in rows)


@pytest.mark.parametrize(
    "options",
    [
        ["--backlight", "strobe", "--duty", "0.2", "--scan-out", "-0.8", "--shape", "two-stage"],
        ["--backlight", "strobe", "--scan-out", "0.8", "--scan-axis", "columns", "--traces"],
        ["--backlight", "pwm", "--pwm-hz", "500", "--stripes", "bgr", "--format", "png"],
        ["--light-law", "bt1886", "--dropped", "1", "--format", "tiff", "--bits", "16", "--tone", "linear"],
        ["--shape", "overdriven", "--overshoot-pct", "9", "--doubled", "1", "--readout", "0.5", "--drift", "0.04"],
    ],
    ids=lambda o: " ".join(o[:2]),
)
def test_every_kind_of_truth_is_valid(pattern, tmp_path, options):
    out = tmp_path / "shot"
    assert main(["simulate", str(out), "--pattern", str(pattern), "--campx-per-px", "2", *options]) == 0
    validate(json.loads((out / "truth.json").read_text()))


def test_nothing_is_overwritten_unasked(pattern, tmp_path, capsys):
    out = tmp_path / "shot"
    call = ["simulate", str(out), "--pattern", str(pattern), "--campx-per-px", "2"]
    assert main([*call, "--still"]) == 0
    before = (out / "photo.jpg").read_bytes()
    assert main([*call, "--format", "png"]) == 1
    assert "exists already" in capsys.readouterr().err
    assert (out / "photo.jpg").read_bytes() == before and not (out / "photo.png").exists()
    assert main([*call, "--format", "png", "--overwrite"]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["photo.png", "truth.json"]


def test_a_table_is_the_displays_law(pattern, tmp_path):
    table = tmp_path / "light.csv"
    table.write_text("level,light\n0,1\n128,50\n255,200\n")
    out = tmp_path / "shot"
    call = ["simulate", str(out), "--pattern", str(pattern), "--campx-per-px", "2", "--light-table", str(table)]
    assert main(call) == 0
    light = dict(json.loads((out / "truth.json").read_text())["display"]["level_light"])
    assert light == pytest.approx({0: 0.005, 128: 0.25, 255: 1.0})
    table.write_text("level,lux\n0,1\n")
    assert main([*call, "--overwrite"]) == 1


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--unit", "oak"], "oak"),
        (["--shape", "sudden"], "sudden"),
        (["--tracking-error", "-16"], "turns back"),
        (["--tracking-error", "nan"], "number"),
        (["--contrast", "1"], "contrast"),
        (["--campx-per-px", "0"], "scale"),
        (["--format", "bmp"], "jpeg"),
        (["--light-table", "missing.csv"], "missing.csv"),
        (["--backlight", "candle"], "candle"),
        (["--exposure-refreshes", "0"], "exposure"),
    ],
    ids=lambda x: " ".join(x) if isinstance(x, list) else "",
)
def test_refusals_are_one_sentence_and_leave_nothing(pattern, tmp_path, capsys, options, word):
    out = tmp_path / "shot"
    assert main(["simulate", str(out), "--pattern", str(pattern), *options]) == 1
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0 and word in said
    assert not out.exists()


def test_a_pattern_that_is_none(tmp_path, capsys):
    bad = tmp_path / "bad.json"
    bad.write_text('{"schema": "blurscope.pattern/1"}')
    assert main(["simulate", str(tmp_path / "a"), "--pattern", str(bad)]) == 1
    assert main(["simulate", str(tmp_path / "a"), "--pattern", str(tmp_path / "none.json")]) == 1
    assert main(["simulate", str(tmp_path / "x" / "y"), "--pattern", str(bad)]) == 1
    assert main(["simulate", str(tmp_path / "a"), "--pattern", str(bad), "--photo-size", "wide"]) == 2
    assert "Traceback" not in capsys.readouterr().err
