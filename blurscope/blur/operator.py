"""The capture operator: from a pixel's step response to the blurred edge that this camera records.

Everything is linear in the response, so one matrix per capture holds hold, exposure phases, tracking, backlight,
apertures and lens; fits then only change the response.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

AGE_BINS = 32  # per refresh
TIME_STEPS = 32  # per refresh
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
        Tracking, as `design` has it: camera minus plate, mean over the exposure; positive along the motion.
    blur_sigma_px : float
        Gaussian blur along the motion (lens), display px.
    boxes_px : tuple of float
        Widths of boxes along the motion: camera pixel, sampling bin.
    phase_known : bool
        False: the phase of the shutter is averaged over.
    emission : tuple of float
        Light emitted per time step of one refresh after the row's switch, mean 1; empty for a hold display.
    """

    px_per_refresh: float
    exposure_refreshes: float
    start_phase: float = 0.0
    error_px_per_refresh: float = 0.0
    accel_px_per_refresh2: float = 0.0
    blur_sigma_px: float = 0.0
    boxes_px: tuple[float, ...] = ()
    phase_known: bool = True
    emission: tuple[float, ...] = ()

    def changed(self, **kwargs: object) -> Capture:
        """Return the capture with some attributes replaced."""
        return replace(self, **kwargs)  # type: ignore[arg-type]


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
        Uniform and increasing.
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
    step = float(lag_px[1] - lag_px[0])
    sub = max(1, int(np.ceil(step / (0.02 * v + 0.04))))
    fine = step / sub
    sigma = capture.blur_sigma_px
    reach = 4.5 * sigma + sum(capture.boxes_px)
    pad = int(np.ceil(reach / fine)) + 1
    n = (len(lag_px) - 1) * sub + 1 + 2 * pad
    lag = lag_px[0] + (np.arange(n) - pad) * fine
    raw = _age_weights(lag, ages, capture)
    kernel = blur_kernel(fine, sigma, capture.boxes_px)
    half = len(kernel) // 2
    padded = np.pad(raw, ((half, half), (0, 0)), mode="edge")
    rows = pad + np.arange(len(lag_px)) * sub
    # a band of kernels, summed over each group of samples, instead of a convolution per column
    firsts = np.arange(len(rows)) if starts is None else starts
    sizes = np.diff(np.append(firsts, len(rows)))
    out = np.empty((len(firsts), raw.shape[1]))
    pooled: dict[int, np.ndarray] = {}
    for i, (first, size) in enumerate(zip(firsts, sizes.tolist(), strict=True)):
        if size not in pooled:
            band = np.zeros(len(kernel) + (size - 1) * sub)
            for k in range(size):
                band[k * sub : k * sub + len(kernel)] += kernel / size
            pooled[size] = band
        band = pooled[size]
        out[i] = band @ padded[rows[first] : rows[first] + len(band)]
    out[np.abs(out) < 1e-9] = 0.0  # denormal numbers would make every later product many times slower
    return out


def blur_kernel(step: float, sigma: float, boxes: tuple[float, ...]) -> np.ndarray:
    """Return a normalised kernel on a grid of ``step``: Gaussian times boxes, cells integrated exactly enough."""
    half = max(1, int(np.ceil((4.5 * sigma + sum(boxes) / 2) / step)) + 1)
    sub = 8
    x = (np.arange(-half * sub * 2, half * sub * 2 + 1)) * step / sub
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
    # linear (hat) interpolation onto the coarse grid keeps mean and almost the variance; correct for its sixth
    out = np.zeros(2 * half + 1)
    at = x / step
    low = np.floor(at).astype(int)
    frac = at - low
    for offset, weight in ((0, 1 - frac), (1, frac)):
        index = low + offset + half
        ok = (index >= 0) & (index < len(out))
        np.add.at(out, index[ok], (k * weight)[ok])
    return out / out.sum()


def _age_weights(lag: np.ndarray, ages: np.ndarray, capture: Capture) -> np.ndarray:
    """Share of the (emitted) light at each lag that comes from each age bin, without apertures."""
    phases = [capture.start_phase] if capture.phase_known else list(np.arange(PHASES) / PHASES)
    out = np.zeros((len(lag), len(ages) - 1))
    for phase in phases:
        _add_phase(out, lag, ages, capture, phase)
    total = out.sum(axis=1, keepdims=True)
    return out / np.where(total > 0, total, 1.0)


def _add_phase(out: np.ndarray, lag: np.ndarray, ages: np.ndarray, capture: Capture, phase: float) -> None:
    v, exposure = capture.px_per_refresh, capture.exposure_refreshes
    t, dt = time_steps(phase, exposure)
    middle = phase + exposure / 2
    late = t - middle
    part = t - np.floor(t)
    where = v * part + capture.error_px_per_refresh * late + 0.5 * capture.accel_px_per_refresh2 * late**2
    weight = dt.copy()
    if capture.emission:
        e = np.array(capture.emission)
        weight = weight * e[np.minimum((part * len(e)).astype(int), len(e) - 1)]
    width = dt * np.abs(v + capture.error_px_per_refresh) / v
    top = lag[:, None] / v + (width / 2 - where / v)[None, :]
    whole = np.floor(top)
    share = (top - whole) / np.maximum(width, 1e-12)
    bins = len(ages) - 1
    count = int(round((ages[-1] - ages[0]) * AGE_BINS))
    bin_of = np.searchsorted(np.round((ages[1:] - ages[0]) * AGE_BINS), np.arange(count), side="right")
    # content that has not switched yet has a negative age: keep its true distance, capped
    first = np.floor((part - ages[0]) * AGE_BINS + 1e-9).astype(np.intp)
    cell = whole.astype(np.intp) * AGE_BINS + first[None, :]
    base = np.arange(len(lag))[:, None] * bins
    places = base + bin_of[np.clip(cell, 0, count - 1)]
    light = np.broadcast_to(weight[None, :], places.shape)
    out += np.bincount(places.ravel(), light.ravel(), minlength=out.size).reshape(out.shape)
    # steps during which an edge passes: the rest of their light is one refresh younger
    split = np.nonzero(share.ravel() < 1)[0]
    moved = (1 - share.ravel()[split]) * light.ravel()[split]
    younger = (base + bin_of[np.clip(cell - AGE_BINS, 0, count - 1)]).ravel()[split]
    both = np.concatenate([younger, places.ravel()[split]])
    out += np.bincount(both, np.concatenate([moved, -moved]), minlength=out.size).reshape(out.shape)
    # the older part comes first in the step, the younger last: their means differ from their bins' by the slope there
    bent = 0.5 * share.ravel()[split] * moved
    bend = np.bincount(both, np.concatenate([bent, -bent]), minlength=out.size).reshape(out.shape)
    centre = 0.5 * (ages[1:] + ages[:-1])
    bend[:, 1:-1] *= 1 / (AGE_BINS * (centre[2:] - centre[:-2]))
    out[:, 2:] += bend[:, 1:-1]
    out[:, :-2] -= bend[:, 1:-1]


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
