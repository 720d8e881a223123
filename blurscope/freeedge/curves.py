"""What a camera's real tone curve may be, when its file states only a colour space."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

EXPONENT_SD = 0.06  # share: spread of the exponent between code and light
TOE_SD = 0.7  # of the way from the stated curve to a plain power, which differ near black most
PLAIN_POWER = 2.2
S_SHAPE_SD = 0.15  # strength of an S laid over the codes, either way
WAYS = 3
ROUNDS = 8
ODD = 4.0  # standard deviations of a ratio from which it is not believed: other levels, another law
LINEAR_EXPONENT_SD = 0.004  # a linear file: what is left of a sensor's non-linearity


Curve = Callable[[np.ndarray], np.ndarray]


def looked(to_light: Curve, ways: np.ndarray) -> Curve:
    """Return the stated curve changed in each way by so many standard deviations.

    Parameters
    ----------
    to_light : callable
        The stated curve, code as a share of full scale.
    ways : (3,) float
        Exponent, S, toe.

    Notes
    -----
    An exponent on the light; an S over the codes, ``code + k sin(2 pi code) / (2 pi)``; and a plain power instead of a
    curve that is straight near black: the ways in which the looks that cameras lay over a standard curve mostly
    differ. Sizes are common practice, no source.
    """
    exponent, s_shape, toe = (float(z) for z in ways)

    def curve(code: np.ndarray) -> np.ndarray:
        inside = np.clip(code, 0.0, 1.0)
        x = code + s_shape * S_SHAPE_SD * np.sin(2 * np.pi * inside) / (2 * np.pi)
        stated = to_light(x)
        light = stated + toe * TOE_SD * (np.maximum(x, 0.0) ** PLAIN_POWER - stated)
        return np.maximum(light, 0.0) ** (1 + exponent * EXPONENT_SD)

    return curve


def ways_by_ratio(
    to_light: Curve, codes: tuple[float, float], log_ratio: float, log_ratio_sd: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return what two plateaus whose lights' ratio is known tell of the curve.

    Parameters
    ----------
    to_light : callable
        The stated curve.
    codes : (float, float)
        Of both plateaus, share of full scale.
    log_ratio, log_ratio_sd : float
        Logarithm of the second light over the first, and its standard uncertainty; infinite where nothing is known.

    Returns
    -------
    (3,) float
        Likeliest change, in standard deviations of what cameras do; none where the ratio can't be believed.
    (3, 3) float
        What is left of that spread: independent changes by one standard deviation each, a row each.
    """

    def off(ways: np.ndarray) -> float:
        low, high = looked(to_light, ways)(np.array(codes))
        return float(np.log(max(high, 1e-6) / max(low, 1e-6))) - log_ratio

    ways, slope, weight = np.zeros(WAYS), np.zeros(WAYS), 0.0
    for k in range(ROUNDS if np.isfinite(log_ratio_sd) else 0):
        here = off(ways)
        slope = np.array([(off(ways + step) - here) / 1e-3 for step in 1e-3 * np.eye(WAYS)])
        weight = 1 / (slope @ slope + log_ratio_sd**2)
        if k == 0 and here**2 * weight > ODD**2:
            return np.zeros(WAYS), np.eye(WAYS)
        ways = np.clip(-slope * weight * (here - slope @ ways), -3, 3)
    value, vector = np.linalg.eigh(np.eye(WAYS) - weight * np.outer(slope, slope))
    return ways, (vector * np.sqrt(np.maximum(value, 0.0))).T


def linear_curve(to_light: Curve) -> Curve:
    """Return the curve of a file that states linear codes, one standard deviation away."""
    return lambda code: np.maximum(to_light(code), 0.0) ** (1 + LINEAR_EXPONENT_SD)
