"""Blurred edges of many transitions at once on uniform grids: fast, for Monte Carlo and for trying explanations.

Every row has its own grid, fine where its response is fast. Figures agree with `blurred.BlurredEdge` to about a
thousandth of the hold; take published figures from there, and differences from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.shapes import GET_FACTOR
from blurscope.shapes.blurred import SETTLE_BAND, instant_tail
from blurscope.shapes.emission import HOLD, Emission, lit_integral
from blurscope.shapes.steps import Step

POINTS = 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeBank:
    """ESFs of several transitions: one row each, ``t = start + step·k``.

    Attributes
    ----------
    esf : (n, m) float
    start, step : (n,) float
        ms.
    """

    esf: np.ndarray
    start: np.ndarray
    step: np.ndarray

    @property
    def t(self) -> np.ndarray:
        """(n, m) float, ms: the times of the grid."""
        return self.start[:, None] + self.step[:, None] * np.arange(self.esf.shape[1])

    def smeared(self, transfer) -> EdgeBank:
        """Return the edges after a smear along the motion.

        Parameters
        ----------
        transfer : callable
            Transfer function of frequencies in 1/ms (1 at 0), real or complex.
        """
        n = self.esf.shape[1]
        lsf = np.diff(self.esf, axis=1, prepend=0.0)
        padded = 2 * n
        frequency = np.fft.rfftfreq(padded) / self.step[:, None]
        out = np.fft.irfft(np.fft.rfft(lsf, padded, axis=1) * transfer(frequency), padded, axis=1)
        # What a two-sided smear moves before the grid's start has wrapped to the end of the padding.
        before = out[:, n + n // 2 :].sum(axis=1, keepdims=True)
        esf = np.cumsum(out[:, :n], axis=1) + before
        return EdgeBank(esf=esf, start=self.start, step=self.step)

    def mapped(self, laws) -> EdgeBank:
        """Return the edges seen through laws of light, one per row: ``laws(esf)`` keeps 0 and 1."""
        return EdgeBank(esf=laws(self.esf), start=self.start, step=self.step)

    def at(self, rows: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Return (k, m) ESFs of ``rows`` (k,) at times ``t`` (k, m); the ends of the grids go on for ever."""
        place = (t - self.start[rows, None]) / self.step[rows, None]
        place = np.clip(place, 0.0, self.esf.shape[1] - 1.001)
        i = place.astype(int)
        low = self.esf[rows[:, None], i]
        return low + (place - i) * (self.esf[rows[:, None], i + 1] - low)

    def crossing(self, level: float) -> np.ndarray:
        """Return (n,) first upward crossings of ``level``, ms; NaN where there is none."""
        above = self.esf >= level
        i = np.argmax(above, axis=1)
        found = above[np.arange(len(i)), i]
        i = np.maximum(i, 1)
        rows = np.arange(len(i))
        low, high = self.esf[rows, i - 1], self.esf[rows, i]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(high > low, (level - low) / (high - low), 0.0)
        return np.where(found, self.start + self.step * (i - 1 + np.clip(share, 0, 1)), np.nan)

    def settle(self, band: float = SETTLE_BAND) -> np.ndarray:
        """Return (n,) last times outside 1 +- ``band``, ms."""
        outside = np.abs(self.esf - 1.0) > band
        n = outside.shape[1]
        i = np.minimum(n - 1 - np.argmax(outside[:, ::-1], axis=1), n - 2)
        rows = np.arange(len(i))
        here, after = self.esf[rows, i], self.esf[rows, i + 1]
        bound = np.where(here > 1, 1 + band, 1 - band)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(after != here, (bound - here) / (after - here), 0.0)
        return self.start + self.step * (i + np.clip(share, 0, 1))

    def gaussian_edge_time(self, group: int = 1) -> np.ndarray:
        """Return (n,) Gaussian edge times, ms (conditions of `blurred.BlurredEdge.gaussian_edge_time`).

        Parameters
        ----------
        group : int
            Neighbours of the grid to take together: faster, and good enough for differences.
        """
        from scipy.special import ndtr

        lsf = np.diff(self.esf, axis=1, prepend=0.0)
        k = np.arange(self.esf.shape[1]) - 0.5
        if group > 1:
            firsts = np.arange(0, k.size, group)
            lsf = np.add.reduceat(lsf, firsts, axis=1)
            k = 0.5 * (k[firsts] + k[np.minimum(firsts + group, k.size) - 1])
        t10 = (self.crossing(0.1) - self.start) / self.step
        t90 = (self.crossing(0.9) - self.start) / self.step
        mu = np.where(np.isfinite(t10 + t90), 0.5 * (t10 + t90), self.esf.shape[1] / 2)
        sigma = np.where(np.isfinite(t90 - t10), np.maximum(t90 - t10, 1.0), self.esf.shape[1] / 4) / GET_FACTOR
        target = 1 / (2 * np.sqrt(np.pi))
        for _ in range(12):
            z = (k - mu[:, None]) / sigma[:, None]
            pdf = lsf * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
            first, second, third = pdf.sum(1), (pdf * z).sum(1), (pdf * z * z).sum(1)
            f1, f2 = (lsf * ndtr(z)).sum(1) - 0.5, first - target
            det = -first * third + second * second
            det = np.where(np.abs(det) < 1e-12, 1e-12, det)
            move_mu = -sigma * (third * f1 + second * f2) / det
            move_sigma = -sigma * (-second * f1 - first * f2) / det
            largest = np.maximum(np.abs(move_mu), np.abs(move_sigma))
            limit = np.minimum(1.0, 0.5 * sigma / np.maximum(largest, 1e-12))
            mu, sigma = mu + limit * move_mu, sigma + limit * move_sigma
            if np.all(largest < 1e-4 * sigma):  # converges quadratically: the next would be 1e-8
                break
        return GET_FACTOR * sigma * self.step

    def figures(self, tail: float, settle_band: float = SETTLE_BAND, group: int = 1) -> dict[str, np.ndarray]:
        """Return (n,) arrays of ``bet_ms``, ``get_ms``, ``ghost_ms``, ``overshoot_pct`` and ``undershoot_pct``.

        Parameters
        ----------
        tail : float
            ``t_settle - t_10`` of an instant pixel, ms (`blurred.instant_tail`).
        settle_band : float
        group : int
            As in `gaussian_edge_time`.
        """
        t10 = self.crossing(0.1)
        return {
            "bet_ms": self.crossing(0.9) - t10,
            "get_ms": self.gaussian_edge_time(group),
            "ghost_ms": self.settle(settle_band) - t10 - tail,
            "overshoot_pct": 100 * np.maximum(0.0, self.esf.max(axis=1) - 1.0),
            "undershoot_pct": 100 * np.maximum(0.0, -self.esf.min(axis=1)),
        }


def settled_after(step: Step, share: float = 2e-3) -> float:
    """Return the time after which a step stays within ``share`` of its to level, ms."""
    start, end = float(step.kinks_ms[0]), step.end_ms
    t = start + (end - start) * np.linspace(0, 1, 3000) ** 2 if not step.linear else step.kinks_ms
    outside = np.nonzero(np.abs(step.value(t) - 1.0) > share)[0]
    return float(t[min(int(outside[-1]) + 1, t.size - 1)]) if outside.size else start


def make_bank(
    steps: Sequence[Step],
    hold: float,
    emission: Emission = HOLD,
    *,
    reach: Sequence[float] | None = None,
    points: int = POINTS,
) -> EdgeBank:
    """Return the blurred edges of ``steps``.

    Parameters
    ----------
    steps : sequence of Step
    hold : float
        ms.
    reach : (n,) float, optional
        Settling times to make the grids from, ms (`settled_after`); computed when left out.
    points : int
        Samples of each grid.
    """
    reach = np.array([settled_after(s) for s in steps] if reach is None else reach, dtype=float)
    begin = np.array([min(float(s.kinks_ms[0]), 0.0) if s.linear else 0.0 for s in steps])
    begin = np.maximum(begin, -2 * hold) - 1.2 * hold
    step = (np.maximum(reach, 0.0) + 2.6 * hold - begin) / (points - 1)
    esf = np.empty((len(steps), points))
    for i, one in enumerate(steps):
        t = begin[i] + step[i] * np.arange(points)
        both = np.concatenate([t, t - hold])
        area = lit_integral(one.integral, emission, hold, both, float(one.kinks_ms[0]))
        esf[i] = (area[:points] - area[points:]) / (hold * emission.mean_weight)
    return EdgeBank(esf=esf, start=begin, step=step)


def gaussian_transfer(sigma: float):
    """Return the transfer function of a Gaussian of ``sigma`` ms."""
    return lambda f: np.exp(-2 * (np.pi * f * sigma) ** 2)


def box_transfer(width: float):
    """Return the transfer function of a box of ``width`` ms."""
    return lambda f: np.sinc(f * width)


def copies_transfer(spacing: float, count: int):
    """Return the transfer function of ``count`` equal copies ``spacing`` ms apart, centred."""
    at = (np.arange(count) - (count - 1) / 2) * spacing
    return lambda f: np.mean(np.cos(2 * np.pi * f[..., None] * at), axis=-1)


__all__ = [
    "EdgeBank",
    "box_transfer",
    "copies_transfer",
    "gaussian_transfer",
    "instant_tail",
    "make_bank",
    "settled_after",
]
