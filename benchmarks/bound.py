"""The Cramér-Rao bound of an exponential pixel's BET and response, for the samples of a plate in a photo.

Nothing of the analysis takes part: photons, reading the sensor, and the cut at no light, on every campx of the rows and
instances that are measured.
"""

from __future__ import annotations

import math

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.plan import blur_edge_time
from blurscope.shapes import LN9, exponential_integral

READ_NOISE_E = 4.0
BLACK, GAMMA = 0.001, 2.2  # of the display
PLATEAU_SD = 1e-3  # of the step: how well the static greys tell the plateaus, at best


def blurred_exponential(t: np.ndarray, tau: float) -> np.ndarray:
    """Return the ESF of an exponential pixel of time constant ``tau`` over one hold (times in refreshes)."""
    return exponential_integral(t, tau) - exponential_integral(t - 1.0, tau)


def band_rows(layout: Layout, blur_px: float) -> float:
    """Return the mean usable height of the bands in display px."""
    heights = [b.height_px for b in layout.blocks if b.kind == "band"]
    margin = min(3.2 * blur_px + 0.8, 3.5)
    return float(np.mean([max(2.0, h - 2 * max(margin, 1.2)) for h in heights]))


def cut_noise(light: np.ndarray, white_snr: float) -> np.ndarray:
    """Return the noise that light in one campx is as good as known with, share of white.

    It is the inverse root of Fisher's information on the mean of a normal distribution that is cut off at 0 (Tobin
    1958): values above it tell their distance, the others only that they are below.
    """
    electrons = white_snr**2
    sd = np.sqrt(light * electrons + READ_NOISE_E**2) / electrons
    z = np.minimum(light / sd, 30.0)
    above = 0.5 * (1 + np.vectorize(math.erf)(z / math.sqrt(2)))
    density = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    known = above - z * density + np.where(z < 6, density**2 / np.maximum(1 - above, 1e-300), 0.0)
    return sd / np.sqrt(known)


def cramer_rao(
    layout: Layout,
    pair: tuple[int, int],
    instances: float,
    *,
    tau: float,
    campx_per_px: float,
    white_snr: float,
    bayer: bool,
    lens_sigma_campx: float,
) -> tuple[float, float]:
    """Return the least standard deviations of BET and response, refreshes.

    Samples are groups of ``v/24`` px, each the mean of all campx in it, over the rows of a band and all instances;
    unknowns are time constant (``tau``, refreshes), place and both plateaus.
    """
    v = layout.px_per_refresh
    lens_px, pixel, step = lens_sigma_campx / campx_per_px, 1 / campx_per_px, 1 / 24
    t = np.arange(-1.0, min(layout.field_refreshes - 0.3, 8 + 8 * tau), step)
    low, high = BLACK + (1 - BLACK) * (np.array(pair) / 255) ** GAMMA
    rows = band_rows(layout, lens_px)
    campx = max(v * step * campx_per_px, 1e-9) * rows * campx_per_px * instances * (0.5 if bayer else 1.0)
    sigma = math.sqrt(lens_px**2 + pixel**2 / 6) / v

    def esf(tau_: float, place: float = 0.0) -> np.ndarray:
        fine = np.arange(t[0] - 2, t[-1] + 2, 1 / 192)
        y = blurred_exponential(fine - place, tau_)
        half = int(math.ceil(5 * sigma * 192)) + 1
        k = np.exp(-0.5 * (np.arange(-half, half + 1) / 192 / max(sigma, 1e-6)) ** 2)
        return np.interp(t, fine, np.convolve(np.pad(y, half, mode="edge"), k / k.sum(), "valid"))

    base, h = esf(tau), 1e-3
    moves = [(esf(tau * (1 + h)) - base) / (tau * h), (esf(tau, h) - base) / h, 1 - base, base]
    jac = np.stack(moves, axis=1)
    noise = cut_noise(np.clip(low + (high - low) * base, 1e-5, None), white_snr) / abs(high - low)
    gram = (jac * (campx / noise**2)[:, None]).T @ jac + np.diag([0.0, 0.0, 1.0, 1.0]) / PLATEAU_SD**2
    sd = math.sqrt(np.linalg.inv(gram)[0, 0])
    slope = (blur_edge_time(tau * 1.02) - blur_edge_time(tau * 0.98)) / (0.04 * tau)
    return sd * slope, sd * LN9
