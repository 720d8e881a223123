"""The third road: steps read back from profiles, against closed forms that the simulator's responses have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.blur.readback import read_back
from blurscope.camera import Backlight, Camera, Display, Response, film
from blurscope.pattern.budget import make_layouts
from blurscope.pipeline import measure, to_measurement
from blurscope.pooling import lag_groups

PX = 8.0  # per refresh
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(31)


def read(profiles, doubts=(), lens_px=0.4):
    return read_back(profiles, doubts, PX, lens_px)


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
                age = t % 1.0 + np.floor(place / PX)
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
    found = read(profiles_of(responses, hold, lens_px=lens_px, delay=delay), (), lens_px)
    given = 0
    for r, one in zip(responses, found, strict=True):
        true = rise_of(r, hold)
        if one.response is not None and true > 0.3:
            given += 1
            assert abs(one.response - true) * hold <= max(0.02 * true * hold, 0.1), r
            assert abs(one.response - true) <= one.u95
    assert given >= 0.75 * len(responses)  # where the step runs flat at 90 % there is no telling


def test_a_tracking_error_is_undone_with_the_hold():
    hold = 1000 / 60
    responses = [r for share in (0.6, 1.2) for r in shapes(share * hold, hold)]
    blind = read(profiles_of(responses, hold, error_px=1.0))
    pairs = [(rise_of(r, hold), one.response) for r, one in zip(responses, blind, strict=True)]
    assert sum(found is not None for _, found in pairs) >= 0.75 * len(pairs)
    for true, found in pairs:
        assert found is None or found == pytest.approx(true, rel=0.02, abs=0.006)


def test_the_step_itself_comes_out():
    hold = 1000 / 60
    r = Response(shape="exponential", time_ms=0.8 * hold)
    one = read(profiles_of([r], hold))[0]
    true = r.value(one.t * hold)
    assert np.sqrt(np.mean((one.light - true) ** 2)) < 0.02
    assert np.mean(np.abs(one.light - true) <= one.light_u95) > 0.9
    assert one.light[0] == pytest.approx(0, abs=1e-9) and one.light[-1] == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("noise", [0.002, 0.008])
def test_u95_covers_what_noise_and_smoothing_do(noise):
    """Coverage of 300 noisy readings lies within three binomial standard deviations of 95 %, or above."""
    rng, hold = np.random.default_rng(20240501), 1000 / 60
    responses = [r for share in (0.5, 0.8, 1.3, 2.0) for r in shapes(share * hold, hold)]
    inside = []
    for _ in range(13):
        found = read(profiles_of(responses, hold, noise=noise, rng=rng))
        for r, one in zip(responses, found, strict=True):
            if one.response is not None:
                inside.append(abs(one.response - rise_of(r, hold)) <= one.u95)
    assert len(inside) > 200
    assert np.mean(inside) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(inside))


def test_more_noise_makes_the_interval_wider_and_then_says_nothing():
    rng, hold = np.random.default_rng(7), 1000 / 60
    responses = shapes(0.8 * hold, hold)
    low, high, all_noise = (read(profiles_of(responses, hold, noise=noise, rng=rng)) for noise in (0.001, 0.01, 0.4))
    pairs = [(a.u95, b.u95) for a, b in zip(low, high, strict=True) if a.response and b.response]
    assert pairs and np.median([b / a for a, b in pairs]) > 1.5
    for one in all_noise:
        assert one.response is None and set(one.flags) <= {"response_unresolved", "threshold_grazed"} and one.flags


def test_an_instant_pixel_is_not_resolved():
    hold = 1000 / 60
    found = read(profiles_of([Response(shape="instant"), Response(shape="exponential", time_ms=0.3)], hold))
    assert [one.flags for one in found] == [("response_unresolved",)] * 2


def test_a_shared_doubt_counts():
    hold = 1000 / 60
    responses = [Response(shape="exponential", time_ms=hold), Response(shape="exponential", time_ms=1.6 * hold)]
    profiles = profiles_of(responses, hold)
    wider = profiles_of(responses, hold, lens_px=0.5)
    doubt = Nuisance(name="lens", shift=wider.esf - profiles.esf)
    plain, doubted = read(profiles), read(profiles, [doubt])
    moved = read(replace(wider, operator=profiles.operator))
    assert all(one.response is not None for one in (*plain, *doubted, *moved))
    for a, b, c in zip(plain, doubted, moved, strict=True):
        assert b.response == a.response
        assert b.parts["lens"] > 0 and b.u95 > a.u95
        assert abs(c.response - a.response) < 4 * b.parts["lens"] + 0.01


def test_each_edge_is_read_by_itself_whatever_the_order():
    """All edges share the switch, nothing else; an operator for each edge gives what one for all gives."""
    hold = 1000 / 60
    responses = shapes(0.9 * hold, hold)
    profiles = profiles_of(responses, hold)
    turned = replace(profiles, esf=profiles.esf[::-1], sigma=profiles.sigma[::-1], levels=profiles.levels[::-1])
    own = np.broadcast_to(profiles.operator, (len(responses), *profiles.operator.shape)).copy()
    found = [read(profiles), read(turned)[::-1], read(replace(profiles, operator=own))]
    assert sum(one.response is not None for one in found[0]) >= 4
    for a, b, c in zip(*found, strict=True):
        assert a.flags == b.flags == c.flags
        if a.response is not None:
            assert a.response == pytest.approx(b.response, rel=1e-6)
            assert a.response == pytest.approx(c.response, rel=1e-6)


# ---------------------------------------------------------------------------------------------------- whole photos


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    """An ordinary photo of pixels of 12 ms: truth, shot and measurement."""
    layout = make_layouts(640, 400, px_per_refresh=8, levels=4)[0][0]
    camera = Camera(file_format="jpeg", campx_per_px=3.0, tracking_error_px_per_refresh=0.3)
    made = film(layout, Display(response=Response(shape="exponential", time_ms=12.0)), camera, seed=11)
    path = tmp_path_factory.mktemp("photo") / f"ordinary{made.suffix}"
    path.write_bytes(made.data)
    shots = []
    return made.truth, shots, measure(path, pattern=layout, on_shot=shots.append)


def test_a_photo_reads_back_what_its_pixels_do(photo):
    truth, _, found = photo
    true = {(t["from_level"], t["to_level"]): t["response_ms"] for t in truth["transitions"]}
    given = [e for e in found.edges if e.read_back.value is not None]
    assert len(given) >= 0.8 * len(found.edges)
    inside = [abs(e.read_back.value - true[e.from_level, e.to_level]) <= e.read_back.u95 for e in given]
    assert np.mean(inside) > 0.8  # the edges of a photo share what it doesn't know
    assert not any("roads_disagree" in e.flags for e in found.edges)
    for entry, e in zip(found.as_json()["edges"], found.edges, strict=True):
        assert entry["read_back"]["response_ms"] == e.read_back.as_json()
        assert entry["read_back"]["quality"]["ok"] == (e.read_back.value is not None)


def test_roads_that_disagree_are_flagged(photo):
    _, (shot,), found = photo
    moved = [r if r.response is None else replace(r, response=1.6 * r.response) for r in shot.readings]
    again = to_measurement(replace(shot, readings=moved), 60.0)
    hit = [e for e, r in zip(again.edges, moved, strict=True) if r.response is not None]
    sure = [e for e in hit if e.read_back.u95 < 0.1 * e.read_back.value]
    assert sure
    for e in sure:
        assert "roads_disagree" in e.flags and not e.ok
    assert [e.figures for e in again.edges] == [e.figures for e in found.edges]


def test_several_photos_are_combined(photo):
    from blurscope.combine import combine_quantity

    _, _, found = photo
    one = next(e.read_back for e in found.edges if e.read_back.value is not None)
    both = combine_quantity([one, one])
    assert both.value == pytest.approx(one.value) and 0.6 * one.u95 < both.u95 < one.u95


def test_under_a_modulated_backlight_nothing_is_read_back(tmp_path):
    layout = make_layouts(480, 320, px_per_refresh=8, levels=3)[0][0]
    display = Display(response=Response(shape="exponential", time_ms=8.0), backlight=Backlight(kind="strobe", duty=0.2))
    made = film(layout, display, Camera(campx_per_px=3.0), seed=4)
    path = tmp_path / f"strobe{made.suffix}"
    path.write_bytes(made.data)
    found = measure(path, pattern=layout)
    assert found.blocks["backlight"]["kind"] == "strobe"
    for e in found.edges:
        assert e.read_back.value is None and e.read_back.flags
        assert "pwm_unresolved" in e.read_back.flags or set(e.read_back.flags) <= set(e.flags)
