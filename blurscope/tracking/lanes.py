"""Lanes: light along each streak lane, and where in time the exposure lies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import numpy as np

from blurscope.pattern.layout import Block, Layout, Slit
from blurscope.uncertainty import median, quantile

STRIDES = 8  # places of the screen that are tried first over the length of a streak
BINS = 20  # samples of a lane per refresh of travel, where the photo has that many
ENOUGH_ROWS = 8  # of a lane, that are left when rows of the photo are averaged first
LEAST_INSIDE = 0.5  # of a streak, that must have seen nothing but the screen
DARK_SHARE = 0.55  # of a lane that is dark, about
PIECE_PX = 240.0  # of a lane, whose coordinates are one polynomial


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lane:
    """Light along one lane.

    Attributes
    ----------
    block : Block
    u_px : (m,) float
        Uniform grid of plate positions.
    light : (m,) float
        Relative to white, black of the lane removed; NaN outside the photo.
    noise : float
        Standard deviation of a sample where the lane is dark.
    v_row : float
    by_coder : float
        What a lossy coder adds to that where it is lit.
    """

    block: Block
    u_px: np.ndarray
    light: np.ndarray
    noise: float
    v_row: float
    by_coder: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Streak:
    """One slit's streak: samples around where it should lie.

    ``time`` is the refresh clock that the pose implies: ``sign * (x_slit_centre - u) / px_per_refresh``.
    """

    slit: Slit
    lane: int
    u_px: np.ndarray
    light: np.ndarray
    noise: float
    v_row: float


def bin_of_lanes(layout: Layout, scale: float) -> int:
    """Return how many samples, a camera pixel apart, are averaged along the lanes at ``scale`` campx per px."""
    return max(1, round(layout.px_per_refresh * scale / BINS))


def rows_of_lane(block: Block, scale: float, joined: int) -> tuple[float, float, int, int]:
    """Return a lane's middle row, how much of its height is used, how many rows are averaged first, rows of those.

    Parameters
    ----------
    block : Block
    scale : float
        campx per px.
    joined : int
        Rows of the photo that may be averaged at most.
    """
    top, bottom = block.top_row + block.surround_px, block.end_row
    inner = max(2.0, (bottom - top) - 3.0)
    rows = max(1, min(joined, int(inner * scale / ENOUGH_ROWS)))
    return (top + bottom) / 2, inner, rows, max(4, round(inner * scale / rows))


def read_lanes(
    codes: np.ndarray,
    pose: Any,
    layout: Layout,
    lit: tuple[float, float],
    tone: Any,
    coded: Callable[[np.ndarray, float, int], float] | None = None,
) -> list[Lane]:
    """Return the light along every lane of the plate, averaged over the slits' rows.

    ``coded(light, noise, pixels)`` says what a lossy coder does to a streak, as a standard deviation of its light: of
    light along a lane, the noise of a sample of it and how many pixels that is the mean of.
    """
    scale = float(np.mean(pose.scale_at((lit[0] + lit[1]) / 2, layout.height_px / 2)))
    reach = layout.max_exposure_refreshes * layout.px_per_refresh
    u = np.arange(lit[0] - reach, lit[1] + reach, 1.0 / scale)
    per_bin = bin_of_lanes(layout, scale)
    h, w = codes.shape
    joined = pose.level_rows(lit, layout.height_px)
    black_share, white = float(tone.black), float(np.exp(tone.flat[0]))
    pieces = np.array_split(u, max(1, round(len(u) / (PIECE_PX * scale))))
    spans = [(float(piece[0]), float(piece[-1]), len(piece)) for piece in pieces]
    blocks = [block for block in layout.blocks if block.kind == "lane"]
    grids, rows_of = [], []
    for block in blocks:
        middle, inner, rows, count = rows_of_lane(block, scale, joined)
        half = 0.5 * inner * (1 - 1 / count)
        grids += [(span, (middle - half, middle + half, count)) for span in spans]
        rows_of.append((rows, middle))
    parts = pose.photo_grids(grids)
    out = []
    for block, (rows, middle) in zip(blocks, rows_of, strict=True):
        x, y = (np.concatenate(both, axis=1) for both in zip(*islice(parts, len(spans)), strict=True))
        inside = ((x > 1) & (x < w - 2) & (y > 1) & (y < h - 2)).all(axis=0)
        found = inside.nonzero()[0]
        if len(found) < 10:
            continue
        whole = found[-1] - found[0] + 1 == len(found)
        here = slice(found[0], found[-1] + 1) if whole else found
        x, y = x[:, here], y[:, here]
        picked = tone.window(codes, x, y, margin=rows).joined(rows).at(x, y)
        row = len(x) // 2
        mean = picked.mean(axis=0)
        line = tone.even_line(mean, x[row], y[row], 1.0 / scale) / white
        n = len(line) // per_bin * per_bin
        at, line = (values[:n].reshape(-1, per_bin) @ np.full(per_bin, 1 / per_bin) for values in (u[here], line))
        floor, noise = dark_of(line)
        by_coder = 0.0 if coded is None else coded(mean, noise * white, rows * len(x) * per_bin) / white
        light = (line - floor) / (1 - black_share)
        out.append(Lane(block=block, u_px=at, light=light, noise=noise, by_coder=by_coder, v_row=middle))
    return out


def dark_of(line: np.ndarray) -> tuple[float, float]:
    """Return level and noise of the dark part of a lane's light: the lower half, iterated."""
    line = np.sort(line)
    use = line[: int(DARK_SHARE * (len(line) - 1)) + 1]
    for _ in range(4):
        level = 0.5 * float(use[(len(use) - 1) // 2] + use[len(use) // 2])
        spread = 1.4826 * median(np.abs(use - level)) + 1e-7
        use = line[slice(*line.searchsorted((level - 3 * spread, level + 3 * spread)))]
    return float(use.mean()), float(use.std()) + 1e-7


def place_screen(
    lanes: list[Lane], layout: Layout, lit: tuple[float, float], exposure: float | None = None
) -> tuple[float, float, float]:
    """Find where the screen lies under the plate in the middle of the exposure, and how long the exposure is.

    Parameters
    ----------
    lanes : list of Lane
    layout : Layout
    lit : (float, float)
        Range of ``u`` fully exposed.
    exposure : float, optional
        Refreshes, if known.

    Returns
    -------
    shift_px : float
        ``x_screen = u + shift_px`` at the middle of the exposure.
    exposure : float
        Refreshes.
    score : float
        Correlation of the lanes with what the slits should show.
    """
    if exposure is None:
        exposure = _run_length(lanes, layout) / layout.px_per_refresh
    slack = (0.5 * exposure + 2.0) * layout.px_per_refresh + 12
    low, high = -lit[0] - slack, layout.width_px - lit[1] + slack
    trial = exposure if exposure > 0.6 else 1.0
    first = int(np.floor((min(layout.sign * low, layout.sign * high) - 4) / layout.px_per_refresh - trial / 2)) - 1
    last = int(np.ceil((max(layout.sign * low, layout.sign * high) + 4) / layout.px_per_refresh + trial / 2)) + 1
    matcher = _Matcher([_thin(lane) for lane in lanes], layout, first, last)

    def search(candidates: np.ndarray) -> tuple[float, float]:
        scores = [matcher(s, trial) for s in candidates]
        i = int(np.argmax(scores))
        return float(candidates[i]), scores[i]

    stride = float(np.clip(trial * layout.px_per_refresh / STRIDES, 2.0, 4.0))
    coarse, _ = search(np.arange(np.floor(low), np.ceil(high) + 2, stride))
    shift, score = search(coarse + np.arange(-stride, stride + 0.5, 0.5))
    return shift, exposure, score


def _thin(lane: Lane) -> Lane:
    """Return the lane on a grid of about one display px."""
    k = max(1, round(1 / (lane.u_px[1] - lane.u_px[0])))
    n = len(lane.u_px) // k * k
    return replace(
        lane, u_px=lane.u_px[:n].reshape(-1, k).mean(axis=1), light=lane.light[:n].reshape(-1, k).mean(axis=1)
    )


def _heights(lane: Lane, refreshes: np.ndarray) -> np.ndarray:
    """Return about how strong a streak each slit draws in each refresh, (slits, refreshes)."""
    out = []
    for slit in lane.block.slits:
        period = np.array([slit.level_at(k) for k in range(slit.period_refreshes)]) / 255
        out.append(np.sqrt(period[refreshes % slit.period_refreshes] ** 2.2 * slit.width_px))
    return np.array(out).reshape(len(out), len(refreshes))


class _Matcher:
    """Correlates all lanes, end to end in one row, with boxes where lit slits should have drawn their streaks.

    Parameters
    ----------
    lanes : list of Lane
    layout : Layout
    first, last : int
        Refreshes that may be in the exposure.
    """

    def __init__(self, lanes: list[Lane], layout: Layout, first: int, last: int) -> None:
        self.v, self.sign, self.first = layout.px_per_refresh, layout.sign, first
        sizes = np.array([len(lane.u_px) for lane in lanes])
        begin = np.concatenate([[0], np.cumsum(sizes)])
        slits = [len(lane.block.slits) for lane in lanes]
        signal = np.concatenate([np.sqrt(lane.light.clip(0, None)) for lane in lanes])
        self.count, self.sum, self.power = len(signal), signal.sum(), signal @ signal
        # running sums; no box reaches from one lane to the next
        self.sums = np.concatenate([[0.0], np.cumsum(signal)])
        self.strength = np.concatenate([_heights(lane, np.arange(first, last + 1)) for lane in lanes])
        self.x = np.array([[s.x_px + s.width_px / 2] for lane in lanes for s in lane.block.slits])
        self.origin = np.repeat([lane.u_px[0] for lane in lanes], slits)[:, None]
        self.step = np.repeat([lane.u_px[1] - lane.u_px[0] for lane in lanes], slits)[:, None]
        self.begin = np.repeat(begin[:-1], slits)[:, None]
        self.size = np.repeat(sizes, slits)[:, None]

    def __call__(self, shift: float, exposure: float) -> float:
        """Return the correlation for a place of the screen."""
        middle = self.sign * shift / self.v
        first, last = middle - exposure / 2, middle + exposure / 2
        n = np.arange(int(np.floor(first)), int(np.ceil(last)))
        height = self.strength[:, n[0] - self.first : n[-1] + 1 - self.first].ravel()
        times = np.array([np.maximum(n, first), np.minimum(n + 1, last)])[:, None]
        ends = np.rint((self.x - self.sign * self.v * times - self.origin) / self.step)
        ends = (np.minimum(np.maximum(ends, 0), self.size) + self.begin).astype(np.intp).reshape(2, -1)
        left, right = ends if self.sign < 0 else ends[::-1]
        # what is expected changes at the ends of boxes only
        at = ends.ravel()
        order = at.argsort()
        change = np.concatenate([height, -height] if self.sign < 0 else [-height, height])
        between, level = np.diff(at[order]), change[order].cumsum()[:-1]
        squares = (level * level) @ between
        mean, own_mean = height @ (right - left) / self.count, self.sum / self.count
        top = height @ (self.sums[right] - self.sums[left]) / self.count - own_mean * mean
        spread = (self.power / self.count - own_mean**2) * (squares / self.count - mean**2)
        return float(top / np.sqrt(max(spread, 1e-20)))


def _run_length(lanes: list[Lane], layout: Layout) -> float:
    """Length of the longest common runs of light, px: the travel of the camera during the exposure."""
    lengths: list[float] = []
    for lane in lanes:
        if not any(s.kind == "lit" for s in lane.block.slits):
            continue
        step = lane.u_px[1] - lane.u_px[0]
        peak = quantile(lane.light, 0.97)
        on = lane.light > max(0.3 * peak, 5 * lane.noise)
        # a strobed streak is a row of flashes up to one refresh apart
        gap = max(1, int(1.05 * layout.px_per_refresh / step))
        reach = np.convolve(on.astype(int), np.ones(gap), "full")
        ahead = reach[: len(on)] > 0  # lit within the last gap
        behind = reach[gap - 1 :] > 0  # lit within the next gap
        on = on | (ahead & behind)
        change = np.diff(np.concatenate([[0], on.astype(int), [0]]))
        lengths += list((np.nonzero(change < 0)[0] - np.nonzero(change > 0)[0]) * step)
    if not lengths:
        return 0.0
    runs = np.array(lengths)
    wide = max((s.width_px for lane in lanes for s in lane.block.slits if s.kind == "lit"), default=2)
    runs = runs[runs > 2 * wide]
    if len(runs) == 0:
        return 0.0
    long = runs[runs > 0.75 * np.percentile(runs, 90)]
    return float(np.median(long)) - 0.3 * wide


def cut_streaks(lanes: list[Lane], layout: Layout, shift: float, exposure: float) -> list[Streak]:
    """Cut each slit's samples out of its lane, with a margin for tracking errors.

    Of streaks that reach into what has seen light from beside the screen during the exposure only the rest is taken,
    where it is half of them.
    """
    v = layout.px_per_refresh
    margin = 0.6 * v + 3 + 0.6 * exposure
    inside = np.array([0.0, layout.width_px]) + np.array([0.5, -0.5]) * exposure * v - shift
    out = []
    for index, lane in enumerate(lanes):
        slits = sorted(lane.block.slits, key=lambda s: s.x_px)
        for slit in slits:
            centre = slit.x_px + slit.width_px / 2 - shift
            half = exposure * v / 2 + slit.width_px / 2 + margin
            use = slice(*lane.u_px.searchsorted((centre - half, centre + half)).tolist())
            u = lane.u_px[use]
            if len(u) == 0 or u[0] > centre - half + 2 or u[-1] < centre + half - 2:
                continue
            if abs(centre - inside.mean()) + exposure * v / 2 > np.ptp(inside) / 2:
                first, end = u.searchsorted(inside).tolist()
                if end - first < LEAST_INSIDE * len(u):
                    continue
                use = slice(use.start + first, use.start + end)
                u = u[first:end]
            out.append(
                Streak(
                    slit=slit,
                    lane=index,
                    u_px=u,
                    light=lane.light[use],
                    noise=float(np.hypot(lane.noise, lane.by_coder)),
                    v_row=lane.v_row,
                )
            )
    return out
