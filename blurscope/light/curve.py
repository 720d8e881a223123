"""The camera's curve: a base bent by smooth terms between black and white."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

KNOTS = 7
TOPS = 32  # steps in which the place of white in the range of codes is counted
POWER_LIGHT, POWERS = (0.1, 0.95), (1.5, 3.0)  # light, share of white, where its exponent shows, and what it may be


def base_curve(full_scale: int, linear: bool) -> np.ndarray:
    """Return the starting curve: identity for linear files, else the inverse sRGB curve (IEC 61966-2-1)."""
    c = np.arange(full_scale + 1) / full_scale
    return c if linear else srgb_to_light(c)


def srgb_to_light(c: np.ndarray) -> np.ndarray:
    """Return the light of an sRGB code value in 0..1, continued as a power beyond 1 (IEC 61966-2-1)."""
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.04045) + 0.055) / 1.055) ** 2.4)


def hats(c: np.ndarray) -> np.ndarray:
    """Smooth warp terms that vanish at 0 and 1: (n, KNOTS - 2) Bernstein polynomials, straight on beyond 1."""
    from math import comb

    order = KNOTS - 1
    inside, beyond = np.minimum(c, 1.0), np.maximum(c - 1.0, 0.0)
    terms = [comb(order, k) * inside**k * (1 - inside) ** (order - k) for k in range(1, order)]
    terms[-1] = terms[-1] - order * beyond
    return np.stack(terms, axis=-1)


@lru_cache(maxsize=4)
def _table(full_scale: int, top: int) -> tuple[np.ndarray, np.ndarray]:
    """Return all codes as a share of full scale and the warp terms there; of 16 bits they are dear."""
    c = np.arange(full_scale + 1) / full_scale
    return c, hats(c * TOPS / top)


def curve(theta: np.ndarray, full_scale: int, base: Callable[[np.ndarray], np.ndarray], top: int = TOPS) -> np.ndarray:
    """Return the decode table for warp coefficients ``theta`` on top of a base curve.

    The warp ends at ``top`` / `TOPS` of full scale, where white is: a bend that only scales light can't be told from
    the exposure.
    """
    c, terms = _table(full_scale, top)
    warped = c + terms @ theta
    return base(np.maximum.accumulate(np.clip(warped, 0, 1.2)))


def powered(exponent: float, c: np.ndarray) -> np.ndarray:
    """Return the light of a code value in 0..1 as a power."""
    return np.maximum(c, 0.0) ** exponent


def power_like(at: np.ndarray, full: int) -> float:
    """Return the exponent of the power that is most like a curve (light of each code, 1 at white)."""
    code = np.nonzero((at > POWER_LIGHT[0]) & (at < POWER_LIGHT[1]))[0]
    if len(code) < 3:
        return 2.2
    return float(np.clip(np.polyfit(np.log(code / full), np.log(at[code]), 1)[0], *POWERS))
