"""The demo: three handhelds from pattern to verdicts, and a folder that is left alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import blurscope as bs
from blurscope.cli import main

jsonschema = pytest.importorskip("jsonschema")
SCHEMAS = Path(bs.__file__).parent / "schemas"


@pytest.mark.parametrize("make", ["folder", "file"])
def test_what_is_there_is_left_alone(tmp_path, capsys, make):
    target = tmp_path / "mine"
    if make == "folder":
        target.mkdir()
        (target / "notes.txt").write_text("keep")
    else:
        target.write_text("keep")
    assert main(["demo", str(target)]) == 1
    said = capsys.readouterr()
    assert [line for line in said.err.splitlines() if line.startswith("blurscope: ")] and "demo OUT" in said.err
    assert said.out == "" and "Traceback" not in said.err
    assert [p.name for p in tmp_path.rglob("*")] == (["mine", "notes.txt"] if make == "folder" else ["mine"])


@pytest.mark.slow
def test_the_demo_tells_the_truth_and_finds_the_planted_fault(tmp_path, capsys):
    from blurscope.demo import SLOWER_TIMES, SLOWER_UNIT, UNITS

    out = tmp_path / "terminals"
    assert main(["demo", str(out)]) == 0
    said = capsys.readouterr().out
    for unit in UNITS:
        data, truth, verdict = (
            json.loads((out / unit / f"{kind}.json").read_text("utf-8"))
            for kind in ("measurement", "truth", "agreement")
        )
        for kind, found in (("measurement", data), ("agreement", verdict)):
            schema = json.loads((SCHEMAS / f"{kind}.schema.json").read_text("utf-8"))
            assert list(jsonschema.Draft202012Validator(schema).iter_errors(found)) == []
        true = {(t["from_level"], t["to_level"]): t["bet_ms"] for t in truth["transitions"]}
        off = [e["bet_ms"]["value"] / true[e["from_level"], e["to_level"]] - 1 for e in data["edges"]]
        assert len(off) == 20 and np.mean(np.abs(off) < 0.02) >= 0.9
        assert f"{data['summary']['bet_ms_mean']['value']:.2f}" in said
        assert f"{unit.capitalize()}: {verdict['summary']['verdict']}" in said
        if unit == SLOWER_UNIT:  # its records were taken in the cold
            assert verdict["summary"]["verdict"] == "disagree"
            first = verdict["causes"][0]
            assert first["cause"] == "common_factor"
            assert first["estimate"]["value"] == pytest.approx(1 / SLOWER_TIMES, rel=0.05)
        elif unit == "alder":
            assert verdict["summary"]["verdict"] == "agree"
    for name in ("response.png", "response.svg", "bet.png", "bet.svg"):
        assert (out / name).stat().st_size > 10_000 and str(out / "response.png") in said
    assert (out / "board.png").stat().st_size > 100_000 and str(out / "board.png") in said
    assert (out / "report.html").stat().st_size > 100_000
    assert said.strip().splitlines()[-1].endswith("report.html")
