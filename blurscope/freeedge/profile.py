"""The profile of one free edge: light against lag, with its noise and where each bin's samples lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.freeedge.find import Line

FINE = 32  # steps of the fine lag grid per refresh
MAX_REFRESHES = 12.0  # of tail
FRONT_REFRESHES = 3.0
LEAD = 0.5  # refreshes from the largest gradient forward to the drawn edge
FOREIGN = 0.06  # of the step: what deviates more from its lag's median is other content
MODEL_FLOOR = 1.5e-3  # what JPEG, structure of the screen and model leave at best, share of the step


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """How far a profile reaches, campx of lag from the drawn edge; and how far it would have to.

    Attributes
    ----------
    front, back : float
        Negative: ahead of the edge; positive: behind it.
    front_short, back_short : float
        campx missing ahead and behind; 0 where there is enough.
    back_cut : bool
        Another edge ends the tail.
    """

    front: float
    back: float
    front_short: float
    back_short: float
    back_cut: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeProfile:
    """One edge, ready for fitting; lags in campx along the motion, 0 near the drawn edge.

    Attributes
    ----------
    line : Line
    window : Window
    lag_fine : (f,) float
        Uniform grid.
    weight : (m, f) float
        Share of each grid point in each bin; rows sum to 1.
    lag, light, code, column : (m,) float
        Means of the bins: lag, light, code as a share of full scale, column in the region.
    sigma : (m,) float
        Standard deviation of a bin's light.
    correlation : float
        Inflation of the variance of smooth functionals of the bins.
    from_light, to_light : float
        Plateaus.
    from_slope : float
        Drift of the from plateau over its length, in units of the step.
    clipped_from, clipped_to, crushed_from, crushed_to : float
        Share of samples of each plateau that are clipped or crushed.
    lean_factor, lean_sd : float
        Lag over horizontal distance, and its relative standard uncertainty: whether the picture or the edge leans is
        not known.
    """

    line: Line
    window: Window
    lag_fine: np.ndarray
    weight: np.ndarray
    lag: np.ndarray
    light: np.ndarray
    code: np.ndarray
    column: np.ndarray
    sigma: np.ndarray
    correlation: float
    from_light: float
    to_light: float
    from_slope: float
    clipped_from: float
    clipped_to: float
    crushed_from: float
    crushed_to: float
    lean_factor: float
    lean_sd: float

    @property
    def step(self) -> float:
        """To minus from, light."""
        return self.to_light - self.from_light

    @property
    def esf(self) -> np.ndarray:
        """Normalised profile: from 0, to 1."""
        return (self.light - self.from_light) / self.step


def window_of(line: Line, travel: float) -> Window:
    """Return how far the profile of a line reaches, and what is missing.

    Parameters
    ----------
    line : Line
    travel : float
        campx per refresh.
    """
    swing = abs(line.lean) * (line.bottom - line.top - 1) / 2
    drawn = line.x + LEAD * travel
    # an edge ahead has a tail of its own that ends in our from plateau
    ahead = line.x + 0.4 * (line.ahead - line.x) if line.ahead_cut else line.ahead - swing
    behind = line.behind + LEAD * travel + 0.25 * travel + 3 if line.behind_cut else line.behind + swing
    front = -min(ahead - drawn, FRONT_REFRESHES * travel)
    back = min(drawn - behind, MAX_REFRESHES * travel)
    need_front, need_back = 0.3 * travel + 4, 1.5 * travel + 6
    return Window(
        front=front,
        back=back,
        front_short=max(0.0, need_front + front),
        back_short=max(0.0, need_back - back),
        back_cut=line.behind_cut,
    )


def cut_profile(region: Any, line: Line, window: Window, travel: float) -> FreeProfile:
    """Cut the profile of a line out of a region.

    Parameters
    ----------
    region : Region
    line : Line
    window : Window
    travel : float
        campx per refresh.
    """
    rows = np.arange(line.top, line.bottom)
    columns = np.arange(region.light.shape[1])
    drawn = line.x + line.lean * (rows - line.middle) + LEAD * travel
    cosine = float(np.cos(np.arctan(line.lean)))
    factor = 0.5 * (1 + cosine)
    lag = (drawn[:, None] - columns[None, :]) * factor
    inside = (lag > window.front * factor) & (lag < window.back * factor)
    inside &= ~_foreign(region.light[line.top : line.bottom], lag, inside)
    flat = lag[inside]
    light = region.light[line.top : line.bottom][inside]
    borders = _borders(window.front * factor, window.back * factor, travel)
    bin_of = np.clip(np.searchsorted(borders, flat, side="right") - 1, 0, len(borders) - 2)
    count = np.bincount(bin_of, minlength=len(borders) - 1)
    filled = np.nonzero(count)[0]
    rank = np.full(len(count), -1)
    rank[filled] = np.arange(len(filled))
    bin_of, count = rank[bin_of], count[filled]

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(bin_of, values, minlength=len(count)) / count

    step = travel / FINE
    lag_fine = np.arange(np.floor(flat.min() / step) - 1, np.ceil(flat.max() / step) + 2) * step
    at = (flat - lag_fine[0]) / step
    low = at.astype(int)
    weight = np.zeros((len(count), len(lag_fine)))
    np.add.at(weight, (bin_of, low), 1 - (at - low))
    np.add.at(weight, (bin_of, low + 1), at - low)
    weight /= count[:, None]
    bins_lag, bins_light = mean(flat), mean(light)
    start = bins_lag < min(max(-0.2 * travel, 0.4 * bins_lag[0]), _rise(bins_lag, bins_light) - 0.1 * travel)
    end = bins_lag > bins_lag[-1] - _end_length(bins_lag, travel)
    if start.sum() < 2:
        start = np.arange(len(bins_lag)) < 2
    from_light, to_light = (
        np.average(bins_light[start], weights=count[start]),
        np.average(bins_light[end], weights=count[end]),
    )
    residual = np.zeros(lag.shape)
    residual[inside] = light - np.interp(flat, bins_lag, bins_light)
    sigma, correlation = _noise(residual, lag, inside, bins_lag, bins_light, start, end, count, to_light - from_light)
    x = bins_lag[start] - bins_lag[start].mean()
    drift = float(bins_light[start] @ x / max(x @ x, 1e-12) * np.ptp(x)) if start.sum() > 2 else 0.0
    step_light = float(to_light - from_light) or 1e-12
    at_start, at_end = inside & (lag < bins_lag[start].max() + 0.5), inside & (lag > bins_lag[end].min() - 0.5)
    clip, crush = region.clipped[line.top : line.bottom], region.crushed[line.top : line.bottom]
    return FreeProfile(
        line=line,
        window=window,
        lag_fine=lag_fine,
        weight=weight,
        lag=bins_lag,
        light=bins_light,
        code=mean(region.code[line.top : line.bottom][inside]),
        column=mean(np.broadcast_to(columns.astype(float), lag.shape)[inside]),
        sigma=sigma,
        correlation=correlation,
        from_light=float(from_light),
        to_light=float(from_light) + step_light,
        from_slope=drift / step_light,
        clipped_from=float(clip[at_start].mean()),
        clipped_to=float(clip[at_end].mean()),
        crushed_from=float(crush[at_start].mean()),
        crushed_to=float(crush[at_end].mean()),
        lean_factor=factor,
        lean_sd=float((1 - cosine) / 2 / np.sqrt(3)),
    )


def _foreign(light: np.ndarray, lag: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Return the samples that don't belong to the edge: corners of other content that a tilted region takes in."""
    from scipy.ndimage import binary_dilation, uniform_filter

    whole = np.floor(lag[inside]).astype(int)
    order = np.argsort(whole, kind="stable")
    cuts = np.nonzero(np.diff(whole[order]))[0] + 1
    values = light[inside]
    medians = np.array([np.median(values[part]) for part in np.split(order, cuts)])
    centres = whole[order][np.concatenate([[0], cuts])] + 0.5
    residual = np.where(inside, light - np.interp(lag, centres, medians), 0.0)
    smooth = uniform_filter(residual, 3, mode="nearest")
    spread = 1.4826 * float(np.median(np.abs(smooth[inside])))
    step = float(np.ptp(np.percentile(medians, [2, 98])))
    far = inside & (np.abs(smooth) > max(6 * spread, FOREIGN * step))
    return binary_dilation(far, iterations=4) if far.any() and far.sum() < 0.35 * inside.sum() else np.zeros_like(far)


def _rise(lag: np.ndarray, light: np.ndarray) -> float:
    """Return the lag at which the light has left the from plateau, which an S-shaped response does ahead of lag 0."""
    first = float(np.mean(light[: max(2, int(0.3 * (lag < 0).sum()))]))
    step = float(light[-max(2, len(lag) // 8) :].mean()) - first
    left = np.nonzero(np.abs(light - first) > 0.05 * abs(step))[0]
    return float(lag[left[0]]) if left.size else 0.0


def _end_length(lag: np.ndarray, travel: float) -> float:
    return float(np.clip(0.2 * (lag[-1] - lag[0]), 2.5, travel))


def _borders(front: float, back: float, travel: float) -> np.ndarray:
    """Return borders of bins, campx of lag: narrow ones around the edge, wider ones on plateaus and tail."""
    out, at = [front], front
    while at < back:
        place = at / travel
        share = 1 / 24 if -0.5 < place < 2.0 else 1 / 10 if -1.0 < place < 4.0 else 1 / 4
        at += max(1.0, share * travel)
        out.append(at)
    return np.array(out)


def _noise(residual, lag, inside, bins_lag, bins_light, start, end, count, step):
    """Return each bin's standard deviation, from the plateaus and the light between, and the bins' correlation."""
    from_zone = inside & (lag < bins_lag[start].max() + 0.5)
    to_zone = inside & (lag > bins_lag[end].min() - 0.5)
    variances, along_y, along_x = [], 1.0, []
    pooled = np.zeros(6)
    for zone in (from_zone, to_zone):
        part = np.where(zone, residual, 0.0)
        n = max(int(zone.sum()), 2)
        variance = float((part**2).sum() / n)
        variances.append(max(variance, 1e-14))
        for axis, store in ((0, True), (1, False)):
            rho = []
            for k in range(1, 7):
                if part.shape[axis] <= k + 1:
                    rho.append(0.0)
                    continue
                both = np.take(part, range(k, part.shape[axis]), axis) * np.take(
                    part, range(part.shape[axis] - k), axis
                )
                pairs = np.take(zone, range(k, part.shape[axis]), axis) & np.take(
                    zone, range(part.shape[axis] - k), axis
                )
                rho.append(float(both.sum() / max(pairs.sum(), 1) / variances[-1]))
            if store:
                pooled += np.array(rho) / 2
            else:
                along_x.append(rho)
    along_y = 1 + 2 * _leading(pooled)
    correlation = 1 + 2 * _leading(np.mean(along_x, axis=0))
    share = np.clip((bins_light - bins_light[start].mean()) / (step if step else 1e-12), 0, 1)
    variance = variances[0] * (1 - share) + variances[1] * share
    sigma = np.sqrt(variance * along_y / count)
    return np.hypot(sigma, MODEL_FLOOR * abs(step)), float(np.clip(correlation, 1.0, 12.0))


def _leading(rho: np.ndarray) -> float:
    """Sum of the autocorrelation up to where it is lost."""
    total = 0.0
    for r in rho:
        if r < 0.03:
            break
        total += float(r)
    return total
