"""The lens blur, from the static stripes across the motion."""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope.pattern.layout import Layout

GREY_NEIGHBOURS = ("grey", "black")


def measure_lens(codes: np.ndarray, pose: Any, layout: Layout, lit: tuple[float, float], tone: Any):
    """Fit the Gaussian blur across the motion to the stripes' boundaries, in light.

    Returns
    -------
    sigma_px, u_px : float
        Standard deviation of the blur in display px, camera pixel aperture not included, and its standard
        uncertainty; NaN if no boundary could be used.
    halo : float
        How far the light swings past the stripes beside their boundaries, share of the step: what sharpening does. 0
        where stripes are too narrow for their blur to tell.
    """
    pairs = []
    for above, below in zip(layout.blocks, layout.blocks[1:], strict=False):
        if above.kind not in GREY_NEIGHBOURS or below.kind not in GREY_NEIGHBOURS:
            continue
        if abs(above.level - below.level) >= 60:
            pairs.append((below.top_row, min(above.height_px, below.height_px)))
    if not pairs:
        return float("nan"), float("nan"), 0.0
    places = np.linspace(lit[0], lit[1], 26)[1:-1]
    row = np.array([p[0] for p in pairs], float)
    half = min(3.0, 0.5 * min(p[1] for p in pairs))
    s = np.linspace(-half, half, 49)
    uu = np.broadcast_to(places[None, :, None], (len(row), len(places), len(s)))
    vv = np.broadcast_to(row[:, None, None] + s, uu.shape)
    x, y = pose.to_photo(uu, vv)
    h, w = codes.shape
    inside = ((x > 1) & (x < w - 2) & (y > 1) & (y < h - 2)).all(axis=2)
    flat = (x.reshape(-1, len(s)).astype(np.float32), y.reshape(-1, len(s)).astype(np.float32))
    picked = tone.sample(codes, *flat).reshape(x.shape)
    campx = np.hypot(np.diff(x[..., [0, -1]], axis=-1), np.diff(y[..., [0, -1]], axis=-1))[..., 0] / (2 * half)
    enough = inside.sum(axis=1) >= 3
    if not enough.any():
        return float("nan"), float("nan"), 0.0
    share = inside[enough] / inside[enough].sum(axis=1, keepdims=True)
    lines = np.einsum("rp,rps->rs", share, np.where(inside[enough][..., None], picked[enough], 0.0))
    pixel = 1.0 / np.einsum("rp,rp->r", share, campx[enough])
    # aperture of the camera pixel, and what reading between two of them adds, in campx
    phase = y - np.floor(y)
    between = np.einsum("rp,rp->r", share, (phase * (1 - phase)).mean(axis=2)[enough])
    widths = _widths(lines, s)
    values = np.sqrt(np.maximum(widths**2 - pixel**2 * (1 / 12 + between), 0.0))
    sigma = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - sigma)))
    halo = _halo(lines, s) if float(np.median(widths)) < 0.25 * half else 0.0
    return sigma, max(spread / np.sqrt(len(values)), 0.01), halo


def _halo(lines: np.ndarray, s: np.ndarray) -> float:
    """Mean swing past both plateaus, which the outer fifths of the lines show, over the step."""
    outer = 0.8 * s[-1]
    low, high = lines[:, s < -outer].mean(axis=1), lines[:, s > outer].mean(axis=1)
    norm = (lines - low[:, None]) / np.where(np.abs(high - low) > 1e-6, high - low, 1.0)[:, None]
    return float(np.median(0.5 * ((norm.max(axis=1) - 1) - norm.min(axis=1))))


def _widths(lines: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Fit step, place and Gaussian width to each boundary; return the widths."""
    from scipy.special import ndtr

    place, sigma = np.zeros(len(lines)), np.full(len(lines), 0.5)
    low, step = lines[:, 0].copy(), lines[:, -1] - lines[:, 0]
    for _ in range(25):
        z = (s - place[:, None]) / sigma[:, None]
        cdf = ndtr(z)
        slope = -(step / sigma / np.sqrt(2 * np.pi))[:, None] * np.exp(-0.5 * z * z)
        jac = np.stack([np.ones_like(z), cdf, slope, slope * z], axis=-1)
        gram = np.einsum("rsi,rsj->rij", jac, jac)
        gram += np.eye(4) * 1e-9 * np.einsum("rii->r", gram)[:, None, None]
        grad = np.einsum("rsi,rs->ri", jac, lines - low[:, None] - step[:, None] * cdf)
        delta = np.linalg.solve(gram, grad[..., None])[..., 0]
        low, step = low + delta[:, 0], step + delta[:, 1]
        place = place + np.clip(delta[:, 2], -0.3, 0.3)
        sigma = np.clip(sigma + np.clip(delta[:, 3], -0.2, 0.2), 0.05, 3.0)
        if np.abs(delta[:, 3]).max() < 1e-5:
            break
    return sigma
