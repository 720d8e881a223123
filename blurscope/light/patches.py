"""Patches: the pixels of the static stripes, with area weights, in places all over the photo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from blurscope.pattern.layout import Block, Layout

MIN_BLUR_PX = 0.3  # below it stripes keep their light to themselves
MAX_LEAK = 0.002  # from bands
SETTLED = 0.18, 0.27, 0.35  # of a field, ahead of the edge that ends it: borders of two parts that should look alike
SETTLED_TRUST = 0.1  # of fields that look settled: a slow tail may hide
SAME_LIGHT, GAMMA = 0.003, 2.2  # change of a field's light that may be noise, and of what power of the codes it is
EVEN = "grey", "settled"  # kinds of one level


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Pixels of one stripe at one place.

    Attributes
    ----------
    block : int
        Index of the block in the layout; of a settled field, a number beyond those.
    kind : str
        ``grey``, ``halftone``, ``dither`` or ``settled``: see `settled_whites`.
    level : int
        Level of a grey or a settled field.
    share : float
        Share of white of a halftone or dither, else NaN.
    codes : (n,) int
        Codes of the pixels; of an 8-bit photo every code once.
    weights : (n,) float
        Area weights of these codes, sum 1.
    x, y : float
        Centre, campx.
    mix : dict of int to float
        What the lens mixes: the share of each level's light (0: black, 255: white, also for halftones and dithers).
    trust : float
        Weight among the others.
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
    trust: float = 1.0


def gather(
    codes: np.ndarray,
    pose: Any,
    layout: Layout,
    lit: tuple[float, float],
    places: int = 9,
    blur_at: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
    whole_rows: bool = False,
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
    blur_at : callable, optional
        Blur across the motion, display px, at places ``(u, row)`` of the plate: what it brings in from neighbouring
        stripes is noted, and patches that get light from bands are left out.
    whole_rows : bool
        Count pixels by what they see of whole rows of the display, as its dark gaps show.
    """
    wanted: list[_Place] = []
    span = lit[1] - lit[0]
    width = min(span / places * 0.8, 40.0)
    middles = lit[0] + span * (np.arange(places) + 0.5) / places
    for index, block in enumerate(layout.blocks):
        if block.kind not in ("grey", "halftone", "dither"):
            continue
        rows = _rows(block, 1.0 if whole_rows else 0.75)
        blurs = np.zeros(1) if blur_at is None else blur_at(middles, np.full(places, sum(rows) / 2))
        mixes = [_mixture(layout, index, *rows, float(blur)) for blur in blurs] * (places // len(blurs))
        length = width
        if block.kind == "dither":
            length = max(1, round(width / block.period_px)) * block.period_px
        half = length / 2
        wanted += [
            _Place(index, block, (mid - half, mid + half), rows, mix)
            for mid, mix in zip(middles, mixes, strict=True)
            if mix is not None
        ]
    return _patches(codes, pose, wanted, whole_rows)


def settled_whites(
    codes: np.ndarray,
    pose: Any,
    layout: Layout,
    lit: tuple[float, float],
    blur_at: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> list[Patch]:
    """Collect patches of the bands' white fields, two from the later part of each.

    They tell a curve that is bent near white from light that falls off towards the plate's white stripes, which lie at
    its ends. A field whose parts differ hasn't settled and counts the less. Parameters are those of `gather`.
    """
    from_px, to_px = (share * layout.field_px for share in (SETTLED[0], SETTLED[-1]))
    low, high = (lit[0], lit[1] - to_px) if layout.sign > 0 else (lit[0] + to_px, lit[1])
    wanted = []
    for _, edge, u in layout.edge_copies(low, high):
        block = layout.blocks[edge.block]
        middle = block.top_row + block.height_px / 2
        blur = 0.0 if blur_at is None else float(blur_at(np.array([u]), np.array([middle]))[0])
        half = block.height_px / 2 - max(2.0, 3.5 * blur + 1.0)
        if edge.from_level != 255 or half < 1.0:
            continue
        white = replace(block, kind="settled", level=255, lit=())
        for part in pairwise(SETTLED):
            along = sorted(u + layout.sign * share * layout.field_px for share in part)
            number = len(layout.blocks) + len(wanted)  # of no block that stands still
            wanted.append(_Place(number, white, (along[0], along[1]), (middle - half, middle + half), {255: 1.0}))
    found = {p.block: p for p in _patches(codes, pose, wanted, whole_rows=False)}
    out = []
    for n in range(len(layout.blocks), len(layout.blocks) + len(wanted), 2):
        if n in found and n + 1 in found:
            one, other = (float(found[k].codes @ found[k].weights) for k in (n, n + 1))
            change = GAMMA * abs(one - other) / max(one, other, 1.0)
            trust = SETTLED_TRUST * min(1.0, SAME_LIGHT / max(change, 1e-9))
            out += [replace(found[k], trust=trust) for k in (n, n + 1)]
    return out


def _levels(block: Block, share: float) -> dict[int, float]:
    """Return a share of a block's mean light by level."""
    if block.kind == "grey":
        return {block.level: share}
    white = len(block.lit) / block.period_px if block.lit else 0.0
    return {0: share * (1 - white), 255: share * white}


class _Place(NamedTuple):
    """Where a patch is to be taken: block, range along and across the motion, and what the lens mixes there."""

    index: int
    block: Block
    u: tuple[float, float]
    v: tuple[float, float]
    mix: dict[int, float]


def _patches(codes: np.ndarray, pose: Any, wanted: list[_Place], whole_rows: bool) -> list[Patch]:
    if not wanted:
        return []
    h, w = codes.shape
    us, vs = np.array([p.u for p in wanted]), np.array([p.v for p in wanted])
    # alternating rows are weighed with ramps of a period, or pixels across the ends would count rows of one kind more
    ramps = np.array([float(p.block.period_px) if p.block.kind == "halftone" else 0.0 for p in wanted])
    xs, ys = pose.to_photo(us[:, [0, 1, 0, 1]], vs[:, [0, 0, 1, 1]] + ramps[:, None] * np.array([-0.5, -0.5, 0.5, 0.5]))
    x0, x1 = np.floor(xs.min(axis=1)).astype(int), np.ceil(xs.max(axis=1)).astype(int) + 1
    y0, y1 = np.floor(ys.min(axis=1)).astype(int), np.ceil(ys.max(axis=1)).astype(int) + 1
    inside = (x0 >= 1) & (y0 >= 1) & (x1 <= w - 1) & (y1 <= h - 1) & (x1 - x0 >= 2)
    out: dict[int, Patch] = {}
    weighed: list[int] = []
    centres = list(zip(xs.mean(axis=1).tolist(), ys.mean(axis=1).tolist(), strict=True))
    uprights = _inside(xs, ys)
    for i in np.nonzero(inside)[0].tolist():
        place = wanted[i]
        upright = uprights[i] if place.block.kind in EVEN and len(place.mix) == 1 and not whole_rows else None
        if upright is None:
            weighed.append(i)
        else:  # even stripes need no area weights
            out[i] = _patch(place, codes[upright].ravel(), None, *centres[i])
    spans = [((x0[i], x1[i] - 1, x1[i] - x0[i]), (y0[i], y1[i] - 1, y1[i] - y0[i])) for i in weighed]
    for i, (u, v) in zip(weighed, pose.plate_grids(spans), strict=True):
        weight = _overlap(u, abs(u[0, 1] - u[0, 0]), *us[i])
        pixel = abs(v[1, 0] - v[0, 0]) if len(v) > 1 else 1.0
        weight *= _ramped(v, pixel, ramps[i], *vs[i]) if ramps[i] else _overlap(v, pixel, *vs[i])
        use = weight > 1e-3
        if np.count_nonzero(use) >= 8:
            weight *= use
            out[i] = _patch(wanted[i], codes[y0[i] : y1[i], x0[i] : x1[i]].ravel(), weight.ravel(), *centres[i])
    return [out[i] for i in sorted(out)]


def _mixture(layout: Layout, index: int, v0: float, v1: float, blur_px: float) -> dict[int, float] | None:
    """Return the share of each level's light in the rows ``v0`` to ``v1``; None if light of unknown height gets in."""
    from scipy.special import ndtr

    if blur_px < MIN_BLUR_PX:
        return _levels(layout.blocks[index], 1.0)
    centres = np.linspace(v0, v1, 9)

    def reach(rows: np.ndarray) -> np.ndarray:
        """Return the share of the light that comes from above each of these rows."""
        return ndtr((rows[:, None] - centres) / blur_px).mean(axis=1)

    ends = reach(np.array([layout.blocks[0].top_row, layout.blocks[-1].end_row], float))
    out = {0: 1.0 - float(ends[1] - ends[0])}  # beyond the plate it is dark
    for near in range(max(0, index - 3), min(len(layout.blocks), index + 4)):
        block = layout.blocks[near]
        rows = np.arange(block.top_row, block.end_row + 1.0)
        shares = np.diff(reach(rows))
        if shares.sum() < 1e-5:
            continue
        if block.kind in ("band", "picture"):
            if shares.sum() > MAX_LEAK:
                return None
            continue
        if block.kind == "halftone" and near != index:
            lit = np.isin(np.arange(len(shares)) % block.period_px, block.lit)
            mine = {0: float(shares[~lit].sum()), 255: float(shares[lit].sum())}
        else:
            mine = _levels(block, float(shares.sum()))
        for level, part in mine.items():
            out[level] = out.get(level, 0.0) + part
    total = sum(out.values())
    return {level: part / total for level, part in out.items() if part > 0}


def _rows(block: Block, least: float) -> tuple[float, float]:
    """Rows to use: whole periods in the middle of a halftone, the middle of another, twice ``least`` or more."""
    middle = block.top_row + block.height_px / 2
    if block.kind == "halftone":
        periods = block.height_px // block.period_px
        use = max(1, periods - 2 * max(1, -(-3 // block.period_px)) if periods > 3 else 1)
        start = block.top_row + (periods - use) // 2 * block.period_px
        return float(start), float(start + use * block.period_px)
    half = max(least, block.height_px / 2 - 2.0)
    return middle - half, middle + half


def _inside(px: np.ndarray, py: np.ndarray) -> list[tuple[slice, slice] | None]:
    """Return the upright rectangles within nearly upright quadrilaterals, (n, 4), where they hold most of them."""
    xs, ys = np.sort(px, axis=1), np.sort(py, axis=1)
    left, right = np.ceil(xs[:, 1] + 0.5).astype(int), np.floor(xs[:, 2] - 0.5).astype(int) + 1
    top, bottom = np.ceil(ys[:, 1] + 0.5).astype(int), np.floor(ys[:, 2] - 0.5).astype(int) + 1
    most = (right - left) * (bottom - top) >= 0.6 * (xs[:, 3] - xs[:, 0]) * (ys[:, 3] - ys[:, 0])
    good = (right - left >= 2) & (bottom - top >= 2) & most
    sides = zip(good.tolist(), top.tolist(), bottom.tolist(), left.tolist(), right.tolist(), strict=True)
    return [(slice(a, b), slice(c, d)) if ok else None for ok, a, b, c, d in sides]


def _patch(place: _Place, codes: np.ndarray, weights: np.ndarray | None, x: float, y: float) -> Patch:
    """Return the patch of pixels around ``(x, y)``; without weights all count alike."""
    block = place.block
    if codes.dtype == np.uint8:
        weights = np.bincount(codes, weights, 256)
        codes = weights.nonzero()[0]
        weights = weights[codes]
    elif weights is None:
        weights = np.ones(len(codes))
    else:
        codes, weights = codes[weights > 0], weights[weights > 0]
    return Patch(
        block=place.index,
        kind=block.kind,
        level=block.level,
        share=len(block.lit) / block.period_px if block.kind not in EVEN else float("nan"),
        codes=codes.astype(np.intp),
        weights=weights / weights.sum(),
        x=x,
        y=y,
        mix=place.mix,
    )


def _ramped(at: np.ndarray, size: float, ramp: float, low: float, high: float) -> np.ndarray:
    """Return the mean over samples of some size of a weight that rises from 0 to 1 along a ramp about each bound."""

    def total(x: np.ndarray) -> np.ndarray:
        """Return the integral up to ``x``, in ramps after its start, of a weight that rises once."""
        rising = x.clip(0, 1)
        return rising * (x - 0.5 * rising)

    def risen(depth: np.ndarray) -> np.ndarray:
        """Return the mean weight of samples so far above a bound."""
        above = depth / ramp + 0.5
        half = 0.5 * size / ramp
        return (total(above + half) - total(above - half)) * (ramp / size)

    if high - low >= ramp + size:  # no sample sees both ramps
        return risen((high - low) / 2 - np.abs(at - (low + high) / 2))
    return risen(at - low) - risen(at - high)


def _overlap(at: np.ndarray, size: float, low: float, high: float) -> np.ndarray:
    """Return the shares of samples of some size that lie between two bounds."""
    out = np.minimum(at, high - size / 2)
    out -= np.maximum(at, low + size / 2)
    out /= size
    out += 1
    return out.clip(0, 1, out=out)
