"""Predictions from files and options: figures, uncertainties, refusals, output."""

import json
from importlib import resources

import numpy as np
import pytest

from blurscope.cli import main
from blurscope.errors import SettingsError
from blurscope.model import Viewing, assumed_response, predict_edges, read_responses, responses_of
from blurscope.model.sources import quantity_of, read_back

LN9 = np.log(9)


def schema() -> dict:
    return json.loads(resources.files("blurscope").joinpath("schemas/prediction.schema.json").read_text())


def response_file(**changes) -> dict:
    """Two transitions: an exponential of 21 ms as a record, and a bare time of 6 ms."""
    tau = 21 / LN9
    t = np.arange(-2, 400, 0.05)
    light = np.where(t >= 0, -np.expm1(-np.maximum(t, 0) / tau), 0.0)
    q = {"value": 21.0, "u95": 0.4}
    record = {
        "from_level": 0, "to_level": 128, "response_ms": q, "response_signal_ms": {"value": 15.0, "u95": 0.4},
        "overshoot_pct": {"value": 0.0, "u95": 0.3}, "latency_ms": 1.0,
        "step": {"t_ms": t.tolist(), "light": light.tolist()}, "quality": {"ok": True, "flags": []},
    }  # fmt: skip
    bare = {
        "from_level": 128, "to_level": 0, "response_ms": {"value": 6.0, "u95": 0.1},
        "response_signal_ms": {"value": None, "u95": None}, "overshoot_pct": {"value": None, "u95": None},
        "latency_ms": None, "quality": {"ok": True, "flags": []},
    }  # fmt: skip
    return {"schema": "blurscope.response/1", "label": "Birch", "transitions": [record, bare], "summary": {},
            "warnings": []} | changes  # fmt: skip


def run(argv: list[str], capsys) -> tuple[int, str, str]:
    code = main(argv)
    out = capsys.readouterr()
    return code, out.out, out.err


def test_option_response_gives_the_published_figures(tmp_path, capsys):
    # Source: physics notes, section 3: exponential of 21 ms at 60 Hz.
    target = tmp_path / "p.json"
    code, out, _ = run(["predict", "--response-ms", "21", "--shape", "exponential", "--refresh-hz", "60",
                        "--px-per-refresh", "16", "--json", str(target)], capsys)  # fmt: skip
    assert code == 0 and "every pair" in out
    data = json.loads(target.read_text())
    edge = data["edges"][0]
    assert edge["bet_ms"]["value"] == pytest.approx(25.2630302149, abs=1e-9)
    assert edge["ebet_ms"]["value"] == pytest.approx(31.5787877687, abs=1e-9)
    assert edge["get_ms"]["value"] == pytest.approx(23.8654385701, abs=1e-9)
    assert edge["bew_px"]["value"] == pytest.approx(25.2630302149 * 0.96, abs=1e-9)
    assert edge["ghost_refreshes"]["value"] == pytest.approx(edge["ghost_ms"]["value"] * 0.06, abs=1e-9)
    assert data["reference"]["bew_px"] == pytest.approx(12.8, abs=1e-9)
    import jsonschema

    jsonschema.validate(data, schema())


def test_rules_of_thumb():
    """Common practice, no source: halving the hold halves an instant panel's blur but hardly a 33 ms panel's trail."""

    def bet(response: float, rate: float) -> float:
        responses = assumed_response(response)
        edge = predict_edges(responses.transitions, Viewing(refresh_hz=rate, px_per_refresh=8))[0]
        return edge.figures["bet_ms"].value

    assert bet(0, 120) == pytest.approx(bet(0, 60) / 2, rel=1e-9)
    assert bet(33, 120) > 0.9 * bet(33, 60)
    assert 1.35 < bet(33, 60) / bet(21, 60) < 1.6


def test_sampled_record_predicts_as_its_closed_form(tmp_path):
    path = tmp_path / "r.json"
    path.write_text(json.dumps(response_file()))
    edges = predict_edges(read_responses(path).transitions, Viewing(refresh_hz=120, px_per_refresh=8))
    # Source: physics notes, section 3: exponential at 120 Hz; linear pieces of 0.05 ms cost less than 1e-3 ms.
    assert edges[0].figures["bet_ms"].value == pytest.approx(22.1851537731, abs=1e-3)
    assert edges[0].figures["get_ms"].value == pytest.approx(20.5012360195, abs=1e-3)
    assert edges[1].figures["bet_ms"].value == pytest.approx(8.99092780496, abs=1e-9)
    assert edges[1].transition.origin == "family"


def test_u95_follows_the_response_and_covers_a_monte_carlo():
    u95 = 1.2
    viewing = Viewing(refresh_hz=60, px_per_refresh=16, refresh_u95_share=0.0)
    edge = predict_edges(assumed_response(21, u95_ms=u95).transitions, viewing)[0]
    rng = np.random.default_rng(20240607)
    from blurscope.shapes.bank import make_bank
    from blurscope.shapes.steps import exponential

    bank = make_bank([exponential(r) for r in 21 + u95 / 1.96 * rng.standard_normal(400)], 1000 / 60)
    figures = bank.figures(0.85 * 1000 / 60)
    for name in ("bet_ms", "get_ms", "ghost_ms"):
        spread = 1.96 * float(np.std(figures[name]))
        assert edge.figures[name].u95 == pytest.approx(spread, rel=0.12)  # 400 draws: 7 % at two sigma
    double = predict_edges(assumed_response(21, u95_ms=2 * u95).transitions, viewing)[0]
    assert double.figures["bet_ms"].u95 == pytest.approx(2 * edge.figures["bet_ms"].u95, rel=0.05)


def test_refresh_uncertainty_moves_times_of_a_hold_and_px_of_a_trail():
    viewing = Viewing(refresh_hz=60, px_per_refresh=16, refresh_u95_share=0.01)
    instant = predict_edges(assumed_response(0, "instant").transitions, viewing)[0].figures
    assert instant["bet_ms"].u95 == pytest.approx(0.01 * instant["bet_ms"].value, rel=0.05)
    assert instant["bew_px"].u95 < 0.1 * 0.01 * instant["bew_px"].value + 0.02
    slow = predict_edges(assumed_response(150).transitions, viewing)[0].figures
    assert slow["bet_ms"].u95 < 0.002 * slow["bet_ms"].value
    assert slow["bew_px"].u95 == pytest.approx(0.01 * slow["bew_px"].value, rel=0.1)


def test_grazed_settling_band_spans_both_branches():
    """An overshoot of just under 5 % on the ESF: a little more and the ghost is far longer."""
    t = np.arange(0, 300, 0.1)
    for past in np.arange(0.02, 0.6, 0.0005):  # find the overshoot whose blurred peak is 4.9 %
        light = 1 - (1 + past) * np.exp(-t / 3) + past * np.exp(-t / 25)
        area = np.concatenate([[0.0], np.cumsum(0.5 * (light[1:] + light[:-1]) * 0.1)])
        peak = ((area[167:] - area[:-167]) / 16.7).max() - 1
        if peak > 0.049:
            break
    assert 0.0485 < peak < 0.0499
    entry = {"from_level": 0, "to_level": 255, "response_ms": {"value": 8.0, "u95": 0.6},
             "step": {"t_ms": t.tolist(), "light": light.tolist()}}  # fmt: skip
    responses = responses_of({"schema": "blurscope.response/1", "transitions": [entry]}, "r")
    edge = predict_edges(responses.transitions, Viewing(refresh_hz=60, px_per_refresh=16))[0]
    ghost = edge.figures["ghost_ms"]
    assert ghost.u95 > 5.0


def test_measurement_is_a_response_source():
    """Streaks first; else the fitted ESF is read back into the pixel's own step."""
    hold, travel, tau = 1000 / 60, 16, 12 / LN9
    lag = np.linspace(-16, 140, 600)
    t = lag / travel * hold

    def area(x):
        x = np.maximum(x, 0)
        return x + tau * np.expm1(-x / tau)

    esf = (area(t) - area(t - hold)) / hold
    edge = {"id": "a", "from_level": 0, "to_level": 255, "response_ms": {"value": 12.0, "u95": 0.5},
            "profile": {"lag_px": lag.tolist(), "esf": esf.tolist(), "esf_fit": esf.tolist()}}  # fmt: skip
    fine = np.arange(0, 120, 0.25)
    streak = {"from_level": 255, "to_level": 0, "response_ms": {"value": 5.0, "u95": 0.5}, "t_ms": fine.tolist(),
              "light": (1 - np.exp(-fine * LN9 / 5)).tolist(), "quality": {"ok": True, "flags": []}}  # fmt: skip
    data = {"schema": "blurscope.measurement/1", "label": "Cedar", "edges": [edge], "streaks": [streak],
            "capture": {"refresh_hz": 60.0, "px_per_refresh": travel, "hold_ms": hold}}  # fmt: skip
    responses = responses_of(data, "m")
    assert {t.pair: t.origin for t in responses.transitions} == {(255, 0): "streak", (0, 255): "edge"}
    at_120 = {e.transition.pair: e.figures["bet_ms"].value
              for e in predict_edges(responses.transitions, Viewing(refresh_hz=120, px_per_refresh=8))}  # fmt: skip
    exact = {p: predict_edges(assumed_response(r).transitions, Viewing(refresh_hz=120, px_per_refresh=8))[0]
             for p, r in (((0, 255), 12.0), ((255, 0), 5.0))}  # fmt: skip
    for pair, value in at_120.items():
        assert value == pytest.approx(exact[pair].figures["bet_ms"].value, rel=0.01)
    assert responses.refresh_hz == 60


def test_missing_response_is_null_with_its_reason():
    entry = {"from_level": 0, "to_level": 32, "response_ms": {"value": None, "u95": None},
             "quality": {"ok": False, "flags": ["step_too_small"]}}  # fmt: skip
    responses = responses_of({"schema": "blurscope.response/1", "transitions": [entry]}, "r")
    edge = predict_edges(responses.transitions, Viewing(refresh_hz=60, px_per_refresh=16))[0]
    assert edge.figures["bet_ms"].value is None
    assert "step_too_small" in edge.figures["bet_ms"].flags


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["--refresh-hz", "60", "--px-per-refresh", "16"], "--response-ms"),
        (["--refresh-hz", "0", "--px-per-refresh", "16", "--response-ms", "5"], "refresh rate"),
        (["--refresh-hz", "60", "--px-per-refresh", "-1", "--response-ms", "5"], "speed"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "5", "--shape", "odd"], "shape"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "nan"], "response"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "5", "--strobe-duty", "1.5"], "duty"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "5", "--strobe-phase", "0.5"], "duty"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "5", "--exposure-refreshes", "0.5"], "hold"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response", "nowhere.json"], "does not exist"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response-ms", "21", "--shape", "instant"], "takes no time"),
        (["--refresh-hz", "60", "--px-per-refresh", "8", "--response", "r.json", "--response-u95-ms", "1"], "own"),
    ],
)
def test_refusals_are_one_sentence(argv, words, capsys):
    code, out, err = run(["predict", *argv], capsys)
    assert code == 1 and out == ""
    assert words in err and err.startswith("blurscope: ") and err.count("\n") == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"transitions": []}, "no transitions"),
        ({"transitions": 5}, "'transitions'"),
        ({"transitions": [{"from_level": 3, "to_level": 3}]}, "levels"),
        ({"transitions": [{"from_level": 3, "to_level": 9, "response_ms": {"value": "x"}}]}, "'response_ms'"),
        ({"transitions": [{"from_level": 3, "to_level": 9, "response_ms": {"value": 4.0, "u95": 1.0},
                           "step": {"t_ms": [0, 2, 1, 3], "light": [0, 0.5, 0.9, 1]}}]}, "must increase"),
        ({"transitions": [{"from_level": 3, "to_level": 9, "response_ms": {"value": 4.0, "u95": 1.0},
                           "step": {"t_ms": [0, 1, 2, 3], "light": [0, 20, 40, 41]}}]}, "0 to 1"),
    ],
)  # fmt: skip
def test_broken_files_are_refused_by_name(change, words, tmp_path, capsys):
    path = tmp_path / "r.json"
    path.write_text(json.dumps(response_file(**change)))
    code, _, err = run(["predict", "--response", str(path), "--refresh-hz", "60", "--px-per-refresh", "8"], capsys)
    assert code == 1 and words in err and err.count("\n") == 1


def test_a_file_of_times_only_is_not_taken_for_instant(tmp_path, capsys):
    path = tmp_path / "r.json"
    path.write_text(json.dumps(response_file()))
    argv = ["predict", "--response", str(path), "--refresh-hz", "60", "--px-per-refresh", "8", "--shape"]
    code, _, err = run([*argv, "instant"], capsys)
    assert code == 1 and "would ignore" in err and err.count("\n") == 1
    assert run([*argv, "s-shaped"], capsys)[0] == 0
    assert run(["predict", "--shape", "instant", "--response-ms", "0", *argv[3:-1]], capsys)[0] == 0


def test_existing_output_is_kept_unless_asked(tmp_path, capsys):
    target = tmp_path / "p.json"
    target.write_text("mine")
    argv = ["predict", "--response-ms", "4", "--refresh-hz", "60", "--px-per-refresh", "8", "--json", str(target)]
    assert run(argv, capsys)[0] == 1 and target.read_text() == "mine"
    assert run([*argv, "--overwrite"], capsys)[0] == 0 and "prediction" in target.read_text()


def test_part_exposure_and_plots(tmp_path, capsys):
    path = tmp_path / "r.json"
    path.write_text(json.dumps(response_file()))
    code, _, err = run(["predict", "--response", str(path), "--refresh-hz", "60", "--px-per-refresh", "8",
                        "--exposure-refreshes", "4.5", "--plot", str(tmp_path / "plots")], capsys)  # fmt: skip
    assert code == 0 and "whole refreshes" in err and "shape" in err
    names = {p.name for p in (tmp_path / "plots").iterdir()}
    assert {"matrix_bet_ms.png", "matrix_bet_ms.svg", "matrix_response_ms.svg"} <= names
    assert (tmp_path / "plots" / "matrix_bet_ms.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize("figure", [{"value": -1e308, "u95": 0.1}, {"value": 15.0, "u95": 1e300}, 1e12])
def test_figures_that_no_display_has_are_refused(figure):
    with pytest.raises(SettingsError, match="which no display has"):
        quantity_of({"bet_ms": figure}, "bet_ms", "a.json")


@pytest.mark.parametrize("figure", [{"value": 8.2e6, "u95": 1.5}, {"value": 8.0, "u95": 8.2e6}])
def test_a_response_of_hours_is_refused_before_it_takes_all_memory(figure):
    """64 points for each of half a million refreshes, for every copy of the edge: 23 GB of nodes."""
    data = response_file()
    data["transitions"][1]["response_ms"] = figure
    with pytest.raises(SettingsError, match="which no display has"):
        responses_of(data, "a.json")


def test_a_curve_of_hours_is_refused_before_it_takes_all_memory():
    data = response_file()
    data["transitions"][0]["step"]["t_ms"][-1] = 1e12
    with pytest.raises(SettingsError, match="longer than any display"):
        responses_of(data, "a.json")


def test_an_edge_profile_of_hours_is_not_read_back():
    lag = np.arange(64.0)
    entry = {"profile": {"lag_px": lag.tolist(), "esf_fit": np.clip(lag / 8, 0, 1).tolist()}}
    data = {"capture": {"hold_ms": 1000 / 60, "px_per_refresh": 8.0}}
    assert read_back(entry, data) is not None
    entry["profile"]["lag_px"][-1] = 1e12
    assert read_back(entry, data) is None
