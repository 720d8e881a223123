"""What frames leave unknown: light between their middles, how long they were exposed, what the coder changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blurscope.video.virtual import frame_weight

PHASES = 8
GRID = 512  # per refresh
LENGTH = 8  # refreshes
LOSSLESS = {"ffv1", "huffyuv", "ffvhuff", "utvideo", "rawvideo", "png", "apng", "qtrle", "v210", "r210", "bmp", "tiff"}
# of a refresh at one bit per pixel, standard: found on H.264 and H.265 clips of the simulated plate, no source
CODED = 0.0065
# at least: codes of 8 bits that are rounded a second time where software changes their range bend the tone curve; found
# on lossless H.264 of the simulated plate (1.5 % of BET from 128 to 0), no source
CONVERTED = 0.006
# the same of frames that are coded each by itself, whose blocks' details are rounded to steps that go with one over the
# bits: found on MJPEG clips of the simulated plate, no source
ALONE, CODED_ALONE = {"mjpeg"}, 0.0095
RESPONSE_FACTOR = 2.0  # how much more a response moves than the edge's width where light against time is bent


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """Standard uncertainties that a clip adds: widths and responses in refreshes, overshoot as a share of the step."""

    width: float
    response: float
    overshoot: float


def share_of(exposure_refreshes: float | None, spacing: float) -> tuple[float, float, float]:
    """Return the exposure of a frame over the frame spacing to work with, and one standard deviation below and above.

    Its square counts, as the blur that it adds goes with the square. Unknown, that is taken as 0.75 +- 0.33: light is
    scarce at high frame rates, so most clips are exposed for most of the spacing, but any exposure is possible.
    """
    if exposure_refreshes is None:
        return float(np.sqrt(0.75)), float(np.sqrt(0.75 - 0.33)), float(np.sqrt(0.75 + 0.33))
    share = exposure_refreshes / spacing
    return share, share, share


def frame_allowance(response: float, spacing: float, share: tuple[float, float, float]) -> Allowance:
    """Return what the frames' spacing and unknown exposure leave of an exponential pixel, by trying.

    Parameters
    ----------
    response : float
        10 to 90 %, refreshes.
    spacing : float
        Refreshes from frame to frame.
    share : (float, float, float)
        From `share_of`.
    """
    tau = max(response, 1e-3) / np.log(9)
    t = np.arange(-1, LENGTH, 1 / GRID) + 0.5 / GRID
    true = _figures(t, 1 - np.exp(-np.maximum(t, 0) / tau))
    seen = np.array([[_rebuilt(t, tau, spacing, k / PHASES, share[0], s) for k in range(PHASES)] for s in share])
    locked = np.sqrt(np.mean((seen[0] - true) ** 2, axis=0))
    doubt = 0.5 * np.abs(seen[2].mean(axis=0) - seen[1].mean(axis=0))
    total = np.hypot(locked, doubt)
    return Allowance(width=float(total[0]), response=float(total[1]), overshoot=float(total[2]))


def _rebuilt(t: np.ndarray, tau: float, d: float, phase: float, assumed: float, share: float) -> np.ndarray:
    """Return the figures of a step rebuilt from frames ``d`` apart, the first middle at ``phase d``."""
    k = np.arange(np.floor(-2 / d) - 2, np.ceil((LENGTH + 1) / d) + 2)
    middle = (k + phase) * d
    half = max(0.5 * share * d, 1e-6)

    def integral(x: np.ndarray) -> np.ndarray:
        x = np.maximum(x, 0)
        return x + tau * np.expm1(-x / tau)

    frames = (integral(middle + half) - integral(middle - half)) / (2 * half)
    cell = np.floor(t / d - phase + 0.5)
    place = (cell - k[0]).astype(np.intp)
    off = t / d - phase - cell
    light = sum(frame_weight(off - j, -j, assumed) * frames[place + j] for j in (-1, 0, 1))
    return _figures(t, light)


def _figures(t: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Return the 10-90 % width of the held edge, that of the step, and the edge's overshoot."""
    total = np.concatenate([[0.0], np.cumsum(step) / GRID])
    edge = total[GRID:] - total[:-GRID]
    return np.array([_width(edge), _width(step), max(float(edge.max()) - 1, 0.0)])


def _width(curve: np.ndarray) -> float:
    at = []
    for level in (0.1, 0.9):
        i = max(int(np.argmax(curve >= level)), 1)
        a, b = curve[i - 1], curve[i]
        at.append(i - 1 + (level - a) / (b - a) if b > a else float(i))
    return (at[1] - at[0]) / GRID


def coding_allowance(bits_per_pixel: float, codec: str) -> float:
    """Return the standard uncertainty of an edge's width by the video's compression, refreshes."""
    if codec in LOSSLESS:
        return 0.0
    bits = max(bits_per_pixel, 1e-4)
    return max(CODED_ALONE / bits if codec in ALONE else 0.0, CODED / float(np.sqrt(bits)), CONVERTED)
