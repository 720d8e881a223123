"""Batches for the tests: made-up captures, a manifest, and the results of an undisturbed run, made once."""

from __future__ import annotations

import csv
import io
import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import blurscope as bs
from blurscope.batch import measure_batch
from blurscope.camera import Camera, Response, film
from blurscope.camera import Display as Panel
from blurscope.cli import main
from blurscope.files import write_json
from blurscope.pattern.budget import make_layouts

ROOT = Path(__file__).parent.parent
UNITS = {"Alder": 4.0, "Birch": 9.0, "Cedar": 16.0}
MANIFEST = """file,label,pattern,refresh_hz,note:mode
alder_1.jpg,Alder,plate,60,day
alder_2.jpg,Alder,plate,60,day
birch.jpg,Birch,plate,60,day
cedar.jpg,Cedar,plate/pattern.json,120,night
words.jpg,words,plate,60,
gone.jpg,gone,plate,60,
birch.jpg,odd,plate,nan,
"""


def valid(name: str, document: dict) -> None:
    """Check a document against its schema."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((Path(bs.__file__).parent / "schemas" / f"{name}.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)


def make_captures(folder: Path) -> Path:
    """Shots of three made-up handhelds on a small screen, and a file that is no photo."""
    layout = make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]
    (folder / "plate").mkdir()
    write_json(folder / "plate" / "pattern.json", layout.as_json())
    for n, name in enumerate(("alder_1", "alder_2", "birch", "cedar")):
        panel = Panel(response=Response(shape="exponential", time_ms=UNITS[name.split("_")[0].capitalize()]))
        data = film(layout, panel, Camera(campx_per_px=2.5, file_format="jpeg"), seed=n).data
        (folder / f"{name}.jpg").write_bytes(data)
    (folder / "words.jpg").write_text("not a photo")
    (folder / "shots.csv").write_text(MANIFEST, "utf-8")
    (folder / "birch.csv").write_text("".join(MANIFEST.splitlines(keepends=True)[k] for k in (0, 3)), "utf-8")
    three = [row for k, row in enumerate(MANIFEST.splitlines(keepends=True)) if k in (0, 1, 3, 4)]
    (folder / "three.csv").write_text("".join(three), "utf-8")
    return folder


def make_done(captures: Path, out: Path) -> Path:
    """The undisturbed batch through the command line."""
    line = ["measure", "--manifest", str(captures / "shots.csv"), "--out", str(out), "--jobs", "2"]
    assert main([*line, "--parquet"]) == 1  # three rows are refused
    return out


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))


def again(captures, out, **more):
    return measure_batch(captures / "shots.csv", out=out, parquet=True, jobs=1, **more)


def heed_ctrl_c() -> None:
    """A shell's background job ignores Ctrl-C, and so would its children."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def start(captures, out, *more: str, **options) -> subprocess.Popen:
    line = [sys.executable, "-m", "blurscope", "measure", "--manifest", str(captures / "shots.csv"), "--out", str(out)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "cwd": ROOT, "preexec_fn": heed_ctrl_c}
    return subprocess.Popen([*line, *more], **pipes | options)
