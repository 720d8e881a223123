"""The captures that ship with the project: what the truth beside them says is what measuring gives."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import blurscope as bs

jsonschema = pytest.importorskip("jsonschema")
CAPTURES = Path(__file__).parent.parent / "fixtures" / "captures"
SCHEMAS = Path(bs.__file__).parent / "schemas"
CASES = sorted(p.name for p in CAPTURES.iterdir())


def schema(name: str):
    return jsonschema.Draft202012Validator(json.loads((SCHEMAS / f"{name}.schema.json").read_text("utf-8")))


def test_all_cases_are_there_and_small():
    assert CASES == ["alder_right", "birch_left", "cedar_120"]
    assert sum(p.stat().st_size for p in CAPTURES.rglob("*") if p.is_file()) < 3_000_000


@pytest.mark.parametrize("case", CASES)
def test_a_capture_gives_its_truth(case):
    """BET within 2 % on ordinary photos, which is what the product promises; two exceptions of twelve for darkness."""
    folder = CAPTURES / case
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    still = folder / "still.jpg"
    result = bs.measure(folder / "photo.jpg", pattern=folder, still=still if still.exists() else None)
    data = json.loads(json.dumps(result.as_json(), default=lambda x: x.as_json()))
    assert list(schema("measurement").iter_errors(data)) == []
    assert list(schema("truth").iter_errors(truth)) == []
    true = {(t["from_level"], t["to_level"]): t for t in truth["transitions"]}
    assert {(e.from_level, e.to_level) for e in result.edges} == set(true)
    found = [e for e in result.edges if e.bet_ms.value is not None]
    assert len(found) == len(true)
    off = np.array([e.bet_ms.value / true[e.from_level, e.to_level]["bet_ms"] - 1 for e in found])
    assert np.sum(np.abs(off) < 0.02) >= len(off) - 2 and abs(np.median(off)) < 0.005
    error = result.tracking["error_px_per_refresh"].value - truth["tracking"]["error_px_per_refresh"]
    assert abs(error) < 0.03
    assert result.tracking["exposure_refreshes"].value == pytest.approx(
        truth["capture"]["exposure_refreshes"], abs=0.05
    )
    assert result.blocks["capture"]["direction"] == truth["capture"]["direction"]


def test_the_still_measures_the_lens_blur_along_the_motion():
    from blurscope.photo import read_photo
    from blurscope.pipeline import read_pattern
    from blurscope.still import lens_from_still

    folder = CAPTURES / "birch_left"
    camera = json.loads((folder / "truth.json").read_text("utf-8"))["camera"]
    sigma, _ = lens_from_still(read_photo(folder / "still.jpg"), read_pattern(folder))
    assert sigma == pytest.approx(camera["lens_sigma_x_campx"] / camera["campx_per_px"], rel=0.03)
