"""Draw what a validation says: coverage, calibration, errors against u95, coverage by fault.

Run: python benchmarks/plots.py COVERAGE.csv docs/figures

COVERAGE.csv is what ``benchmarks/coverage.py --csv`` writes. Written are ``coverage.png``, ``calibration.png``,
``errors.png`` and ``faults.png``; the same table gives the same pictures. The figures of a photo share its faults, so
intervals come from drawing whole photos anew (bootstrap by photo), or from the number of photos alone where all or
none of their figures lie inside.
"""

from __future__ import annotations

import argparse
import csv
import io
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure
from blurscope.uncertainty import K95

NAMES = {
    "bet_ms": "BET",
    "ghost_ms": "ghost length",
    "overshoot_pct": "overshoot",
    "response_ms": "response",
    "response_signal_ms": "response, signal",
    "get_ms": "GET",
    "response_overshoot_pct": "overshoot of the step",
    "read_back_ms": "response, read back",
    "error_px_per_refresh": "tracking error",
    "exposure_refreshes": "exposure",
    "scan_out_ms": "scan-out",
}
CURVES = {"bet_ms": BLUE, "response_ms": ORANGE, "read_back_ms": "#CC79A7", "ghost_ms": "#009E73"}
SHADE = "#DDE6EE"
DRAWS = 2000
COLOURS = 48  # of a file, which keeps it small
FEW_PHOTOS = 5  # below which a fault isn't drawn
LEAST_SHOWN = 60.0  # %, where the picture by fault ends
MOST_POINTS = 1200  # of a scatter
NOMINAL = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98])


class Figures(NamedTuple):
    """All given values of one quantity: photo, error and u95 of each, and the faults of its photo."""

    photo: np.ndarray
    error: np.ndarray
    u95: np.ndarray
    faults: list[frozenset[str]]

    def of(self, mask: np.ndarray) -> Figures:
        """Return some of them."""
        faults = [f for f, m in zip(self.faults, mask, strict=True) if m]
        return Figures(self.photo[mask], self.error[mask], self.u95[mask], faults)


def read_table(path: Path) -> dict[str, Figures]:
    """Return the given figures of a table by quantity."""
    rows: dict[str, list[tuple[int, float, float, frozenset[str]]]] = {}
    with open(path, newline="", encoding="utf-8") as stream:
        for r in csv.DictReader(stream):
            if r["value"] and r["u95"] and r["truth"]:
                one = (int(r["photo"]), float(r["value"]) - float(r["truth"]), float(r["u95"]))
                rows.setdefault(r["quantity"], []).append((*one, frozenset(r["faults"].split("; "))))
    out = {}
    for name in sorted(rows, key=lambda n: list(NAMES).index(n) if n in NAMES else len(NAMES)):
        photo, error, u95, faults = zip(*rows[name], strict=True)
        out[name] = Figures(np.array(photo), np.array(error), np.array(u95), list(faults))
    return out


def share_inside(f: Figures, factor: float = 1.0, draws: int = DRAWS) -> tuple[float, float, float]:
    """Return the share of truths within ``factor`` times u95 and its 95 % interval, photos drawn anew."""
    inside = np.abs(f.error) <= factor * f.u95
    photos, index = np.unique(f.photo, return_inverse=True)
    counts = np.stack([np.bincount(index, inside), np.bincount(index)], axis=1)
    share = float(inside.mean())
    count = len(photos)
    if 0 < share < 1 and count > 1:
        drawn = np.random.default_rng(1).multinomial(count, np.full(count, 1 / count), size=draws) @ counts
        low, high = np.percentile(drawn[:, 0] / drawn[:, 1], [2.5, 97.5])
    else:  # Wilson's interval, as if a photo were one figure
        z2 = K95**2 / count
        middle = (share + z2 / 2) / (1 + z2)
        half = np.sqrt(share * (1 - share) * z2 + z2**2 / 4) / (1 + z2)
        low, high = max(middle - half, 0.0), min(middle + half, 1.0)
    return share, float(low), float(high)


def _bare(axes: Any) -> None:
    axes.tick_params(labelsize=8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _rows(axes: Any, rows: list[tuple[str, Figures]], colour: str, shift: float = 0.0) -> None:
    """Draw a share with its interval for each row, the first on top."""
    for y, (_, f) in enumerate(rows):
        if not len(f.error):
            continue
        share, low, high = (100 * x for x in share_inside(f))
        axes.plot([low, high], [y + shift] * 2, color=colour, linewidth=1.4, solid_capstyle="butt")
        axes.plot([share], [y + shift], "o", color=colour, markersize=4)


def coverage_picture(table: dict[str, Figures]) -> Picture:
    """Draw the share of truths within u95 for every quantity."""
    figure = new_figure(6.2, 0.5 + 0.26 * len(table))
    axes = figure.subplots()
    rows = list(table.items())
    axes.axvline(95, color=GREY, linewidth=0.8, linestyle="--")
    _rows(axes, rows, BLUE)
    axes.set_yticks(range(len(rows)), [f"{NAMES.get(n, n)}  ({len(f.error)})" for n, f in rows])
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(right=100.5)
    axes.set_xlabel("truths within u95, %; lines: 95 % interval, photos drawn anew", fontsize=8)
    _bare(axes)
    said = ", ".join(f"{NAMES.get(n, n)} {100 * share_inside(f)[0]:.1f} %" for n, f in rows)
    return Picture(figure=figure, alt=f"Share of truths within u95: {said}.")


def calibration_picture(table: dict[str, Figures]) -> Picture:
    """Draw the share inside k standard uncertainties against what a normal distribution has there."""
    from scipy.stats import norm

    figure = new_figure(4.6, 4.2)
    axes = figure.subplots()
    axes.plot([0, 100], [0, 100], color=GREY, linewidth=0.8, linestyle="--")
    factors = norm.ppf(0.5 + NOMINAL / 2) / K95
    for name, colour in CURVES.items():
        if name in table:
            shares = np.array([share_inside(table[name], k, 400) for k in factors]) * 100
            axes.fill_between(100 * NOMINAL, shares[:, 1], shares[:, 2], color=colour, alpha=0.15, linewidth=0)
            axes.plot(100 * NOMINAL, shares[:, 0], "o-", color=colour, markersize=3, linewidth=1, label=NAMES[name])
    axes.legend(fontsize=8, frameon=False, loc="lower right")
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 100)
    axes.set_aspect("equal")
    axes.set_xlabel("share that a normal distribution has within k u95 / 1.96, %", fontsize=8)
    axes.set_ylabel("share of truths there, %", fontsize=8)
    _bare(axes)
    return Picture(figure=figure, alt="Share of truths within k standard uncertainties, against the nominal share.")


def errors_picture(table: dict[str, Figures]) -> Picture:
    """Draw errors against u95, with the 95 % point of the errors as u95 grows."""
    from matplotlib.ticker import FuncFormatter

    names = [n for n in ("bet_ms", "response_ms", "read_back_ms") if n in table]
    figure = new_figure(2.7 * len(names) + 0.6, 3.1)
    every = figure.subplots(1, len(names), sharex=True, sharey=True, squeeze=False)[0]
    for axes, name in zip(every, names, strict=True):
        f = table[name]
        error, u95 = np.maximum(np.abs(f.error), 1e-3), np.maximum(f.u95, 1e-3)
        shown = np.random.default_rng(2).permutation(len(error))[:MOST_POINTS]
        axes.plot(u95[shown], error[shown], ".", color=BLUE, markersize=2.2, alpha=0.5, markeredgewidth=0)
        order = np.argsort(u95)
        parts = np.array_split(order, max(min(12, len(order) // 60), 1))
        middle = [np.exp(np.mean(np.log(u95[p]))) for p in parts]
        axes.plot(middle, [np.percentile(error[p], 95) for p in parts], color=ORANGE, linewidth=1.4)
        axes.plot([1e-3, 30], [1e-3, 30], color=GREY, linewidth=0.8, linestyle="--")
        axes.set_xscale("log")
        axes.set_yscale("log")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axes.set_xlim(5e-3, 30)
        axes.set_ylim(1e-3, 30)
        axes.set_title(NAMES[name], fontsize=9)
        axes.set_xlabel("u95, ms", fontsize=8)
        _bare(axes)
    every[0].set_ylabel("|error|, ms", fontsize=8)
    alt = "Errors against u95: points, the 95 % point of the errors as a line, and u95 itself dashed."
    return Picture(figure=figure, alt=alt)


def faults_picture(table: dict[str, Figures]) -> Picture:
    """Draw the share of truths within u95 by fault of the photo, for BET and the response."""
    both = [(n, c, s) for n, c, s in (("bet_ms", BLUE, -0.16), ("response_ms", ORANGE, 0.16)) if n in table]
    first = table[both[0][0]]
    counts = {x: len(set(first.photo[[x in f for f in first.faults]])) for x in set().union(*first.faults)}
    faults = sorted((x for x in counts if counts[x] >= FEW_PHOTOS), key=lambda x: (-counts[x], x))
    figure = new_figure(5.6, 0.8 + 0.18 * len(faults))
    axes = figure.subplots()
    axes.axvline(95, color=GREY, linewidth=0.8, linestyle="--")
    for name, colour, shift in both:
        f = table[name]
        rows = [(x, f.of(np.array([x in mine for mine in f.faults]))) for x in faults]
        _rows(axes, rows, colour, shift)
        axes.plot([], [], "o-", color=colour, markersize=4, label=NAMES[name])
    axes.legend(fontsize=7, frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0)
    axes.set_yticks(range(len(faults)), [f"{x}  ({counts[x]})" for x in faults])
    axes.set_ylim(len(faults) - 0.5, -0.5)
    axes.set_xlim(LEAST_SHOWN, 100.5)
    axes.set_xlabel("truths within u95, %; lines: 95 % interval, photos drawn anew", fontsize=8)
    _bare(axes)
    axes.tick_params(axis="y", labelsize=7)
    return Picture(figure=figure, alt="Share of truths within u95 by fault of the photo, for BET and the response.")


PICTURES = {
    "coverage": coverage_picture,
    "calibration": calibration_picture,
    "errors": errors_picture,
    "faults": faults_picture,
}


def draw_all(path: Path, folder: Path) -> list[Path]:
    """Write all pictures of a table into a folder, made if missing."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    table = read_table(path)
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for stem, draw in PICTURES.items():
        out.append(folder / f"{stem}.png")
        picture = draw(table)
        few = Image.open(io.BytesIO(picture.as_bytes("png"))).convert("RGB").quantize(COLOURS)
        told = PngInfo()
        told.add_text("Description", picture.alt)
        few.save(out[-1], optimize=True, pnginfo=told)
    return out


def main() -> None:
    """Draw and say where."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", type=Path)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    for path in draw_all(options.table, options.folder):
        print(f"{path}  {path.stat().st_size / 1024:.0f} kB")


if __name__ == "__main__":
    main()
