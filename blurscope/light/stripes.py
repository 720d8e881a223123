"""Red, green and blue stripes of the display's pixels, in a photo of which only the luma is read.

Red and blue lie a third of a pixel to either side of green. Along the motion the three draw the same edge one after the
other, and a JPEG adds up their codes: in codes its luma is the edge blurred a little. In light that is a blur, and a
dimming where light changes fast, as the curve from codes to light is bent.
"""

from __future__ import annotations

import numpy as np

from blurscope._cv import cv2

LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # Rec. ITU-R BT.601, as in JFIF
THIRD_PX = 1 / 3  # from the middle of green to that of red and of blue
STRIPED_PX = 0.15  # offset of red and blue from which the display has stripes; the coder takes some of it away
ROWS = 8  # that are averaged
SMOOTH_PX = 0.35  # over which light is smoothed where its slope is taken
LEAST_LIGHT = 1e-3  # share of white


def stripes_of(colours: np.ndarray | None, campx_per_px: float, reduced: float = 1.0) -> int:
    """Return 1 where red lies to the right of green in the rows, -1 where to the left, 0 where there are no stripes.

    Parameters are those of `mixing_of`.
    """
    if colours is None or min(colours.shape[:2]) < 2 * ROWS:
        return 0
    offset = _offset(colours) * reduced / campx_per_px
    return 0 if abs(offset) < STRIPED_PX else 1 if offset > 0 else -1


def mixing_of(colours: np.ndarray | None, campx_per_px: float, reduced: float) -> float:
    """Return the variance of the blur along the motion by which luma mixes the stripes, display px squared.

    Parameters
    ----------
    colours : (h, w, 3) uint8 or uint16, or None
        The photo in colour, the motion along its rows; None where there is none, which is taken as no stripes.
    campx_per_px : float
    reduced : float
        How many of the photo's pixels one of ``colours`` is wide.
    """
    if stripes_of(colours, campx_per_px, reduced) == 0:
        return 0.0
    place = THIRD_PX * np.array([-1.0, 0.0, 1.0])
    return float(LUMA @ place**2 - (LUMA @ place) ** 2)


def _offset(colours: np.ndarray) -> float:
    """Return how far red lies from green, and green from blue, along the rows, in pixels of the picture."""
    h, w = colours.shape[:2]
    rows = cv2.resize(colours, (w, h // ROWS), interpolation=cv2.INTER_AREA).astype(np.float32)
    slope = np.gradient(rows @ LUMA, axis=1)
    apart = rows[..., 0] - rows[..., 2]
    return float(-0.5 * np.vdot(apart, slope) / max(float(np.vdot(slope, slope)), 1e-9))


def unmixed(light: np.ndarray, step_px: float, mixing_px2: float, decode: np.ndarray) -> np.ndarray:
    """Return profiles of light (..., m) as they would be if their stripes had been mixed as light, not as codes.

    What is left of the mixing is a blur with that variance. With light L = D(c) of the codes c the luma is short of it
    by half the variance times D'' c'^2, that is D'' / D'^2 L'^2.

    Parameters
    ----------
    light : (..., m) float
        In units of ``decode``.
    step_px : float
    mixing_px2 : float
        See `mixing_of`.
    decode : (full_scale + 1,) float
    """
    if mixing_px2 <= 0:
        return light
    size = SMOOTH_PX / step_px
    half = int(np.ceil(3 * size))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / size) ** 2)
    flat = np.ascontiguousarray(light.reshape(-1, light.shape[-1]))
    smooth = cv2.filter2D(flat, -1, (kernel / kernel.sum())[None, :], borderType=cv2.BORDER_REPLICATE)
    slope = np.gradient(smooth, axis=1) / step_px
    return light + 0.5 * mixing_px2 * (_bend(decode, smooth) * _above_noise(slope)).reshape(light.shape)


def _above_noise(slope: np.ndarray) -> np.ndarray:
    """Return squares of slopes without those of the noise; most of a profile is even."""
    squares = slope**2
    noise = np.median(squares, axis=1, keepdims=True) / 0.4549  # median of chi-square with one degree of freedom
    return np.maximum(squares - noise, 0.0)


def _bend(decode: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Return D'' / D'^2 of the curve at lights."""
    nodes = np.linspace(0, len(decode) - 1, 65)
    at = np.interp(nodes, np.arange(len(decode)), decode)
    first = np.gradient(at, nodes)
    second = np.gradient(first, nodes)
    use = at > LEAST_LIGHT * at[-1]
    bend = second[use] / np.maximum(first[use], 1e-12) ** 2
    return np.interp(light, at[use], bend)
