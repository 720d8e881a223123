"""The third road: steps read back from profiles, against closed forms that the simulator's responses have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.blur.readback import read_back
from blurscope.camera import Response
from blurscope.pooling import lag_groups

PX = 8.0  # per refresh
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(31)


def profiles_of(responses, hold_ms, *, lens_px=0.4, error_px=0.0, delay=0.0, noise=0.0, rng=None, length=5.0):
    """Return profiles by the closed-form integral of each step: hold, tracking error and lens as sums over time."""
    lag = np.arange(-1.5 * PX, length * PX, 0.25)
    starts = lag_groups(lag, PX)
    size = np.diff(np.append(starts, len(lag)))
    exposure = 2.0
    capture = Capture(
        px_per_refresh=PX,
        exposure_refreshes=exposure,
        error_px_per_refresh=error_px,
        blur_sigma_px=lens_px,
        boxes_px=(),
    )
    ages = age_edges(length + 1)
    operator = capture_operator(lag, ages, capture, starts)
    moments = (np.arange(400) + 0.5) / 400 * exposure
    esf = []
    for r in responses:
        at = lag[:, None] + NODES * lens_px
        if error_px:  # moment by moment: the place that the camera sees then, and the age of what is shown there
            seen = np.zeros(len(lag))
            for t in moments:
                place = at - error_px * (t - exposure / 2) - PX * (t % 1.0)
                age = t % 1.0 + np.floor(place / PX) + 1.0
                seen += r.value((age - delay) * hold_ms) @ WEIGHTS
            seen /= len(moments) * WEIGHTS.sum()
        else:
            late = (at / PX - delay) * hold_ms
            seen = (r.integral(late) - r.integral(late - hold_ms)) @ WEIGHTS / (hold_ms * WEIGHTS.sum())
        esf.append(np.add.reduceat(seen, starts) / size)
    esf = np.array(esf)
    sd = noise / np.sqrt(size / size.min())
    if noise:
        esf = esf + rng.standard_normal(esf.shape) * sd
    return Profiles(
        lag_px=np.add.reduceat(lag, starts) / size,
        esf=esf,
        sigma=np.broadcast_to(np.hypot(sd, 8e-4), esf.shape).copy(),
        operator=operator,
        ages=ages,
        correlation=1.0,
        length=length + 2,
        levels=np.tile([0.0, 1.0, 0.005, 0.005], (len(esf), 1)),
    )


def rise_of(response, hold_ms):
    """Return the 10-90 % time by the step itself, in refreshes."""
    t = np.linspace(0, 12 * hold_ms, 240001)
    y = response.value(t)
    return float(t[np.argmax(y >= 0.9)] - t[np.argmax(y >= 0.1)]) / hold_ms


def shapes(time_ms, hold_ms):
    make = dict(time_ms=time_ms)
    return [
        Response(shape="exponential", **make),
        Response(shape="s-shaped", **make),
        Response(shape="cascade", **make),
        Response(shape="overdriven", overshoot_pct=6, tail_ratio=2, **make),
        Response(shape="overdriven", overshoot_pct=15, tail_ratio=2, **make),
        Response(shape="boosted", overshoot_pct=8, second_delay_ms=hold_ms, **make),
    ]


@pytest.mark.parametrize("hz", [60, 120])
@pytest.mark.parametrize(("lens_px", "delay"), [(0.0, 0.0), (0.4, 0.0), (0.4, 0.12)])
def test_without_noise_the_bias_is_below_2_percent_or_a_tenth_of_a_ms(hz, lens_px, delay):
    hold = 1000 / hz
    responses = [r for share in (0.35, 0.6, 1.0, 1.8) for r in shapes(share * hold, hold)]
    found = read_back(profiles_of(responses, hold, lens_px=lens_px, delay=delay))
    given = 0
    for r, one in zip(responses, found, strict=True):
        true = rise_of(r, hold)
        if one.response is not None and true > 0.3:
            given += 1
            assert abs(one.response - true) * hold <= max(0.02 * true * hold, 0.1), r
            assert abs(one.response - true) <= one.u95
    assert given > 0.8 * len(responses)


def test_a_tracking_error_is_undone_with_the_hold():
    hold = 1000 / 60
    responses = [r for share in (0.6, 1.2) for r in shapes(share * hold, hold)]
    blind = read_back(profiles_of(responses, hold, error_px=1.0))
    for r, one in zip(responses, blind, strict=True):
        assert one.response == pytest.approx(rise_of(r, hold), rel=0.03, abs=0.006)


def test_the_step_itself_comes_out():
    hold = 1000 / 60
    r = Response(shape="exponential", time_ms=0.8 * hold)
    one = read_back(profiles_of([r], hold))[0]
    true = r.value(one.t * hold)
    assert np.abs(one.light - true).max() < 0.01
    assert np.mean(np.abs(one.light - true) <= one.light_u95) > 0.9
    assert one.light[0] == pytest.approx(0, abs=1e-9) and one.light[-1] == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("noise", [0.002, 0.008])
def test_u95_covers_what_noise_and_smoothing_do(noise):
    """Coverage of 300 noisy readings lies within three binomial standard deviations of 95 %, or above."""
    rng, hold = np.random.default_rng(20240501), 1000 / 60
    responses = [r for share in (0.5, 0.8, 1.3, 2.0) for r in shapes(share * hold, hold)]
    inside = []
    for _ in range(13):
        found = read_back(profiles_of(responses, hold, noise=noise, rng=rng))
        for r, one in zip(responses, found, strict=True):
            if one.response is not None:
                inside.append(abs(one.response - rise_of(r, hold)) <= one.u95)
    assert len(inside) > 200
    assert np.mean(inside) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(inside))


def test_more_noise_makes_the_interval_wider_and_then_says_nothing():
    rng, hold = np.random.default_rng(7), 1000 / 60
    responses = shapes(0.8 * hold, hold)
    low, high, all_noise = (
        read_back(profiles_of(responses, hold, noise=noise, rng=rng)) for noise in (0.001, 0.01, 0.4)
    )
    pairs = [(a.u95, b.u95) for a, b in zip(low, high, strict=True) if a.response and b.response]
    assert pairs and np.median([b / a for a, b in pairs]) > 1.5
    for one in all_noise:
        assert one.response is None and set(one.flags) <= {"response_unresolved", "threshold_grazed"} and one.flags


def test_an_instant_pixel_is_not_resolved():
    hold = 1000 / 60
    found = read_back(profiles_of([Response(shape="instant"), Response(shape="exponential", time_ms=0.3)], hold))
    assert [one.flags for one in found] == [("response_unresolved",)] * 2


def test_a_shared_doubt_counts():
    hold = 1000 / 60
    responses = [Response(shape="exponential", time_ms=hold), Response(shape="s-shaped", time_ms=hold)]
    profiles = profiles_of(responses, hold)
    wider = profiles_of(responses, hold, lens_px=0.8)
    doubt = Nuisance(name="lens", shift=wider.esf - profiles.esf)
    plain, doubted = read_back(profiles), read_back(profiles, [doubt])
    moved = read_back(replace(wider, operator=profiles.operator))
    for a, b, c in zip(plain, doubted, moved, strict=True):
        assert b.response == a.response
        assert b.parts["lens"] > 0 and b.u95 > a.u95
        assert abs(c.response - a.response) < 4 * b.parts["lens"] + 0.01


def test_a_mirrored_order_of_profiles_changes_nothing():
    """Each edge is read by itself, but for the switch that all share."""
    hold = 1000 / 60
    responses = shapes(0.9 * hold, hold)
    profiles = profiles_of(responses, hold)
    turned = replace(profiles, esf=profiles.esf[::-1], sigma=profiles.sigma[::-1], levels=profiles.levels[::-1])
    each = [
        np.broadcast_to(profiles.operator, (len(responses), *profiles.operator.shape)),
    ]
    own = read_back(replace(profiles, operator=each[0].copy()))
    for a, b, c in zip(read_back(profiles), read_back(turned)[::-1], own, strict=True):
        assert a.response == pytest.approx(b.response, rel=1e-3)
        assert a.response == pytest.approx(c.response, rel=1e-6)
