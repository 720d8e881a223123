"""The lens blur, from the static stripes across the motion."""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout

GREY_NEIGHBOURS = ("grey", "black")


def measure_lens(codes: np.ndarray, pose: Any, layout: Layout, lit: tuple[float, float], tone: Any):
    """Fit the Gaussian blur across the motion to the stripes' boundaries, in light.

    Returns
    -------
    sigma_px, u_px : float
        Standard deviation of the blur in display px, camera pixel aperture not included, and its standard
        uncertainty; NaN if no boundary could be used.
    """
    pairs = []
    for above, below in zip(layout.blocks, layout.blocks[1:], strict=False):
        if above.kind not in GREY_NEIGHBOURS or below.kind not in GREY_NEIGHBOURS:
            continue
        if abs(above.level - below.level) >= 60:
            pairs.append((below.top_row, min(above.height_px, below.height_px)))
    if not pairs:
        return float("nan"), float("nan")
    places = np.linspace(lit[0], lit[1], 26)[1:-1]
    row = np.array([p[0] for p in pairs], float)
    half = min(3.0, 0.5 * min(p[1] for p in pairs))
    s = np.linspace(-half, half, 49)
    uu = np.broadcast_to(places[None, :, None], (len(row), len(places), len(s)))
    vv = np.broadcast_to(row[:, None, None] + s, uu.shape)
    x, y = pose.to_photo(uu, vv)
    h, w = codes.shape
    inside = ((x > 1) & (x < w - 2) & (y > 1) & (y < h - 2)).all(axis=2)
    light_img = tone.decode[np.clip(codes, 0, len(tone.decode) - 1)] if codes.size < 4e6 else None
    flat = (x.reshape(-1, len(s)).astype(np.float32), y.reshape(-1, len(s)).astype(np.float32))
    if light_img is None:
        light_img = cv2.LUT(codes, tone.decode)
    light = cv2.remap(light_img, *flat, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).reshape(x.shape)
    campx = np.hypot(np.diff(x[..., [0, -1]], axis=-1), np.diff(y[..., [0, -1]], axis=-1))[..., 0] / (2 * half)
    found = []
    for i in range(len(row)):
        ok = inside[i]
        if ok.sum() < 3:
            continue
        found.append(_one(light[i][ok].mean(axis=0), s, 1.0 / float(campx[i][ok].mean())))
    found = [f for f in found if np.isfinite(f)]
    if not found:
        return float("nan"), float("nan")
    values = np.array(found)
    sigma = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - sigma)))
    return sigma, max(spread / np.sqrt(len(values)), 0.01)


def _one(profile: np.ndarray, s: np.ndarray, pixel: float) -> float:
    """Fit step, place and Gaussian width to one boundary; variance of pixel aperture and interpolation removed."""
    from scipy.special import ndtr

    place, sigma = 0.0, 0.5
    for _ in range(25):
        z = (s - place) / sigma
        cdf = ndtr(z)
        pdf = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        linear = np.stack([1 - cdf, cdf], axis=1)
        coef, *_ = np.linalg.lstsq(linear, profile, rcond=None)
        step = coef[1] - coef[0]
        jac = np.concatenate([linear, (-step * pdf / sigma)[:, None], (-step * pdf * z / sigma)[:, None]], axis=1)
        delta, *_ = np.linalg.lstsq(jac, profile - linear @ coef, rcond=None)
        place += float(np.clip(delta[2], -0.3, 0.3))
        sigma = float(np.clip(sigma + np.clip(delta[3], -0.2, 0.2), 0.05, 3.0))
        if abs(delta[3]) < 1e-5:
            break
    # aperture of the camera pixel (variance 1/12) and of linear interpolation (1/6 on average), in campx
    variance = sigma**2 - pixel**2 * (1 / 12 + 1 / 6)
    return float(np.sqrt(max(variance, 0.0)))
