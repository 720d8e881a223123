"""What a camera's real tone curve may be, when its file states only a colour space."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

EXPONENT_SD = 0.06  # share: spread of the exponent between code and light
TOE_SD = 0.7  # of the way from the stated curve to a plain power, which differ near black most
PLAIN_POWER = 2.2
S_SHAPE_SD = 0.15  # strength of an S laid over the codes, either way
WAYS = 3
STRENGTHS = (-1.8, -1.2, -0.6, 0.0, 0.6, 1.2, 1.8, 2.4)  # of that S, in standard deviations, that are tried
FINE = 181  # steps between the first and the last of them
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looks:
    """Curves that a camera may have, given the one that its file states.

    Attributes
    ----------
    stated : callable
    strengths : (n,) float
        Strengths of the S that are tried, in standard deviations of what cameras do; the other ways are found for each.
    linear : bool
        The file states linear codes: its exponent alone is open, and hardly.
    """

    stated: Curve
    strengths: np.ndarray
    linear: bool

    def by_ways(self, ways: np.ndarray) -> Curve:
        """Return the curve that lies so many standard deviations off in exponent, S and toe."""
        if self.linear:
            return lambda code: np.maximum(self.stated(code), 0.0) ** (1 + LINEAR_EXPONENT_SD * float(ways[0]))
        return looked(self.stated, ways)

    def curve(self, k: int, others: np.ndarray) -> Curve:
        """Return the curve with the k-th strength, and exponent and toe."""
        return self.by_ways(np.array([others[0], self.strengths[k], others[1]]))

    def off(self, k: int, others: np.ndarray, codes: np.ndarray, log_ratio: float) -> tuple[float, np.ndarray]:
        """Return by how much the logarithm of the ratio of two codes' light is too large, and its slope, (2,)."""

        def ratio(z: np.ndarray) -> float:
            low, high = np.maximum(self.curve(k, z)(codes), 1e-6)
            return float(np.log(high / low)) - log_ratio

        here = ratio(others)
        return here, np.array([(ratio(others + step) - here) / 1e-3 for step in 1e-3 * np.eye(2)])

    def believes(self, codes: np.ndarray, log_ratio: float, log_ratio_sd: float) -> bool:
        """Whether a ratio can be that of two codes: else it is one of other levels, or by another law."""

        def ratio(ways: np.ndarray) -> float:
            low, high = np.maximum(self.by_ways(ways)(codes), 1e-6)
            return float(np.log(high / low))

        here = ratio(np.zeros(WAYS))
        slope = np.array([(ratio(step) - here) / 1e-3 for step in 1e-3 * np.eye(WAYS)])
        return (here - log_ratio) ** 2 <= ODD**2 * (slope @ slope + log_ratio_sd**2)

    def weights(self, cost: np.ndarray) -> np.ndarray:
        """Return how likely each strength is by the cost of each, which is smooth between them."""
        if len(cost) == 1:
            return np.ones(1)
        from scipy.interpolate import PchipInterpolator

        fine = np.linspace(self.strengths[0], self.strengths[-1], FINE)
        likely = np.exp(-0.5 * np.maximum(PchipInterpolator(self.strengths, cost)(fine) - cost.min(), -1.0))
        hats = np.array([np.interp(fine, self.strengths, row) for row in np.eye(len(cost))])
        return hats @ likely / likely.sum()


def looks_of(stated: Curve, linear: bool) -> Looks:
    """Return the curves that a camera may have whose file states one."""
    return Looks(stated=stated, strengths=np.zeros(1) if linear else np.array(STRENGTHS), linear=linear)
