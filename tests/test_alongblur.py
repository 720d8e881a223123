"""The blur along the motion, from stripes across it and from streaks."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from blurscope.alongblur import blur_along, even_blur, expected_sd


def streaks(sigma: float, sd: float, chi2: float = 1.0):
    return SimpleNamespace(sigma=sigma, sd=lambda name: {"sigma": sd}[name], chi2_ratio=chi2)


def test_without_streaks_the_lens_is_taken_as_even():
    assert blur_along(None, 0.5, 0.01) == even_blur(0.5, 0.01)
    assert even_blur(0.5, 0.01).sigma_px == 0.5


def test_streaks_that_agree_change_hardly_anything():
    found = blur_along(streaks(0.51, 0.004), 0.5, 0.006)
    assert found.sigma_px == pytest.approx(0.5, abs=0.005) and not found.uneven
    assert found.sd_px < 1.5 * even_blur(0.5, 0.006).sd_px


def test_a_clear_difference_is_believed():
    found = blur_along(streaks(0.75, 0.005), 0.45, 0.006)
    assert found.uneven and abs(found.sigma_px - 0.75) < 2 * found.sd_px
    assert abs(found.sigma_px - 0.45) > 4 * found.sd_px


def test_between_the_two_the_interval_holds_both():
    found = blur_along(streaks(0.56, 0.01), 0.45, 0.006)
    assert found.sigma_px - 2 * found.sd_px < 0.46 and found.sigma_px + 2 * found.sd_px > 0.55


def test_bad_streaks_tell_little():
    good, bad = blur_along(streaks(0.75, 0.005), 0.45, 0.006), blur_along(streaks(0.75, 0.005, 30.0), 0.45, 0.006)
    assert bad.sigma_px < good.sigma_px and bad.sd_px > good.sd_px


@pytest.mark.parametrize("seen", [0.35, 0.47, 0.55, 0.9])
def test_mean_and_deviation_against_an_integral(seen):
    """Bayes' theorem by quadrature: prior of the difference, a mixture of two normals, times the likelihood."""
    across, streak_sd = 0.45, 0.02
    found = blur_along(streaks(seen, streak_sd), across, 0.0)
    x = np.linspace(-2, 2, 400001)
    alike, blind = 0.008 + 0.016 * across, 2 * streak_sd + 0.009 * (1 + 1 / seen)
    prior = 0.7 * norm.pdf(x, scale=alike) + 0.3 * norm.pdf(x, scale=0.35 * across)
    uneven = 0.3 * norm.pdf(seen - across, scale=np.hypot(0.35 * across, blind))
    even = 0.7 * norm.pdf(seen - across, scale=np.hypot(alike, blind))
    shape2 = uneven / (uneven + even) * (0.12 * (seen - across)) ** 2
    weight = prior * norm.pdf(seen - across, loc=x, scale=blind)
    weight /= weight.sum()
    mean = float(weight @ x)
    assert found.sigma_px == pytest.approx(across + mean, abs=1e-6)
    assert found.sd_px == pytest.approx(float(np.sqrt(weight @ (x - mean) ** 2 + shape2)), rel=1e-4)


@pytest.mark.parametrize("across", [0.25, 0.4, 0.7])
def test_expected_uncertainty_is_that_of_streaks_that_agree(across):
    found = blur_along(streaks(across, 1e-6), across, 0.006).sd_px
    assert expected_sd(across) == pytest.approx(found, rel=1e-3)
