"""Profiles ready for fitting, and the shared effects that move them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiles:
    """One combined profile per transition, ready for fitting.

    Attributes
    ----------
    lag_px : (m,) float
    esf, sigma : (n, m) float
    operator : (m, k) or (n, m, k) float
    ages : (k + 1,) float
    correlation : float
        Inflation of the variance of smooth functionals of the samples.
    length : float
        How far a response is followed, refreshes.
    levels : (n, 4) float
        From and to level as the static greys have them, in units of ``esf``, and their standard uncertainties.
    floor : (n,) float or float
        What of ``sigma`` is not noise but what the model may leave.
    eased : float
        Share of what it may leave at most, which ``floor`` is.
    coder : (n,) float or float
        What a lossy coder may have changed the samples by, in units of ``esf``.
    coded : (n,) float or float
        Share of the variance, mean of the samples, that such a coder has.
    """

    lag_px: np.ndarray
    esf: np.ndarray
    sigma: np.ndarray
    operator: np.ndarray
    ages: np.ndarray
    correlation: float
    length: float
    levels: np.ndarray
    floor: np.ndarray | float = 0.0
    eased: float = 1.0
    coder: np.ndarray | float = 0.0
    coded: np.ndarray | float = 0.0

    @property
    def noise2(self) -> np.ndarray:
        """Variance of the noise alone, (n, m)."""
        return self.sigma**2 - np.reshape(self.floor, (-1, 1)) ** 2

    @property
    def most2(self) -> np.ndarray:
        """Variance with all that the model may leave, (n, m)."""
        return self.noise2 + (np.reshape(self.floor, (-1, 1)) / self.eased) ** 2

    def ease(self, share: float) -> Profiles:
        """Return the same where the model leaves only this share of what it may."""
        floor = share * np.reshape(self.floor, -1) / self.eased
        return replace(self, sigma=np.sqrt(self.noise2 + floor[:, None] ** 2), floor=floor, eased=share)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nuisance:
    """A shared systematic effect: its name and how one standard deviation of it changes each profile."""

    name: str
    shift: np.ndarray  # (n, m)
