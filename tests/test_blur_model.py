"""The model of blurred edges against closed forms, and its derivatives against differences of high order."""

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq
from scipy.special import erf
from scipy.stats import gamma

from blurscope.blur.families import FAMILIES
from blurscope.blur.figures import NAMES as FIGURES
from blurscope.blur.figures import curves_of, gaussian_edge_time
from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.propagate import Spread, curve_bundle, figures_of_bundles, nudged_curves
from blurscope.pattern.budget import make_layouts
from blurscope.tracking.backlight import pulse_train
from blurscope.tracking.lanes import Lane, cut_streaks
from blurscope.tracking.model import NAMES, STEPS, StreakBatch

FAMILY = {f.name: f for f in FAMILIES}


def cells(integral, ages: np.ndarray) -> np.ndarray:
    return np.diff(integral(ages)) / np.diff(ages)


def box_of_step(lag: np.ndarray, width: float, sigma: float) -> np.ndarray:
    """A step smeared by a box that starts at 0 and by a Gaussian: the integral of the normal distribution."""

    def ramp(x: np.ndarray) -> np.ndarray:
        z = x / sigma
        return x * 0.5 * (1 + erf(z / np.sqrt(2))) + sigma * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)

    return (ramp(lag) - ramp(lag - width)) / width


@pytest.mark.parametrize("v", [4, 8, 24])
@pytest.mark.parametrize(("exposure", "phase"), [(1.0, 0.0), (2.0, 0.3), (4.0, 0.71)])
def test_an_instant_panel_is_the_hold_and_the_lens(v, exposure, phase):
    ages = age_edges(8)
    lag = np.arange(-2 * v, 4 * v, v / 37)
    capture = Capture(px_per_refresh=v, exposure_refreshes=exposure, start_phase=phase, blur_sigma_px=0.5)
    seen = capture_operator(lag, ages, capture) @ cells(lambda t: np.maximum(t, 0.0), ages)
    assert np.abs(seen - box_of_step(lag, v, 0.5)).max() < 1.2e-3


def test_an_exponential_panel_is_its_integral_over_a_refresh():
    ages, tau, v = age_edges(12), 0.4, 8

    def integral(t):
        t = np.maximum(t, 0.0)
        return t + tau * np.expm1(-t / tau)

    lag = np.arange(-2 * v, 8 * v, 0.21)
    capture = Capture(px_per_refresh=v, exposure_refreshes=3.0, start_phase=0.2, blur_sigma_px=0.02)
    seen = capture_operator(lag, ages, capture) @ cells(integral, ages)
    assert np.abs(seen - (integral(lag / v) - integral(lag / v - 1))).max() < 1.5e-3


def test_tracking_error_smears_by_its_travel():
    """An instant panel, whole exposure: a box of the hold and a box of error x exposure, whatever order."""
    v, e, exposure = 8, 0.5, 4.0
    ages, lag = age_edges(8), np.arange(-2 * v, 4 * v, 0.1)
    capture = Capture(
        px_per_refresh=v, exposure_refreshes=exposure, start_phase=0.0, error_px_per_refresh=e, blur_sigma_px=0.3
    )
    seen = capture_operator(lag, ages, capture) @ cells(lambda t: np.maximum(t, 0.0), ages)
    # each refresh k of the exposure is a box of its own: the plate slips by e during and between them
    starts = (np.arange(exposure) - exposure / 2) * e
    expected = np.mean([box_of_step(lag - s, v + e, 0.3) for s in starts], axis=0)
    assert np.abs(seen - expected).max() < 1.5e-3


def test_groups_are_means_of_samples():
    ages, lag = age_edges(8), np.arange(-10, 40, 0.3)
    capture = Capture(px_per_refresh=8, exposure_refreshes=2.4, start_phase=0.4, blur_sigma_px=0.4, boxes_px=(0.3,))
    starts = np.array([0, 5, 9, 30, 90])
    grouped = capture_operator(lag, ages, capture, starts)
    single = np.add.reduceat(capture_operator(lag, ages, capture), starts, axis=0)
    single /= np.diff(np.append(starts, len(lag)))[:, None]
    assert np.abs(grouped - single).max() < 1e-8
    assert grouped.sum(axis=1) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
def test_slopes_are_the_derivatives_of_the_integral(family):
    t = np.linspace(-0.7, 6.3, 301)[None, :] + 1.3e-3

    def difference(f, step=2e-4):
        return (8 * (f(step) - f(-step)) - f(2 * step) + f(-2 * step)) / (12 * step)

    for start in family.starts:
        p = np.array([start])
        found = family.slopes(t, p)
        expected = [difference(lambda h, p=p: family.integral(t + h, p))]
        for unit in np.eye(p.shape[1]):
            expected.append(difference(lambda h, p=p, unit=unit: family.integral(t, p + h * unit)))
        assert found.shape == (1 + p.shape[1], 1, t.shape[1])
        for mine, reference in zip(found, expected, strict=True):
            assert np.abs(mine - reference).max() < 6e-4


@pytest.mark.parametrize(("name", "poles"), [("driven s-shaped", 2), ("driven", 1)])
@pytest.mark.parametrize(("ratio", "drive"), [(3.0, 1.25), (1 / 3, 1.1), (2.0, 0.8)])
def test_driven_pixels_are_lags_behind_a_law(name: str, poles: int, ratio: float, drive: float):
    """A state-space model of the lag, and light as the square of the signal, by a solver of differential equations."""
    tau = 0.35

    def slope(t: float, z: np.ndarray) -> list[float]:
        chain = [drive if t < 1 else 1.0, *z[:poles]]
        light = ((1 + (ratio - 1) * z[poles - 1]) ** 2 - 1) / (ratio**2 - 1)
        return [(chain[i] - chain[i + 1]) / tau for i in range(poles)] + [light]

    at = np.array([0.2, 0.7, 1.0, 1.4, 2.5, 4.0])
    first = solve_ivp(slope, (0, 1), np.zeros(poles + 1), t_eval=at[at <= 1], rtol=1e-9, atol=1e-12)
    second = solve_ivp(slope, (1 + 1e-12, 5), first.y[:, -1], t_eval=at[at > 1], rtol=1e-9, atol=1e-12)
    expected = np.concatenate([first.y[-1], second.y[-1]])
    bend = (ratio - 1) / (ratio + 1)
    assert FAMILY[name].integral(at[None], np.array([[drive, np.log(tau), bend]]))[0] == pytest.approx(
        expected, abs=1e-7
    )


@pytest.mark.parametrize("name", ["exponential", "s-shaped", "staged", "two exponentials"])
def test_get_of_near_curves_is_that_of_a_fit_of_their_own(name):
    family = FAMILY[name]
    t, curves, _, _ = curves_of(family, np.array([family.starts[0]]), 12.0)
    near = curves + 1e-3 * np.sin(2.5 * t) * np.exp(-t)
    both = np.concatenate([curves, near])
    moved = gaussian_edge_time(t, both, np.zeros(2, int))
    alone = gaussian_edge_time(t, both, np.arange(2))
    assert moved[0] == alone[0]
    assert moved[1] - moved[0] == pytest.approx(alone[1] - alone[0], rel=0.02)


FLASHES = [None, pulse_train(0.3, 0.45, 0.0, 1), pulse_train(0.1, 0.6, 0.4, 3)]


def streaks_of_slits(rng: np.random.Generator, emission: np.ndarray | None):
    """Streaks of a small plate, their slits' light at random, and a motion of the camera."""
    layout = make_layouts(640, 400, px_per_refresh=8)[0][0]
    u = np.arange(-60.0, 700.0, 0.35)
    lanes = [
        Lane(block=b, u_px=u, light=np.zeros(len(u)), noise=1e-3, v_row=b.top_row + b.height_px / 2)
        for b in layout.blocks
        if b.kind == "lane"
    ]
    streaks = cut_streaks(lanes, layout, 10.0, 3.0)[:24]
    waves = [np.convolve(rng.random(64 * s.slit.period_refreshes), np.ones(9) / 9, "same") for s in streaks]
    p = np.array([0.4, 3.2, 0.3, 0.05, 6 / 64, 0.1, -0.2, 0.4, 1.1, 0.03, -0.02, 0.04, -0.05, 0.2, -0.3, 0.06])
    return streaks, StreakBatch(streaks, waves, layout, 0.35, emission), p


@pytest.mark.parametrize("emission", FLASHES, ids=["steady", "strobe", "pwm"])
def test_slopes_of_streaks_are_differences_of_their_light(emission):
    _, batch, p = streaks_of_slits(np.random.default_rng(5), emission)
    found = batch.slopes(p)
    assert found.shape[1] == len(NAMES) == len(p)
    for k, slope in enumerate(found.T):
        step, back = np.zeros(len(p)), 1.0
        step[k] = 1e-4
        if NAMES[k].startswith("flash"):
            step[k] = 0.15  # flashes move by whole cells
            expected = batch.model(p + step) - batch.model(p - step)
            if emission is None:
                assert not slope.any() and not expected.any()
            else:
                assert np.corrcoef(slope, expected)[0, 1] > 0.9, NAMES[k]
            continue
        if emission is not None and NAMES[k] == "delay":  # pixels move against flashes by whole cells, forwards
            step[k], back = 1 / 64, 0.0
        expected = (batch.model(p + step) - batch.model(p - back * step)) / ((1 + back) * step[k])
        # a wave is a staircase: where a difference steps over a stair, the two part
        close = np.abs(slope - expected) < 0.02 * np.abs(expected).max()
        assert close.mean() > 0.97, NAMES[k]


@pytest.mark.parametrize("emission", FLASHES, ids=["steady", "strobe", "pwm"])
def test_cells_of_a_free_waveform_add_up_to_its_streaks(emission):
    """Light is linear in the waveform, with flashes as without: the clock's is found by that."""
    rng = np.random.default_rng(6)
    streaks, batch, p = streaks_of_slits(rng, emission)
    rows = np.array([i for i, s in enumerate(streaks) if s.slit.kind == "clock"])
    phases = np.array([streaks[i].slit.phase_refreshes for i in rows])
    period = streaks[rows[0]].slit.period_refreshes
    free = rng.random(8 * period)
    batch.set_waves(rows, phases, np.repeat(free, STEPS // 8))
    here = np.repeat(np.isin(np.arange(len(streaks)), rows), batch.counts)
    added = batch.basis(p, rows, phases, 8, period) @ free
    assert np.abs(batch.model(p)[here] - added).max() < 1e-12


@pytest.mark.parametrize("sign", [-1, 1])
def test_trials_of_a_dead_time_that_is_hardly_known_keep_the_width(sign):
    """Trial edges against those of the gamma distribution itself (scipy), moved along what keeps its variance.

    A photo of a fast response tells the variance of its step and little of its shape: the dead time before it may be
    anything, and the edge is as wide as ever.
    """
    family = FAMILY["s-shaped"]
    shape, scale, length = np.log(6.0), np.log(0.05), 12.0
    away = np.array([0.8, -0.4]) * sign  # logarithms of shape and scale: shape times scale squared stays

    def exact(p: np.ndarray) -> float:
        step = gamma(np.exp(p[0]), scale=np.exp(p[1]))
        edge = lambda t: quad(step.cdf, t - 1, t, points=[step.mean()])[0]  # noqa: E731
        first, last = (brentq(lambda t, share=share: edge(t) - share, 1e-6, 6.0) for share in (0.1, 0.9))
        return last - first

    spread = Spread(
        noise=np.column_stack([away, np.zeros(2)]), effects=np.zeros((0, 2)), names=(), shared=np.zeros((1, 0))
    )
    here = np.array([shape, scale])
    t, b, tr, r = nudged_curves(family, here[None], length, None)
    bundle = curve_bundle(0, (1.0, 1.0), spread, np.array([[1.0, 0.0]]), (t, b[0], tr, r[0]), 0.85)
    branch = figures_of_bundles([bundle], None)[0]
    width = FIGURES.index("bew")
    assert branch.point[width] == pytest.approx(exact(here), rel=1e-3)
    assert branch.trial[width, 0] == pytest.approx(exact(here + away), rel=0.01)
