"""The picture behind a free edge: the region with the edge that was found, its profile with the fit, the residuals."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.files import check_output, make_folder, write_bytes
from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure

AROUND = 0.6  # of the region's size, shown around it


def write_edge_debug(
    shot: Any,
    result: Any,
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    inputs: Sequence[str | os.PathLike[str]] = (),
) -> list[Path]:
    """Write ``edge_1.png``, ``edge_2.png`` …, one per edge found.

    Parameters
    ----------
    shot : blurscope.anyedge.FreeShot
        What ``edge(on_shot=...)`` handed out.
    result : blurscope.measurement.Measurement
    folder : path-like
        Made if missing.
    overwrite : bool
    inputs : sequence of path-like
        Files that are never overwritten.

    Raises
    ------
    OutputError
        A picture exists and ``overwrite`` is false, or the folder can't be written.
    """
    target = make_folder(folder)
    paths = [target / f"edge_{i}.png" for i in range(1, len(shot.fits) + 1)]
    for path in paths:
        check_output(path, overwrite=overwrite, inputs=inputs)
    for i, path in enumerate(paths):
        write_bytes(path, edge_picture(shot, i, result.label).as_bytes("png"), overwrite=overwrite)
    return paths


def edge_picture(shot: Any, index: int, label: str) -> Picture:
    """Draw one edge of a free measurement: where it is, its profile with the fitted curve, and what the fit leaves."""
    found, edge = shot.fits[index], shot.edges[index]
    figure = new_figure(9.6, 4.6)
    grid = figure.add_gridspec(2, 2, width_ratios=(1.0, 1.25), height_ratios=(3.2, 1.0))
    _place(figure.add_subplot(grid[:, 0]), shot, found)
    upper = figure.add_subplot(grid[0, 1])
    lower = figure.add_subplot(grid[1, 1], sharex=upper)
    lag = edge.lag_px
    upper.axhline(0, color=GREY, linewidth=0.5)
    upper.axhline(1, color=GREY, linewidth=0.5)
    upper.plot(lag, edge.esf, ".", color=GREY, markersize=3.5, label="photo")
    upper.plot(lag, edge.esf_fit, color=BLUE, linewidth=1.4, label=f"fit, {edge.family}")
    for level in (0.1, 0.9):
        upper.axhline(level, color=ORANGE, linewidth=0.6, linestyle=(0, (4, 3)))
    upper.set_ylabel("light, from 0 to 1")
    upper.legend(fontsize=7, frameon=False, loc="center right")
    upper.tick_params(labelbottom=False)
    width = edge.figures["bet_ms"]
    told = (
        f"BET {width.value:.2f} ± {width.u95:.2f} ms"
        if width.value is not None and width.u95 is not None
        else "no BET: " + ", ".join(edge.flags).replace("_", " ")
    )
    upper.set_title(f"level {edge.from_level} → {edge.to_level}, {told}", fontsize=9)
    sigma = found.profile.sigma / abs(found.profile.step)
    left = edge.esf - edge.esf_fit
    lower.fill_between(lag, -2 * sigma, 2 * sigma, color=BLUE, alpha=0.15, linewidth=0)
    lower.plot(lag, left, ".", color=GREY, markersize=3)
    reach = max(float(np.abs(left).max()), 3 * float(np.median(sigma))) * 1.15
    lower.set_ylim(-reach, reach)
    lower.set_ylabel("photo − fit", fontsize=8)
    lower.set_xlabel("lag behind the edge, px")
    figure.suptitle(_plain(label), fontsize=10)
    alt = (
        f"Left, the photo around the region with the edge that was found, level {edge.from_level} to {edge.to_level}; "
        f"right, its profile with the fitted curve ({told}) and the residuals, largest {np.abs(left).max():.3f}."
    )
    return Picture(figure=figure, alt=alt)


def _plain(text: str) -> str:
    """Return text that matplotlib doesn't read as mathematics, and that its font can draw."""
    return "".join(c if c.isprintable() else "?" for c in text)[:80].replace("$", r"\$")


def _place(axes: Any, shot: Any, found: Any) -> None:
    """Draw the photo around the region, the region, the edge and the span of the profile."""
    x, y, w, h = shot.region.roi
    pixels = shot.photo.pixels
    left, top = max(0, int(x - AROUND * w)), max(0, int(y - AROUND * max(h, w / 2)))
    right = min(pixels.shape[1], int(x + w + AROUND * w))
    bottom = min(pixels.shape[0], int(y + h + AROUND * max(h, w / 2)))
    crop = np.clip(shot.photo.share(pixels[top:bottom, left:right]), 0, 1)
    if shot.photo.linear:
        crop = crop ** (1 / 2.2)
    extent = (left - 0.5, right - 0.5, bottom - 0.5, top - 0.5)
    axes.imshow(crop, cmap="gray", vmin=0, vmax=1, extent=extent, interpolation="nearest")
    axes.plot(np.array([0, w, w, 0, 0]) + x - 0.5, np.array([0, 0, h, h, 0]) + y - 0.5, color=BLUE, linewidth=1.2)
    profile = found.profile
    line = profile.line
    rows = np.array([line.top, line.bottom - 1.0])
    middle = line.x + line.lean * (rows - line.middle)
    axes.plot(*shot.region.to_photo(middle, rows), color=ORANGE, linewidth=1.6, label="edge found")
    travel = shot.setup.travel
    for lag in (profile.lag[0], profile.lag[-1]):
        columns = middle + 0.5 * travel - lag / profile.lean_factor
        axes.plot(*shot.region.to_photo(columns, rows), color=ORANGE, linewidth=0.9, linestyle=(0, (3, 2)))
    axes.plot([], [], color=ORANGE, linewidth=0.9, linestyle=(0, (3, 2)), label="ends of the profile")
    axes.plot([], [], color=BLUE, linewidth=1.2, label="region")
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    axes.tick_params(labelsize=7)
    axes.set_xlabel("campx", fontsize=8)
    axes.legend(fontsize=7, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
