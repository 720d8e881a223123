"""The plan: closed forms of the blur to expect, its choices, its warnings and its file."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

import blurscope as bs
from blurscope.cli import main
from blurscope.plan import PlanRequest, blur_edge_time, make_plan, part_exposure_bew
from blurscope.shapes import LN9

jsonschema = pytest.importorskip("jsonschema")
SCHEMA = json.loads((Path(bs.__file__).parent / "schemas" / "plan.schema.json").read_text("utf-8"))


@pytest.mark.parametrize(
    ("response_ms", "hz", "bet_ms"),  # closed forms: hold convolved with an exponential, Lambert W inverse
    [(1, 60, 13.3376741261), (6, 60, 14.318294909), (21, 60, 25.2630302149), (6, 120, 8.99092780496)],
)
def test_expected_blur_is_the_closed_form(response_ms, hz, bet_ms):
    assert blur_edge_time(response_ms / LN9 * hz / 1000) * 1000 / hz == pytest.approx(bet_ms, abs=2e-3)


@pytest.mark.parametrize(
    ("exposure", "low", "high"),  # two-level density of width one hold, extremes over the shutter's phase
    [(1.5, 0.7, 0.85), (2.5, 0.75, 0.83333333), (4.1, 0.795, 0.82), (4.5, 0.775, 0.82), (8.5, 0.7875, 0.81111111)],
)
def test_exposure_of_not_whole_refreshes(exposure, low, high):
    whole, f = divmod(exposure, 1)
    error, least, most = part_exposure_bew(exposure)
    assert error == pytest.approx(f * (1 - f) / exposure, abs=1e-9)
    assert (least, most) == (pytest.approx(low, abs=2e-3), pytest.approx(high, abs=2e-3))
    assert part_exposure_bew(whole) == (0.0, 0.8, 0.8)


def test_plan_chooses_whole_refreshes_and_fits_its_schema():
    plan = make_plan(PlanRequest(width_px=800, height_px=480, px_per_refresh=8, levels=4))
    jsonschema.Draft202012Validator(SCHEMA).validate(plan)
    assert plan["exposure"]["exposure_s"] == pytest.approx(plan["exposure"]["refreshes"] / 60)
    assert plan["exposure"]["shutter_refreshes"] == pytest.approx(plan["exposure"]["refreshes"], abs=0.1)
    assert plan["campx_per_px"] == pytest.approx(6000 / 880)
    assert plan["warnings"] == []


def test_a_shaky_hand_gets_shorter_exposures():
    def refreshes(tracking):
        r = PlanRequest(width_px=800, height_px=480, px_per_refresh=8, levels=3, tracking_px_per_refresh=tracking)
        return make_plan(r)["exposure"]["longest_refreshes"]

    assert refreshes(0.1) == 8 and refreshes(1.0) == 2  # 0.35 x 8 px / 1 px


def test_what_spoils_a_capture_is_said():
    plan = make_plan(
        PlanRequest(
            width_px=800, height_px=480, px_per_refresh=8, levels=3, camera_width_campx=1400, camera_height_campx=900,
            tracking_px_per_refresh=4.0, readout_ms=60.0, lens_sigma_campx=3.0, shutters_s=(0.024,), response_ms=0.1,
        )
    )  # fmt: skip
    text = " ".join(plan["warnings"])
    for word in ("campx per px", "shutter setting", "tracking error", "rows are exposed", "lens blurs", "upper bound"):
        assert word in text


def test_command(tmp_path, capsys):
    out = tmp_path / "plan.json"
    assert main(["plan", "--size", "800x480", "--levels", "3", "--px-per-refresh", "8", "--json", str(out)]) == 0
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(out.read_text()))
    assert "px per refresh" in capsys.readouterr().out
    assert main(["plan", "--size", "large"]) == 1
    assert "--size" in capsys.readouterr().err
    assert main(["plan", "--size", "800x480", "--shutters", "1/0"]) == 1
    assert main(["plan", "--size", "100x100"]) == 1


def exposure_of(**more):
    return make_plan(PlanRequest(**({"width_px": 800, "height_px": 480, "px_per_refresh": 8, "levels": 3} | more)))


def test_the_exposure_is_that_of_a_setting_that_the_camera_has():
    def refreshes(*shutters_s, **more):
        x = exposure_of(shutters_s=shutters_s, **more)["exposure"]
        return x["refreshes"], round(x["shutter_refreshes"], 9)

    assert refreshes(1 / 40) == (2, 1.5)  # not the third refresh, which the camera can't reach
    assert refreshes(1 / 1e6, 1 / 15, 1 / 4) == (4, 4.0)
    assert refreshes(1 / 60, refresh_hz=240.0, width_px=1920, height_px=1080) == (4, 4.0)
    long = exposure_of(shutters_s=(2.0,))
    assert long["exposure"]["refreshes"] == 120
    assert any("more than the 8 that plate and tracking leave room for" in w for w in long["warnings"])


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"refresh_hz": 0.0}, "0 Hz"),
        ({"refresh_hz": math.nan}, "nan Hz"),
        ({"width_px": 10**9}, "1000000000x480"),
        ({"px_per_refresh": 10**9}, "1000000000 px per refresh"),
        ({"shutters_s": (1e-6,)}, "longest shutter setting, 1e-06 s"),
        ({"shutters_s": ()}, "--shutters"),
        ({"shutters_s": (math.nan, 0.1)}, "--shutters"),
        ({"shutters_s": (math.inf,)}, "--shutters"),
        ({"readout_ms": math.nan}, "--readout-ms"),
        ({"readout_ms": math.inf}, "--readout-ms"),
        ({"lens_sigma_campx": math.nan}, "--lens-sigma-campx"),
        ({"tracking_px_per_refresh": -0.1}, "--tracking"),
        ({"white_snr": math.nan}, "--white-snr"),
        ({"response_ms": math.nan}, "--response-ms"),
    ],
)
def test_nonsense_is_refused_in_one_sentence(wrong, said):
    with pytest.raises(bs.BlurscopeError) as err:
        exposure_of(**wrong)
    assert said in str(err.value) and "\n" not in str(err.value)
