"""Several photos of one display: who is left out and why, what is shared stays, what scatters widens."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import blurscope as bs
from blurscope.camera import Camera, Display, film
from blurscope.cli import main
from blurscope.combine import combine_quantity, combine_shots
from blurscope.errors import FitError, PhotoError
from blurscope.measurement import EDGE_QUANTITIES, EdgeBlur, Measurement, summary_of
from blurscope.pattern.budget import make_layouts
from blurscope.records import Q

jsonschema = pytest.importorskip("jsonschema")
SCHEMA = json.loads((Path(bs.__file__).parent / "schemas" / "measurement.schema.json").read_text("utf-8"))
K95 = 1.959963984540054
PAIRS = [(0, 128), (0, 255), (128, 0), (128, 255), (255, 0), (255, 128)]


def made(name, values, own=0.05, lens=0.03, error=0.02, exposure=4.0, ok=True, sigma_px=0.4, gamma=2.2, **law):
    """Return a measurement with these BETs; every other figure is the same number."""
    edges = []
    for pair, value in zip(PAIRS, values, strict=True):
        q = Q(value=value, u95=K95 * float(np.hypot(own, lens)), parts={"noise": own, "lens": lens})
        edges.append(
            EdgeBlur(
                from_level=pair[0],
                to_level=pair[1],
                instances=2,
                figures=dict.fromkeys(EDGE_QUANTITIES, q),
                raw={"bet_ms": q},
                flags=(),
                ok=ok,
                lag_px=np.arange(3.0),
                esf=np.arange(3.0),
                esf_fit=np.arange(3.0),
                family="exponential",
                chi2_ratio=1.0,
            )
        )
    blocks = {
        "photo": {"path": name, "sha256": f"{abs(hash(name)):064x}"[:64], "width_campx": 9, "height_campx": 6},
        "capture": {"px_per_refresh": 8, "exposure_refreshes": exposure, "hold_ms": 16.0},
        "tracking": {
            "error_px_per_refresh": Q(value=error, u95=0.01),
            "accel_px_per_refresh2": Q(value=0.0, u95=0.01),
            "exposure_refreshes": Q(value=exposure, u95=0.01),
            "scan_out_ms": Q(value=10.0, u95=0.2),
            "scan_axis": "rows",
        },
        "streaks": [],
        "light": {"display_gamma": gamma, "display_gamma_u95": 0.004, "method": "row_halftones"} | law,
        "lens": {"sigma_px": Q(value=sigma_px, u95=0.05)},
        "summary": summary_of(edges, 16.0),
    }
    return Measurement(label=name, edges=tuple(edges), blocks=blocks)


def drawn(rng, count, true=14.0, own=0.05, lens=0.03, claimed=None):
    """Return shots whose figures scatter by ``own`` each and are off together by one draw of ``lens``."""
    off = lens * rng.standard_normal()
    return [
        made(f"{i}.png", true + off + own * rng.standard_normal(6), own=claimed or own, lens=lens) for i in range(count)
    ]


def combined(shots):
    return combine_shots(range(len(shots)), lambda i: shots[i])


def test_shared_parts_are_kept_and_own_ones_average():
    q = [Q(value=1.0, u95=K95 * 0.5, parts={"noise": 0.3, "lens": 0.4})] * 4
    out = combine_quantity(q)
    assert out.value == pytest.approx(1.0)
    assert out.parts["lens"] == pytest.approx(0.4)
    assert out.parts["noise"] == pytest.approx(0.15)  # 0.3 / sqrt(4)
    assert out.u95 == pytest.approx(K95 * np.hypot(0.4, 0.15))


def test_weights_are_inverse_variances():
    q = [Q(value=v, u95=K95 * s, parts={"noise": s, "lens": 1e-9}) for v, s in ((1.0, 0.1), (1.1, 0.2))]
    out = combine_quantity(q)
    assert out.value == pytest.approx(1.02)  # (1.0 * 100 + 1.1 * 25) / 125
    assert out.u95 == pytest.approx(K95 / np.sqrt(125), rel=0.01)


def test_u95_of_the_combination_covers(rng):
    inside, z = [], []
    for _ in range(60):
        m = combined(drawn(rng, 4))
        for e in m.edges:
            q = e.bet_ms
            inside.append(abs(q.value - 14.0) <= q.u95)
            z.append(K95 * (q.value - 14.0) / q.u95)
    assert 0.90 < np.mean(inside) < 0.99
    assert 0.8 < np.std(z) < 1.1


def test_scatter_beyond_the_claim_widens(rng):
    honest, bold = combined(drawn(rng, 4)), combined(drawn(rng, 4, own=0.25, claimed=0.05))
    assert "shots_disagree" not in {w["code"] for w in honest.warnings}
    assert "shots_disagree" in {w["code"] for w in bold.warnings}
    assert bold.edges[0].bet_ms.u95 > 2 * honest.edges[0].bet_ms.u95


def test_contradicting_shot_is_named(rng):
    shots = drawn(rng, 4)
    shots.insert(2, made("odd.png", 14.0 + 0.6 + 0.05 * rng.standard_normal(6)))
    m = combined(shots)
    dropped = [p for p in m.blocks["photos"] if not p["used"]]
    assert [p["photo"]["path"] for p in dropped] == ["odd.png"]
    assert "contradicts" in dropped[0]["reason"]
    assert any(w["code"] == "shot_dropped" and "odd.png" in w["message"] for w in m.warnings)
    assert abs(m.edges[0].bet_ms.value - 14.0) < 0.15


def codes(m):
    return {w["code"] for w in m.warnings}


def test_shot_of_another_level_law_is_named_even_if_its_figures_agree(rng):
    shots = drawn(rng, 3)
    shots.insert(1, made("game.png", [14.0] * 6, gamma=2.6))
    m = combined(shots)
    dropped = [p for p in m.blocks["photos"] if not p["used"]]
    assert [p["photo"]["path"] for p in dropped] == ["game.png"]
    assert "gamma of 2.60" in dropped[0]["reason"] and "2.20" in dropped[0]["reason"]
    again = combined(shots[::-1])
    assert [p["photo"]["path"] for p in again.blocks["photos"] if not p["used"]] == ["game.png"]


def test_two_laws_without_a_majority_are_said():
    m = combined([made("a.png", [14.0] * 6), made("b.png", [14.0] * 6, gamma=2.5)])
    assert all(p["used"] for p in m.blocks["photos"]) and "shots_differ" in codes(m)
    near = combined([made("a.png", [14.0] * 6), made("b.png", [14.0] * 6, gamma=2.25)])
    told = combined([made("a.png", [14.0] * 6), made("b.png", [14.0] * 6, gamma=2.5, method="assumed_gamma")])
    assert not {"shots_differ", "shot_dropped"} & (codes(near) | codes(told))


def test_scatter_inside_the_whole_uncertainty_is_no_disagreement(rng):
    """What is called shared may be each shot's own: the shots are inside their u95, and u95 widens all the same."""
    apart = combined(drawn(rng, 4, own=0.1, claimed=0.04, lens=0.1))
    assert "shots_disagree" not in codes(apart)
    assert apart.edges[0].bet_ms.parts["noise"] > 1.3 * 0.04 / 2


def test_bad_tracking_and_focus_are_named(rng):
    shots = drawn(rng, 3)
    shots.append(made("rail.png", [14.0] * 6, error=-1.5))
    shots.append(made("soft.png", [14.0] * 6, sigma_px=1.6))
    m = combined(shots)
    reasons = {p["photo"]["path"]: p["reason"] for p in m.blocks["photos"] if not p["used"]}
    assert set(reasons) == {"rail.png", "soft.png"}
    assert "-1.50 px per refresh" in reasons["rail.png"] and "focus" in reasons["soft.png"]


def test_two_equally_bad_shots_stay(rng):
    m = combined([made("a.png", [14.0] * 6, error=1.5), made("b.png", [14.0] * 6, error=-1.4)])
    assert all(p["used"] for p in m.blocks["photos"])


def test_one_picture_counts_once():
    m = combined([made("a.png", [14.0] * 6), made("a.png", [14.0] * 6)])
    assert [p["used"] for p in m.blocks["photos"]] == [True, False]
    assert "same file" in m.blocks["photos"][1]["reason"]


def test_picture_that_was_saved_again_counts_once():
    shots = [made(name, [14.0, 14.1, 14.2, 14.0, 14.0, 14.0]) for name in ("b.tif", "a.png")]
    m = combined(shots)
    assert [(p["photo"]["path"], p["used"]) for p in m.blocks["photos"]] == [("a.png", True), ("b.tif", False)]
    assert "same picture as a.png" in m.blocks["photos"][1]["reason"]
    assert m.edges[0].bet_ms.u95 == shots[0].edges[0].bet_ms.u95


def test_order_of_the_photos_changes_no_digit(rng):
    shots = [*drawn(rng, 5), made("odd.png", [15.0] * 6), made("rail.png", [14.0] * 6, error=2.0)]
    shots.append(shots[2])
    first = combined(shots)
    for _ in range(5):
        again = combined([shots[i] for i in rng.permutation(len(shots))])
        assert [e.figures for e in again.edges] == [e.figures for e in first.edges]
        assert again.warnings == first.warnings and again.blocks["photos"] == first.blocks["photos"]


def test_better_shot_ranks_first(rng):
    m = combined([made("noisy.png", [14.0] * 6, own=0.3), made("quiet.png", [14.0] * 6, own=0.03)])
    assert [p["photo"]["path"] for p in m.blocks["photos"]] == ["quiet.png", "noisy.png"]
    weights = [p["weight"] for p in m.blocks["photos"]]
    assert sum(weights) == pytest.approx(1) and weights[0] > 0.9


def test_refusals_become_warnings_unless_all_refuse():
    good = made("good.png", [14.0] * 6)

    def one(item):
        if item == "bad.png":
            raise PhotoError("bad.png is not a photo")
        return good

    m = combine_shots(["bad.png", "good.png"], one)
    assert [w["code"] for w in m.warnings] == ["shot_dropped"]
    with pytest.raises(FitError, match=r"none of the 2 photos.*not a photo"):
        combine_shots(["bad.png", "bad.png"], one)


def test_five_photos_one_of_them_bad(tmp_path, capsys):
    layout = make_layouts(480, 320, px_per_refresh=6, levels=3)[0][0]
    paths = []
    for i, error in enumerate((0.03, -0.05, 1.6, 0.08, -0.02)):
        camera = Camera(campx_per_px=3.0, tracking_error_px_per_refresh=error, start_phase=0.2 * i, roll_deg=0.2 * i)
        shot = film(layout, Display(unit="birch"), camera, seed=i)
        paths.append(tmp_path / f"shot_{i}{shot.suffix}")
        paths[-1].write_bytes(shot.data)
        truth = {(t["from_level"], t["to_level"]): t["bet_ms"] for t in shot.truth["transitions"]}
    pattern = tmp_path / "pattern.json"
    pattern.write_text(json.dumps(layout.as_json()))
    out = tmp_path / "m.json"
    assert main(["measure", *map(str, paths), "--pattern", str(pattern), "--json", str(out)]) == 0
    text = capsys.readouterr()
    data = json.loads(out.read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    assert [p["photo"]["path"].split("/")[-1] for p in data["photos"] if not p["used"]] == ["shot_2.png"]
    assert "shot_2.png" in text.out and "left out" in text.out
    used = [bs.measure(path, pattern=layout) for i, path in enumerate(paths) if i != 2]
    for e in data["edges"]:
        pair = (e["from_level"], e["to_level"])
        assert abs(e["bet_ms"]["value"] - truth[pair]) <= 1.5 * e["bet_ms"]["u95"] + 0.05
        assert e["bet_ms"]["u95"] < np.mean([m.edge(*pair).bet_ms.u95 for m in used])
