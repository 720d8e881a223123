"""Streaks and edges together: which tracking error they settle on, and that a wrong clock parts no edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import blurscope as bs
from blurscope.camera import Camera, Display, LightLaw, Response, film
from blurscope.errors import FitError
from blurscope.following import Trial, settle_error
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Slit
from blurscope.refusals import refuse_faint
from blurscope.tracking import Motion
from blurscope.tracking.backlight import STEADY
from blurscope.tracking.lanes import Lane, _Matcher
from blurscope.tracking.model import NAMES, STEPS
from blurscope.tracking.motion import inflation, slit_waveform

SPEED, SAMPLES, DOF = 8.0, 500, 80.0
MIXED = {  # every transition with a shape of its own, as no one wrong clock suits them all
    (0, 85): Response(shape="s-shaped", time_ms=14.5),
    (0, 170): Response(shape="overdriven", time_ms=10.6, overshoot_pct=13, tail_ratio=2.9),
    (0, 255): Response(shape="s-shaped", time_ms=13.0),
    (85, 0): Response(shape="cascade", time_ms=18.5),
    (85, 170): Response(shape="two-stage", time_ms=12.0, first_share=0.91, second_delay_ms=8.33),
    (85, 255): Response(shape="boosted", time_ms=15.0, overshoot_pct=12, second_delay_ms=8.33),
    (170, 0): Response(shape="exponential", time_ms=16.5),
    (170, 85): Response(shape="cascade", time_ms=34.2),
    (170, 255): Response(shape="ramp", time_ms=17.5),
    (255, 0): Response(shape="gaussian", time_ms=22.3),
    (255, 85): Response(shape="cascade", time_ms=15.6),
    (255, 170): Response(shape="s-shaped", time_ms=14.8),
}


def motion_with(error: float, chi2_ratio: float = 1.0) -> Motion:
    known = dict.fromkeys(NAMES, 0.0) | {"exposure": 4.0, "error": error, "sigma": 0.4, "amplitude": 1.0}
    covariance = np.diag(np.full(len(NAMES), 1e-8))
    return Motion(**known, covariance=covariance, chi2_ratio=chi2_ratio, samples=SAMPLES)


def attempt_of(streaks, edges, price):
    """Return what fits everything but the error, from the costs by which streaks and edges judge it."""

    def attempt(m: Motion) -> Trial:
        ratio = 1.0 + streaks(m.error) * inflation(1.0) / SAMPLES
        return Trial(motion_with(m.error, ratio), np.array([DOF + edges(m.error)]), np.array([price(m.error)]))

    return attempt


def test_costs_that_are_parabolas_add_up():
    """Two parabolas have their minimum at the mean weighted by their bends (closed form); u95 is the streaks' own."""
    attempt = attempt_of(lambda e: ((e - 0.10) / 0.05) ** 2, lambda e: ((e - 0.20) / 0.05) ** 2, lambda e: 0.0)
    found = settle_error(motion_with(0.1), SPEED, attempt, DOF)
    assert found.error == pytest.approx(0.15, abs=0.005)
    assert found.sd("error") == pytest.approx(0.05, rel=0.4)


def test_a_shape_that_fits_better_has_its_price():
    def edges(e: float) -> float:
        return ((e - 0.2) / 0.05) ** 2 - (12.0 if e < 0.0 else 0.0)  # some richer shape takes what the error smears

    def streaks(e: float) -> float:
        return (e / 1.0) ** 2

    dear = settle_error(motion_with(0.1), SPEED, attempt_of(streaks, edges, lambda e: 30.0 * (e < 0.0)), DOF)
    assert dear.error == pytest.approx(0.2, abs=0.01)


def test_an_error_far_away_that_fits_about_as_well_is_in_the_uncertainty():
    def two_ends(e: float) -> float:
        return min(((e - 0.1) / 0.03) ** 2, ((e - 1.6) / 0.03) ** 2 + 3.0)

    found = settle_error(motion_with(0.1), SPEED, attempt_of(two_ends, lambda e: 0.0, lambda e: 0.0), DOF)
    assert found.error == pytest.approx(0.1, abs=0.01)
    assert 1.96 * found.sd("error") > 0.5 * (1.6 - 0.1) - 0.1


def test_streaks_that_seem_askew_part_no_edges(tmp_path):
    layout = make_layouts(640, 400, px_per_refresh=6, levels=4, refresh_hz=120.0)[0][0]
    camera = Camera(
        exposure_refreshes=7.0, start_phase=0.14469, tracking_error_px_per_refresh=-0.35869, readout_refreshes=0.31153,
        campx_per_px=3.14784, shift_x_campx=3.97, shift_y_campx=2.88, yaw_deg=6.88974, pitch_deg=0.8521,
        roll_deg=0.20016, lens_sigma_campx=1.0369, reflected_light=0.0049, white_share=0.82, tone="srgb",
        file_format="jpeg", jpeg_quality=94,
    )  # fmt: skip
    law = LightLaw(kind="gamma", gamma=1.9142, black=0.003506)
    shot = film(layout, Display(label="Birch", law=law, transitions=MIXED), camera, seed=909000300 + 8370)
    path = tmp_path / f"photo{shot.suffix}"
    path.write_bytes(shot.data)
    result = bs.measure(path, pattern=layout)
    true = {(t["from_level"], t["to_level"]): t["bet_ms"] for t in shot.truth["transitions"]}
    assert not any("instances_disagree" in e.flags for e in result.edges)
    off = np.array([e.bet_ms.value - true[e.from_level, e.to_level] for e in result.edges])
    assert np.all(np.abs(off) <= [e.bet_ms.u95 for e in result.edges]) and np.abs(off).max() < 0.15


@pytest.mark.parametrize("direction", ["left", "right"])
def test_the_place_of_the_screen_is_judged_by_plain_correlation(rng, direction):
    """Second road: boxes drawn sample by sample, and NumPy's own correlation coefficient with the light's root."""
    layout = make_layouts(640, 400, px_per_refresh=8, levels=3, direction=direction)[0][0]
    grid = np.arange(-30.0, 600.0, 1.0)
    blocks = [b for b in layout.blocks if b.kind == "lane"]
    lanes = [Lane(block=b, u_px=grid, light=rng.uniform(-0.1, 1, len(grid)), noise=0.01, v_row=9.0) for b in blocks]
    shift, exposure, first = 37.0, 3.4, -90
    middle = layout.sign * shift / layout.px_per_refresh
    opening, closing = middle - exposure / 2, middle + exposure / 2
    drawn = np.zeros((len(lanes), len(grid)))
    for row, block in zip(drawn, blocks, strict=True):
        for slit in block.slits:
            for n in range(int(np.floor(opening)), int(np.ceil(closing))):
                height = np.sqrt((slit.level_at(n) / 255) ** 2.2 * slit.width_px)
                times = max(n, opening), min(n + 1, closing)
                ends = [slit.x_px + slit.width_px / 2 - layout.sign * layout.px_per_refresh * t for t in times]
                low, high = (int(np.clip(np.rint(e - grid[0]), 0, len(grid))) for e in sorted(ends))
                row[low:high] += height
    seen = np.sqrt(np.maximum([lane.light for lane in lanes], 0))
    found = _Matcher(lanes, layout, first, 90)(shift, exposure)
    assert found == pytest.approx(np.corrcoef(drawn.ravel(), seen.ravel())[0, 1], abs=1e-9)


@pytest.mark.parametrize(("rise_waits", "fall_waits"), [(0.0, 0.0), (0.4, 0.4), (1.3, 1.3), (2.4, 1.9), (0.2, 0.7)])
def test_slits_of_pixels_that_wait_longer_than_they_are_lit(rise_waits: float, fall_waits: float):
    """A pixel with a time constant and dead times, driven on and off for 12 periods (recursion of a first-order lag).

    A camera that lags by more than a refresh lets every pixel seem to wait that long, on a clock of 2 refreshes.
    """
    times = dict(period_refreshes=4, on_refreshes=2, phase_refreshes=1)
    slit = Slit(x_px=0, width_px=2, kind="clock", low_level=0, high_level=255, **times)
    tau = 0.5

    def steps(a: int, _b: int) -> np.ndarray:
        age = np.arange(-STEPS, 8 * STEPS + 1) / STEPS - (rise_waits if a == 0 else fall_waits)
        area = np.where(age > 0, age - tau * (1 - np.exp(-np.maximum(age, 0) / tau)), 0.0)
        return np.diff(area) * STEPS

    found = slit_waveform(slit, steps, lambda level: 1e-3 if level == 0 else 1.0)
    fine = 16 * STEPS
    t = np.arange(4 * fine) / fine + 0.5 / fine
    wanted = ((t - rise_waits) % 4 < 2 + fall_waits - rise_waits).astype(float)
    light, mean = 0.0, np.empty(4 * fine)
    for lap in range(12):
        for i, w in enumerate(wanted):
            before, light = light, w + (light - w) * np.exp(-1 / (fine * tau))
            if lap == 11:
                mean[i] = 0.5 * (before + light)
    mean = np.roll(mean.reshape(-1, 16).mean(axis=1), slit.phase_refreshes * STEPS)
    assert found == pytest.approx(mean, abs=0.012)


def test_a_slow_display_at_a_high_rate_and_part_of_a_refresh(tmp_path):
    """Seven refreshes and a part of 240 Hz: lengths of streaks say exposure times speed only, responses must tell more.

    The simulated camera's own error and exposure are the reference.
    """
    layout = make_layouts(640, 400, px_per_refresh=4, levels=4, refresh_hz=240.0)[0][0]
    times = {(0, 255): ("ramp", 0.8), (255, 0): ("cascade", 14.0), (0, 85): ("two-stage", 9.0), (85, 0): ("ramp", 1.0)}
    slow = {pair: Response(shape=shape, time_ms=ms, second_delay_ms=1000 / 240) for pair, (shape, ms) in times.items()}
    rest = Response(shape="s-shaped", time_ms=11.0)
    display = Display(transitions={pair: slow.get(pair, rest) for pair in layout.transitions()})
    camera = Camera(
        campx_per_px=2.73,
        exposure_refreshes=7.63,
        start_phase=0.085,
        tracking_error_px_per_refresh=-0.48,
        readout_refreshes=1.15,
        lens_sigma_campx=1.29,
        file_format="jpeg",
        jpeg_quality=87,
    )
    made = film(layout, display, camera, seed=3)
    path = tmp_path / f"photo{made.suffix}"
    path.write_bytes(made.data)
    found = bs.measure(path, pattern=layout)
    for name in ("error_px_per_refresh", "exposure_refreshes"):
        seen, true = found.tracking[name], made.truth["tracking"][name]
        assert abs(seen.value - true) < min(seen.u95, 0.02 * (4 if name.startswith("error") else 7.63)), name


def test_streaks_of_a_third_of_their_light_say_nothing():
    """A streak's light is that of its slit times width over speed and exposure: a third of it is not this streak."""
    refuse_faint(motion_with(0.0), STEADY)
    with pytest.raises(FitError, match="only 34 % as bright"):
        refuse_faint(replace(motion_with(0.0), amplitude=0.34), STEADY)
