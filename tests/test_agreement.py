"""Normalised errors, the joint verdict and the causes, on made-up displays whose truth is known."""

import importlib.util
import json
import math
import sys
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from blurscope.agreement.compare import Pair, best_covariance, chi_square, chi_square_p, covariance
from blurscope.cli import main
from blurscope.crosscheck import cross_check_data
from blurscope.model import responses_of
from blurscope.records import Q


def load_scenes():
    """The generator of made-up displays; it simulates by straight sums and does not use the product's model."""
    path = Path(__file__).parent.parent / "benchmarks" / "made_up.py"
    spec = importlib.util.spec_from_file_location("crosscheck_scenes", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["crosscheck_scenes"] = module
    spec.loader.exec_module(module)
    return module


SCENES = load_scenes()
CACHE: dict = {}


def pair_of(seed: int, fault: str, levels: tuple[int, ...] = (0, 64, 128, 255)):
    key = seed, fault, levels
    if key not in CACHE:
        CACHE[key] = json.dumps(SCENES.make_pair(seed, fault, levels=levels))
    return json.loads(CACHE[key])


def judged(measurement, response):
    return cross_check_data(measurement, responses_of(response, "response"))[0]


def schema() -> dict:
    return json.loads(resources.files("blurscope").joinpath("schemas/agreement.schema.json").read_text())


def simple_pair(measured: float, u_measured: float, predicted: float, u_predicted: float, **more) -> Pair:
    return Pair(row=0, from_level=0, to_level=255, quantity="bet_ms", measured=Q(value=measured, u95=u_measured),
                predicted=Q(value=predicted, u95=u_predicted), effects={}, **more)  # fmt: skip


def test_normalised_error_example():
    # Source: ISO 13528 by its published example 13.1 +- 0.25 against 12.9 +- 0.20 (expanded): En = 0.624695047554.
    # The model's own uncertainty (0.01 ms and 0.2 %) lowers it by half a per cent.
    pair = simple_pair(13.1, 0.25, 12.9, 0.20)
    assert pair.en == pytest.approx(0.624695047554, rel=0.02)
    bare = pair.difference / math.sqrt(pair.measured.u95**2 + pair.predicted.u95**2)
    assert bare == pytest.approx(0.624695047554, abs=1e-12)


def test_shared_refresh_rate_is_not_counted_twice():
    """Where both sides move alike with the refresh rate, its uncertainty is no excuse for a difference."""
    q = Q(value=13.3, u95=1.96 * 0.133, parts={"refresh": 0.133})
    alike = Pair(row=0, from_level=0, to_level=255, quantity="bet_ms", measured=Q(value=13.6, u95=0.2), predicted=q,
                 effects={"refresh": 0.133}, shared_effect=0.0)  # fmt: skip
    apart = Pair(row=0, from_level=0, to_level=255, quantity="bet_ms", measured=Q(value=13.6, u95=0.2), predicted=q,
                 effects={"refresh": 0.133}, shared_effect=0.133)  # fmt: skip
    assert alike.en == pytest.approx(0.3 / math.hypot(0.2, 1.96 * alike.model_variance**0.5), rel=1e-4)
    assert apart.en < alike.en


def test_missing_sides_are_null():
    pair = Pair(row=-1, from_level=0, to_level=9, quantity="bet_ms", measured=Q(value=3.0, u95=1.0),
                predicted=Q.missing("not_in_response"), effects={})  # fmt: skip
    assert pair.en is None and not pair.compared


def test_chi_square_with_covariance_against_a_worked_case():
    # Two differences of 1 with variances 1 and correlation 0.5: d' C^-1 d = 2/(1 + 0.5) [derived].
    matrix = np.array([[1.0, 0.5], [0.5, 1.0]])
    assert chi_square(np.ones(2), matrix) == pytest.approx(4 / 3, abs=1e-12)
    assert chi_square_p(5.991464547, 2) == pytest.approx(0.05, abs=1e-9)  # 95 % point of chi-square, 2 degrees


def many_pairs(rng, common: float, count: int = 40) -> list[Pair]:
    shared = rng.standard_normal()
    out = []
    for i in range(count):
        noise = math.sqrt(common) * shared + math.sqrt(1 - common) * rng.standard_normal()
        out.append(Pair(row=i, from_level=0, to_level=i + 1, quantity="bet_ms", measured=Q(value=20 + 0.3 * noise,
                        u95=0.3 * 1.96), predicted=Q(value=20.0, u95=0.05), effects={}))  # fmt: skip
    return out


@pytest.mark.parametrize("common", [0.0, 0.5])
def test_joint_chi_square_does_not_cry_wolf(common):
    """With and without errors that all edges share, 1 % tests fail about 1 % of the time."""
    rng = np.random.default_rng(20240611)
    alarms = 0
    for _ in range(200):
        pairs = many_pairs(rng, common)
        matrix, _, _ = best_covariance(pairs)
        alarms += chi_square_p(chi_square(np.array([p.difference for p in pairs]), matrix), len(pairs)) < 0.01
    assert alarms <= 7  # binomial(200, 0.01) stays below 7 in 99.5 % of runs


def test_covariance_is_symmetric_and_positive():
    measurement, response = pair_of(3, "none")
    rng = np.random.default_rng(1)
    pairs = many_pairs(rng, 0.3, 12)
    for together in (0.0, 1.0):
        for common in (0.0, 0.75):
            matrix = covariance(pairs, together, common)
            assert np.allclose(matrix, matrix.T)
            assert np.linalg.eigvalsh(matrix).min() > 0
    assert len(measurement["edges"]) == len(response["transitions"]) == 12


@pytest.mark.parametrize("seed", [1, 3])
def test_nothing_wrong_agrees(seed):
    measurement, response = pair_of(seed, "none")
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "agree"
    assert report["summary"]["transitions_agreeing"] >= 10
    assert report["summary"]["agreeing"] / report["summary"]["compared"] > 0.85
    assert report["causes"] == []
    import jsonschema

    jsonschema.validate(json.loads(json.dumps(report, allow_nan=False)), schema())


@pytest.mark.parametrize(
    ("fault", "cause", "low", "high"),
    [
        ("refresh", "refresh_rate", 56, 64),
        ("gamma", "display_gamma", 2.05, 2.35),
        ("tracking", "tracking", 0.7, 1.3),
        ("strobe", "strobe", 0.4, 0.6),
    ],
)
def test_planted_fault_is_found_with_its_size(fault, cause, low, high):
    measurement, response = pair_of(3, fault)
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "disagree"
    first = report["causes"][0]
    assert first["cause"] == cause
    assert low < first["estimate"]["value"] < high
    assert first["estimate"]["u95"] > 0
    assert first["explains_pct"] > 60
    assert first["advice"].endswith(".") and first["advice"].count(". ") == 0
    import jsonschema

    jsonschema.validate(json.loads(json.dumps(report, allow_nan=False)), schema())


def test_slower_panel_is_a_common_factor_not_another_refresh():
    """Every response 1.3 times as long as in the traces (another mode, a cold panel)."""
    measurement, response = pair_of(3, "none")
    for t in response["transitions"]:
        t["step"]["t_ms"] = [v / 1.3 if v > 0 else v for v in t["step"]["t_ms"]]
        for key in ("response_ms", "response_signal_ms"):
            t[key] = {k: v / 1.3 for k, v in t[key].items()}
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "disagree"
    assert report["causes"][0]["cause"] == "common_factor"
    assert report["causes"][0]["estimate"]["value"] == pytest.approx(1.3, abs=0.05)


def test_filtered_traces_are_named():
    """A single pole of 4 ms in front of every record."""
    measurement, response = pair_of(3, "none")
    for t in response["transitions"]:
        times, light = np.array(t["step"]["t_ms"]), np.array(t["step"]["light"])
        decay = math.exp(-(times[1] - times[0]) / 4.0)
        out = np.empty_like(light)
        state = 0.0
        for i, value in enumerate(light):
            state = decay * state + (1 - decay) * value
            out[i] = state
        rise = [times[np.argmax(out >= q)] for q in (0.1, 0.9)]
        ratio = (rise[1] - rise[0]) / t["response_ms"]["value"]
        t["step"]["light"] = out.tolist()
        for key in ("response_ms", "response_signal_ms"):
            t[key] = {k: v * ratio for k, v in t[key].items()}
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "disagree"
    assert report["causes"][0]["cause"] == "trace_filtered"
    assert report["causes"][0]["estimate"]["value"] == pytest.approx(4.0, abs=0.8)


def test_wide_uncertainties_leave_it_undecided():
    measurement, response = pair_of(3, "none")
    for edge in measurement["edges"]:
        for value in edge.values():
            if isinstance(value, dict) and value.get("u95") is not None:
                value["u95"] *= 60
        edge.pop("profile")
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "undecided"
    assert report["causes"] == []


def test_transitions_missing_in_the_response_are_null():
    measurement, response = pair_of(3, "none")
    response["transitions"][2] |= {"response_ms": {"value": None, "u95": None},
                                   "quality": {"ok": False, "flags": ["step_too_small"]}}  # fmt: skip
    gone = response["transitions"].pop(4)
    lost = measurement["edges"].pop(6)
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "agree"
    by_pair = {}
    for e in report["edges"]:
        by_pair.setdefault((e["from_level"], e["to_level"]), []).append(e)
    small = response["transitions"][2]
    assert (lost["from_level"], lost["to_level"]) not in by_pair
    for side in (small, gone):
        found = by_pair[side["from_level"], side["to_level"]]
        assert all(e["en"] is None and e["agrees"] is None for e in found)
    assert "step_too_small" in by_pair[small["from_level"], small["to_level"]][0]["flags"]
    assert "not_in_response" in by_pair[gone["from_level"], gone["to_level"]][0]["flags"]
    assert [w["code"] for w in report["warnings"]] == ["edges_missing"]
    assert report["summary"]["transitions_compared"] == 9


def test_nothing_to_compare_is_undecided():
    measurement, response = pair_of(3, "none")
    for edge in measurement["edges"]:
        for name, value in edge.items():
            if isinstance(value, dict) and "u95" in value:
                edge[name] = {"value": None, "u95": None}
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "undecided" and report["summary"]["compared"] == 0
    assert all(e["en"] is None and e["agrees"] is None for e in report["edges"])
    import jsonschema

    jsonschema.validate(json.loads(json.dumps(report)), schema())


def test_strobed_photo_against_traces_without_strobe():
    """The photo's own backlight block is a hint; the traces know nothing of it, so the two disagree."""
    measurement, response = pair_of(3, "strobe")
    measurement["backlight"] = {"kind": "strobe", "duty": {"value": 0.5, "u95": 0.02},
                                "frequency_hz": {"value": None, "u95": None}}  # fmt: skip
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "disagree"
    assert report["causes"][0]["cause"] == "strobe"
    assert [w["code"] for w in report["warnings"]] == ["backlight_differs"]


def test_strobe_on_both_sides_agrees():
    """Photo and traces of the same strobed display: nothing is wrong with either."""
    seed = 3
    measurement, response = pair_of(seed, "strobe")
    # The generator's flash starts at a drawn share of the refresh and lasts half of it.
    start = strobe_start(seed)
    hold = measurement["capture"]["hold_ms"]
    measurement["backlight"] = {"kind": "strobe", "duty": {"value": 0.5, "u95": 0.01}}
    response["backlight"] = {"kind": "strobe", "duty": {"value": 0.5, "u95": 0.01}, "phase": start}
    for edge in measurement["edges"]:  # an instant pixel goes from 10 % to within 5 % in 0.85 of the flash
        edge["ghost_ms"]["value"] += (0.85 - 0.85 * 0.5) * hold
    for edge in measurement["edges"]:  # the pixel's own response is not what a plain hold would make of it
        edge["response_ms"] = edge["response_signal_ms"] = {"value": None, "u95": None}
    report = judged(measurement, response)
    assert report["summary"]["verdict"] == "agree"
    assert report["capture"]["backlight"] == "strobe"


def strobe_start(seed: int) -> float:
    """Repeat the draws of the generator up to the flash."""
    rng = np.random.default_rng([seed, 5])
    rng.choice([60.0, 60.0, 90.0, 120.0]), rng.choice([8, 12, 16]), rng.choice([4, 6, 8])
    return round(float(rng.uniform(0.0, 0.5)) * SCENES.PHASES) / SCENES.PHASES


def measurement_with_streaks(factor: float):
    """Edges and streaks of one photo; the streaks' responses are ``factor`` times the edges' own."""
    measurement, response = pair_of(3, "none")
    measurement["streaks"] = [
        {"from_level": t["from_level"], "to_level": t["to_level"],
         "response_ms": {k: v * factor for k, v in t["response_ms"].items()},
         "t_ms": [v * factor for v in t["step"]["t_ms"]], "light": t["step"]["light"],
         "quality": {"ok": True, "flags": []}}
        for t in response["transitions"][:8]
    ]  # fmt: skip
    return measurement


@pytest.mark.parametrize(("factor", "verdict"), [(1.0, "agree"), (1.5, "disagree")])
def test_photo_against_its_own_streaks(factor, verdict, tmp_path, capsys):
    path, out = tmp_path / "m.json", tmp_path / "a.json"
    path.write_text(json.dumps(measurement_with_streaks(factor)))
    assert main(["check", str(path), "--json", str(out)]) == 0
    report = json.loads(out.read_text())
    text = capsys.readouterr().out
    assert report["summary"]["verdict"] == verdict and f"verdict: {verdict}" in text
    assert report["response"]["same_photo"] is True
    compared = {(e["from_level"], e["to_level"]) for e in report["edges"] if e["en"] is not None}
    assert len(compared) == 8
    assert "refresh_rate" not in {c["cause"] for c in report["causes"]}
    import jsonschema

    jsonschema.validate(report, schema())


def test_command_with_plots(tmp_path, capsys):
    measurement, response = pair_of(3, "gamma", (0, 128, 255))
    m, r = tmp_path / "m.json", tmp_path / "r.json"
    m.write_text(json.dumps(measurement))
    r.write_text(json.dumps(response))
    assert main(["check", str(m), str(r), "--plot", str(tmp_path / "plots")]) == 0  # 0 whatever the verdict
    out = capsys.readouterr().out
    assert "verdict: disagree" in out and "cause: display_gamma" in out
    files = {p.name for p in (tmp_path / "plots").iterdir()}
    assert files == {"agreement.png", "agreement.svg", "profiles.png", "profiles.svg"}
    assert "Verdict disagree" in (tmp_path / "plots" / "agreement.svg").read_text()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"edges": []}, "no edges"),
        ({"capture": None}, "'capture'"),
        ({"capture": {"refresh_hz": 60}}, "px_per_refresh"),
        ({"tracking": {"exposure_refreshes": {"value": 4e6, "u95": 0.1}}}, "exposure was 4e+06 refreshes"),
        ({"edges": [{"from_level": 0, "to_level": 300}]}, "levels"),
        ({"schema": "blurscope.other/1"}, "blurscope.measurement/1"),
    ],
)
def test_broken_measurements_are_refused_in_one_sentence(change, words, tmp_path, capsys):
    measurement, response = pair_of(3, "none")
    m, r = tmp_path / "m.json", tmp_path / "r.json"
    m.write_text(json.dumps(measurement | change))
    r.write_text(json.dumps(response))
    assert main(["check", str(m), str(r)]) == 1
    refusal = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("  ")]
    assert len(refusal) == 1 and words in refusal[0] and refusal[0].startswith("blurscope: ")


def test_measurement_without_streaks_needs_a_response(tmp_path, capsys):
    measurement, _ = pair_of(3, "none")
    path = tmp_path / "m.json"
    path.write_text(json.dumps(measurement))
    assert main(["check", str(path)]) == 1
    assert "streaks" in capsys.readouterr().err


def test_pictures_have_text_and_stay_the_same():
    from blurscope.plots import agreement_plot, response_matrix

    measurement, response = pair_of(3, "none")
    report = judged(measurement, response)
    drawn = agreement_plot(report)
    assert drawn.alt.startswith("Verdict agree") and drawn.as_bytes("svg") == agreement_plot(report).as_bytes("svg")
    matrix = response_matrix(response, "response_ms")
    values = [t["response_ms"]["value"] for t in response["transitions"]]
    assert f"largest {max(values):.1f}" in matrix.alt and "12 of 12" in matrix.alt
