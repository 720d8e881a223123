"""Noise that a camera cuts off at no light: how much there is, and the light that means of such pixels stand for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blurscope.uncertainty import mean_of_cut_noise

LEAST_CUT, MOST_CUT = 0.08, 0.9  # share of black pixels that are cut off, between which they tell the noise
QUANTILES = 0.3, 0.5, 0.7  # of the pixels that are not cut off
ALIKE = 0.12  # of a spread, by which spreads of the same noise may differ
DEEPEST = -3.0  # noises below no light, where the table begins
STEPS = 600


@dataclass(frozen=True, kw_only=True, eq=False)
class Cut:
    """Normal noise, cut off at no light: variance ``read2 + shot * light``, in the units of the decode table."""

    read2: float
    shot: float

    def mean(self, light: np.ndarray) -> np.ndarray:
        """Return the mean of pixels that see a light, which may be below 0."""
        spread = np.sqrt(self.read2 + self.shot * np.maximum(light, 0.0))
        return np.maximum(light, 0.0) + spread * mean_of_cut_noise(np.abs(light) / spread, 1.0)

    @cached_property
    def table(self) -> tuple[np.ndarray, np.ndarray]:
        """Means, rising, and the lights that they stand for."""
        sd = float(np.sqrt(self.read2))
        most = 12 * sd + 60 * self.shot
        light = np.concatenate([np.linspace(DEEPEST * sd, 0, STEPS // 4, endpoint=False), np.linspace(0, most, STEPS)])
        return self.mean(light), light

    def light(self, mean: np.ndarray) -> np.ndarray:
        """Return the light that means of pixels stand for."""
        means, lights = self.table
        return np.where(mean >= means[-1], mean, np.interp(mean, means, lights))


def find_cut(light: np.ndarray, weights: np.ndarray, first: float, white: float, white_variance: float) -> Cut | None:
    """Return the noise that was cut off, or None where black's pixels don't look like it.

    A normal distribution that is cut off at 0 (Tobin 1958) has a share of pixels there and quantiles above, which give
    its own mean and spread; they must agree with each other and with the spread of what is left.

    Parameters
    ----------
    light, weights : (n,) float
        Light of black's pixels and their weights, sum 1.
    first : float
        Light up to which pixels are recorded as none.
    white, white_variance : float
        Mean and variance of the pixels of a white patch.
    """
    from scipy.special import ndtr, ndtri

    share = float(weights @ (light <= first))
    if not LEAST_CUT < share < MOST_CUT:
        return None
    z = float(ndtri(share))  # (first - centre) / spread
    value, which = np.unique(light, return_inverse=True)
    places = share + (1 - share) * np.array(QUANTILES)
    edges = np.append(0.5 * (value[1:] + value[:-1]), value[-1])  # a code holds all light up to half way to the next
    seen = np.interp(places, np.cumsum(np.bincount(which, weights)), edges)
    spreads = (seen - first) / (ndtri(places) - z)
    spread = float(spreads.mean())
    centre = first - z * spread
    t = centre / spread
    mean = spread * np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi) + centre * ndtr(t)
    second = centre * mean + spread**2 * ndtr(t)
    expected = np.sqrt(max(second - mean**2, 0.0))
    found = np.sqrt(max(float(weights @ light**2) - float(weights @ light) ** 2, 0.0))
    if np.ptp(spreads) > ALIKE * spread or abs(found / expected - 1) > ALIKE:
        return None
    shot = max((white_variance - spread**2) / white, 0.0)
    read2 = spread**2 - shot * max(centre, 0.0)
    return Cut(read2=read2, shot=shot) if read2 > 0 else None
