"""Step responses and blurred edges against closed forms and a table of published precision."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import lambertw
from scipy.stats import norm

from blurscope.shapes import (
    GET_FACTOR,
    LN9,
    exponential_integral,
    exponential_step,
    first_crossing,
    gaussian_edge_sigma,
    last_outside,
)
from blurscope.shapes.blurred import BlurredEdge
from blurscope.shapes.steps import (
    exponential,
    gaussian,
    instant_step,
    linear_ramp,
    overshooting,
    raised_cosine,
    rise_ms,
    two_stage,
)

TABLE = Path(__file__).parent / "data" / "closed_form_figures.csv"
# The table's source: closed forms I(t) - I(t - T), checked there against adaptive quadrature at 1e-11 ms.


def table() -> list[dict[str, str]]:
    with open(TABLE, newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def step_of(row: dict[str, str]):
    response, hold = float(row["tr_ms"]), float(row["T_ms"])
    return {
        "instant": lambda: instant_step(),
        "exponential": lambda: exponential(response),
        "erf": lambda: gaussian(response),
        "linear ramp": lambda: linear_ramp(response),
        "raised cosine": lambda: raised_cosine(response),
        "delayed two-stage": lambda: two_stage(response, hold),
        "overshoot": lambda: overshooting(response),
    }[row["response"]]()


def test_constants():
    assert pytest.approx(2.19722457733622, abs=1e-14) == LN9
    assert pytest.approx(2 * norm.ppf(0.9), abs=1e-14) == GET_FACTOR


def test_the_table_is_whole():
    rows = table()
    assert len(rows) == 100
    assert {row["refresh"] for row in rows} == {"60 Hz", "120 Hz", "144 Hz", "240 Hz"}


@pytest.mark.parametrize("row", table(), ids=lambda r: f"{r['response']}-{r['refresh']}-{r['tr_ms'][:5]}")
def test_every_figure_of_the_table(row):
    edge = BlurredEdge(step=step_of(row), hold=float(row["T_ms"]))
    found = edge.figures()
    want = {name: float(row[name]) for name in ("BET", "EBET", "GET", "t10", "t50", "ghost_length5")}
    got = {
        "BET": found.bet,
        "EBET": found.ebet,
        "GET": found.get,
        "t10": found.t10,
        "t50": found.t50,
        "ghost_length5": found.ghost,
    }
    assert got == pytest.approx(want, abs=1e-6)
    for band, name in ((0.10, "ghost_length10"), (0.02, "ghost_length2")):
        assert edge.figures(band).ghost == pytest.approx(float(row[name]), abs=1e-6)


# ----------------------------------------------------------------------------- instant pixel: rules of the trade


@pytest.mark.parametrize("refresh_hz", [60, 120, 144, 240])
def test_an_instant_panel_blurs_by_its_hold(refresh_hz):
    hold = 1000 / refresh_hz
    found = BlurredEdge(step=instant_step(), hold=hold).figures()
    assert found.bet == pytest.approx(0.8 * hold) and found.ebet == pytest.approx(hold)
    assert found.get == pytest.approx(0.819740812837 * hold, rel=1e-9)  # closed form of the box
    assert found.ghost == pytest.approx(0, abs=1e-9)
    assert found.bet * 0.96 == pytest.approx(12.8 * 60 / refresh_hz)  # 16 px per refresh at 60 Hz is 0.96 px/ms


def test_a_slow_pixel_cannot_settle_in_a_refresh():
    assert exponential_step(1000 / 60, 33 / LN9) < 0.7


# ----------------------------------------------------------------------------- exponential: closed forms


def exponential_blur_at(p: float, hold: float, tau: float) -> float:
    """Time where the blurred exponential passes ``p``: Lambert's W inside the hold, a logarithm after it."""
    if p < 1 - tau / hold * (1 - math.exp(-hold / tau)):
        big = p * hold / tau + 1
        return float(tau * (big + lambertw(-math.exp(-big)).real))
    return tau * math.log(tau / hold * (math.exp(hold / tau) - 1) / (1 - p))


@pytest.mark.parametrize("response", [1.0, 6.0, 21.0, 33.0])
@pytest.mark.parametrize("refresh_hz", [60, 120])
def test_crossings_of_the_exponential(response, refresh_hz):
    hold, tau = 1000 / refresh_hz, response / LN9
    edge = BlurredEdge(step=exponential(response), hold=hold)
    for p in (0.1, 0.5, 0.9):
        assert edge.crossing(p) == pytest.approx(exponential_blur_at(p, hold, tau), abs=1e-8)
    assert edge.settle(0.05) == pytest.approx(exponential_blur_at(0.95, hold, tau), abs=1e-8)


@pytest.mark.parametrize("tau", [0.0, 0.5, 3.0])
def test_running_integral_is_the_integral(tau):
    for end in (-1.0, 0.0, 0.7, 9.0):
        # the step itself jumps or kinks at 0 only, where the quadrature starts
        reference = quad(lambda t: float(exponential_step(t, tau)), 0, max(end, 0), epsabs=1e-12)[0]
        assert float(exponential_integral(np.float64(end), tau)) == pytest.approx(reference, abs=1e-10)


def test_response_time_of_the_exponential_is_tau_ln9():
    assert rise_ms(exponential(6.0)) == pytest.approx(6.0, abs=1e-9)


def test_overshooting_step_by_its_derivative():
    # 1 - 1.5 x + 0.5 x**(1/3), x = exp(-t/tau): derivative zero at exp(-2t/3tau) = 1/9, so t = 1.5 tr, height 1/9
    step = overshooting(6.0)
    t = np.linspace(0, 60, 60_001)
    assert t[np.argmax(step.value(t))] == pytest.approx(9.0, abs=1e-3)
    assert step.value(np.array([9.0]))[0] - 1 == pytest.approx(1 / 9, abs=1e-12)
    assert rise_ms(step) == pytest.approx(0.533491287353 * 6.0, abs=1e-8)


# ----------------------------------------------------------------------------- laws


@pytest.mark.parametrize("make", [exponential, raised_cosine, overshooting])
def test_figures_scale_with_time(make):
    small = BlurredEdge(step=make(6.0), hold=16.0).figures()
    large = BlurredEdge(step=make(12.0), hold=32.0).figures()
    for name in ("t10", "bet", "get", "ghost"):
        assert getattr(large, name) == pytest.approx(2 * getattr(small, name), rel=1e-6, abs=1e-7)
    assert large.overshoot == pytest.approx(small.overshoot, abs=1e-9)


def test_moments_add():
    """LSF = (s(t) - s(t - T)) / T: centroids and variances of step and hold add, no threshold involved."""
    response, hold = 8.0, 16.0
    tau = response / LN9
    edge = BlurredEdge(step=exponential(response), hold=hold)
    t = np.linspace(0, 36 * tau + hold, 400_001)
    lsf = edge.lsf(t)
    step = t[1] - t[0]
    mean = float(np.sum(t * lsf) * step)
    variance = float(np.sum((t - mean) ** 2 * lsf) * step)
    assert mean == pytest.approx(tau + hold / 2, rel=1e-4)
    assert variance == pytest.approx(tau**2 + hold**2 / 12, rel=1e-4)


def test_the_response_can_be_read_back_from_the_edge():
    """R(t) = R(t - T) + T dB/dt."""
    hold = 1000 / 60
    for step in (exponential(21.0), overshooting(6.0), two_stage(6.0, hold)):
        edge = BlurredEdge(step=step, hold=hold)
        t = np.linspace(0.5, 90, 333)
        h = 1e-4
        slope = (edge.esf(t + h) - edge.esf(t - h)) / (2 * h)
        np.testing.assert_allclose(step.value(t - hold) + hold * slope, step.value(t), atol=1e-5)


# ----------------------------------------------------------------------------- reading curves


def test_first_crossing_and_last_outside():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    y = np.array([0.0, 0.5, 1.2, 0.9, 1.0, 1.0])
    assert first_crossing(x, y, 0.25) == 0.5
    assert first_crossing(x, y, 0.85) == pytest.approx(1.5)
    assert math.isnan(first_crossing(x, y, 1.3)) and first_crossing(x, y, -1) == 0
    assert last_outside(x, y, 1.0, 0.05) == pytest.approx(3.5)  # from 0.9 up to 0.95
    assert last_outside(x, y, 1.0, 0.15) == pytest.approx(2 + 0.05 / 0.3)  # from 1.2 down to 1.15
    assert last_outside(x, y, 1.0, 5.0) == 0 and math.isnan(last_outside(x, y, 0.0, 0.5))


@pytest.mark.parametrize(("mu", "sigma"), [(3.0, 0.8), (-2.0, 2.5), (0.4, 0.05)])
def test_the_gaussian_fit_finds_a_gaussian(mu, sigma):
    x = np.linspace(mu - 12 * sigma, mu + 12 * sigma, 2001)
    assert gaussian_edge_sigma(x, norm.cdf(x, mu, sigma)) == pytest.approx(sigma, rel=1e-7)


def test_the_gaussian_fit_of_a_box():
    x = np.linspace(-1, 2, 6001)
    assert GET_FACTOR * gaussian_edge_sigma(x, np.clip(x, 0, 1)) == pytest.approx(0.819740812837, rel=1e-5)
