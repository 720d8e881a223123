"""Levels that drift slowly, by offset or by gain: the step is that of the pixel all the same."""

import json

import numpy as np
import pytest
from trace_makers import exponential, toggling

from blurscope.cli import main
from blurscope.trace.drift import find_drift

RATE_HZ = 20_000.0
STAY_S = 0.3


def drifting(kind, per_stay, *, seed, switches=6, tr=6.0, low=0.1, high=0.9, noise=0.01):
    """Times and signal of an exponential patch whose levels move by a share of the step in each stay."""
    rng = np.random.default_rng(seed)
    t, y = toggling(exponential(tr), rate=RATE_HZ, low=low, high=high, switches=switches, dwell=STAY_S)
    if kind == "offset":
        y = y + per_stay * (high - low) * t / STAY_S
    elif kind == "gain":
        y = y * (1 + per_stay * t / STAY_S)
    elif kind == "warming":
        y = y * (1 + per_stay * (switches + 1) * -np.expm1(-2 * t / t[-1]))
    y = y + rng.normal(0, noise * (high - low), len(t))
    lsb = 1.1 * float(np.ptp(y)) / 255
    return t, np.round(y / lsb) * lsb


def traced(tmp_path, t, y):
    np.savez(tmp_path / "r.npz", time_s=t, signal=y)
    out = tmp_path / "out.json"
    code = main(["trace", str(tmp_path / "r.npz"), "--from-level", "64", "--to-level", "192", "--json", str(out)])
    if code:
        return None
    found = json.loads(out.read_text())
    out.unlink()
    return found


@pytest.mark.parametrize("kind", ["offset", "gain", "warming"])
@pytest.mark.parametrize("per_stay", [0.006, -0.006, 0.02])
def test_drift_is_taken_out(tmp_path, capsys, kind, per_stay):
    """Uncorrected, 0.6 % of the step in each stay made 6.13 +- 0.08 ms of 6.0 ms, 2 % made 6.5 +- 0.2 ms."""
    misses = 0
    for seed in range(4):
        found = traced(tmp_path, *drifting(kind, per_stay, seed=seed))
        response = found["transitions"][0]["response_ms"]
        assert "level_drift" in {w["code"] for w in found["warnings"]}
        assert response["u95"] < 0.15
        assert abs(response["value"] - 6.0) < 0.12
        misses += abs(response["value"] - 6.0) > response["u95"]
    assert misses <= 1


@pytest.mark.parametrize("kind", ["offset", "gain", "warming"])
def test_a_single_stay_has_the_drift_in_its_budget(tmp_path, capsys, kind):
    """The upper level is seen once only, so nothing tells its drift from its last settling."""
    misses = 0
    for seed in range(6):
        found = traced(tmp_path, *drifting(kind, 0.006, seed=seed, switches=2))
        response = found["transitions"][0]["response_ms"]
        misses += abs(response["value"] - 6.0) > response["u95"]
        assert response["u95"] < 0.6
    assert misses <= 1


def test_steady_levels_have_no_drift(tmp_path, capsys):
    warned = 0
    for seed in range(8):
        found = traced(tmp_path, *drifting("none", 0.0, seed=seed))
        warned += "level_drift" in {w["code"] for w in found["warnings"]}
        assert found["transitions"][0]["response_ms"]["u95"] < 0.12
    assert warned <= 1


def test_strong_drift_is_refused(tmp_path, capsys):
    assert traced(tmp_path, *drifting("offset", 0.08, seed=1)) is None
    text = capsys.readouterr().err
    assert "the levels drift by 8 % of the step in each stay" in text and text.count("\n") == 1


@pytest.mark.parametrize("offset, gain", [(0.02, 0.0), (0.0, 0.03), (-0.01, 0.02)])
def test_offset_and_gain_are_told_apart(offset, gain):
    """Exact numbers on means without noise: level(t) = level + u (offset + gain level) over the record."""
    at = np.arange(7) + 0.8
    u = (at - 3.5) / 3.5
    level = np.where(np.arange(7) % 2 == 0, 0.2, 1.0)
    mean = level + u * (offset + gain * level)
    found = find_drift((0.0, 7.0), at, mean, np.full(7, 1e-4), [k % 2 for k in range(7)], 1.0)
    # The gain is that of the mean of the stays, which is not the level at the middle.
    time = np.linspace(0, 7, 50)
    for plain in (0.2, 1.0):
        moved = plain + (time - 3.5) / 3.5 * (offset + gain * plain)
        assert np.ptp(found.drift.removed(time, moved)) < 5e-3 * max(np.ptp(moved), 0.01)
    assert found.scatter == 1.0
