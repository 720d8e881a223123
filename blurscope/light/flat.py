"""The flat field's terms over the photo."""

from __future__ import annotations

import numpy as np


def flat_basis(x: np.ndarray, y: np.ndarray, centre: tuple[float, float], radius: float) -> np.ndarray:
    """Return the terms of the log flat field at campx positions, (..., 8), the constant one first."""
    terms = flat_terms(x, y, centre, radius)
    return np.stack([np.ones_like(terms[0]), *terms], axis=-1)


def flat_terms(x: np.ndarray, y: np.ndarray, centre: tuple[float, float], radius: float) -> tuple[np.ndarray, ...]:
    """Return the terms of the log flat field that change over the photo."""
    a = (np.asarray(x, float) - centre[0]) / radius
    b = (np.asarray(y, float) - centre[1]) / radius
    aa, bb = a * a, b * b
    r2 = aa + bb
    r4 = r2 * r2
    return a, b, aa, a * b, bb, r4, r4 * r2
