"""Uncertainty arithmetic against the GUM, published tables and another library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from uncertainties import ufloat

from blurscope.uncertainty import (
    K95,
    TAIL,
    combine,
    coverage_factor,
    effective_dof,
    median,
    nonlinear_sd,
    normalised_error,
    quantile,
    weighted_mean,
)

# JCGM 100:2008, H.1: the end gauge. Lengths in nm, temperatures in deg C; (value, standard uncertainty, dof).
STANDARD = (50.000623e6, 25.0, 18.0)
DIFFERENCE = (215.0, 9.7, 25.6)
EXPANSION_DIFFERENCE = (0.0, 0.58e-6, 50.0)
EXPANSION = (11.5e-6, 1.2e-6, math.inf)
DEVIATION = (-0.1, 0.41, math.inf)
TEMPERATURE_DIFFERENCE = (0.0, 0.029, 2.0)


def gauge_contributions() -> dict[str, tuple[float, float]]:
    """Sensitivity times uncertainty, and degrees of freedom, first order as in H.1.3."""
    length = STANDARD[0]
    return {
        "standard": (STANDARD[1], STANDARD[2]),
        "difference": (DIFFERENCE[1], DIFFERENCE[2]),
        "expansion difference": (abs(length * DEVIATION[0]) * EXPANSION_DIFFERENCE[1], EXPANSION_DIFFERENCE[2]),
        "temperature difference": (length * EXPANSION[0] * TEMPERATURE_DIFFERENCE[1], TEMPERATURE_DIFFERENCE[2]),
    }


def test_gauge_block_contributions_and_sum():
    parts = {name: u for name, (u, _) in gauge_contributions().items()}
    # printed in H.1.3: 25, 9.7, 2.9 and 16.6 nm; the inputs are printed rounded, hence 0.3 nm
    assert [parts[k] for k in parts] == pytest.approx([25, 9.7, 2.9, 16.6], abs=0.3)
    assert combine(parts) == pytest.approx(32, abs=0.5)  # printed: 32 nm
    assert combine(parts) == pytest.approx(31.71060964, abs=1e-8)  # the same sum with the printed inputs
    assert combine(list(parts.values())) == combine(parts)


def test_gauge_block_degrees_of_freedom_and_expanded():
    parts = gauge_contributions()
    nu = effective_dof(list(parts.values()))
    assert math.floor(nu) == 16 and nu == pytest.approx(16.6560627, abs=1e-6)  # printed: 16
    k = coverage_factor(math.floor(nu), 0.99)
    assert k == pytest.approx(2.92, abs=0.005)  # printed: 2.92
    assert k * 32 == pytest.approx(93, abs=0.7)  # printed: 93 nm, from the rounded 32 nm
    assert k * combine({n: u for n, (u, _) in parts.items()}) == pytest.approx(92.62, abs=0.01)


def test_gauge_block_by_another_library():
    standard, difference = ufloat(*STANDARD[:2]), ufloat(*DIFFERENCE[:2])
    d_alpha, alpha = ufloat(*EXPANSION_DIFFERENCE[:2]), ufloat(*EXPANSION[:2])
    theta, d_theta = ufloat(*DEVIATION[:2]), ufloat(*TEMPERATURE_DIFFERENCE[:2])
    length = standard + difference - standard * (d_alpha * theta + alpha * d_theta)
    parts = {name: u for name, (u, _) in gauge_contributions().items()}
    assert length.s == pytest.approx(combine(parts), rel=1e-9)
    assert length.n == pytest.approx(50.000838e6, abs=0.5)  # printed: 50.000838 mm


def test_second_order_terms_by_monte_carlo():
    """H.1.7: the terms that first order leaves out are 11.7 and 1.7 nm and raise the sum to 34 nm."""
    rng = np.random.default_rng(11)
    n = 400_000
    theta, alpha = rng.normal(-0.1, 0.41, n), rng.normal(11.5e-6, 1.2e-6, n)
    d_alpha, d_theta = rng.normal(0, 0.58e-6, n), rng.normal(0, 0.029, n)
    length = rng.normal(0, 25, n) + rng.normal(0, 9.7, n) - STANDARD[0] * (d_alpha * theta + alpha * d_theta)
    parts = {name: u for name, (u, _) in gauge_contributions().items()}
    total = combine([*parts.values(), 11.7, 1.7])
    assert round(total) == 34
    assert length.std() == pytest.approx(total, rel=4 / math.sqrt(2 * n) + 0.005)


# derived from Student's t; the two-decimal values stand in JCGM 100:2008, table G.2
@pytest.mark.parametrize(
    ("dof", "t95"),
    [
        (3, 3.182446305),
        (5, 2.570581836),
        (9, 2.262157163),
        (10, 2.228138852),
        (20, 2.085963447),
        (30, 2.042272456),
        (50, 2.008559112),
        (100, 1.983971519),
        (math.inf, 1.959963985),
    ],
)
def test_coverage_factors_for_95_percent(dof, t95):
    assert coverage_factor(dof) == pytest.approx(t95, abs=1e-8)


@pytest.mark.parametrize(("dof", "t"), [(1, 13.97), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (math.inf, 2.0)])
def test_coverage_factors_for_two_sigma(dof, t):
    assert coverage_factor(dof, 0.9545) == pytest.approx(t, abs=0.006)  # JCGM 100:2008, table G.2, column 95.45


def test_fewer_than_one_degree_of_freedom_counts_as_one():
    assert coverage_factor(0.2) == coverage_factor(1)


def test_k95_covers_95_percent_of_a_normal():
    assert math.erf(K95 / math.sqrt(2)) == pytest.approx(0.95, abs=1e-12)


def test_effective_dof_laws():
    assert math.isinf(effective_dof([(1.0, math.inf), (2.0, math.inf)]))
    assert effective_dof([(1.0, 7)]) == pytest.approx(7)
    assert effective_dof([(1.0, 5), (1.0, 5)]) == pytest.approx(10)  # two equal parts: twice the degrees
    assert effective_dof([(3.0, 5), (6.0, 9)]) == pytest.approx(effective_dof([(1.0, 5), (2.0, 9)]))


def test_normalised_error_by_hand():
    # derived: 0.2 / sqrt(0.25^2 + 0.20^2)
    assert normalised_error(13.1, 12.9, 0.25, 0.20) == pytest.approx(0.624695047554, abs=1e-11)
    assert normalised_error(12.9, 13.1, 0.25, 0.20) == pytest.approx(-0.624695047554, abs=1e-11)


def test_normalised_error_takes_what_is_shared_out():
    # two results that share a standard uncertainty of 0.1: the difference does not know of it
    own, shared = 0.05, 0.1
    u = math.hypot(own, shared)
    en = normalised_error(1.2, 1.0, K95 * u, K95 * u, covariance95=(K95 * shared) ** 2)
    assert en == pytest.approx(0.2 / (K95 * own * math.sqrt(2)))
    assert abs(en) > abs(normalised_error(1.2, 1.0, K95 * u, K95 * u))


def test_normalised_error_without_uncertainty():
    assert normalised_error(1, 1, 0, 0) == 0 and normalised_error(2, 1, 0, 0) == math.inf
    assert normalised_error(1, 2, 0, 0) == -math.inf


def test_normalised_error_of_equal_things_is_within_one_as_often_as_it_says(rng):
    x, y = rng.normal(5, 0.3, 20_000), rng.normal(5, 0.4, 20_000)
    inside = np.mean([abs(normalised_error(a, b, K95 * 0.3, K95 * 0.4)) <= 1 for a, b in zip(x, y, strict=True)])
    assert inside == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 20_000))


def test_weighted_mean_of_independent_values():
    mean, u, chi2 = weighted_mean(np.array([10.0, 12.0]), np.diag([1.0, 4.0]))
    assert (mean, u) == pytest.approx((10.4, math.sqrt(0.8)))  # weights 4 : 1
    assert chi2 == pytest.approx(4 / 5)  # difference 2, variance 5


def test_what_values_share_is_not_averaged_away():
    n, own, shared = 25, 0.5, 0.3
    covariance = own**2 * np.eye(n) + shared**2
    _, u, _ = weighted_mean(np.full(n, 7.0), covariance)
    assert u == pytest.approx(math.hypot(own / math.sqrt(n), shared))


def test_weighted_mean_by_another_library():
    values, covariance = (
        np.array([3.0, 3.4, 2.9]),
        np.array([[0.09, 0.02, 0.01], [0.02, 0.16, 0.03], [0.01, 0.03, 0.04]]),
    )
    x = uncertainties.correlated_values(values, covariance)
    weights = np.linalg.solve(covariance, np.ones(3))
    reference = sum(w * v for w, v in zip(weights / weights.sum(), x, strict=True))
    mean, u, _ = weighted_mean(values, covariance)
    assert (mean, u) == pytest.approx((reference.n, reference.s))


def test_weighted_mean_covers(rng):
    covariance = np.array([[0.09, 0.03, 0.0], [0.03, 0.16, 0.05], [0.0, 0.05, 0.25]])
    draws = rng.multivariate_normal([4.0, 4.0, 4.0], covariance, 5000)
    results = np.array([weighted_mean(d, covariance) for d in draws])
    pull = (results[:, 0] - 4.0) / results[:, 1]
    assert abs(pull.mean()) < 4 / math.sqrt(5000) and pull.std() == pytest.approx(1, abs=4 / math.sqrt(10_000))
    assert results[:, 2].mean() == pytest.approx(2, abs=4 * 2 / math.sqrt(5000))  # chi-square of 2 degrees


def test_a_covariance_without_information_is_refused():
    with pytest.raises(ValueError, match="not positive"):
        weighted_mean(np.array([1.0, 2.0]), np.zeros((2, 2)))


def test_ratio_example():
    """BET = BEW / speed: 12.8 ± 0.1 px over 0.960 ± 0.002 px/ms (derived from the law of propagation)."""
    bet = ufloat(12.8, 0.1) / ufloat(0.960, 0.002)
    parts = {"bew": 0.1 / 0.960, "speed": 12.8 * 0.002 / 0.960**2}
    assert combine(parts) == pytest.approx(0.107806768724, abs=1e-11)
    assert combine(parts) == pytest.approx(bet.s, rel=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101])
def test_median_and_quantile_are_those_of_numpy(count, rng):
    values = rng.standard_normal(count)
    before = values.copy()
    assert median(values) == pytest.approx(np.median(values), rel=1e-12)
    for share in (0.0, 0.05, 0.55, 0.97, 1.0):
        assert quantile(values, share) == pytest.approx(np.quantile(values, share), rel=1e-12)
    assert np.array_equal(values, before)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3, 0.49])
def test_times_known_by_their_squares_reach_farther_below(share: float):
    """The square is even about its value, U(t^2) = 2 t U, and the lower end of t is the root of its lower end.

    So it is at U and at `TAIL` times U, whichever asks for more.
    """
    t, u = 5.0, 5.0 * share / K95
    whole = K95 * math.hypot(u, nonlinear_sd(t, u))
    ends = [t - math.sqrt(max(t**2 - 2 * t * K95 * u * times, 0.0)) for times in (1.0, TAIL)]
    assert whole == pytest.approx(max(ends[0], ends[1] / TAIL), rel=1e-9)
    assert t - whole <= math.sqrt(t**2 - 2 * t * K95 * u) + 1e-9


def test_times_smaller_than_their_uncertainty_have_the_linear_one():
    assert K95 * math.hypot(1.0, nonlinear_sd(1.5, 1.0)) == pytest.approx(K95)
    assert K95 * math.hypot(1.0, nonlinear_sd(2.5, 1.0)) == pytest.approx(2.5)  # down to 0 and no farther
    assert nonlinear_sd(0.0, 1.0) == 0.0
