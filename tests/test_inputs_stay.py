"""Outputs given by mistake: what a command reads is never overwritten by it, and neither is a device."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from blurscope.batch import measure_batch
from blurscope.camera import Camera, Display, Response, film
from blurscope.cli import main
from blurscope.cli._batch import LONGEST, _shortened
from blurscope.errors import OutputError
from blurscope.files import check_output, write_json
from blurscope.pattern.budget import make_layouts

OVER = "--overwrite"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Return a folder with a plate, a photo named as a picture that a board may be, its measurement and a record."""
    folder = tmp_path_factory.mktemp("made")
    layout = make_layouts(400, 280, px_per_refresh=4, levels=2)[0][0]
    write_json(folder / "pattern.json", layout.as_json())
    screen = Display(response=Response(time_ms=8.0))
    shot = film(layout, screen, Camera(campx_per_px=2.5, file_format="jpeg"), seed=1)
    (folder / "photo.png").write_bytes(shot.data)
    plate = ["--pattern", str(folder / "pattern.json")]
    assert main(["measure", str(folder / "photo.png"), *plate, "--json", str(folder / "m.json")]) == 0
    (folder / "meter.csv").write_text("level,light\n0,0\n128,20\n255,100\n")
    (folder / "record.csv").write_text("time_s,signal\n" + "".join(f"{n / 1e4},{n > 500}\n" for n in range(1000)))
    (folder / "list.csv").write_text("file,from_level,to_level\nrecord.csv,0,255\n")
    for name in ("m.html", "m.csv", "board.png"):
        shutil.copy(folder / "m.json", folder / name)
    shutil.copy(folder / "photo.png", folder / "plate.png")
    os.link(folder / "photo.png", folder / "hard.png")
    return folder


@pytest.mark.parametrize(
    "line",
    [
        "measure photo.png --pattern pattern.json --meter meter.csv --json meter.csv",
        "measure plate.png --pattern pattern.json --debug-dir .",
        "report m.html --out m.html",
        "report m.csv --out m.csv",
        "compare board.png --out board.png",
        "compare m.json --out photo.png",  # which m.json names
        "compare m.json --out hard.png",
        "compare m.json --photo plate.png --out plate.png",
        "trace record.csv --from-level 0 --to-level 255 --json record.csv",
        "trace --transitions list.csv --csv record.csv",
        "trace --transitions list.csv --csv list.csv",
    ],
)
def test_what_a_command_reads_is_not_overwritten(made, line, monkeypatch, capsys):
    monkeypatch.chdir(made)
    before = {p.name: p.read_bytes() for p in made.iterdir()}
    assert main([*line.split(), OVER]) == 1
    assert "is read by this very command" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in made.iterdir()} == before


def test_a_batch_overwrites_neither_its_manifest_nor_a_pattern(made, tmp_path):
    for name in ("photo.png", "pattern.json"):
        shutil.copy(made / name, tmp_path / name)
    rows = "file,label,pattern\nphoto.png,pattern,pattern.json\n"
    for name in ("summary.csv", "refused.csv"):
        (tmp_path / name).write_text(rows)
        with pytest.raises(OutputError, match="is read by this very command"):
            measure_batch(tmp_path / name, out=tmp_path, overwrite=True)
        assert (tmp_path / name).read_text() == rows
        (tmp_path / name).unlink()
    (tmp_path / "manifest.csv").write_text(rows)
    before = (tmp_path / "pattern.json").read_bytes()
    batch = measure_batch(tmp_path / "manifest.csv", out=tmp_path, overwrite=True, jobs=1)
    assert [r.reason for r in batch.refused] and "is no result, so it is not overwritten" in batch.refused[0].reason
    assert (tmp_path / "pattern.json").read_bytes() == before
    assert json.loads((tmp_path / "batch.json").read_text())["finished"]


def test_a_device_or_a_pipe_is_not_replaced_by_a_file(made, tmp_path, capsys):
    os.mkfifo(tmp_path / "pipe")
    os.symlink("/dev/null", tmp_path / "link")
    for path in (tmp_path / "pipe", tmp_path / "link", Path("/dev/null")):
        with pytest.raises(OutputError, match="is not an ordinary file, so nothing is written to it"):
            check_output(path, overwrite=True)
    plate = ["--pattern", str(made / "pattern.json")]
    assert main(["measure", str(made / "photo.png"), *plate, "--json", str(tmp_path / "pipe"), OVER]) == 1
    assert "is not an ordinary file" in capsys.readouterr().err
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_a_refusal_of_an_endless_path_is_shown_without_its_middle():
    text = "the file " + "d/" * 2000 + " can't be read (File name too long)"
    shown = _shortened(text)
    assert len(shown) <= LONGEST + 3 and shown.startswith("the file d/") and shown.endswith("(File name too long)")
    assert _shortened("short") == "short"


# ------------------------------------------------------------------------------------------------ terminals


def test_labels_and_names_do_not_steer_the_terminal(made, tmp_path):
    """As on a terminal, where colours are passed on: what a file of somebody else's says is shown, not done."""
    label, name = "a\x1b[31mb\x07", tmp_path / "x\x1b[2Jy.json"
    plate = ["--pattern", str(made / "pattern.json")]
    code = (
        "import sys, typer; from blurscope.cli import main, _table; "
        "real = typer.echo; typer.echo = lambda t='', err=False: real(t, err=err, color=True); "
        "sys.exit(main(sys.argv[1:]))"
    )
    line = [
        sys.executable,
        "-c",
        code,
        "measure",
        str(made / "photo.png"),
        *plate,
        "--label",
        label,
        "--json",
        str(name),
    ]
    for args in (line, [*line[:3], "report", str(name), "--out", str(tmp_path / "r\x1b[2J.md")],
                 [*line[:3], "compare", str(name), "--out", str(tmp_path / "r\x1b[2J.png")]):  # fmt: skip
        done = subprocess.run(args, capture_output=True, check=True)
        for text in (done.stdout, done.stderr):
            assert b"\x1b" not in text and b"\x07" not in text
    assert b"\\x1b[2J" in done.stderr


def test_a_terminal_without_the_signs_gets_question_marks(made):
    line = ["measure", str(made / "photo.png"), "--pattern", str(made / "pattern.json"), "--budget"]
    for coding in ("ascii", "cp1252", "koi8-r"):
        done = subprocess.run([sys.executable, "-m", "blurscope", *line], capture_output=True,
                              env={**os.environ, "PYTHONIOENCODING": coding})  # fmt: skip
        assert done.returncode == 0 and b"Traceback" not in done.stderr, done.stderr[-500:]
        assert b"mean response" in done.stdout
