"""The Cramér-Rao bound of the benchmarks, against integrals, least squares on drawn samples, and laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.optimize import least_squares
from scripts import script

from blurscope.pattern.budget import make_layouts
from blurscope.shapes import LN9

bound = script("bound")
LAYOUT = make_layouts(640, 400, px_per_refresh=8, levels=3)[0][0]


def least(**more):
    options = {"tau": 0.2, "campx_per_px": 3.0, "white_snr": 20.0, "bayer": False, "lens_sigma_campx": 1.0}
    return bound.cramer_rao(LAYOUT, (128, 255), 4.0, **(options | more))


def test_bound_follows_noise_samples_and_mosaic():
    bet, response = least()
    assert least(white_snr=200.0)[0] == pytest.approx(bet / 10, rel=0.1)
    assert least(bayer=True)[0] == pytest.approx(bet * math.sqrt(2), rel=0.02)
    assert response > bet  # the hold hides part of the response


def test_bound_is_not_above_a_monte_carlo_of_the_same_samples(rng):
    """Least squares on drawn profiles scatters as the bound says, within 20 % (150 of them know it to 6 %)."""
    tau, scale, lens = 0.25, 3.0, 0.01
    said = least(tau=tau, lens_sigma_campx=lens)[1]
    t = np.arange(-1.0, min(LAYOUT.field_refreshes - 0.3, 8 + 8 * tau), 1 / 24)
    low, high = (0.001 + 0.999 * (x / 255) ** 2.2 for x in (128, 255))
    true = bound.blurred_exponential(t, tau)
    rows = bound.band_rows(LAYOUT, lens / scale)
    sd = np.sqrt(low + (high - low) * true) / 20 / (high - low)
    sd = sd / math.sqrt(8 / 24 * scale * rows * scale * 4.0)
    found = []
    for _ in range(150):
        y = true + sd * rng.standard_normal(len(t))

        def off(p, y=y):
            return (p[2] + (p[3] - p[2]) * bound.blurred_exponential(t - p[1], p[0]) - y) / sd

        found.append(least_squares(off, [tau, 0.0, 0.0, 1.0]).x[0] * LN9)
    assert np.std(found) == pytest.approx(said, rel=0.2)


@pytest.mark.parametrize(("snr", "light"), [(28.0, 0.0005), (28.0, 0.02), (100.0, 0.001)])
def test_information_of_cut_noise_is_that_of_the_integral(snr, light):
    electrons = snr**2
    sd = np.sqrt(light * electrons + bound.READ_NOISE_E**2) / electrons
    above, _ = integrate.quad(lambda x: ((x - light) / sd**2) ** 2 * stats.norm.pdf(x, light, sd), 0, light + 12 * sd)
    below = stats.norm.pdf(light / sd) ** 2 / sd**2 / stats.norm.cdf(-light / sd)
    assert bound.cut_noise(np.array([light]), snr)[0] == pytest.approx(1 / np.sqrt(above + below), rel=1e-6)
