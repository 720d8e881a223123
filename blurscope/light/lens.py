"""The lens blur, from the static stripes across the motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.uncertainty import median

GREY_NEIGHBOURS = ("grey", "black")
THIRDS = 3  # of the plate in sight, along the motion
SLOPE_PX2 = 0.1  # how much the blur's variance may grow over the frame, standard deviation known beforehand
LEAST_SD_PX = 0.006  # standard uncertainty of the blur at best
GAP_SWING = 0.005  # of light, from row to row of the display, from which its gaps are allowed for
LEAST_BESIDE = 1.0  # rows beside a boundary, in which gaps are looked for
LEAST_LIT = 0.5  # of a row's height
FLAT_TOPPED = 0.4  # a Gaussian fitted to a box is wider than the box's variance, by its share of the whole and this
LIT_SD_PX2 = 0.01  # how well the variance of the lit part is known: gaps are no boxes
LEAST_NEAR = 0.3  # of the boundaries, that lie near a plane
CLEAR = 4.0  # growth over its uncertainty from which it is believed


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Gaussian blur of the lens in display px, camera pixel aperture not included.

    Attributes
    ----------
    sigma_px, sd_px : float
        Standard deviation of the blur at the middle, and its standard uncertainty; NaN if nothing could be used.
    halo : float
        How far the light swings past the stripes beside their boundaries, share of the step: what sharpening does. 0
        where stripes are too narrow for their blur to tell.
    gaps : bool
        The dark gaps between the display's rows show.
    along_px2, across_px2 : float
        Growth of the blur's variance over ``span`` along and across the motion: focus that tilts.
    middle, span : (float, float)
        Plate position (u, row) of the middle, and the size of what was in sight.
    """

    sigma_px: float
    sd_px: float
    halo: float = 0.0
    gaps: bool = False
    along_px2: float = 0.0
    across_px2: float = 0.0
    middle: tuple[float, float] = (0.0, 0.0)
    span: tuple[float, float] = (1.0, 1.0)

    def extra_px2(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return what a place's blur has more in variance than the middle's."""
        return (
            self.along_px2 * (np.asarray(u) - self.middle[0]) / self.span[0]
            + self.across_px2 * (np.asarray(v) - self.middle[1]) / self.span[1]
        )


def measure_lens(codes: np.ndarray, pose: Any, layout: Layout, lit: tuple[float, float], tone: Any) -> Lens:
    """Fit the Gaussian blur across the motion to the stripes' boundaries, in light, all over the frame."""
    unknown = Lens(sigma_px=float("nan"), sd_px=float("nan"))
    pairs = []
    for above, below in zip(layout.blocks, layout.blocks[1:], strict=False):
        if above.kind not in GREY_NEIGHBOURS or below.kind not in GREY_NEIGHBOURS:
            continue
        if abs(above.level - below.level) >= 60:
            pairs.append((below.top_row, min(above.height_px, below.height_px)))
    if not pairs:
        return unknown
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
    # boundaries by thirds of the plate: (rows * THIRDS, places of a third, ...)
    inside, campx = (a.reshape(len(row) * THIRDS, -1) for a in (inside, campx))
    picked, phase = (a.reshape(*inside.shape, len(s)) for a in (picked, y - np.floor(y)))
    enough = inside.sum(axis=1) >= 3
    if not enough.any():
        return unknown
    inside, campx, picked, phase = (a[enough] for a in (inside, campx, picked, phase))
    share = inside / inside.sum(axis=1, keepdims=True)
    lines = np.einsum("rp,rps->rs", share, np.where(inside[..., None], picked, 0.0))
    pixel = 1.0 / np.einsum("rp,rp->r", share, campx)
    # aperture of the camera pixel, and what reading between two of them adds, in campx
    between = np.einsum("rp,rp->r", share, (phase * (1 - phase)).mean(axis=2))
    widths = _widths(lines, s)
    swing = _gap_swing(lines, s, 3.0 * median(widths))
    gaps_px2 = 0.0
    if swing > GAP_SWING:  # averaged over a row of the display, light tells nothing of the gaps between rows
        lines, s = _over_rows(lines, s)
        widths = _widths(lines, s)
        gaps_px2 = _lit_px2(swing, median(widths) ** 2)
    variance = widths**2 - pixel**2 * (1 / 12 + between) - gaps_px2
    middle, span = (float(np.mean(lit)), layout.height_px / 2), (lit[1] - lit[0], float(layout.height_px))
    thirds = places.reshape(THIRDS, -1).mean(axis=1)
    at = np.stack([np.tile((thirds - middle[0]) / span[0], len(row)), np.repeat((row - middle[1]) / span[1], THIRDS)])
    sigma, sd, slopes = _plane(variance, at[:, enough])
    if gaps_px2 > 0:
        sd = float(np.hypot(sd, LIT_SD_PX2 / max(2 * sigma, LIT_SD_PX2)))
    halo = _halo(lines, s) if median(widths) < 0.25 * half else 0.0
    return Lens(
        sigma_px=sigma,
        sd_px=sd,
        halo=halo,
        gaps=gaps_px2 > 0,
        along_px2=slopes[0],
        across_px2=slopes[1],
        middle=middle,
        span=span,
    )


def _gap_swing(lines: np.ndarray, s: np.ndarray, reach: float) -> float:
    """Return by how much light swings from row to row of the display beside the boundaries, share of its mean.

    0 where a boundary's own blur reaches so far that too little is left beside it.
    """
    beside = max(reach, 1.0)
    if s[-1] - beside < LEAST_BESIDE:
        return 0.0
    bright = lines[:, s > beside].mean(axis=1) > lines[:, s < -beside].mean(axis=1)
    found = []
    for line, above in zip(lines, bright, strict=True):
        use = s > beside if above else s < -beside
        mean = float(line[use].mean())
        if not mean > 0:  # it is dark on both sides
            continue
        at, light = 2 * np.pi * s[use], line[use] / mean
        design = np.column_stack([np.cos(at), np.sin(at), np.ones_like(at)])
        found.append(np.linalg.lstsq(design, light, rcond=None)[0][:2])
    return float(np.hypot(*np.median(found, axis=0))) if found else 0.0


def _over_rows(lines: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the lines averaged over one row of the display, and where they then are known."""
    total = np.concatenate([np.zeros((len(lines), 1)), np.cumsum(0.5 * (lines[:, 1:] + lines[:, :-1]), axis=1)], axis=1)
    total *= s[1] - s[0]
    at = s[np.abs(s) <= s[-1] - 0.5]
    return np.array([np.interp(at + 0.5, s, t) - np.interp(at - 0.5, s, t) for t in total]), at


def _lit_px2(swing: float, variance: float) -> float:
    """Return the variance of the lit part of a row, of width w, from both effects of gaps that a blur leaves.

    A boundary averaged over a row is as wide as blur and lit part together, ``sigma^2 + w^2 / 12``, and the first
    harmonic of the gaps is ``2 sin(pi w) / (pi w) exp(-2 pi^2 sigma^2)`` (Fourier series of a comb of boxes).
    """
    w = np.linspace(LEAST_LIT, 1.0, 201)
    lit = w * w / 12
    lit = lit + FLAT_TOPPED * lit**2 / variance
    harmonic = 2 * np.sinc(w) * np.exp(-2 * np.pi**2 * np.maximum(variance - lit, 0.0))
    return float(lit[np.argmin(np.abs(harmonic - swing))])


def _plane(variance: np.ndarray, at: np.ndarray) -> tuple[float, float, tuple[float, float]]:
    """Return blur at the middle, its uncertainty, and the growth of its variance over the frame, where it is clear."""
    values = np.sqrt(np.maximum(variance, 0.0))
    sigma = median(values)
    spread = 1.4826 * median(np.abs(values - sigma))
    flat = sigma, max(spread / np.sqrt(len(values)), LEAST_SD_PX), (0.0, 0.0)
    if len(values) < 9:
        return flat
    design = np.concatenate([np.ones((1, at.shape[1])), at]).T
    keep = np.ones(len(values), bool)
    prior = np.diag([0.0, 1.0, 1.0]) / SLOPE_PX2**2
    for _ in range(5):
        off = variance - design @ np.linalg.lstsq(design[keep], variance[keep], rcond=None)[0]
        scale = 1.4826 * median(np.abs(off[keep] - median(off[keep]))) + 1e-6
        near = np.abs(off) < 3.5 * scale
        if near.sum() < LEAST_NEAR * len(off):  # boundaries so alike but for some that their scatter says nothing
            break
        keep = near
    gram = design[keep].T @ design[keep] / scale**2 + prior
    found = np.linalg.solve(gram, design[keep].T @ variance[keep] / scale**2)
    error = np.sqrt(np.diag(np.linalg.inv(gram)))
    slopes = tuple(float(x) if abs(x) > CLEAR * e else 0.0 for x, e in zip(found[1:], error[1:], strict=True))
    if slopes == (0.0, 0.0) or found[0] <= 0:
        return flat
    return float(np.sqrt(found[0])), max(float(0.5 * error[0] / np.sqrt(found[0])), LEAST_SD_PX), slopes


def _halo(lines: np.ndarray, s: np.ndarray) -> float:
    """Mean swing past both plateaus, which the outer fifths of the lines show, over the step."""
    outer = 0.8 * s[-1]
    low, high = lines[:, s < -outer].mean(axis=1), lines[:, s > outer].mean(axis=1)
    step = high - low
    # one line for all, each as sure as its step is high: the extremes of single lines are those of their noise
    norm = step @ (lines - low[:, None]) / max(float(step @ step), 1e-12)
    return float(0.5 * ((norm.max() - 1) - norm.min()))


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
