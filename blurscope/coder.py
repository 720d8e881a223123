"""What the coder of a JPEG leaves of an edge: its blocks keep what changes along them in steps (ITU-T T.81, A.3.4).

All blocks along an edge hold the same change of light, so that where noise doesn't shake them their errors are alike,
and no mean over rows tells. What they may be is found by coding the edge as it was seen, wherever its blocks may begin.
"""

from __future__ import annotations

import numpy as np

BLOCK = 8  # pixels
TERMS = 3  # of the series of a rounding error
FARTHEST = 12  # groups of samples, over which errors hang together
LEAST, MOST = 0.5, 8.0  # of their correlation
REACH = 16 * BLOCK  # pixels about the brightest place of a lane, that are coded
BEYOND = 2 * BLOCK  # pixels beyond both ends of a profile that are coded with it


def coding_errors(codes: np.ndarray, steps: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Return by what coding changes the mean of many rows, on average, for each of the places of its blocks.

    Parameters
    ----------
    codes : (n, m) float
        What all rows have, at every pixel; it goes on as it begins and ends.
    steps : (8,) float
        Of the coefficients that change along the rows only, codes.
    noise : (n,) float
        Standard deviation of a pixel, codes.

    Returns
    -------
    (8, n, m) float, codes

    Notes
    -----
    Of a rounding error, a sawtooth of what is rounded, noise of standard deviation ``s`` leaves ``exp(-2 (pi k s /
    step)**2)`` of the k-th term of its Fourier series on average (Widrow and Kollar 2008, Quantization Noise, from
    memory).
    """
    k = np.arange(BLOCK)
    basis = 0.5 * np.cos(np.pi * (2 * k + 1) * k[:, None] / (2 * BLOCK))
    basis[0] /= np.sqrt(2)
    coarse = steps / np.sqrt(BLOCK)  # of the coefficients of one row
    terms = np.arange(1, TERMS + 1)
    damping = -2 * (np.pi * (noise[:, None] / steps)[:, None, None, :, None]) ** 2
    kept, beyond = np.exp(damping * terms**2), np.exp(damping[..., 0] * (TERMS + 1) ** 2)
    share = (-1.0) ** terms / (np.pi * terms) * (kept - beyond[..., None])
    n, m = codes.shape
    place = np.arange(BLOCK)[:, None]
    padded = codes[:, (np.arange(BLOCK * (-(-m // BLOCK) + 1)) - place).clip(0, m - 1)]
    parts = padded.reshape(n, BLOCK, -1, BLOCK) @ basis.T / coarse
    rest = (np.rint(parts) - parts) * beyond
    for number, term in enumerate(terms.tolist()):
        rest += np.sin(2 * np.pi * term * parts) * share[..., number]
    off = (rest * coarse @ basis).reshape(n, BLOCK, -1)
    return np.moveaxis(off[:, place, np.arange(m) + place], 1, 0)


def coded_variance(
    esf: np.ndarray,
    lag_campx: np.ndarray,
    starts: np.ndarray,
    light: np.ndarray,
    decode: np.ndarray,
    steps: np.ndarray,
    noise: np.ndarray,
) -> tuple[np.ndarray, float]:
    """Return the variance that coding adds to profiles.

    Parameters
    ----------
    esf : (n, m) float
        Profiles, from 0 to 1.
    lag_campx : (m,) float
        Where, evenly spaced and increasing, pixels of the photo.
    starts : (g,) int
        First sample of each group.
    light : (n, 2) float
        At 0 and at 1, as ``decode`` has it.
    decode : (256,) float
        Light of the codes.
    steps : (8,) float
        See `coding_errors`.
    noise : (n,) float
        The same.

    Returns
    -------
    variance : (n, g) float
        Of the mean of each group, for one place of the edge among the blocks.
    correlation : float
        By what errors that hang together are worse than these variances.
    """
    low, size = light[:, :1], np.diff(light)
    pixels = np.arange(np.ceil(lag_campx[0]) - BEYOND, lag_campx[-1] + BEYOND)
    shown = np.array([np.interp(pixels, lag_campx, row) for row in low + size * esf])
    codes, slope = _coded_as(shown, decode)
    off = coding_errors(codes, steps, noise) * slope / size
    count = np.diff(np.append(starts, len(lag_campx)))
    read = np.interp(lag_campx, pixels, np.arange(len(pixels)))
    left = np.minimum(read.astype(int), len(pixels) - 2)
    part = read - left
    error = np.add.reduceat(off[..., left] * (1 - part) + off[..., left + 1] * part, starts, axis=-1) / count
    variance = (error**2).mean(axis=0)
    total = float(variance.sum())
    if total <= 0:
        return variance, 1.0
    apart = (float((error[..., j:] * error[..., :-j]).mean(axis=0).sum()) for j in range(1, FARTHEST))
    return variance, float(np.clip((total + 2 * sum(apart)) / total, LEAST, MOST))


def coded_sd(light: np.ndarray, noise: float, pixels: int, *, decode: np.ndarray, steps: np.ndarray) -> float:
    """Return the standard deviation that coding adds to the light of the brightest streak of a lane.

    Parameters
    ----------
    light : (m,) float
        At every pixel along the lane, as ``decode`` has it.
    noise : float
        Standard deviation of a mean of so many ``pixels``, in the dark.
    decode : (256,) float
    steps : (8,) float
        See `coding_errors`.
    """
    smooth = np.convolve(light, np.full(BLOCK, 1 / BLOCK), "same")
    top = int(np.argmax(smooth))
    codes, slope = _coded_as(light[max(0, top - REACH) : top + REACH], decode)
    dark = _coded_as(np.median(smooth), decode)[1]
    off = coding_errors(codes[None], steps, np.array([noise * np.sqrt(pixels) / dark]))[:, 0] * slope
    bright = codes > 0.5 * (codes.min() + codes.max())
    return float(np.sqrt((off[:, bright] ** 2).mean()))


def _coded_as(light: np.ndarray, decode: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the codes of some light, not rounded, and by how much light grows with them there."""
    codes = np.interp(light, decode, np.arange(len(decode), dtype=float))
    return codes, np.interp(light, decode, np.gradient(decode.astype(float)))
