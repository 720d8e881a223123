"""Several displays over each other: dots with intervals by transition, beside each one's matrix."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure
from blurscope.plots.response_matrix import TITLES

NOT_NEGATIVE = ("response_ms", "response_signal_ms", "bet_ms", "get_ms", "overshoot_pct")
MARKS = (("o", BLUE), ("s", ORANGE), ("^", "#009E73"), ("D", "#CC79A7"), ("v", "#333333"))


def dots_and_matrices(
    displays: Sequence[dict[str, Any]],
    quantity: str = "response_ms",
    *,
    truths: Sequence[dict[tuple[int, int], float]] | None = None,
    decimals: int = 1,
) -> Picture:
    """Draw one figure of all transitions of up to five displays, with its 95 % interval, and the matrices.

    Parameters
    ----------
    displays : sequence of dict
        Contents of measurement files.
    quantity : str
        Key of the figure in each entry of ``edges``.
    truths : sequence of mapping, optional
        The true figure by (from, to), drawn as a cross stroke.
    decimals : int
        In the matrices.
    """
    displays = list(displays)[: len(MARKS)]
    pairs = sorted({(e["from_level"], e["to_level"]) for d in displays for e in d["edges"]})
    levels = sorted({level for pair in pairs for level in pair})
    known = [
        {
            (e["from_level"], e["to_level"]): (e[quantity]["value"], e[quantity]["u95"] or 0.0)
            for e in d["edges"]
            if e[quantity]["value"] is not None
        }
        for d in displays
    ]
    title = TITLES.get(quantity, quantity)
    tall = max(2.0 * len(displays), 1.4 + 0.26 * len(pairs))
    figure = new_figure(10.5, tall)
    left, right = figure.subfigures(1, 2, width_ratios=[1.55, 1])
    axes = left.subplots()
    spread = 0.5 / max(len(displays), 1)
    for k, (d, values) in enumerate(zip(displays, known, strict=True)):
        mark, colour = MARKS[k]
        at = np.array([pairs.index(p) for p in values]) + (k - (len(displays) - 1) / 2) * spread
        value, u95 = np.array(list(values.values()), float).reshape(-1, 2).T
        below = np.minimum(u95, np.maximum(value, 0)) if quantity in NOT_NEGATIVE else u95
        axes.errorbar(
            value, at, xerr=(below, u95), fmt=mark, color=colour, markersize=4, markerfacecolor="white", elinewidth=1,
            capsize=2, label=d.get("label") or f"display {k + 1}",
        )  # fmt: skip
        if truths is not None:
            true = [(truths[k][p], y) for p, y in zip(values, at, strict=True) if truths[k].get(p) is not None]
            axes.plot(*zip(*true, strict=True), "|", color="black", markersize=9, markeredgewidth=0.9, zorder=5)
    if truths is not None:
        axes.plot([], [], "|", color="black", markersize=9, label="truth")
    for y in range(len(pairs) - 1):
        axes.axhline(y + 0.5, color="#DDDDDD", linewidth=0.5, zorder=0)
    axes.set_yticks(range(len(pairs)), [f"{a} → {b}" for a, b in pairs], fontsize=7)
    axes.set_ylim(len(pairs) - 0.5, -0.5)
    axes.set_xlim(left=min(0.0, axes.get_xlim()[0]))
    axes.set_xlabel(f"{title} (bars: 95 % interval)", fontsize=8)
    axes.tick_params(labelsize=7)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, 1.06), ncols=len(displays) + 1, frameon=False)
    _matrices(right, displays, known, levels, decimals)
    return Picture(figure=figure, alt=_alt(title, displays, known))


def _matrices(figure: Any, displays: list[dict[str, Any]], known: list[dict], levels: list[int], decimals: int) -> None:
    every = [v for values in known for v, _ in values.values()]
    low, high = (min(every), max(every)) if every else (0.0, 1.0)
    grid = np.atleast_1d(figure.subplots(len(displays), 1))
    image = None
    small = 7 if len(levels) <= 6 else 5
    for axes, d, values in zip(grid, displays, known, strict=True):
        cells = np.full((len(levels), len(levels)), np.nan)
        for (a, b), (value, _) in values.items():
            cells[levels.index(a), levels.index(b)] = value
        image = axes.imshow(np.ma.masked_invalid(cells), cmap="cividis", vmin=low, vmax=max(high, low + 1e-9))
        for (i, j), value in np.ndenumerate(cells):
            if i == j:
                continue
            dark = np.isfinite(value) and value < low + 0.55 * (high - low)
            text = f"{value:.{decimals}f}" if np.isfinite(value) else "–"
            axes.text(j, i, text, ha="center", va="center", fontsize=small, color="white" if dark else "black")
        axes.set_xticks(range(len(levels)), [str(v) for v in levels])
        axes.set_yticks(range(len(levels)), [str(v) for v in levels])
        axes.tick_params(labelsize=6, length=2, color=GREY)
        axes.set_title(d.get("label", ""), fontsize=8)
        axes.set_ylabel("from level", fontsize=7)
    grid[-1].set_xlabel("to level", fontsize=7)
    if image is not None:
        bar = figure.colorbar(image, ax=list(grid), shrink=0.6)
        bar.ax.tick_params(labelsize=6)


def _alt(title: str, displays: list[dict[str, Any]], known: list[dict]) -> str:
    parts = [
        f"{d.get('label') or 'a display'} {np.mean([v for v, _ in values.values()]):.1f} on average over {len(values)}"
        for d, values in zip(displays, known, strict=True)
        if values
    ]
    return f"{title} by transition: " + "; ".join(parts) + "." if parts else f"{title}: nothing was measured."
