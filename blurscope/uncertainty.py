"""Uncertainty arithmetic: propagation, coverage factors, combination and consistency (GUM, JCGM 101, ISO 13528)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

K95 = 1.959963984540054  # two-sided 95 % of a normal


# What the model of a capture may be wrong by, as shares of widths (refreshes) or of the step per unit of the photo's
# misfit; settled by the coverage of simulated photos with all faults (benchmarks/coverage.py).
MODEL_WIDTH, MODEL_TIME, MODEL_LIGHT = 0.0012, 0.0015, 0.001
LEAST_MISFIT = 0.08
LENS_SD_PX, LENS_SHARE = 0.008, 0.016  # how well the blur across the motion is that along it: px, and share of it
# Normal noise of black, cut off at no light: what that adds to the mean, in the noise's own spread and in the spread
# that is left of it.
CUT_MEAN, CUT_MEAN_SEEN = 0.4, 0.69
CUT_LEFT = 0.2  # of that, where single pixels show the cut and it is taken off
QUIET, LOUD = 0.01, 0.02  # noise of a pixel over the root of its light, shares of white: when such noise counts
RESOLVED_SHARE = 0.02  # of the time the plate takes to cross the blur: a response is not known better than that
TAIL = 1.5


def resolution_sd(lens_px: float, pixel_px: float, px_per_refresh: float) -> float:
    """Return the standard uncertainty below which a photo doesn't resolve a response, refreshes.

    Parameters
    ----------
    lens_px, pixel_px : float
        Standard deviation of the lens blur, and one camera pixel, in display px.
    px_per_refresh : float
    """
    return RESOLVED_SHARE * math.hypot(lens_px, pixel_px) / px_per_refresh


def nonlinear_sd(time: float, sd: float) -> float:
    """Return the standard uncertainty that a linear account leaves out of a time whose square is what a photo shows.

    A response much shorter than the hold widens an edge as its square does: an uncertainty of the square that reaches
    2 U t below leaves, for the time itself, more below than above. GUM 5.1.2 (note) asks for such terms. A root falls
    ever faster near 0, so that what lies a little beyond U of the square may lie far beyond that of the time: `TAIL`
    times the uncertainty of the time holds what as many U of the square leave, too.

    Parameters
    ----------
    time, sd : float
        The time and its standard uncertainty in its linear account, in one unit.
    """
    return max(_below(time, sd, K95), _below(time, sd, TAIL * K95))


def _below(time: float, sd: float, coverage: float) -> float:
    """Return what is missing where the square is so many standard uncertainties below its value."""
    reach = coverage * sd
    below = time - math.sqrt(max(time * time - 2 * time * reach, 0.0))
    return math.sqrt(max(below * below - reach * reach, 0.0)) / coverage


def median(values: np.ndarray) -> float:
    """Return the median of some values, (n,); NumPy's own takes several times longer over so few."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    part = np.partition(values, (low, high))
    return 0.5 * float(part[low] + part[high])


def quantile(values: np.ndarray, share: float) -> float:
    """Return the value below which a share of the values, (n,), lies, linear between them."""
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    part = np.partition(values, (low, high))
    return float(part[low] + (place - low) * (part[high] - part[low]))


def loudness(noise: float) -> float:
    """Return how far, 0 to 1, a photo is so noisy that its black has lost noise where nothing shows it.

    Parameters
    ----------
    noise : float
        Of a pixel over the root of its light, both as shares of white.
    """
    return min(max((noise - QUIET) / (LOUD - QUIET), 0.0), 1.0)


def mean_of_cut_noise(light: np.ndarray, spread: float) -> np.ndarray:
    """Return what cutting off normal noise at no light adds to the mean of a light.

    Parameters
    ----------
    light : array of float
    spread : float
        Standard deviation of the noise, in the same unit.
    """
    from scipy.special import ndtr

    t = np.maximum(light, 0.0) / spread
    return spread * (np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi) - t * ndtr(-t))


def coverage_factor(dof: float = math.inf, level: float = 0.95) -> float:
    """Return the two-sided coverage factor of Student's t (of the normal for infinite ``dof``)."""
    if math.isinf(dof) and level == 0.95:
        return K95
    from scipy.special import ndtri, stdtrit  # scipy.stats takes longer to load than a photo to measure

    p = 0.5 + level / 2
    return float(ndtri(p) if math.isinf(dof) else stdtrit(max(dof, 1.0), p))


def combine(parts: Mapping[str, float] | Sequence[float]) -> float:
    """Return the root sum of squares of independent standard uncertainties (JCGM 100)."""
    values = parts.values() if isinstance(parts, Mapping) else parts
    return math.sqrt(math.fsum(v * v for v in values))


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom.

    Parameters
    ----------
    parts : sequence of (standard uncertainty, degrees of freedom)
    """
    total = combine([u for u, _ in parts])
    below = math.fsum(u**4 / nu for u, nu in parts if not math.isinf(nu))
    return math.inf if below == 0 else total**4 / below


def normalised_error(x: float, y: float, u95_x: float, u95_y: float, covariance95: float = 0.0) -> float:
    """Return En = (x - y) / sqrt(U_x^2 + U_y^2 - 2 cov), expanded uncertainties (ISO 13528, ISO/IEC 17043).

    ``covariance95`` is the covariance of what the two share, in expanded units (k^2 times the standard one).
    """
    spread = u95_x**2 + u95_y**2 - 2 * covariance95
    if spread <= 0:
        return 0.0 if x == y else math.copysign(math.inf, x - y)
    return (x - y) / math.sqrt(spread)


def weighted_mean(values: np.ndarray, covariance: np.ndarray) -> tuple[float, float, float]:
    """Return the best linear unbiased mean of correlated values, its standard uncertainty and chi-square.

    Parameters
    ----------
    values : (n,) float
    covariance : (n, n) float
        Shared terms off the diagonal, so that they are not averaged away.
    """
    values = np.asarray(values, dtype=float)
    inverse = np.linalg.pinv(np.asarray(covariance, dtype=float), hermitian=True)
    weight = inverse.sum(axis=0)
    norm = float(weight.sum())
    if not norm > 0:
        raise ValueError("the covariance is not positive")
    mean = float(weight @ values / norm)
    res = values - mean
    return mean, math.sqrt(1.0 / norm), float(res @ inverse @ res)
