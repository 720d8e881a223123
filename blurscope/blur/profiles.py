"""Profiles ready for fitting, and the shared effects that move them."""

from __future__ import annotations

from dataclasses import dataclass

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
    """

    lag_px: np.ndarray
    esf: np.ndarray
    sigma: np.ndarray
    operator: np.ndarray
    ages: np.ndarray
    correlation: float
    length: float
    levels: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nuisance:
    """A shared systematic effect: its name and how one standard deviation of it changes each profile."""

    name: str
    shift: np.ndarray  # (n, m)
