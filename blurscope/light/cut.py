"""Noise that a camera cuts off at no light: how much there is, and the light that means of such pixels stand for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blurscope.uncertainty import CUT_LEFT, mean_of_cut_noise

LEAST_CUT, MOST_CUT = 0.08, 0.9  # share of black pixels that are cut off, between which they tell the noise
QUANTILES = 0.3, 0.5, 0.7  # of the pixels that are not cut off
ALIKE = 0.12  # of a spread, by which spreads of the same noise may differ
CLEAR, MIN_CLEAR = 3.0, 4  # noises from the cut, beyond which a grey's variance is whole; how many are needed
NEARNESS = -0.3, 3.0  # of black to the cut, in noises
LEAST_LOUD = 0.012  # noise over the root of its light, shares of white, below which codes and leaks look like a cut
MOST_LEFT = 0.85  # share of its variance with which black has lost too little to tell
HIDDEN_LEFT = 0.35  # of what it adds to means, when it was found so
LEAST_AVERAGED, MOST_AVERAGED = 0.1, 1.3  # share of the variance that averages may leave
DEEPEST = -3.0  # noises below no light, where the table begins
STEPS = 600


@dataclass(frozen=True, slots=False, kw_only=True, eq=False)
class Cut:
    """Normal noise, cut off at no light: variance ``read2 + shot * light``, in the units of the decode table.

    Of what the cut adds to means, ``left`` is the share that may be left when it is taken off.
    """

    read2: float
    shot: float
    left: float = CUT_LEFT

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
    order = np.argsort(light, kind="stable")
    places = share + (1 - share) * np.array(QUANTILES)
    seen = np.interp(places, np.cumsum(weights[order]), light[order])
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


def find_hidden_cut(mean: float, variance: float, light: np.ndarray, variances: np.ndarray) -> Cut | None:
    """Return the noise that was cut off before pixels were averaged, as a mosaic's are, or None where it isn't sure.

    Averages hide the cut, but not that black has lost more of its variance than other greys: the share that is left
    tells how far black is from the cut in units of its noise, and black's mean, which averages keep, how large that is.

    Parameters
    ----------
    mean, variance : float
        Of black's pixels.
    light, variances : (n,) float
        Of the pixels of other greys.
    """
    from scipy.special import ndtr

    clear = (variances > 0) & (light > CLEAR * np.sqrt(np.maximum(variances, 0.0)))  # clipped whites have none
    loud = np.min(np.sqrt(variances[clear] / light[clear] / light.max()), initial=1.0) > LEAST_LOUD
    if not loud or mean <= 0 or variance <= 0 or clear.sum() < MIN_CLEAR:
        return None
    basis = np.stack([np.ones(clear.sum()), light[clear]], axis=1) / variances[clear, None]
    read2, shot = np.linalg.lstsq(basis, np.ones(clear.sum()), rcond=None)[0]
    if read2 <= 0 or shot < 0:
        return None
    t = np.linspace(*NEARNESS, STEPS)
    density = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    first = density + t * ndtr(t)  # of a normal noise of one, cut off t below its centre
    kept = (1 + t * t) * ndtr(t) + t * density - first**2
    # black's own share of the noise of its photons is small: its light is known well enough by its mean
    left = variance / (read2 + shot * 0.5 * mean)
    if not kept[0] < left < MOST_LEFT:
        return None
    near = float(np.interp(left, kept, t))
    spread = mean / float(np.interp(near, t, first))
    averaged = (read2 + shot * 0.5 * mean) / spread**2
    if not LEAST_AVERAGED < averaged < MOST_AVERAGED:
        return None
    return Cut(read2=read2 / averaged, shot=shot / averaged, left=HIDDEN_LEFT)
