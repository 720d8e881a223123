"""What a camera's real tone curve may be, when its file states only a colour space."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

EXPONENT_SD = 0.06  # share: spread of the exponent between code and light
TOE_SD = 0.7  # of the way from the stated curve to a plain power, which differ near black most
PLAIN_POWER = 2.2
S_SHAPE_SD = 0.15  # strength of an S laid over the codes, either way
LINEAR_EXPONENT_SD = 0.004  # a linear file: what is left of a sensor's non-linearity


def plausible_curves(
    linear: bool, to_light: Callable[[np.ndarray], np.ndarray]
) -> list[Callable[[np.ndarray], np.ndarray]]:
    """Return curves from code to light, each one standard deviation away from the stated one in its own way.

    Parameters
    ----------
    linear : bool
        The file states that its codes are proportional to light.
    to_light : callable
        The stated curve, code as a share of full scale.

    Notes
    -----
    An exponent on the light; an S over the codes, ``code + k sin(2 pi code) / (2 pi)``; and a plain power instead of a
    curve that is straight near black: the ways in which the looks that cameras lay over a standard curve mostly
    differ. Sizes are common practice, no source.
    """
    if linear:
        return [lambda code: np.maximum(to_light(code), 0.0) ** (1 + LINEAR_EXPONENT_SD)]

    def steeper(code: np.ndarray) -> np.ndarray:
        return np.maximum(to_light(code), 0.0) ** (1 + EXPONENT_SD)

    def bent(code: np.ndarray) -> np.ndarray:
        x = np.clip(code, 0.0, 1.0)
        return to_light(x + S_SHAPE_SD * np.sin(2 * np.pi * x) / (2 * np.pi))

    def plain(code: np.ndarray) -> np.ndarray:
        x, stated = np.maximum(code, 0.0), to_light(code)
        return stated + TOE_SD * (x**PLAIN_POWER - stated)

    return [steeper, bent, plain]
