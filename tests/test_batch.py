"""Many displays: manifest, resume, names and links, dying processes, full disks, and a real cluster."""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import os
import re
import resource
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import blurscope as bs
from blurscope.batch import Display, Limits, displays_of_photos, measure_batch, photos_in, read_manifest
from blurscope.batch.pool import run_local
from blurscope.batch.store import safe_names
from blurscope.batch.task import Task, packed, run_task
from blurscope.camera import Camera, Response, film, film_still
from blurscope.camera import Display as Panel
from blurscope.cli import main
from blurscope.errors import OutputError, SettingsError
from blurscope.files import read_json, write_json
from blurscope.pattern.budget import make_layouts

jsonschema = pytest.importorskip("jsonschema")
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
    schema = json.loads((Path(bs.__file__).parent / "schemas" / f"{name}.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    """Shots of three made-up handhelds on a small screen, and a file that is no photo."""
    folder = tmp_path_factory.mktemp("captures")
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


@pytest.fixture(scope="module")
def done(captures, tmp_path_factory):
    """The undisturbed batch through the command line."""
    out = tmp_path_factory.mktemp("batch") / "out"
    code = main(["measure", "--manifest", str(captures / "shots.csv"), "--out", str(out), "--parquet", "--jobs", "2"])
    assert code == 1  # three rows are refused
    return out


@pytest.fixture
def copy(done, tmp_path):
    """A copy of the finished results."""
    return Path(shutil.copytree(done, tmp_path / "out"))


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


# ------------------------------------------------------------------------------------------------ what comes out


def test_results_are_those_of_single_measurements(captures, done):
    single = bs.measure(captures / "birch.jpg", pattern=captures / "plate", refresh_hz=60, label="Birch")
    result = read_json(done / "Birch.json", "blurscope.measurement/1")
    for mine, theirs in zip(result["edges"], single.as_json()["edges"], strict=True):
        assert mine["bet_ms"]["value"] == pytest.approx(theirs["bet_ms"]["value"], rel=1e-6)
    assert result["label"] == "Birch" and result["capture"]["notes"] == {"mode": "day"}
    assert result["photo"]["path"] == str(captures / "birch.jpg")
    assert read_json(done / "Cedar.json", "blurscope.measurement/1")["capture"]["refresh_hz"] == 120


def test_rows_of_one_label_are_combined(done):
    result = read_json(done / "Alder.json", "blurscope.measurement/1")
    assert [p["used"] for p in result["photos"]] == [True, True]
    assert {Path(p["photo"]["path"]).name for p in result["photos"]} == {"alder_1.jpg", "alder_2.jpg"}


def test_every_file_follows_its_schema(done):
    assert sorted(p.name for p in done.iterdir()) == sorted(
        ["Alder.json", "Birch.json", "Cedar.json", "batch.json", "summary.csv", "summary.parquet", "refused.csv"]
    )
    for name in ("Alder", "Birch", "Cedar"):
        valid("measurement", json.loads((done / f"{name}.json").read_text("utf-8")))
    index = json.loads((done / "batch.json").read_text("utf-8"))
    valid("batch", index)
    assert index["counts"] == {"displays": 5, "done": 3, "refused": 2, "refused_rows": 1} and index["finished"]


def test_the_summary_has_the_figures_of_the_files(done):
    rows = rows_of(done / "summary.csv")
    assert [r["label"] for r in rows] == ["Alder", "Birch", "Cedar"]
    for row in rows:
        summary = read_json(done / row["result"], "blurscope.measurement/1")["summary"]
        for name in ("bet_ms_mean", "ghost_ms_max", "response_ms_mean"):
            assert float(row[name]) == summary[name]["value"] and float(row[f"{name}_u95"]) == summary[name]["u95"]
        assert int(row["edges_ok"]) == summary["edges_ok"]
    assert [r["note:mode"] for r in rows] == ["day", "day", "night"]
    assert [r["photos_used"] for r in rows] == ["2", "1", "1"]


def test_parquet_holds_what_csv_holds(done):
    parquet = pytest.importorskip("pyarrow.parquet")
    table = parquet.read_table(done / "summary.parquet").to_pylist()
    for row, text in zip(table, rows_of(done / "summary.csv"), strict=True):
        assert list(row) == list(text)
        assert {k: "" if v is None else str(v) for k, v in row.items()} == text


def test_what_was_refused_is_listed_with_its_reason(done):
    refused = {r["label"]: r for r in rows_of(done / "refused.csv")}
    assert set(refused) == {"words", "gone", "odd"}
    assert "text, not with a picture" in refused["words"]["reason"] and refused["words"]["what"] == "display"
    assert "does not exist" in refused["gone"]["reason"] and refused["gone"]["line"] == "7"
    assert "line 8" in refused["odd"]["reason"] and "'nan'" in refused["odd"]["reason"]


def test_each_photo_on_its_own(captures, tmp_path, capsys):
    folder = tmp_path / "shots"
    folder.mkdir()
    shutil.copy(captures / "birch.jpg", folder / "birch_a.jpg")
    line = ["measure", str(folder), "--each", "--pattern", str(captures / "plate"), "--out", str(tmp_path / "out")]
    assert main(line) == 0
    assert "birch_a" in capsys.readouterr().out
    assert main([*line, "--resume"]) == 0
    assert "1 kept" in capsys.readouterr().err
    assert (tmp_path / "out" / "birch_a.json").exists()


# ------------------------------------------------------------------------------------------------ going on


def test_a_second_run_measures_only_what_was_refused(captures, copy):
    before = contents(copy)
    result = again(captures, copy)
    assert (result.kept, result.measured) == (3, 2) and not result.ok
    assert contents(copy) == before


def test_changed_inputs_are_measured_anew_and_the_rest_is_kept(captures, done, tmp_path):
    folder = Path(shutil.copytree(captures, tmp_path / "captures"))
    out = Path(shutil.copytree(done, tmp_path / "out"))
    assert measure_batch(folder / "shots.csv", out=out, jobs=1).kept == 3  # where the files lie doesn't count
    old = read_json(out / "Cedar.json", "blurscope.measurement/1")
    shutil.copy(folder / "birch.jpg", folder / "cedar.jpg")
    result = measure_batch(folder / "shots.csv", out=out, jobs=1)
    assert result.kept == 2
    new = read_json(out / "Cedar.json", "blurscope.measurement/1")
    assert new["photo"]["sha256"] != old["photo"]["sha256"] and new["batch"] != old["batch"]


def test_a_result_whose_photo_is_spoilt_does_not_stay(captures, done, tmp_path):
    folder = Path(shutil.copytree(captures, tmp_path / "captures"))
    out = Path(shutil.copytree(done, tmp_path / "out"))
    (folder / "cedar.jpg").write_bytes(b"\xff\xd8\xff")
    result = measure_batch(folder / "shots.csv", out=out, jobs=1)
    assert not (out / "Cedar.json").exists() and (out / "Birch.json").exists()
    assert "Cedar" in {r.label for r in result.refused}


def test_an_edited_or_cut_result_is_not_taken_for_finished(captures, copy):
    (copy / "Birch.json").write_bytes((copy / "Birch.json").read_bytes()[:500])
    result = measure_batch(captures / "birch.csv", out=copy, jobs=1)
    assert "not from an earlier batch" in {r.label: r.reason for r in result.refused}["Birch"]
    assert measure_batch(captures / "birch.csv", out=copy, jobs=1, overwrite=True).measured == 1
    assert read_json(copy / "Birch.json", "blurscope.measurement/1")["label"] == "Birch"


def test_rests_of_a_killed_run_are_taken_away(captures, copy):
    (copy / ".blurscope-abc.part").write_bytes(b"half")
    again(captures, copy)
    assert not [p for p in copy.iterdir() if p.name.startswith(".")]


@pytest.mark.slow
def test_killed_at_random_moments_it_ends_as_if_undisturbed(tmp_path):
    spec = importlib.util.spec_from_file_location("kill", ROOT / "benchmarks" / "kill.py")
    kill = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(kill)
    manifest = kill.make_captures(tmp_path / "captures", 3)
    assert kill.kill_and_resume(manifest, tmp_path, kills=3, jobs=2, seed=3, say=lambda _: None) >= 1


# ------------------------------------------------------------------------------------------------ processes


def children_of(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children")
    threads = Path(f"/proc/{pid}/task").glob("*/children") if found.exists() else []
    kids = [int(x) for path in threads for x in path.read_text().split()]
    return [k for k in kids if b"blurscope.batch.worker" in Path(f"/proc/{k}/cmdline").read_bytes()]


needs_proc = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")


@needs_proc
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_killed_process_costs_its_display_only(captures, done, tmp_path, jobs):
    """Killed when the first result is there: by then each process has its next display."""
    out = tmp_path / "out"
    victims = []

    def kill(finished, _all):
        if finished == 1 and not victims:
            victims.extend(children_of(os.getpid())[:1])
            os.kill(victims[0], signal.SIGKILL)

    result = measure_batch(captures / "three.csv", out=out, jobs=jobs, progress=kill)
    killed = [r for r in result.refused if "SIGKILL" in r.reason]
    assert victims and len(killed) == 1 and len(result.rows) == 2 and not result.ok
    assert len(rows_of(out / "summary.csv")) == 2 and rows_of(out / "refused.csv")[0]["label"] == killed[0].label
    assert measure_batch(captures / "three.csv", out=out, jobs=1).measured == 1
    assert (out / "Birch.json").read_bytes() == (done / "Birch.json").read_bytes()


def test_a_display_that_takes_too_long_is_refused(captures):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    outcome = next(iter(run_local([Task(number=0, display=display)], jobs=1, seconds=0.01)))
    assert outcome.result is None and "longer than 0.01 s" in outcome.reason


@needs_proc
def test_ctrl_c_keeps_what_is_done(captures, done, tmp_path):
    out = tmp_path / "out"
    batch = start(captures, out, "--jobs", "1", "--parquet")
    deadline = time.monotonic() + 60
    while not list(out.glob("[ABC]*.json")) and time.monotonic() < deadline:
        time.sleep(0.02)
    kids = children_of(batch.pid)
    batch.send_signal(signal.SIGINT)
    errors = batch.communicate(timeout=60)[1].decode()
    assert batch.returncode == 1 and "Traceback" not in errors and "stopped" in errors
    index = json.loads((out / "batch.json").read_text("utf-8"))
    valid("batch", index)
    assert not index["finished"] and 1 <= index["counts"]["done"] < 3
    assert len(rows_of(out / "summary.csv")) == index["counts"]["done"]
    time.sleep(0.2)
    assert not [k for k in kids if Path(f"/proc/{k}/cmdline").exists() and Path(f"/proc/{k}/cmdline").read_bytes()]
    again(captures, out)
    assert contents(out) == contents(done)


def test_two_batches_do_not_write_into_one_folder(captures, copy):
    import fcntl

    before = contents(copy)
    handle = os.open(copy, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        with pytest.raises(OutputError, match="another batch is writing"):
            again(captures, copy)
        assert contents(copy) == before
    finally:
        os.close(handle)
    assert again(captures, copy).kept == 3


def test_started_twice_at_once_results_are_whole(captures, done, tmp_path):
    out = tmp_path / "out"
    both = [start(captures, out, "--parquet", "--jobs", "1") for _ in range(2)]
    errors = [p.communicate(timeout=120)[1].decode() for p in both]
    assert all("Traceback" not in e for e in errors)
    assert contents(out) == contents(done)
    late = [e for e in errors if "another batch is writing" in e or "3 kept" in e]
    assert len(late) == 1


def test_whatever_happens_inside_one_display_is_a_refusal(captures, monkeypatch):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    for error, words in (
        (TypeError("odd"), "unexpectedly"),
        (MemoryError(), "memory"),
        (OSError(5, "bad disk"), "bad"),
    ):

        def broken(*_, error=error, **__):
            raise error

        monkeypatch.setattr("blurscope.pipeline.measure", broken)
        outcome = run_task(Task(number=3, display=display))
        assert outcome.number == 3 and outcome.result is None and words in outcome.reason


def test_another_version_on_the_other_side_is_refused(captures):
    display = displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0]
    assert "install the same" in run_task(Task(number=0, display=display, version="0.0.0")).reason


# ------------------------------------------------------------------------------------------------ disks


def test_a_full_disk_is_one_sentence_and_leaves_nothing_half_written(captures, done, tmp_path):
    out = tmp_path / "out"
    size = min((done / f"{name}.json").stat().st_size for name in UNITS)

    def small_disk():
        resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, size // 2))

    batch = start(captures, out, "--jobs", "1", preexec_fn=small_disk)
    errors = batch.communicate(timeout=120)[1].decode()
    assert batch.returncode == 1 and "Traceback" not in errors
    assert "can't be written (File too large)" in errors.strip().splitlines()[-1]
    assert [p.name for p in out.iterdir()] == ["batch.json"]
    again(captures, out)
    assert contents(out) == contents(done)


def test_a_full_disk_in_the_middle_keeps_what_is_there(captures, done, copy, monkeypatch):
    """The same through the functions, with the error that a full disk gives."""
    (copy / "Cedar.json").unlink()

    def full(_):
        raise OSError(28, "No space left on device")

    before = contents(copy)
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(OutputError, match="No space left on device"):
            again(captures, copy)
    assert contents(copy) == before
    again(captures, copy)
    assert contents(copy) == contents(done)


def test_folders_that_cannot_be_written(captures, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        again(captures, tmp_path / "file")
    with pytest.raises(OutputError, match="can't be made"):
        again(captures, tmp_path / "file" / "out")
    with pytest.raises(OutputError, match="can't be made"):
        again(captures, "a\0b")
    (tmp_path / "locked").mkdir()
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK)
    with pytest.raises(OutputError, match="can't be written to"):
        again(captures, tmp_path / "locked")
    assert list((tmp_path / "locked").iterdir()) == []


# ------------------------------------------------------------------------------------------------ names and links


def display(label: str, **more) -> Display:
    return Display(label=label, photos=("a.jpg",), pattern="p.json", **more)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=80), min_size=1, max_size=20))
def test_names_are_safe_and_differ_whatever_the_labels(labels):
    names = safe_names([display(label, lines=(n,)) for n, label in enumerate(labels)])
    assert len({n.casefold() for n in names}) == len(labels)
    for name in names:
        assert name == os.path.basename(name) and name.endswith(".json") and not name.startswith((".", "-"))
        assert len(os.fsencode(name)) < 255 and all(c.isalnum() or c in "-_." for c in name)
        assert name not in ("batch.json", "summary.json")


@pytest.mark.parametrize("label", ["../../etc/x", "/etc/x", "..", ".", "a/b\\c", "con", "batch", "\u202ex", "x" * 300])
def test_hostile_labels_stay_in_the_folder(label):
    name = safe_names([display(label)])[0]
    assert "/" not in name and "\\" not in name and name not in (".json", "..json", "con.json", "batch.json")


def test_names_do_not_depend_on_other_displays_unless_they_collide():
    assert safe_names([display("Birch"), display("Alder")]) == ["Birch.json", "Alder.json"]
    both = safe_names([display("A/B"), display("a b")])
    assert both[0].startswith("A_B-") and both[1].startswith("a_b-")
    assert safe_names([display("a b"), display("A/B")]) == both[::-1]


def test_a_link_in_the_folder_is_never_followed(captures, copy, tmp_path):
    outside = tmp_path / "mine.json"
    outside.write_text("mine")
    (copy / "Birch.json").unlink()
    (copy / "Birch.json").symlink_to(outside)
    (copy / "summary.csv").unlink()
    (copy / "summary.csv").symlink_to(outside)
    result = measure_batch(captures / "birch.csv", out=copy, jobs=1)
    assert "is a link" in {r.label: r.reason for r in result.refused}["Birch"]
    assert outside.read_text() == "mine" and not (copy / "summary.csv").is_symlink()
    assert measure_batch(captures / "birch.csv", out=copy, jobs=1, overwrite=True).ok
    assert outside.read_text() == "mine" and not (copy / "Birch.json").is_symlink()


def test_files_of_yours_are_left_alone(captures, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"summary\.csv exists and is not from an earlier batch"):
        again(captures, out)
    assert contents(out) == {"summary.csv": b"mine"}


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


# ------------------------------------------------------------------------------------------------ other machines


def test_sent_as_bytes_the_result_is_the_same(captures, done, tmp_path):
    folder = Path(shutil.copytree(captures, tmp_path / "captures"))
    displays, _ = read_manifest(folder / "shots.csv")
    sent = [packed(Task(number=n, display=d)) for n, d in enumerate(displays)]
    shutil.rmtree(folder)  # nothing is read from here any more
    for task in sent[1:2] + sent[4:]:
        outcome = run_task(task)
        if task.display.label in UNITS:
            mine = json.loads((done / f"{task.display.label}.json").read_text("utf-8"))
            theirs = json.loads(outcome.result)
            assert theirs["batch"] == mine["batch"] and theirs["photo"]["path"] == str(folder / "birch.jpg")
            assert theirs["edges"] == mine["edges"]
        else:
            assert str(folder) in outcome.reason and "/blurscope-" not in outcome.reason


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@pytest.mark.slow
@pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="needs dask[distributed]")
def test_a_cluster_of_separate_processes_with_one_killed_in_the_middle(captures, done, tmp_path):
    address = f"tcp://127.0.0.1:{free_port()}"
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    quiet = dict(stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=tmp_path, env=env)
    dask = [sys.executable, "-m", "dask"]
    port = address.rpartition(":")[2]
    running = [subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"], **quiet)]
    try:
        options = ["--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(tmp_path / "dask")]
        running += [subprocess.Popen([*dask, "worker", address, *options], **quiet) for _ in range(2)]
        out = tmp_path / "out"
        batch = start(captures, out, "--scheduler", address, "--parquet")
        deadline = time.monotonic() + 90
        while not list(out.glob("[ABC]*.json")) and batch.poll() is None and time.monotonic() < deadline:
            time.sleep(0.02)
        running[1].kill()
        errors = batch.communicate(timeout=120)[1].decode()
        assert batch.returncode == 1 and "Traceback" not in errors, errors
        assert contents(out) == contents(done)
    finally:
        for process in running[::-1]:
            process.kill()
            process.wait()


@pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="needs dask[distributed]")
def test_no_scheduler_is_one_sentence(captures, tmp_path):
    from blurscope.batch.cluster import run_cluster

    task = Task(number=0, display=displays_of_photos([captures / "birch.jpg"], pattern=str(captures / "plate"))[0])
    with pytest.raises(SettingsError, match="no scheduler answers"):
        list(run_cluster([task], address=f"tcp://127.0.0.1:{free_port()}", seconds=5, say=lambda _: None, wait_s=1))


# ------------------------------------------------------------------------------------------------ progress


def test_progress_says_how_many_and_how_long(capsys, monkeypatch):
    from blurscope.cli import _batch

    now = [0.0]
    monkeypatch.setattr(_batch.time, "monotonic", lambda: now[0])
    clock = _batch.Clock()
    clock(2, 12)
    for done in range(3, 13):
        now[0] += 3.0
        clock(done, 12)
    said = capsys.readouterr().err.splitlines()
    assert said[0].strip() == "2 of 12 displays are there already"
    assert said[1].strip() == "3 of 12 displays, about 27 s left" and said[-1].strip() == "12 of 12 displays"
    assert [_batch.duration(s) for s in (0.2, 40, 600, 11_000)] == ["1 s", "40 s", "10 min", "3 h 3 min"]


# ------------------------------------------------------------------------------------------------ the page


def test_the_page_names_every_column_limit_and_file():
    from dataclasses import fields

    from blurscope.batch.manifest import COLUMNS
    from blurscope.batch.store import OWN_FILES
    from blurscope.batch.summary import REFUSAL_COLUMNS

    page = (ROOT / "docs" / "batches.md").read_text("utf-8")
    assert all(f"`{column}`" in page for column in COLUMNS)
    assert all(f"`{name}`" in page for name in OWN_FILES) and f"`{','.join(REFUSAL_COLUMNS)}`" in page
    limits = Limits()
    for f, variable in zip(fields(Limits), re.findall(r"``(BLURSCOPE_\w+)``", Limits.__doc__), strict=True):
        line = next(line for line in page.splitlines() if f"`{variable}`" in line)
        assert f"{getattr(limits, f.name):,.0f}" in line


def test_it_is_a_function_of_the_package():
    assert bs.measure_batch is measure_batch and "measure_batch" in bs.__all__
