"""Straight edges across the motion: bands of rows that hold the same content, and the lines in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blurscope.errors import FitError

MAX_LEAN_DEG = 15.0
SEARCH_DEG = 32
MIN_ROWS = 6
GUARD_ROWS = 8  # JPEG rings over blocks of 8
STRONG, WEAK = 0.25, 0.1  # of the strongest edge's gradient: what is measured, what ends a tail
MIN_STEP = 0.004  # of full scale, light


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A blurred straight edge in the region (motion to the right).

    Attributes
    ----------
    top, bottom : int
        Rows of its band, the last not included.
    x : float
        Where the smoothed gradient is largest, in the band's middle row, campx.
    lean : float
        Columns to the right per row downwards.
    rising : bool
        Lighter behind the edge than ahead of it.
    gradient : float
        Of the smoothed light, per campx, absolute.
    ahead, behind : float
        Columns where the next edge or the region's border ends its surroundings, in the middle row.
    ahead_cut, behind_cut : bool
        Whether that is another edge.
    """

    top: int
    bottom: int
    x: float
    lean: float
    rising: bool
    gradient: float
    ahead: float
    behind: float
    ahead_cut: bool
    behind_cut: bool

    @property
    def middle(self) -> float:
        """Middle row."""
        return (self.top + self.bottom - 1) / 2

    @property
    def lean_deg(self) -> float:
        """Angle to the motion's normal, degrees."""
        return float(np.degrees(np.arctan(self.lean)))


def find_lines(light: np.ndarray, px_per_refresh_campx: float, *, least: float = STRONG) -> list[Line]:
    """Find the edges across the motion in a region.

    Parameters
    ----------
    light : (rows, columns) float
    px_per_refresh_campx : float
        Travel per refresh in campx: about the width of the blur.
    least : float
        Share of the strongest edge's gradient from which an edge is returned.

    Returns
    -------
    list of Line
        Strongest first.

    Raises
    ------
    FitError
        No edge, only edges along the motion, or edges that lean too much.
    """
    rows, columns = light.shape
    low, high = np.percentile(light, [1, 99])
    contrast = float(high - low)
    smooth = float(np.clip(0.3 * px_per_refresh_campx, 1.2, columns / 10))
    lines: list[Line] = []
    leaning: list[float] = []
    bands = _bands(light, contrast)
    for top, bottom in bands:
        lines += _lines_in(light[top:bottom], top, smooth, px_per_refresh_campx, leaning, least)
    if lines:
        best = max(e.gradient for e in lines)
        return sorted((e for e in lines if e.gradient >= least * best), key=lambda e: -e.gradient)
    if leaning:
        raise FitError(
            f"the edge in the region leans by {max(leaning, key=abs):+.0f} degrees to the normal of the motion, more "
            f"than {MAX_LEAN_DEG:g}: turn the photo, choose another edge, or check --direction"
        )
    across = light.mean(axis=1)
    if contrast > MIN_STEP and np.ptp(across) > 0.5 * contrast:
        raise FitError(
            "the region holds edges along the motion only, which motion does not blur: put --roi over an edge across "
            "the motion, or check --direction"
        )
    raise FitError("no straight edge across the motion stands out in the region: put --roi over one, with its plateaus")


def _bands(light: np.ndarray, contrast: float) -> list[tuple[int, int]]:
    """Return row ranges between boundaries that run along the motion."""
    rows, columns = light.shape
    blocks = min(24, columns)
    cuts = np.linspace(0, columns, blocks + 1).astype(int)
    coarse = np.add.reduceat(light, cuts[:-1], axis=1) / np.diff(cuts)
    if rows < 2 * MIN_ROWS:
        return [(0, rows)]
    change = np.zeros(rows)
    change[2:-2] = np.abs(coarse[4:] - coarse[:-4]).mean(axis=1)
    usual = float(np.median(change[2:-2]))
    hot = change > max(0.1 * contrast, 4 * usual)
    bands, start = [], 0
    for y in [*np.nonzero(hot)[0], rows]:
        if y - start >= MIN_ROWS:
            bands.append((start, int(y)))
        start = int(y) + 1
    out = []
    for top, bottom in bands:
        guard = int(min(GUARD_ROWS, 0.25 * (bottom - top)))
        top, bottom = top + guard * (top > 0), bottom - guard * (bottom < rows)
        if bottom - top >= MIN_ROWS:
            out.append((top, bottom))
    return out


def _lines_in(
    light: np.ndarray, top: int, smooth: float, travel: float, leaning: list[float], least: float
) -> list[Line]:
    """Find the lines in one band; edges that lean too much are only noted."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    rows, columns = light.shape
    groups = min(rows, 32)
    cuts = np.linspace(0, rows, groups + 1).astype(int)
    mean = np.add.reduceat(light, cuts[:-1], axis=0) / np.diff(cuts)[:, None]
    y = 0.5 * (cuts[:-1] + cuts[1:] - 1) - (rows - 1) / 2
    slope = gaussian_filter1d(mean, smooth, axis=1, order=1, mode="nearest")
    x = np.arange(columns)

    def projected(lean: float) -> np.ndarray:
        return np.mean([np.interp(x + lean * yi, x, row) for yi, row in zip(y, slope, strict=True)], axis=0)

    leans = np.tan(np.radians(np.arange(-SEARCH_DEG, SEARCH_DEG + 1)))
    energy = np.array([np.sum(projected(s) ** 2) for s in leans])
    best = int(np.argmax(energy))
    lean = float(leans[best])
    line = np.abs(projected(lean))
    # how strong chance alone gets: rows with their signs flipped at random keep the noise and lose the edge
    rng = np.random.default_rng(1)
    away = slope - projected(0.0) if abs(lean) < 0.02 else slope - np.mean(slope, axis=0)
    noise = float(np.std([(rng.choice([-1, 1], groups) @ away) / groups for _ in range(8)]))
    peak = float(line.max())
    if peak * 2.5 * smooth < MIN_STEP or peak < 6 * noise:
        return []
    at = float(np.argmax(line))
    lean = _refined(mean, y, at, lean, 1.2 * travel + 4)
    degrees = float(np.degrees(np.arctan(lean)))
    if abs(degrees) > MAX_LEAN_DEG + 0.5:
        leaning.append(degrees)
        return []
    signed = projected(lean)
    line = np.abs(signed)
    line[: int(smooth)] = line[len(line) - int(smooth) :] = 0.0
    apart = max(2, int(0.8 * travel))
    peaks, _ = find_peaks(line, height=max(WEAK * line.max(), 4 * noise), distance=apart)
    if len(peaks) == 0:
        return []
    found = []
    for p in peaks:
        if line[p] < least * line.max():
            continue
        # a weak gradient close behind or ahead is the edge's own overshoot
        others = [q for q in peaks if q != p and (line[q] >= STRONG * line.max() or abs(q - p) > 2.6 * travel)]
        ahead = min((q for q in others if q > p), default=None)
        behind = max((q for q in others if q < p), default=None)
        found.append(
            Line(
                top=top,
                bottom=top + rows,
                x=_vertex(line, int(p)),
                lean=lean,
                rising=bool(signed[p] < 0),
                gradient=float(line[p]),
                ahead=columns - 1.0 if ahead is None else float(ahead),
                behind=0.0 if behind is None else float(behind),
                ahead_cut=ahead is not None,
                behind_cut=behind is not None,
            )
        )
    return found


def _vertex(values: np.ndarray, i: int) -> float:
    """Return the top of the parabola through a peak and its neighbours."""
    if not 0 < i < len(values) - 1:
        return float(i)
    a, b, c = values[i - 1], values[i], values[i + 1]
    bend = a - 2 * b + c
    return float(i + np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < 0 else float(i)


def _refined(mean: np.ndarray, y: np.ndarray, at: float, lean: float, reach: float) -> float:
    """Refine the lean: each row group's shift against the mean of all, and the straight line through the shifts."""
    from scipy.ndimage import gaussian_filter1d

    columns = mean.shape[1]
    x = np.arange(columns)
    window = np.arange(max(0, int(at - reach)), min(columns, int(at + reach) + 1))
    if len(window) < 4 or len(y) < 3:
        return lean
    for _ in range(6):
        moved = np.array([np.interp(window + lean * yi, x, row) for yi, row in zip(y, mean, strict=True)])
        common = moved.mean(axis=0)
        slope = gaussian_filter1d(common, 1.0, order=1)
        power = float(slope @ slope)
        if power <= 0:
            return lean
        shift = -(moved - common - (moved - common).mean(axis=1, keepdims=True)) @ slope / power
        step = float(np.clip(shift @ y / (y @ y), -0.05, 0.05))
        lean += step
        if abs(step) * np.ptp(y) < 0.005:
            break
    return lean
