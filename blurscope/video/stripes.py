"""Frames of a display with red, green and blue stripes: luma mixes their codes, and that is undone before light.

A camera at rest sees columns of pixels, and where they differ luma adds up codes of three places. In codes that is one
blur along the rows, the same everywhere, which a filter takes out. In light it would be another blur for every step.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blurscope._cv import cv2

LARGEST_GAIN = 6.0  # of the filter, so that it doesn't lift noise beyond what the lens lets through
FADE = 0.3  # cycles per campx, from which the filter fades: there the lens lets hardly anything through
REACH = 32  # taps to either side
GRID = 512  # frequencies


def unmixing_taps(apart_campx: float, weights: Sequence[float]) -> np.ndarray:
    """Return the filter along the rows that undoes the mixing, (2 REACH + 1,).

    Parameters
    ----------
    apart_campx : float
        From red to green and from green to blue along the rows, with its sign.
    weights : (float, float, float)
        Of red, green and blue in luma. Their centre stays where it is, as that is where the plate was found.
    """
    w = np.asarray(weights, float)
    place = apart_campx * np.array([-1.0, 0.0, 1.0])
    place -= w @ place
    cycles = np.fft.rfftfreq(GRID)
    mixing = np.exp(-2j * np.pi * cycles[:, None] * place) @ w
    inverse = np.conj(mixing) / np.maximum(np.abs(mixing), 1 / LARGEST_GAIN) ** 2
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((cycles - FADE) / (0.5 - FADE), 0, 1))  # else taps go on without end
    taps = np.fft.fftshift(np.fft.irfft(1 + fade * (inverse - 1), GRID))[GRID // 2 - REACH : GRID // 2 + REACH + 1]
    return taps / taps.sum()


def unmixed_codes(codes: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Return codes as they are without the mixing, uint16 over the full range.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
    taps : (2 n + 1,) or (1, 2 n + 1) or (2 n + 1, 1) float
        From `unmixing_taps`: along the rows, or as they stand.
    """
    scale = 257 if codes.dtype == np.uint8 else 1
    kernel = (scale * np.atleast_2d(taps)[::-1, ::-1]).astype(np.float32)  # OpenCV correlates
    out = cv2.filter2D(codes.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.clip(out + 0.5, 0, 65535).astype(np.uint16)
