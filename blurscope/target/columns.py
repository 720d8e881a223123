"""Columns: where along the motion the bands stand, first by correlation, then edge by edge."""

from __future__ import annotations

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout
from blurscope.target.pose import Pose
from blurscope.uncertainty import quantile


def pick(codes: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return codes at campx positions by linear interpolation; NaN outside the photo."""
    return _blanked(_remapped(codes, x, y).astype(np.float32), codes.shape, x, y)


def pick_light(codes: np.ndarray, x: np.ndarray, y: np.ndarray, decode: np.ndarray) -> np.ndarray:
    """Return the light of the codes at campx positions, by a table; NaN outside the photo."""
    picked = _remapped(codes, x, y)
    return _blanked(cv2.LUT(picked.reshape(len(picked), -1), decode).reshape(x.shape), codes.shape, x, y)


def _remapped(codes: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    flat = (z.reshape(len(z), -1).astype(np.float32, copy=False) for z in (x, y))
    return cv2.remap(codes, *flat, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).reshape(x.shape)


def _blanked(values: np.ndarray, shape: tuple[int, int], x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Put NaN where a position is outside a photo of this shape."""
    height, width = shape
    if x.min() < 0.5 or y.min() < 0.5 or x.max() > width - 1.5 or y.max() > height - 1.5:
        values[(x < 0.5) | (x > width - 1.5) | (y < 0.5) | (y > height - 1.5)] = np.nan
    return values


def photo_range(codes: np.ndarray, pose: Pose, layout: Layout) -> tuple[float, float]:
    """Return the range of ``u`` that the photo's corners reach."""
    h, w = codes.shape
    u, _ = pose.to_plate(np.array([0, w - 1, 0, w - 1, w / 2, w / 2.0]), np.array([0, 0, h - 1, h - 1, h / 2, h / 2.0]))
    middle = float(pose.to_plate(np.array([w / 2.0]), np.array([h / 2.0]))[0][0])
    reach = 1.6 * layout.width_px
    return max(float(u.min()), middle - reach), min(float(u.max()), middle + reach)


def lit_range(codes: np.ndarray, pose: Pose, layout: Layout, decode: np.ndarray) -> tuple[float, float] | None:
    """Return the range of ``u`` over which the static white stripes are fully lit."""
    lo, hi = photo_range(codes, pose, layout)
    u = np.arange(lo, hi, 1.0)
    rows = [b.top_row + b.height_px / 2 for b in layout.blocks if b.kind == "grey" and b.level >= 200]
    uu, vv = np.meshgrid(u, np.array(rows))
    light = pick_light(codes, *pose.to_photo(uu, vv), decode)
    have = np.isfinite(light)
    total = np.where(have, light, 0).sum(axis=0) / np.maximum(have.sum(axis=0), 1)
    total[have.sum(axis=0) < max(1, len(rows) // 2)] = 0
    top = quantile(total, 0.75)
    if top <= 0:
        return None
    bright = total > 0.5 * top
    middle = int(np.argmin(np.abs(u - (lo + hi) / 2)))
    if not bright[middle]:
        candidates = np.nonzero(bright)[0]
        if candidates.size == 0:
            return None
        middle = int(candidates[np.argmin(np.abs(candidates - middle))])
    dark = np.nonzero(~bright)[0]
    first = int(dark[dark < middle].max()) + 1 if (dark < middle).any() else 0
    last = int(dark[dark > middle].min()) - 1 if (dark > middle).any() else len(u) - 1

    def inward(i: int, step: int) -> int:
        for _ in range(len(u) // 4):
            j = i + 24 * step
            if not 0 <= j < len(u) or total[i] >= 0.97 * total[j]:
                return i
            i += step
        return i

    return float(u[inward(first, 1)]), float(u[inward(last, -1)])


def find_shift(codes: np.ndarray, pose: Pose, layout: Layout, lit: tuple[float, float]) -> tuple[float, bool, float]:
    """Find the plate's shift along the motion by correlating all bands with the circuit.

    Returns
    -------
    shift : float
        To be added to the pose's ``u`` (after mirroring, if mirrored).
    mirrored : bool
        The picture is mirrored: ``u`` must be negated first.
    score : float
        Normalised correlation, 1 at best.
    """
    period = layout.circuit_px
    u = np.arange(np.ceil(lit[0]), np.floor(lit[1]), 1.0)
    bands = [b for b in layout.blocks if b.kind == "band"]
    rows = np.array([b.top_row + f * b.height_px for b in bands for f in (0.35, 0.5, 0.65)])
    lines = pose.photo_grids([((u[0], u[-1], len(u)), (row, row, 1)) for row in rows])
    x, y = (np.concatenate(z) for z in zip(*lines, strict=True))
    picked = pick(codes, x, y).reshape(len(bands), 3, len(u)).mean(axis=1)
    have = np.isfinite(picked)
    level = np.repeat(np.array(layout.circuit, float) / 255, layout.field_px)
    blur = np.convolve(np.tile(level, 3), np.ones(layout.px_per_refresh) / layout.px_per_refresh, "same")
    expected = blur[period : 2 * period]
    best = (0.0, False, -1.0)
    turned = [np.roll(expected, block.offset_px) for block in bands]
    at = np.round(u).astype(int) % period
    value = np.where(have, picked, 0.0) / (65535 if codes.dtype == np.uint16 else 255)
    seen = np.array([[np.bincount(at, w, period) for w in (o, x, x * x)] for o, x in zip(have, value, strict=True)])
    seen = np.fft.rfft(seen)
    drawn = np.fft.rfft(np.array([[np.ones(period), e, e * e] for e in turned]))
    for mirrored in (False, True):
        # cyclic correlation: index s holds the sum over r of seen[r] e[r + s]; what is mirrored runs backwards
        folds = seen if mirrored else np.conj(seen)
        pairs = ((0, 0), (0, 1), (0, 2), (1, 0), (2, 0), (1, 1))
        spectra = np.array([np.einsum("bk,bk->k", folds[:, i], drawn[:, j]) for i, j in pairs])
        n, se, see, sp, spp, spe = np.fft.irfft(spectra, period)
        cov = spe / n - sp * se / n**2
        var = (spp / n - (sp / n) ** 2) * (see / n - (se / n) ** 2)
        score = cov / np.sqrt(np.maximum(var, 1e-12))
        i = int(np.argmax(score))
        if score[i] > best[2]:
            best = (float(i), mirrored, float(score[i]))
    return best


def visible_edges(layout: Layout, lit: tuple[float, float]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return every edge copy within ``lit``: edge index in ``layout.edges()``, ``u``, band block index, transition."""
    copies = layout.edge_copies(*lit)
    return (
        np.array([i for i, _, _ in copies], int),
        np.array([u for _, _, u in copies], float),
        np.array([e.block for _, e, _ in copies], int),
        np.array([e.from_level * 256 + e.to_level for _, e, _ in copies], int),
    )


def locate_edges(
    codes: np.ndarray, pose: Pose, layout: Layout, lit: tuple[float, float], decode: np.ndarray
) -> dict[str, np.ndarray]:
    """Locate the half-height point of every edge wholly visible.

    Returns
    -------
    dict with ``x, y`` (campx), ``u`` (plate position of the drawn edge), ``pair`` (transition), ``weight``,
    ``width_px`` (rough 10-90 % width), and ``expected``, the number of edges in sight
    """
    field = layout.field_px
    front, back = (0.31 * field, 0.96 * field)
    low, high = (back, front) if layout.sign > 0 else (front, back)
    index, at, band, pair = visible_edges(layout, (lit[0] + low, lit[1] - high))
    if len(at) == 0:
        return {k: np.empty(0) for k in ("x", "y", "u", "pair", "weight", "width_px")} | {"expected": 0}
    top = np.array([layout.blocks[b].top_row for b in band], float)
    high = np.array([layout.blocks[b].height_px for b in band], float)
    step = 0.5
    lag = np.arange(-0.3 * field, 0.95 * field + step, step)
    rows = (0.25, 0.75, 6)
    grids = [
        ((u - layout.sign * lag[0], u - layout.sign * lag[-1], len(lag)), (t + h * rows[0], t + h * rows[1], rows[2]))
        for u, t, h in zip(at, top, high, strict=True)
    ]
    light = pick_light(codes, *(np.stack(z) for z in zip(*pose.photo_grids(grids), strict=True)), decode).mean(axis=1)
    good = np.isfinite(light).all(axis=1)
    light[~good] = 0.0
    before = light[:, lag < -0.1 * field].mean(axis=1)
    after = light[:, lag > 0.75 * field].mean(axis=1)
    size = after - before
    good &= np.abs(size) > 0.02
    norm = (light - before[:, None]) / np.where(good, size, 1.0)[:, None]
    every = np.arange(len(at))
    k = np.argmax(norm >= 0.5, axis=1)
    good &= k > 0
    k = np.maximum(k, 1)
    under, over = norm[every, k - 1], norm[every, k]
    found = lag[k - 1] + step * (0.5 - under) / np.where(over != under, over - under, 1.0)
    places = np.arange(len(lag))
    low = np.where((norm < 0.1) & (places < k[:, None]), places, -1).max(axis=1)
    up = np.where((norm > 0.9) & (places >= k[:, None]), places, len(lag)).min(axis=1)
    # a ramp's start lies a quarter of the way from 10 % to 50 % ahead of its 10 % point
    tenth = np.where(low >= 0, lag[low] + 0.5 * step, found)
    onset = tenth - 0.25 * (found - tenth)
    width = np.where((low >= 0) & (up < len(lag)), (up - low) * step, np.nan)
    keep = good
    x, y = pose.to_photo(at[keep] - layout.sign * found[keep], (top + 0.5 * high)[keep])
    return {
        "x": x,
        "y": y,
        "u": at[keep],
        "pair": pair[keep],
        "weight": np.minimum(np.abs(size[keep]), 0.3) ** 2,
        "width_px": width[keep],
        "lag_px": found[keep],
        "onset_px": onset[keep],
        "index": index[keep],
        "expected": len(at),
    }
