"""Many displays: what comes out, what is kept of an earlier run, and what is said meanwhile."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import sys
from pathlib import Path

import pytest
from batch_makers import ROOT, again, contents, rows_of, valid

import blurscope as bs
from blurscope.batch import Limits, measure_batch
from blurscope.cli import main
from blurscope.files import read_json

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
def test_killed_at_random_moments_it_ends_as_if_undisturbed(tmp_path, monkeypatch):
    spec = importlib.util.spec_from_file_location("kill", ROOT / "benchmarks" / "kill.py")
    kill = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "kill", kill)
    spec.loader.exec_module(kill)
    manifest = kill.make_captures(tmp_path / "captures", 3)
    done = kill.kill_and_resume(manifest, tmp_path, kills=4, jobs=2, seed=3, say=lambda _: None)
    assert done.batches >= 1 and len(done.stages) == 4 and set(done.stages) != {"0 results"}


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

    from blurscope.batch.rows import COLUMNS
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
