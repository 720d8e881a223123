"""The capture operator: from a pixel's step response to the blurred edge that this camera records.

Everything is linear in the response, so one matrix per capture holds hold, exposure phases, tracking, backlight,
apertures and lens; fits then only change the response.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from blurscope.shapes import third_legendre

AGE_BINS = 32  # per refresh
TIME_STEPS = 32  # per refresh
EMISSION_STEPS = 64  # per refresh
TABLE_STEPS = 8  # of a kernel, per sample
PHASES = 4  # of the shutter, averaged over where it isn't known


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What the camera did, in px and refreshes.

    Attributes
    ----------
    px_per_refresh : float
    exposure_refreshes : float
    start_phase : float
        Time from the last switch of the row to the opening of the shutter, refreshes.
    error_px_per_refresh, accel_px_per_refresh2 : float
        Tracking: the path of even acceleration that lies closest to the camera's, less the plate's; positive along the
        motion.
    sway_px : float
        What the camera departs from that path by: as many times the third Legendre polynomial over the exposure.
    blur_sigma_px : float
        Gaussian blur along the motion (lens), display px.
    boxes_px : tuple of float
        Widths of boxes along the motion: camera pixel, sampling bin.
    phase_known : bool
        False: the phase of the shutter is averaged over.
    emission : tuple of float
        Light emitted per `EMISSION_STEPS` of a refresh after the row's switch, mean 1, from the refresh on in which
        the shutter opens; repeated after its end. Empty for a hold display.
    """

    px_per_refresh: float
    exposure_refreshes: float
    start_phase: float = 0.0
    error_px_per_refresh: float = 0.0
    accel_px_per_refresh2: float = 0.0
    sway_px: float = 0.0
    blur_sigma_px: float = 0.0
    boxes_px: tuple[float, ...] = ()
    phase_known: bool = True
    emission: tuple[float, ...] = ()

    def changed(self, **kwargs: object) -> Capture:
        """Return the capture with some attributes replaced."""
        return replace(self, **kwargs)  # type: ignore[arg-type]

    def opened(self, start: float, flash: float = 0.0) -> Capture:
        """Return the capture of a row whose shutter opens at ``start`` on the clock of its switches.

        The emission, which that clock has given so far, is then counted from the refresh in which it opens, for a row
        that flashes reach ``flash`` refreshes later.
        """
        phase = float(start % 1.0)
        if not self.emission:
            return self.changed(start_phase=phase)
        later = flash - (round(start - phase) if len(self.emission) > EMISSION_STEPS else 0)
        return self.changed(
            start_phase=phase, emission=tuple(np.roll(self.emission, round(later * EMISSION_STEPS)).tolist())
        )


def age_edges(refreshes: float) -> np.ndarray:
    """Return the borders of the age bins in refreshes, from one before the switch: narrow at first, wider later."""
    n = AGE_BINS
    end = int(np.ceil(refreshes)) * n
    parts = [
        np.arange(-n, -n // 4, 2),
        np.arange(-n // 4, 5 * n // 4),
        np.arange(5 * n // 4, 3 * n, 2),
        np.arange(3 * n, 5 * n, 4),
        np.arange(5 * n, end + 1, 8),
    ]
    return np.unique(np.concatenate(parts)) / n


def capture_operator(
    lag_px: np.ndarray, ages: np.ndarray, capture: Capture, starts: np.ndarray | None = None
) -> np.ndarray:
    """Return the matrix that maps mean response per age bin to the ESF at ``lag_px``.

    Parameters
    ----------
    lag_px : (m,) float
        Increasing.
    ages : (k + 1,) float
        From `age_edges`. Unswitched time (age below 0) goes to the bin that holds its negative age, where a causal
        response is 0; a response whose onset is shifted forward is thereby served too.
    capture : Capture
    starts : (g,) int, optional
        First sample of each group of samples to be averaged (as for ``numpy.add.reduceat``); the result then has g
        rows.

    Returns
    -------
    (m, k) float
        Rows sum to 1 (bins beyond the last are folded into it).
    """
    v = capture.px_per_refresh
    per = int(np.ceil(v / (0.01 * v + 0.02)))  # lags of the fine grid, per refresh
    firsts = np.arange(len(lag_px)) if starts is None else np.asarray(starts)
    place = np.asarray(lag_px, float) / v * per
    blur = v / per, capture.blur_sigma_px, capture.boxes_px
    bands, first, last = _bands(place.tobytes(), firsts.astype(np.intp).tobytes(), per, *blur)
    sharp = capture.changed(blur_sigma_px=0.0, boxes_px=())
    younger = _younger(first, last, per, tuple(np.asarray(ages).tolist()), sharp)
    until = bands @ younger
    out = np.diff(until, axis=1)
    out[np.abs(out) < 1e-9] = 0.0  # denormal numbers would make every later product many times slower
    return out


@lru_cache(maxsize=4)  # captures that differ in their motion only come after one another
def _bands(
    places: bytes, starts: bytes, per: int, step: float, sigma: float, boxes: tuple[float, ...]
) -> tuple[Any, int, int]:
    """Return what the samples of a fine grid weigh in each group of lags.

    Parameters
    ----------
    places : bytes
        Of the lags (m,) float on the fine grid.
    starts : bytes
        Of the first lag of each group, (g,) intp.
    per : int
        Samples of the grid per refresh.
    step, sigma, boxes
        As for `blur_table`.

    Returns
    -------
    bands : (g, (last - first) * per) sparse array
    first, last : int
        The grid goes from ``first`` to before ``last``, in refreshes of travel.
    """
    from scipy.sparse import csr_array

    table, half = blur_table(step, sigma, boxes)
    place, firsts = np.frombuffer(places), np.frombuffer(starts, np.intp)
    base = np.floor(place).astype(int)
    # weights of the fine lags around each lag, then of those around each group
    near = np.arange(-half, half + 2)
    at = (near[None, :] + base[:, None] - place[:, None] + half + 1) * TABLE_STEPS
    low = np.minimum(at.astype(int), len(table) - 2)
    weight = table[low] + (at - low) * (table[low + 1] - table[low])
    sizes = np.diff(np.append(firsts, len(base)))
    group = np.repeat(np.arange(len(firsts)), sizes)
    ahead = base - base[firsts][group]
    width = int(ahead.max()) + len(near)
    flat = (group * width + ahead)[:, None] + near + half
    bands = np.bincount(flat.ravel(), (weight / sizes[group, None]).ravel(), len(firsts) * width)
    first, last = (int(base.min()) - half) // per, (int(base.max()) + half + 1) // per + 1
    column = (base[firsts] - half - first * per)[:, None] + np.arange(width)
    inside = column < (last - first) * per
    ends = np.concatenate([[0], inside.sum(axis=1).cumsum()])
    shape = len(firsts), (last - first) * per
    return csr_array((bands[inside.ravel()], column[inside], ends), shape=shape), first, last


def blur_table(step: float, sigma: float, boxes: tuple[float, ...]) -> tuple[np.ndarray, int]:
    """Return what samples ``step`` apart weigh by their distance, for a Gaussian blur and boxes.

    Between samples a curve is taken as straight, so that the weights of a row of samples sum to 1 wherever it lies.

    Returns
    -------
    table : (n,) float
        Weights at distances of ``step / TABLE_STEPS``, from ``-(half + 1)`` to ``half + 1`` steps.
    half : int
    """
    sub = TABLE_STEPS
    half = max(1, int(np.ceil((4.5 * sigma + sum(boxes) / 2) / step)) + 1)
    x = np.arange(-half * sub, half * sub + 1) * step / sub
    k = np.exp(-0.5 * np.minimum(x / sigma, 30.0) ** 2) if sigma > 1e-6 else (x == 0).astype(float)
    k[k < 1e-12] = 0.0
    for width in boxes:
        cells = width / (step / sub)
        m = int(np.ceil((cells - 1) / 2))
        if m < 1:
            continue
        box = np.ones(2 * m + 1)
        box[0] = box[-1] = (cells - (2 * m - 1)) / 2
        k = np.convolve(k, box / box.sum(), "same")
    hat = 1 - np.abs(np.arange(-sub, sub + 1)) / sub
    return np.convolve(k / k.sum(), hat), half


@lru_cache(maxsize=2)  # trials of another blur or scale come after one another
def _younger(first: int, last: int, per: int, ages: tuple[float, ...], capture: Capture) -> np.ndarray:
    """Share of the (emitted) light at each lag that is younger than each border of the age bins, without apertures.

    Parameters
    ----------
    first, last : int
        Lags from ``first`` to before ``last``, in refreshes of travel.
    per : int
        Lags per refresh.

    Returns
    -------
    ((last - first) * per, bins + 1) float
    """
    v, exposure = capture.px_per_refresh, capture.exposure_refreshes
    phases = [capture.start_phase] if capture.phase_known else list(np.arange(PHASES) / PHASES)
    steps = [time_steps(phase, exposure) for phase in phases]
    t, dt = (np.concatenate(x) for x in zip(*steps, strict=True))
    late = t - np.concatenate([np.full(len(s), p + exposure / 2) for p, (s, _) in zip(phases, steps, strict=True)])
    part = t - np.floor(t)
    where = v * part + capture.error_px_per_refresh * late + 0.5 * capture.accel_px_per_refresh2 * late**2
    where += capture.sway_px * third_legendre(2 * late / exposure)
    weight = dt / dt.sum()
    if capture.emission:
        e = np.array(capture.emission)
        weight = weight * e[np.floor(t * EMISSION_STEPS).astype(int) % len(e)]
        weight /= max(float(weight.sum()), 1e-300)
    width = dt * np.abs(v + capture.error_px_per_refresh) / v
    # the lags of one refresh of travel; every other refresh is the same, as much older
    top = np.arange(per)[:, None] / per + (width / 2 - where / v)[None, :]
    whole = np.floor(top)
    share = (top - whole) / np.maximum(width, 1e-12)
    # content that has not switched yet has a negative age: keep its true distance
    begin = np.floor((part - ages[0]) * AGE_BINS + 1e-9).astype(np.intp)
    cell = whole.astype(np.intp) * AGE_BINS + begin[None, :]
    origin = int(cell.min()) - AGE_BINS - 1
    count = int(cell.max()) - origin + 2
    cell += np.arange(per)[:, None] * count - origin
    cell, light, share = cell.ravel(), np.broadcast_to(weight, cell.shape).ravel(), share.ravel()
    # steps during which an edge passes: the rest of their light is one refresh younger
    split = np.nonzero(share < 1)[0]
    moved = (1 - share[split]) * light[split]
    old = cell[split]
    # the older part comes first in the step, the younger last: by half the older share each is nearer to the next cell
    bent = 0.25 * share[split] * moved
    places = [cell, old - AGE_BINS, old, old - AGE_BINS + 1, old - AGE_BINS - 1, old + 1, old - 1]
    lights = [light, moved, -moved, bent, -bent, -bent, bent]
    held = np.bincount(np.concatenate(places), np.concatenate(lights), per * count).reshape(per, count)
    # running sums over cells, read at the borders of the age bins as they lie for each refresh of travel
    sums = np.zeros((per, count + 1))
    np.cumsum(held, axis=1, out=sums[:, 1:])
    borders = np.round((np.array(ages) - ages[0]) * AGE_BINS).astype(int)
    at = np.clip(borders[None, :] - AGE_BINS * np.arange(first, last)[:, None] - origin, 0, count)
    at[:, 0], at[:, -1] = 0, count  # what lies beyond the bins goes to the first and the last
    out = np.empty((last - first, per, len(ages)))
    for mine, where in zip(out, at, strict=True):
        sums.take(where, axis=1, out=mine, mode="clip")
    out = out.reshape(-1, len(ages))
    out.setflags(write=False)
    return out


def time_steps(phase: float, exposure: float) -> tuple[np.ndarray, np.ndarray]:
    """Return midpoints and lengths of time steps that never straddle a refresh or an age-bin border."""
    end = phase + exposure
    first = np.floor(phase * TIME_STEPS) / TIME_STEPS
    cuts = first + np.arange(int(np.ceil((end - first) * TIME_STEPS)) + 1) / TIME_STEPS
    cuts = np.clip(cuts, phase, end)
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-9])]
    if cuts[-1] < end - 1e-9:
        cuts = np.append(cuts, end)
    return 0.5 * (cuts[1:] + cuts[:-1]), np.diff(cuts)
