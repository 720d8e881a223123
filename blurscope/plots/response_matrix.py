"""Figures of every transition as a matrix: from-levels down, to-levels across, the figure in each cell."""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope.plots.picture import Picture, new_figure

TITLES = {
    "response_ms": "Response, 10–90 % in light, ms",
    "response_signal_ms": "Response, 10–90 % in signal, ms",
    "bet_ms": "Blurred edge time, ms",
    "get_ms": "Gaussian edge time, ms",
    "ghost_ms": "Ghost, ms",
    "overshoot_pct": "Overshoot, %",
}


def response_matrix(data: dict[str, Any], quantity: str = "response_ms", *, decimals: int = 1) -> Picture:
    """Draw one figure of all transitions.

    Parameters
    ----------
    data : dict
        Content of a measurement or prediction (``edges``) or of a response file (``transitions``).
    quantity : str
        Key of the figure in each entry.
    decimals : int

    Notes
    -----
    The colours (cividis) run with lightness, so they order alike with and without colour vision.
    """
    entries = data.get("edges", data.get("transitions", []))
    known: dict[tuple[int, int], float] = {}
    for e in entries:
        found = e.get(quantity)
        value = found.get("value") if isinstance(found, dict) else found
        if e.get("from_level") is not None and value is not None:
            known[e["from_level"], e["to_level"]] = float(value)
    pairs = [(e["from_level"], e["to_level"]) for e in entries if e.get("from_level") is not None]
    levels = sorted({v for pair in pairs for v in pair})
    title = TITLES.get(quantity, quantity)
    if not levels:
        return _single(entries, quantity, title, decimals)
    grid = np.full((len(levels), len(levels)), np.nan)
    for (a, b), value in known.items():
        grid[levels.index(a), levels.index(b)] = value
    size = 1.6 + 0.62 * len(levels)
    figure = new_figure(size + 1.0, size)
    axes = figure.subplots()
    low, high = (min(known.values()), max(known.values())) if known else (0.0, 1.0)
    image = axes.imshow(np.ma.masked_invalid(grid), cmap="cividis", vmin=low, vmax=max(high, low + 1e-9))
    for (i, j), value in np.ndenumerate(grid):
        if levels[i] == levels[j]:
            continue
        text = f"{value:.{decimals}f}" if np.isfinite(value) else "–"
        dark = np.isfinite(value) and value < low + 0.55 * (high - low) and high > low
        axes.text(j, i, text, ha="center", va="center", fontsize=8, color="white" if dark else "black")
    axes.set_xticks(range(len(levels)), [str(v) for v in levels])
    axes.set_yticks(range(len(levels)), [str(v) for v in levels])
    axes.set_xlabel("to level")
    axes.set_ylabel("from level")
    axes.set_title(f"{data.get('label') or ''}\n{title}".strip(), fontsize=10)
    figure.colorbar(image, ax=axes, shrink=0.8)
    return Picture(figure=figure, alt=_alt(title, known, len(pairs), decimals))


def _alt(title: str, known: dict[tuple[int, int], float], count: int, decimals: int) -> str:
    if not known:
        return f"{title}: none of {count} transitions has a value."
    worst, best = max(known, key=known.__getitem__), min(known, key=known.__getitem__)
    mean = sum(known.values()) / len(known)
    return (
        f"{title}, {len(known)} of {count} transitions: mean {mean:.{decimals}f}, smallest {known[best]:.{decimals}f} "
        f"({best[0]} to {best[1]}), largest {known[worst]:.{decimals}f} ({worst[0]} to {worst[1]})."
    )


def _single(entries: list[dict[str, Any]], quantity: str, title: str, decimals: int) -> Picture:
    """One response that stands for every pair has no matrix: its figure is shown as text."""
    found = entries[0].get(quantity) if entries else None
    value = found.get("value") if isinstance(found, dict) else found
    text = "–" if value is None else f"{value:.{decimals}f}"
    figure = new_figure(4, 1.6)
    axes = figure.subplots()
    axes.axis("off")
    axes.text(0.5, 0.5, f"{title}\nevery pair: {text}", ha="center", va="center")
    return Picture(figure=figure, alt=f"{title}: {text} for every pair.")
