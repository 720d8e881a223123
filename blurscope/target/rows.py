"""Rows: the stripes across the motion give identity, rotation, perspective and the vertical scale."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from blurscope._cv import cv2
from blurscope.errors import TargetError
from blurscope.pattern.layout import Layout
from blurscope.target.pose import Pose

LOOK_WIDTH = 960  # the reduced picture's longer side is at most this
TILT_COLUMNS = 200  # columns of the reduced picture whose gradients say how the stripes lie
MIN_SCORE = 0.55
FILLING = 0.55  # log of how much larger or smaller than 3/4 of the frame's height a plate is looked for first
GOOD_SCORE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowFix:
    """Rough map of the rows along one line of the photo: ``y = (scale * v + shift) / (1 + bend * v)``."""

    tilt_rad: float
    upside_down: bool
    scale: float
    shift: float
    bend: float
    score: float


def reduce_picture(codes: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the picture reduced by a whole factor (area average, float32) and the factor."""
    factor = max(1, round(max(codes.shape) / LOOK_WIDTH))
    rows, columns = codes.shape[0] // factor, codes.shape[1] // factor
    small = codes[: rows * factor, : columns * factor]
    if factor % 2 == 0:  # halving is the one whole factor that OpenCV has a fast road for
        half = factor // 2
        small = cv2.resize(small, (columns * half, rows * half), interpolation=cv2.INTER_AREA)
        if half % 2:  # the same means, of which only some are kept, take less time
            return cv2.blur(small, (half, half))[half // 2 :: half, half // 2 :: half].astype(np.float32), factor
    return cv2.resize(small, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32), factor


def stripe_tilt(small: np.ndarray) -> tuple[float, bool]:
    """Return the tilt of the stripes (rad, positive when they fall to the right) and whether they run upright."""
    some = slice(None, None, max(1, small.shape[1] // TILT_COLUMNS))
    gx = cv2.Sobel(small, cv2.CV_32F, 1, 0, ksize=3)[:, some]
    gy = cv2.Sobel(small, cv2.CV_32F, 0, 1, ksize=3)[:, some]
    power = gx * gx + gy * gy
    strong = power > power.mean()  # holds nearly all of the power
    gx, gy, power = gx[strong], gy[strong], power[strong]
    angle = np.arctan2(gx, gy)  # 0: gradient along y, stripes level
    angle = (angle + np.pi / 2) % np.pi - np.pi / 2
    bins = 720
    width = np.pi / bins
    hist, _ = np.histogram(angle, bins=bins, range=(-np.pi / 2, np.pi / 2), weights=power)
    smooth = sum(np.roll(hist, k) for k in (-2, -1, 0, 1, 2))
    peak = (int(np.argmax(smooth)) + 0.5) * width - np.pi / 2
    for _ in range(3):
        off = (angle - peak + np.pi / 2) % np.pi - np.pi / 2
        near = np.abs(off) < np.radians(1.5)
        total = float(power[near].sum())
        if total <= 0:
            break
        peak += float((power * off)[near].sum()) / total
    upright = abs(peak) > np.pi / 4
    return (-(peak - np.copysign(np.pi / 2, peak)) if upright else -peak), upright


def row_template(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Return the expected code per row (0-1) and its weight; moving rows weigh nothing."""
    code = np.zeros(layout.height_px)
    weight = np.ones(layout.height_px)
    for block in layout.blocks:
        rows = slice(block.top_row, block.end_row)
        if block.kind == "grey":
            code[rows] = block.level / 255
        elif block.kind in ("halftone", "dither"):
            code[rows] = (len(block.lit) / block.period_px) ** 0.4545
            weight[rows] = 0.5
        elif block.kind in ("band", "picture"):
            weight[rows] = 0
        elif block.kind == "lane":
            code[rows] = 0.03
    return code, weight


def find_rows(small: np.ndarray, tilt: float, layout: Layout, factor: int) -> RowFix:
    """Find the plate's rows along the middle of a picture whose stripes have a tilt, rad.

    Raises
    ------
    TargetError
        No place, scale or orientation fits the plate's stripes.
    """
    height = len(small)
    strip = _level_strip(small, tilt)
    code, weight = row_template(layout)
    lowest, highest = 1.0 / factor, 8.0 / factor
    lowest = max(lowest, 0.3 * height / layout.height_px * 0.5)
    scales = np.exp(np.arange(np.log(lowest), np.log(highest), 0.012))
    scales = scales[(scales * layout.height_px <= 2.2 * height) & (scales * layout.height_px >= 40)]
    score = -1.0
    best = (score, False, 1.0, 0.0)
    # first plates that fill the frame, every other scale, on half the rows; the rest where that has nothing certain
    filling = np.abs(np.log(scales * layout.height_px / (0.75 * height))) < FILLING
    halved = strip[: height // 2 * 2].reshape(-1, 2).mean(axis=1)
    likely, further = scales[filling][::2], scales[~filling][::2]
    for line, coarse, some in ((halved, 2, likely), (strip, 1, likely), (strip, 1, further), (strip, 1, scales[1::2])):
        if not len(some):
            continue
        place = _Placer(line, code, weight, max(8, round(len(code) * float(some.max()) / coarse)))
        for part in np.array_split(some / coarse, max(1, len(some) // 12)):
            found, turned, size, top = place(part)
            best = max(best, (found, turned, size * coarse, top * coarse))
        score, flip, scale, shift = best
        fix = _refine(strip, code, weight, scale, shift, flip)
        if fix[3] > GOOD_SCORE:
            break
    if score < MIN_SCORE - 0.15:
        raise TargetError(
            f"the plate's stripes were not found (best match {max(score, 0):.2f} of 1): "
            "is this a photo of this pattern, is the plate in focus and large enough in the frame?"
        )
    if fix[3] < MIN_SCORE:
        raise TargetError(
            f"the plate's stripes match this pattern only to {fix[3]:.2f} of 1: "
            "it is the photo of another plate, too blurred across the motion, or too much of the plate is hidden"
        )
    return RowFix(tilt_rad=tilt, upside_down=flip, scale=fix[0], shift=fix[1], bend=fix[2], score=fix[3])


def _level_strip(small: np.ndarray, tilt: float) -> np.ndarray:
    """Return the means of the rows of the picture's middle, turned so that its stripes are level."""
    height, width = small.shape
    left, right = int(width * 0.42), int(width * 0.58)
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), np.degrees(tilt), 1.0)
    turn[0, 2] -= left
    size = (right - left, height)
    return cv2.warpAffine(small, turn, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).mean(axis=1)


class _Placer:
    """Normalised correlation of a line of the photo with the plate's rows at many scales; its own transforms are kept.

    Parameters
    ----------
    strip : (n,) float
    code, weight : (rows,) float
    longest : int
        Length of the longest template to come.
    """

    def __init__(self, strip: np.ndarray, code: np.ndarray, weight: np.ndarray, longest: int) -> None:
        self.length, self.pad = len(strip), longest // 2
        self.size = _quick_length(len(strip) + 2 * self.pad + longest)
        data = np.zeros(self.size, np.float32)
        data[self.pad : self.pad + len(strip)] = strip
        self.data = np.fft.rfft(np.array([data, data * data]))
        self.rows = (np.asarray(code, float).tobytes(), np.asarray(weight, float).tobytes())
        self.end = len(strip) + 2 * self.pad

    def __call__(self, scales: np.ndarray) -> tuple[float, bool, float, float]:
        """Return the best score over the scales: score, upside down, scale, row of the template's top."""
        place = (self.pad, self.length, self.size)
        lengths, full, (fw, fwt), (sw, swt, swt2) = _templates(*self.rows, *place, tuple(scales.tolist()))
        fd, fd2 = self.data
        sd, sd2, sdt = np.fft.irfft(np.array([fd * fw, fd2 * fw, fd * fwt]), self.size)[..., : self.end]
        ok = (sw > 0.45 * full[:, None]) & (np.arange(self.end) <= (self.end - lengths)[:, None])
        safe = np.where(ok, sw, 1.0)
        cov = sdt / safe - sd * swt / safe**2
        var = (sd2 / safe - (sd / safe) ** 2) * (swt2 / safe - (swt / safe) ** 2)
        ok &= var > 1e-6
        score = np.where(ok, cov / np.sqrt(np.maximum(var, 1e-6)), -1.0)
        score *= np.sqrt(np.sqrt(np.clip(sw / full[:, None], 0, 1)))
        flip, k, i = np.unravel_index(int(np.argmax(score)), score.shape)
        return float(score[flip, k, i]), bool(flip), float(scales[k]), float(i - self.pad)


@lru_cache(maxsize=12)  # photos of one plate by one camera have them in common
def _templates(
    code: bytes, weight: bytes, pad: int, length: int, size: int, scales: tuple[float, ...]
) -> tuple[np.ndarray, ...]:
    """Return what is the same for every line of a length: see `_Placer`.

    Returns
    -------
    lengths, full : (scales,)
        Length and whole weight of the plate at each scale.
    spectra : (2, 2, scales, n) complex
        Conjugate transforms of weights and of weighted codes, for an upright and an upside-down plate.
    sums : (3, 2, scales, length + 2 pad) float
        Weights, weighted codes and weighted squares that fall on the line, by place.
    """
    codes, weights = np.frombuffer(code), np.frombuffer(weight)
    edges = np.arange(len(codes) + 1)
    totals = [np.concatenate([[0.0], np.cumsum(x)]) for x in (weights, codes * weights)]
    templates = np.zeros((2, 3, len(scales), size), np.float32)
    lengths = np.array([max(8, int(round(len(codes) * scale))) for scale in scales])
    for k, (scale, n) in enumerate(zip(scales, lengths, strict=True)):
        borders = np.arange(n + 1) / scale
        w, wt = (np.diff(np.interp(borders, edges, x)) * scale for x in totals)
        t = np.divide(wt, w, out=np.zeros_like(w), where=w > 1e-6)
        templates[0, :, k, :n] = w, w * t, w * t * t
        templates[1, :, k, :n] = w[::-1], (w * t)[::-1], (w * t * t)[::-1]
    here = np.zeros(size, np.float32)
    here[pad : pad + length] = 1
    spectra = np.conj(np.fft.rfft(templates)).swapaxes(0, 1)
    sums = np.fft.irfft(np.fft.rfft(here) * spectra, size)[..., : length + 2 * pad]
    out = lengths, templates[0, 0].sum(axis=-1), spectra[:2].copy(), sums.copy()
    for made in out:
        made.setflags(write=False)
    return out


def _quick_length(least: int) -> int:
    """Return a length from there on, at most a quarter longer, that has a quick Fourier transform."""
    return min(m << max(0, math.ceil(math.log2(least / m))) for m in (8, 9, 10, 12, 15))


def _predict(v: np.ndarray, scale: float, shift: float, bend: float, flip: bool, height: int) -> np.ndarray:
    w = height - v if flip else v
    return (scale * w + shift) / (1 + bend * (w - height / 2))


def _refine(strip, code, weight, scale, shift, flip):
    """Refine scale, shift and perspective bend along the strip by correlation over row centres."""
    height = len(code)
    use = np.nonzero(weight > 0)[0]
    v = use + 0.5
    t, w = code[use], weight[use]

    places, whole = np.arange(len(strip)), w / w.sum()

    def score(s: float, o: float, b: float) -> float:
        y = _predict(v, s, o, b, flip, height) - 0.5
        inside = (y >= 0) & (y <= len(strip) - 1)
        ww, tt = whole, t
        if not inside.all():
            y, ww, tt = y[inside], w[inside], t[inside]
            if ww.sum() < 0.45 * w.sum():
                return -1.0
            ww = ww / ww.sum()
        d = np.interp(y, places, strip)
        dm, tm = ww @ d, ww @ tt
        den = np.sqrt((ww @ (d - dm) ** 2) * (ww @ (tt - tm) ** 2))
        return float(ww @ ((d - dm) * (tt - tm)) / den) if den > 0 else -1.0

    middle = scale * height / 2 + shift
    state = np.array([scale, middle, 0.0])
    step = np.array([0.01 * scale, 1.5, 0.08 / height])

    def value(p: np.ndarray) -> float:
        return score(p[0], p[1] - p[0] * height / 2, p[2])

    best = value(state)
    for bend in np.linspace(-0.25, 0.25, 11) / height:
        for stretch in (0.99, 1.0, 1.01):
            trial = np.array([scale * stretch, middle, bend])
            if (s := value(trial)) > best:
                best, state = s, trial
    for _ in range(40):
        moved = False
        for k in range(3):
            for direction in (1, -1):
                trial = state.copy()
                trial[k] += direction * step[k]
                if (s := value(trial)) > best:
                    best, state, moved = s, trial, True
        if not moved:
            step /= 2
            if step[1] < 0.02:
                break
    return float(state[0]), float(state[1] - state[0] * height / 2), float(state[2]), best


def static_boundaries(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows (``v_row``) of sharp boundaries between static blocks and their signed contrast (code 0-1)."""
    rows, contrast = [], []
    plain = {"grey", "black"}
    for above, below in zip(layout.blocks, layout.blocks[1:], strict=False):
        a = _plain_level(above, plain, bottom=True)
        b = _plain_level(below, plain, bottom=False)
        if a is None or b is None or abs(a - b) < 40:
            continue
        rows.append(below.top_row)
        contrast.append((b - a) / 255)
    return np.array(rows, float), np.array(contrast)


def _plain_level(block, plain: set[str], bottom: bool) -> int | None:
    if block.kind in plain:
        return block.level if block.kind == "grey" else 0
    if block.kind == "lane" and not bottom:
        return 0
    return None


def locate_boundaries(
    codes: np.ndarray,
    guess: Pose,
    stripes: tuple[np.ndarray, np.ndarray],
    columns_u: np.ndarray,
    decode: np.ndarray,
    half_px: float = 2.6,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Locate the static row boundaries at several places along the motion.

    Parameters
    ----------
    codes : (h, w) array
    guess : Pose
        Good to about half a stripe.
    stripes : (k,), (k,) float
        As of `static_boundaries`.
    columns_u : (m,) float
        Where along ``u``.
    decode : (256,) or (65536,) float
        Rough map from code to light.
    half_px : float
        Half the search window, display px.

    Returns
    -------
    x, y : (k,) float
        campx of the boundaries found.
    v : (k,) float
        Their plate rows.
    weight : (k,) float
    """
    rows, contrast = stripes
    uu, vv = np.meshgrid(columns_u, rows)
    x0, y0 = guess.to_photo(uu, vv)
    x1, y1 = guess.to_photo(uu, vv + 1.0)
    length = np.hypot(x1 - x0, y1 - y0)
    height, width = codes.shape
    inside = (x0 > 8) & (x0 < width - 9) & (y0 > 8) & (y0 < height - 9)
    if not inside.any():
        return (np.empty(0),) * 4
    x0, y0, dx, dy = x0[inside], y0[inside], (x1 - x0)[inside], (y1 - y0)[inside]
    c = np.broadcast_to(contrast[:, None], uu.shape)[inside]
    v_row = vv[inside]
    samples = int(np.ceil(2 * half_px * float(np.median(length)) * 1.5)) | 1
    s = np.linspace(-half_px, half_px, samples)
    spread = np.arange(-6, 7, 2.0)
    nx, ny = dy / np.hypot(dx, dy), -dx / np.hypot(dx, dy)  # along the stripes
    n, k, p = len(x0), len(s), len(spread)
    at = np.empty((2, p, n, k), np.float32)
    for out, first, by_row, by_stripe in zip(at, (x0, y0), (dx, dy), (nx, ny), strict=True):
        line, away = first[:, None] + by_row[:, None] * s, by_stripe * spread[:, None]
        np.add(line, away[..., None], out=out, casting="same_kind")
    picked = cv2.remap(codes, *at.reshape(2, -1, k), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = cv2.LUT(picked, decode).reshape(p, n, k).mean(axis=0)
    edge = max(2, int(0.15 * k))
    start, end = light[:, :edge].mean(axis=1), light[:, -edge:].mean(axis=1)
    step = end - start
    good = (np.sign(step) == np.sign(c)) & (np.abs(step) > 0.02)
    norm = np.clip((light - start[:, None]) / np.where(good, step, 1.0)[:, None], -0.3, 1.3)
    # centroid of the gradient: the mean of 1 - ESF over the window
    offset = (0.5 - norm.mean(axis=1)) * (s[-1] - s[0]) * (k / (k - 1) if k > 1 else 1)
    good &= np.abs(offset) < half_px * 0.8
    return (
        (x0 + dx * offset)[good],
        (y0 + dy * offset)[good],
        v_row[good],
        np.abs(step[good]) ** 0.5,
    )
