"""Patches: the pixels of the static stripes, with area weights, in places all over the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.pattern.layout import Block, Layout

MIN_BLUR_PX = 0.3  # below it stripes keep their light to themselves
MAX_LEAK = 0.002  # from bands


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Pixels of one stripe at one place.

    Attributes
    ----------
    block : int
        Index of the block in the layout.
    kind : str
        ``grey``, ``halftone`` or ``dither``.
    level : int
        Level of a grey.
    share : float
        Share of white of a halftone or dither; NaN for a grey.
    codes : (n,) int
        Codes of the pixels; of an 8-bit photo every code once.
    weights : (n,) float
        Area weights of these codes, sum 1.
    x, y : float
        Centre, campx.
    mix : dict of int to float
        What the lens mixes: the share of each level's light (0: black, 255: white, also for halftones and dithers).
    """

    block: int
    kind: str
    level: int
    share: float
    codes: np.ndarray
    weights: np.ndarray
    x: float
    y: float
    mix: dict[int, float]


def gather(
    codes: np.ndarray, pose: Any, layout: Layout, lit: tuple[float, float], places: int = 9, blur_px: float = 0.0
) -> list[Patch]:
    """Collect patches of all static stripes.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
    pose : object with ``to_plate`` and ``to_photo``
    lit : (float, float)
        Range of ``u`` that is fully exposed.
    places : int
        Places along the motion.
    blur_px : float
        Blur across the motion, display px: what it brings in from neighbouring stripes is noted, and patches that get
        light from bands are left out.
    """
    out: list[Patch] = []
    span = lit[1] - lit[0]
    width = min(span / places * 0.8, 40.0)
    for index, block in enumerate(layout.blocks):
        if block.kind not in ("grey", "halftone", "dither"):
            continue
        v0, v1 = _rows(block)
        mix = _mixture(layout, index, v0, v1, blur_px)
        if mix is None:
            continue
        length = width
        if block.kind == "dither":
            length = max(1, round(width / block.period_px)) * block.period_px
        for k in range(places):
            mid = lit[0] + span * (k + 0.5) / places
            patch = _one(codes, pose, index, block, mid - length / 2, mid + length / 2, v0, v1, mix)
            if patch is not None:
                out.append(patch)
    return out


def _mixture(layout: Layout, index: int, v0: float, v1: float, blur_px: float) -> dict[int, float] | None:
    """Return the share of each level's light in the rows ``v0`` to ``v1``; None if light of unknown height gets in."""
    from scipy.special import ndtr

    out: dict[int, float] = {}
    centres = np.linspace(v0, v1, 9)
    for near in range(max(0, index - 3), min(len(layout.blocks), index + 4)):
        block = layout.blocks[near]
        if blur_px < MIN_BLUR_PX:
            share = 1.0 if near == index else 0.0
        else:
            borders = (np.array([block.top_row, block.end_row])[:, None] - centres) / blur_px
            share = float(np.mean(ndtr(borders[1]) - ndtr(borders[0])))
        if share < 1e-5:
            continue
        if block.kind in ("band", "picture"):
            if share > MAX_LEAK:
                return None
            continue
        white = len(block.lit) / block.period_px if block.kind in ("halftone", "dither") else 0.0
        for level, part in ((block.level if block.kind == "grey" else 0, 1 - white), (255, white)):
            out[level] = out.get(level, 0.0) + share * part
    total = sum(out.values())
    return {level: part / total for level, part in out.items() if part > 0}


def _rows(block: Block) -> tuple[float, float]:
    """Rows to use: whole periods in the middle of a halftone, the middle of a grey or dither."""
    middle = block.top_row + block.height_px / 2
    if block.kind == "halftone":
        periods = block.height_px // block.period_px
        use = max(1, periods - 2 * max(1, -(-3 // block.period_px)) if periods > 3 else 1)
        start = block.top_row + (periods - use) // 2 * block.period_px
        return float(start), float(start + use * block.period_px)
    half = max(0.75, block.height_px / 2 - 2.0)
    return middle - half, middle + half


def _one(codes, pose, index: int, block: Block, u0, u1, v0, v1, mix: dict[int, float]) -> Patch | None:
    px, py = pose.to_photo(np.array([u0, u1, u0, u1]), np.array([v0, v0, v1, v1]))
    h, w = codes.shape
    x0, x1 = int(np.floor(px.min())), int(np.ceil(px.max())) + 1
    y0, y1 = int(np.floor(py.min())), int(np.ceil(py.max())) + 1
    if x0 < 1 or y0 < 1 or x1 > w - 1 or y1 > h - 1 or x1 - x0 < 2:
        return None
    inner = _inside(px, py) if block.kind == "grey" and len(mix) == 1 else None
    if inner is not None:  # even stripes need no area weights
        part = codes[inner]
        total = np.full(part.shape, 1.0)
        return _patch(index, block, part.ravel(), total.ravel(), px, py, mix)
    u, v = next(pose.plate_grids([((x0, x1 - 1, x1 - x0), (y0, y1 - 1, y1 - y0))]))
    du = abs(u[0, 1] - u[0, 0])
    dv = abs(v[1, 0] - v[0, 0]) if y1 - y0 > 1 else 1.0
    weight = _overlap(u, du, u0, u1)
    weight *= _overlap(v, dv, v0, v1)
    here = codes[y0:y1, x0:x1]
    if np.count_nonzero(weight > 1e-3) < 8:
        return None
    use = weight > 1e-3
    return _patch(index, block, here[use], weight[use], px, py, mix)


def _inside(px: np.ndarray, py: np.ndarray) -> tuple[slice, slice] | None:
    """Return the upright rectangle within a nearly upright quadrilateral, if it holds most of it."""
    xs, ys = np.sort(px), np.sort(py)
    left, right = int(np.ceil(xs[1] + 0.5)), int(np.floor(xs[2] - 0.5)) + 1
    top, bottom = int(np.ceil(ys[1] + 0.5)), int(np.floor(ys[2] - 0.5)) + 1
    if right - left < 2 or bottom - top < 2:
        return None
    if (right - left) * (bottom - top) < 0.6 * (xs[3] - xs[0]) * (ys[3] - ys[0]):
        return None
    return slice(top, bottom), slice(left, right)


def _patch(index: int, block: Block, codes: np.ndarray, weights: np.ndarray, px, py, mix) -> Patch:
    if codes.dtype == np.uint8:
        weights = np.bincount(codes, weights, 256)
        codes = np.nonzero(weights)[0]
        weights = weights[codes]
    return Patch(
        block=index,
        kind=block.kind,
        level=block.level,
        share=len(block.lit) / block.period_px if block.kind != "grey" else float("nan"),
        codes=codes.astype(np.intp),
        weights=weights / weights.sum(),
        x=float(px.mean()),
        y=float(py.mean()),
        mix=mix,
    )


def _overlap(at: np.ndarray, size: float, low: float, high: float) -> np.ndarray:
    out = np.minimum(at, high - size / 2) - np.maximum(at, low + size / 2)
    return np.clip(out / size + 1, 0, 1)
