"""What a batch is told: manifests in many dialects, folders, patterns, and the command's options."""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from pathlib import Path

import pytest
from batch_makers import again

from blurscope.batch import Limits, measure_batch, photos_in, read_manifest
from blurscope.batch.store import safe_names
from blurscope.camera import Camera, film_still
from blurscope.camera import Display as Panel
from blurscope.cli import main
from blurscope.errors import SettingsError
from blurscope.files import read_json
from blurscope.pattern.budget import make_layouts

# ------------------------------------------------------------------------------------------------ reading a manifest


def write(folder: Path, text: str | bytes, name: str = "m.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


@pytest.fixture
def folder(tmp_path):
    for name in ("a.jpg", "b.jpg", "Größe.jpg"):
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


def read(folder, text, **more):
    return read_manifest(write(folder, text), defaults={"pattern": "p.json"}, **more)


@pytest.mark.parametrize(
    "text",
    [
        "file,label,refresh_hz\na.jpg,Größe,59.94\n",
        b"\xef\xbb\xbf" + "file,label,refresh_hz\na.jpg,Größe,59.94\n".encode(),
        "file;label;refresh_hz\r\na.jpg;Größe;59,94\r\n",
        "file\tlabel\trefresh_hz\na.jpg\tGröße\t59.94\n",
        "\n File , LABEL ,Refresh_Hz\n\n a.jpg , Größe , 59.94 \n\n",
        '"file","label","refresh_hz"\n"a.jpg","Größe","59.94"\n',
        "file,label,refresh_hz\na.jpg,Größe,59.94\n".encode("utf-16"),
    ],
)
def test_one_manifest_in_many_dialects(folder, text):
    displays, refused = read(folder, text)
    assert not refused
    assert [(d.label, d.refresh_hz, Path(d.photos[0]).name) for d in displays] == [("Größe", 59.94, "a.jpg")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("file,label\n", "no rows"),
        ("photo,label\na.jpg,x\n", "a column 'photo'"),
        ("label\nx\n", "no column file"),
        ("file,file\na.jpg,b.jpg\n", "two columns 'file'"),
        ("file,note:\na.jpg,b\n", "a column 'note:'"),
        ("file,refresh\na.jpg,60\n", "known are file, label"),
        ('file\n"a.jpg\n', "line 2"),
        ('file\n"a"b.jpg\n', "line 2"),
        (b"file\n\xff.jpg\n", "not UTF-8"),
        (b"file\n\x00\n", "not a text file"),
        ("file\n" + "x" * 5000 + "\n", "more than 4096 characters"),
        ("file," + ",".join(f"note:{n}" for n in range(300)) + "\na.jpg\n", "columns, more than"),
    ],
)
def test_a_manifest_that_cannot_be_used_is_one_sentence(folder, text, words):
    with pytest.raises(SettingsError, match=words) as refusal:
        read(folder, text)
    assert "m.csv" in str(refusal.value) and "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        *(("refresh_hz", c) for c in ("nan", "inf", "-inf", "1e999", "0", "-60", "60 Hz", "6_0", "2001", "0x10")),
        *(("exposure_refreshes", c) for c in ("nan", "-1", "1e9")),
        *(("display_gamma", c) for c in ("nan", "0", "99")),
        *(("contrast", c) for c in ("inf", "1", "-5")),
        *(("file", c) for c in ("", "a\u202e.jpg", "a\u0007.jpg", "nowhere/*.jpg")),
        ("note:x", "\u0000bell"[1:] + "\u0007"),
        ("label", "\u2028"),
    ],
)
def test_a_cell_that_cannot_be_used_refuses_its_row_with_the_line(folder, column, cell):
    columns = ["file", "label", "refresh_hz", "exposure_refreshes", "display_gamma", "contrast", "note:x"]
    good = dict(zip(columns, ["a.jpg", "x", "60", "4", "2.2", "1000", "y"], strict=True))
    rows = [good, good | {column: f"_{cell}_" if column == "label" else cell}]
    text = "\n".join([",".join(columns), *(",".join(r.values()) for r in rows)]) + "\n"
    displays, refused = read(folder, text)
    assert len(displays) == 1 and [r.line for r in refused] == [3] and "line 3" in refused[0].reason
    assert column in refused[0].reason or column == "file"


def test_too_many_cells_refuse_the_row(folder):
    displays, refused = read(folder, "file,label\na.jpg,x,y\nb.jpg,z,\n")
    assert [d.label for d in displays] == ["z"] and "3 cells under 2 columns" in refused[0].reason


def test_rows_need_a_pattern(folder):
    displays, refused = read_manifest(write(folder, "file,pattern\na.jpg,\nb.jpg,p.json\n"))
    assert len(displays) == 1 and "--pattern" in refused[0].reason


def test_rows_combine_by_label_pattern_and_settings(folder):
    said = []
    text = "file,label,refresh_hz\na.jpg,x,60\nb.jpg,x,60\na.jpg,x,120\na.jpg,,60\nb.jpg,,60\n"
    displays, _ = read(folder, text, say=said.append)
    assert [(d.label, len(d.photos), d.refresh_hz) for d in displays] == [
        ("x", 2, 60), ("x", 1, 120), ("a", 1, 60), ("b", 1, 60),
    ]  # fmt: skip
    assert displays[0].lines == (2, 3) and "x has 2 different settings" in said[0]
    assert len({n for n in safe_names(displays)}) == 4


def test_files_outside_the_folder_are_read_only_on_request(folder, tmp_path_factory):
    other = tmp_path_factory.mktemp("other")
    (other / "c.jpg").write_bytes(b"x")
    (folder / "link.jpg").symlink_to(other / "c.jpg")
    (folder / "linked").symlink_to(other)
    up = os.path.relpath(other / "c.jpg", folder)
    cells = [up, str(other / "c.jpg"), "link.jpg", "linked/c.jpg", "linked", "linked/*.jpg", f"sub/../{up}"]
    text = "file\n" + "\n".join(cells) + "\n"
    displays, refused = read(folder, text)
    assert not displays and len(refused) == len(cells)
    assert all("outside the manifest's folder" in r.reason for r in refused)
    displays, refused = read(folder, "file,still,meter\n" + f"a.jpg,{up},\na.jpg,,{up}\n")
    assert not displays and len(refused) == 2
    (folder / "plate").mkdir()
    (folder / "plate" / "pattern.json").symlink_to(other / "c.jpg")
    assert len(read(folder, "file,pattern\na.jpg,plate\n")[1]) == 1
    assert len(read(folder, "file,pattern\na.jpg,plate\n", allow_outside=True)[0]) == 1
    displays, refused = read(folder, text.replace(f"sub/../{up}\n", ""), allow_outside=True)
    assert len(displays) == len(cells) - 1 and not refused


def test_limits_are_settable(folder, monkeypatch):
    text = "file\n" + "a.jpg\n" * 20
    with pytest.raises(SettingsError, match="more than 10 rows"):
        read(folder, text, limits=Limits(rows=10))
    monkeypatch.setenv("BLURSCOPE_MAX_ROWS", "12")
    with pytest.raises(SettingsError, match="more than 12 rows"):
        read(folder, text)
    monkeypatch.setenv("BLURSCOPE_MAX_ROWS", "20")
    assert len(read(folder, text)[0]) == 20
    monkeypatch.setenv("BLURSCOPE_MAX_CELL", "nan")
    with pytest.raises(SettingsError, match="BLURSCOPE_MAX_CELL"):
        read(folder, text)
    monkeypatch.delenv("BLURSCOPE_MAX_CELL")
    with pytest.raises(SettingsError, match="larger than"):
        read(folder, text, limits=Limits(megabytes=1e-6))


def test_ten_thousand_rows_are_read_quickly(folder):
    text = "file,label\n" + "".join(f"a.jpg,unit {n}\n" for n in range(10_000))
    begun = time.perf_counter()
    assert len(read(folder, text)[0]) == 10_000
    assert time.perf_counter() - begun < 10


# ------------------------------------------------------------------------------------------------ folders and patterns


def test_what_stands_for_photos(folder):
    for name in ("c.TIF", ".hidden.jpg", "notes.txt", "m.csv"):
        (folder / name).write_bytes(b"x")
    (folder / "sub.jpg").mkdir()
    names = [Path(p).name for p in photos_in([folder], leave_out=folder / "b.jpg")]
    assert names == ["Größe.jpg", "a.jpg", "c.TIF"]
    assert [Path(p).name for p in photos_in([folder / "[ab].*"])] == ["a.jpg", "b.jpg"]
    assert photos_in(["gone.jpg"]) == ["gone.jpg"]
    (folder / "x[1].jpg").write_bytes(b"x")
    assert photos_in([folder / "x[1].jpg", folder / "x[1].jpg"]) == [str(folder / "x[1].jpg")]
    for nothing in (folder / "sub.jpg", folder / "*.png"):
        with pytest.raises(SettingsError, match="no photo"):
            photos_in([nothing])


def test_names_that_are_not_unicode(captures, tmp_path):
    folder = tmp_path / "shots"
    folder.mkdir()
    odd = os.path.join(os.fsencode(folder), b"b\xefrch.jpg")
    try:
        shutil.copy(captures / "birch.jpg", odd)
    except OSError:
        pytest.skip("this disk takes Unicode names only")
    (folder / "m.csv").write_text("file,label\n*.jpg,Birch\n")
    result = measure_batch(folder / "m.csv", out=tmp_path / "out", jobs=1, defaults={"pattern": captures / "plate"})
    assert result.ok and json.loads((tmp_path / "out" / "Birch.json").read_text("utf-8"))["label"] == "Birch"
    assert photos_in([folder]) == [os.fsdecode(odd)]


def test_a_folder_of_shots_is_one_display_and_its_still_is_left_out(captures, tmp_path, capsys):
    folder = tmp_path / "shots"
    folder.mkdir()
    layout = make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]
    for name in ("alder_1.jpg", "alder_2.jpg"):
        shutil.copy(captures / name, folder)
    still = film_still(layout, Panel(), Camera(campx_per_px=2.5, file_format="jpeg"), seed=9).data
    (folder / "still.jpg").write_bytes(still)
    line = ["measure", str(folder), "--pattern", str(captures / "plate"), "--still", str(folder / "still.jpg")]
    assert main([*line, "--json", str(tmp_path / "a.json")]) == 0
    used = read_json(tmp_path / "a.json", "blurscope.measurement/1")["photos"]
    assert sorted(Path(p["photo"]["path"]).name for p in used) == ["alder_1.jpg", "alder_2.jpg"]


@pytest.mark.parametrize(
    "line",
    [
        [],
        ["a.jpg"],
        ["a.jpg", "--pattern", "p", "--out", "o"],
        ["a.jpg", "--pattern", "p", "--jobs", "2"],
        ["--manifest", "m.csv"],
        ["a.jpg", "--manifest", "m.csv", "--out", "o"],
        ["--each", "--pattern", "p", "--out", "o"],
        ["a.jpg", "--each", "--out", "o"],
        ["--manifest", "m.csv", "--out", "o", "--json", "x.json"],
        ["--manifest", "m.csv", "--out", "o", "--overwrite", "--resume"],
    ],
)
def test_wrong_usage(line, capsys):
    assert main(["measure", *line]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("line", [["--jobs", "0"], ["--jobs", "-1"], ["--scheduler", "nonsense"]])
def test_values_that_cannot_be_used(captures, tmp_path, capsys, line):
    if "--scheduler" in line:
        pytest.importorskip("distributed")
    out = tmp_path / "out"
    assert main(["measure", "--manifest", str(captures / "shots.csv"), "--out", str(out), *line]) == 1
    errors = capsys.readouterr().err.strip()
    assert line[0] in errors.splitlines()[-1] and "Traceback" not in errors


def test_missing_packages_are_one_sentence(captures, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(SettingsError, match="pip install pyarrow"):
        again(captures, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    monkeypatch.setitem(sys.modules, "dask", None)
    with pytest.raises(SettingsError, match=r"pip install 'dask\[distributed\]'"):
        measure_batch(captures / "shots.csv", out=tmp_path / "out", scheduler="tcp://127.0.0.1:9")
