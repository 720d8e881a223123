"""Measured and predicted edges over each other, with what is left between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure

MAX_PANELS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OverlaidEdge:
    """One transition's measured and predicted ESF.

    Attributes
    ----------
    title : str
    lag_px, measured : (n,) float
    predicted_lag_px, predicted : (m,) float
    en : float or None
        Of its blurred edge time.
    """

    title: str
    lag_px: np.ndarray
    measured: np.ndarray
    predicted_lag_px: np.ndarray
    predicted: np.ndarray
    en: float | None = None


def esf_overlay(edges: Sequence[OverlaidEdge], label: str = "") -> Picture:
    """Draw up to twelve transitions, those that differ most first.

    Both curves are laid together at their 50 % points, since a photodiode record's latency is not in the photo.
    """
    prepared = [(e, *_residual(e)) for e in edges if len(e.lag_px) > 3 and len(e.predicted_lag_px) > 3]
    prepared.sort(key=lambda item: -float(np.sqrt(np.nanmean(item[2] ** 2))))
    shown = prepared[:MAX_PANELS]
    if not shown:
        figure = new_figure(4, 1.5)
        figure.text(0.5, 0.5, "no profiles to compare", ha="center")
        return Picture(figure=figure, alt="No transition has a measured profile.")
    columns = min(3, len(shown))
    rows = math.ceil(len(shown) / columns)
    figure = new_figure(3.4 * columns, 2.7 * rows)
    grid = figure.subplots(2 * rows, columns, squeeze=False, gridspec_kw={"height_ratios": [3, 1] * rows})
    for k, (edge, lag, residual) in enumerate(shown):
        top, below = grid[2 * (k // columns)][k % columns], grid[2 * (k // columns) + 1][k % columns]
        inside = np.isfinite(residual)
        top.plot(lag, edge.measured, ".", color=BLUE, markersize=2.5, label="measured")
        top.plot(lag[inside], (edge.measured - residual)[inside], "-", color=ORANGE, linewidth=1.3, label="predicted")
        en = "" if edge.en is None else f", En {edge.en:.2f}"
        top.set_title(f"{edge.title}{en}", fontsize=8)
        top.tick_params(labelbottom=False, labelsize=7)
        below.axhline(0, color=GREY, linewidth=0.6)
        below.plot(lag[inside], 100 * residual[inside], "-", color=BLUE, linewidth=0.9)
        below.set_ylabel("diff. %", fontsize=7)
        below.set_xlabel("px behind 50 %", fontsize=7)
        below.tick_params(labelsize=7)
        if k == 0:
            top.legend(fontsize=7, loc="lower right")
    for k in range(len(shown), rows * columns):
        grid[2 * (k // columns)][k % columns].axis("off")
        grid[2 * (k // columns) + 1][k % columns].axis("off")
    if label:
        figure.suptitle(label, fontsize=10)
    worst, _, residual = shown[0]
    more = f" {len(prepared) - len(shown)} more are not drawn." if len(prepared) > len(shown) else ""
    alt = (
        f"Measured and predicted edge profiles of {len(shown)} transitions with their differences; the largest "
        f"difference is in {worst.title}: {100 * float(np.nanmax(np.abs(residual))):.1f} % of the transition.{more}"
    )
    return Picture(figure=figure, alt=alt)


def _residual(edge: OverlaidEdge) -> tuple[np.ndarray, np.ndarray]:
    """Return lags from the measured 50 % point, and measured less predicted there."""
    lag = edge.lag_px - _middle(edge.lag_px, edge.measured)
    other = edge.predicted_lag_px - _middle(edge.predicted_lag_px, edge.predicted)
    expected = np.interp(lag, other, edge.predicted, left=0.0, right=np.nan)
    return lag, edge.measured - expected


def _middle(lag: np.ndarray, esf: np.ndarray) -> float:
    """Where an ESF is half way, from all of its samples between a quarter and three quarters."""
    inner = (esf > 0.25) & (esf < 0.75)
    if inner.sum() < 2:
        return float(lag[int(np.argmax(esf >= 0.5))])
    slope, offset = np.polyfit(lag[inner], esf[inner], 1)
    return float((0.5 - offset) / slope) if slope > 0 else float(np.median(lag[inner]))
