"""The pictures a person needs to trust a measurement: plate with marks, streaks against time, profiles with fits."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.files import check_output, make_folder, write_bytes
from blurscope.plots.picture import BLUE, GREY, ORANGE, Picture, new_figure

LOOK_PX = 1500  # longer side of the photo as drawn
NAMES = {"grey": "greys", "halftone": "halftones", "dither": "dithers", "band": "band of edges", "lane": "streak lane"}
SLITS = {"lit": (BLUE, "always lit"), "clock": (ORANGE, "clock"), "response": ("#CC79A7", "response")}


def write_debug(
    shots: Sequence[Any],
    result: Any,
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    inputs: Sequence[str | os.PathLike[str] | None] = (),
) -> list[Path]:
    """Write ``plate.png``, ``streaks.png`` and ``profiles.png`` (numbered by shot if there are several).

    Parameters
    ----------
    shots : sequence of blurscope.shot.ShotFit
        What ``measure(on_shot=...)`` handed out.
    result : blurscope.measurement.Measurement
    folder : path-like
        Made if missing.
    overwrite : bool
    inputs : sequence of path-like
        Files that are never overwritten.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
        A picture exists and ``overwrite`` is false, or the folder can't be written.
    """
    target = make_folder(folder)
    hold_ms = result.blocks["capture"]["hold_ms"]
    jobs: list[tuple[Path, Any]] = []
    for k, shot in enumerate(shots, 1):
        tail = f"_{k}" if len(shots) > 1 else ""
        jobs += [
            (target / f"plate{tail}.png", lambda s=shot: plate_picture(s)),
            (target / f"streaks{tail}.png", lambda s=shot: streak_picture(s, hold_ms)),
            (target / f"profiles{tail}.png", lambda s=shot: profile_picture(s, hold_ms)),
        ]
    for path, _ in jobs:
        check_output(path, overwrite=overwrite, inputs=inputs)
    for path, draw in jobs:
        write_bytes(path, draw().as_bytes("png"), overwrite=overwrite)
    return [path for path, _ in jobs]


def plate_picture(shot: Any) -> Picture:
    """Draw the photo with what was found in it: stripes, lit range, streaks and edges where they should lie."""
    from blurscope._cv import cv2

    codes, reg, layout = shot.codes, shot.registration, shot.layout
    pose, lit = reg.pose, reg.lit_u_px
    factor = max(1.0, max(codes.shape) / LOOK_PX)
    size = (round(codes.shape[1] / factor), round(codes.shape[0] / factor))
    small = cv2.resize(codes, size, interpolation=cv2.INTER_AREA).astype(float)

    def place(u: Any, v: Any) -> tuple[np.ndarray, np.ndarray]:
        x, y = pose.to_photo(np.asarray(u, float), np.asarray(v, float))
        return (x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5

    width_in = 11.0
    figure = new_figure(width_in, width_in * size[1] / size[0] * 0.86 + 0.7)
    axes = figure.subplots()
    axes.imshow(small, cmap="gray", interpolation="antialiased", alpha=0.9)
    axes.set_xlim(-0.5, size[0] - 0.5)
    axes.set_ylim(size[1] - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    _rows(axes, layout, lit, place)
    for u in lit:
        axes.plot(*place([u, u], [0, layout.height_px]), color=BLUE, linewidth=1.2, linestyle=(0, (4, 2)))
    _streaks(axes, shot, place)
    _edges(axes, shot, place)
    axes.plot([], [], color="#F0E442", linewidth=1.4, label="stripes found")
    axes.plot([], [], color=BLUE, linewidth=1.2, linestyle=(0, (4, 2)), label="fully exposed from here to there")
    axes.plot([], [], color=ORANGE, linewidth=1.6, label="edge as drawn, from → to")
    for colour, name in SLITS.values():
        axes.plot([], [], color=colour, linewidth=3, label=f"streak of a slit, {name}")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.01), ncols=6, fontsize=7, frameon=False)
    state = [n for n in ("mirrored", "upside_down") if getattr(reg, n)] + ["turned"] * bool(reg.turned)
    notes = f", {', '.join(state).replace('_', ' ')}" if state else ""
    axes.set_title(
        f"{reg.marks_found} of {reg.marks_expected} marks, residual {reg.rms_px:.3f} px, {reg.campx_per_px:.2f} campx "
        f"per px{notes}; {int(shot.instances.sum())} edges of {len(shot.pairs)} transitions",
        fontsize=9,
    )
    alt = (
        f"The photo with the plate's stripes, {len(shot.streaks)} streaks and {int(shot.instances.sum())} edges drawn "
        "where the registration has them."
    )
    return Picture(figure=figure, alt=alt)


def _halo(width: float = 1.6) -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground="black")]


def _rows(axes: Any, layout: Any, lit: tuple[float, float], place: Any) -> None:
    """Ticks where the blocks meet, at both ends of the lit range, and the name of each group of blocks beside."""
    tick = 0.012 * (lit[1] - lit[0])
    for block in layout.blocks[1:]:
        for u in (lit[0], lit[1]):
            axes.plot(*place([u - tick, u + tick], [block.top_row] * 2), color="#F0E442", linewidth=0.9)
    groups: list[list[Any]] = []
    for block in layout.blocks:
        if groups and groups[-1][0].kind == block.kind:
            groups[-1].append(block)
        else:
            groups.append([block])
    middle = (lit[0] + lit[1]) / 2
    for group in groups:
        name = NAMES.get(group[0].kind)
        if name is None:
            continue
        _, y = place(middle, (group[0].top_row + group[-1].end_row) / 2)
        axes.annotate(
            name, (0, float(y)), xycoords=("axes fraction", "data"), xytext=(-4, 0), textcoords="offset points",
            ha="right", va="center", fontsize=6, annotation_clip=False,
        )  # fmt: skip


def _streaks(axes: Any, shot: Any, place: Any) -> None:
    if shot.motion is None:
        return
    m, v, sign = shot.motion, shot.layout.px_per_refresh, shot.layout.sign
    for s in shot.streaks:
        centre = s.slit.x_px + s.slit.width_px / 2
        opening = m.start_at(centre, s.v_row, shot.layout)
        middle = opening + m.exposure / 2
        reach = (v + m.error) * m.exposure / 2
        ends = centre - sign * (v * middle + np.array([-reach, reach]))
        lane = shot.lanes[s.lane].block
        colour = SLITS[s.slit.kind][0]
        row = lane.end_row + 0.5 if s.slit.kind != "response" else lane.top_row + max(lane.surround_px, 1) / 2
        axes.plot(*place(ends, [row, row]), color=colour, linewidth=1.8, solid_capstyle="butt")


def _edges(axes: Any, shot: Any, place: Any) -> None:
    edges, layout = shot.edges, shot.layout
    for i in range(len(edges.u_px)):
        block = layout.blocks[int(edges.block[i])]
        u = float(edges.u_px[i])
        x, y = place([u, u], [block.top_row + 0.5, block.end_row - 0.5])
        bad = edges.clipped[i] or edges.crushed[i]
        axes.plot(x, y, color=ORANGE, linewidth=1.3, linestyle=":" if bad else "-")
        text = axes.text(
            x.mean(), y.mean(), f"{int(edges.from_level[i])}→{int(edges.to_level[i])}",
            fontsize=5.5, color="white", ha="center", va="center",
        )  # fmt: skip
        text.set_path_effects(_halo())


def streak_picture(shot: Any, hold_ms: float) -> Picture:
    """Draw all streaks as light against time, the always-lit ones with the fitted exposure, and the step responses."""
    if shot.motion is None or not shot.streaks:
        figure = new_figure(5, 1.6)
        figure.text(0.5, 0.5, "the streaks could not be read", ha="center")
        return Picture(figure=figure, alt="No streak could be read in this photo.")
    figure = new_figure(11, 8.2)
    grid = figure.add_gridspec(2, 2, width_ratios=[1.15, 1], height_ratios=[1, 1.5])
    _draw_lit(figure.add_subplot(grid[0, 0]), shot)
    _draw_carpet(figure.add_subplot(grid[1, 0]), figure, shot)
    count = _draw_steps(figure.add_subfigure(grid[:, 1]), shot, hold_ms)
    m = shot.motion
    error, _ = m.mean_error(shot.layout.refresh_hz)
    figure.suptitle(
        f"exposure {m.exposure:.3f} refreshes, tracking error {error:+.3f} px per refresh, acceleration "
        f"{m.accel:+.3f} px per refresh², misfit {m.chi2_ratio:.2f}",
        fontsize=10,
    )
    alt = (
        f"Light against time of {len(shot.streaks)} slits; the exposure covers {m.exposure:.2f} refreshes. Step "
        f"responses of {count} transitions seen by the edges, fitted and read back, with the streaks' samples where "
        "there are any."
    )
    return Picture(figure=figure, alt=alt)


def _timed(shot: Any, s: Any) -> tuple[np.ndarray, np.ndarray]:
    """Return refreshes since the shutter opened at the slit, and light with a fully lit white slit at 1."""
    m, layout = shot.motion, shot.layout
    v = layout.px_per_refresh
    centre = s.slit.x_px + s.slit.width_px / 2
    opening = m.start_at(centre, s.v_row, layout)
    middle = opening + m.exposure / 2
    away = layout.sign * (centre - s.u_px) - v * middle
    time = middle + m.late_at(away, v)[0] - opening
    order = np.argsort(time)
    return time[order], (s.light * m.exposure * (v + m.error) / (m.amplitude * s.slit.width_px))[order]


def _lit_model(time: np.ndarray, exposure: float, width: float, sigma: float) -> np.ndarray:
    """Box of the exposure as a slit of this width and a Gaussian show it."""
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(9)
    at = time[:, None] + 0.5 * width * nodes
    return 0.5 * (ndtr(at / sigma) - ndtr((at - exposure) / sigma)) @ weights


def _draw_lit(axes: Any, shot: Any) -> None:
    m, v = shot.motion, shot.layout.px_per_refresh + shot.motion.error
    mine = [s for s in shot.streaks if s.slit.kind == "lit"]
    sigma = max(float(np.hypot(m.sigma, 0.35 / shot.registration.campx_per_px)), 0.02) / v
    for s in mine:
        time, light = _timed(shot, s)
        axes.plot(time, light, ".", color=BLUE, markersize=1.6, alpha=0.5, rasterized=True)
    time = np.linspace(-1, m.exposure + 1, 600)
    for width in sorted({s.slit.width_px for s in mine}):
        axes.plot(time, _lit_model(time, m.exposure, width / v, sigma), color=ORANGE, linewidth=1.2)
    for at in (0, m.exposure):
        axes.axvline(at, color=GREY, linewidth=0.7, linestyle="--")
    axes.plot([], [], ".", color=BLUE, label=f"{len(mine)} always-lit slits")
    axes.plot([], [], color=ORANGE, label="fit")
    axes.legend(fontsize=7, loc="lower center")
    axes.set_xlim(-0.8, m.exposure + 0.8)
    axes.set_ylim(-0.15, 1.3)
    axes.set_title("What the always-lit slits say: travel and exposure", fontsize=9)
    axes.set_ylabel("light, lit slit = 1", fontsize=8)
    axes.set_xlabel("refreshes since the shutter opened", fontsize=8)
    axes.tick_params(labelsize=7)


def _draw_carpet(axes: Any, figure: Any, shot: Any) -> None:
    """Every streak as a line of colour, by kind and place."""
    m = shot.motion
    time = np.linspace(-0.7, m.exposure + 0.7, 480)
    order = sorted(shot.streaks, key=lambda s: (list(SLITS).index(s.slit.kind), s.lane, s.slit.x_px))
    rows = np.full((len(order), time.size), np.nan)
    for i, s in enumerate(order):
        t, light = _timed(shot, s)
        rows[i] = np.interp(time, t, light, left=np.nan, right=np.nan)
    image = axes.imshow(
        np.ma.masked_invalid(rows), aspect="auto", cmap="cividis", vmin=0, vmax=1.05, interpolation="nearest",
        extent=(time[0], time[-1], len(order), 0),
    )  # fmt: skip
    for at in (0, m.exposure):
        axes.axvline(at, color="white", linewidth=0.7, linestyle="--")
    kinds = [s.slit.kind for s in order]
    ticks, names = [], []
    for kind, (_, name) in SLITS.items():
        here = [i for i, k in enumerate(kinds) if k == kind]
        if here:
            ticks.append((here[0] + here[-1] + 1) / 2)
            names.append(name)
            axes.axhline(here[-1] + 1, color="white", linewidth=0.8)
    axes.set_yticks(ticks, names, fontsize=8, rotation=90, va="center")
    axes.tick_params(axis="y", length=0)
    axes.tick_params(axis="x", labelsize=7)
    axes.set_xlabel("refreshes since the shutter opened", fontsize=8)
    axes.set_title(f"All {len(order)} streaks, one line each", fontsize=9)
    bar = figure.colorbar(image, ax=axes, pad=0.01, fraction=0.04)
    bar.ax.tick_params(labelsize=7)
    bar.set_label("light, lit white slit = 1", fontsize=7)


def _draw_steps(figure: Any, shot: Any, hold_ms: float) -> int:
    """Draw the pixel's own step, as the edges' fits have it and as the switching slits show it."""
    pairs = [(a, b) for a, b in shot.pairs]
    seen = {}
    for s in shot.streaks:
        if s.slit.kind == "response":
            seen.setdefault((s.slit.low_level, s.slit.high_level), []).append(s)
    both = {p for a, b in seen for p in ((a, b), (b, a))}
    chosen = [p for p in pairs if p in both][:20] or pairs[:20]
    columns = min(4, len(chosen))
    lines = -(-len(chosen) // columns)
    grid = figure.subplots(lines, columns, squeeze=False, sharex=True, sharey=True)
    title = "Step responses: samples of the response slits, line: fit of the edges"
    if shot.readings:
        title += "\nband: the edges read back without a family, 95 %"
    figure.suptitle(title, fontsize=9)
    reach = min(4.0, shot.layout.field_refreshes) * hold_ms
    for k, pair in enumerate(chosen):
        axes = grid[k // columns][k % columns]
        for s in seen.get((min(pair), max(pair)), []):
            t, y = _slit_step(shot, s, pair)
            axes.plot(t * hold_ms, y, ".", color=BLUE, markersize=1.2, alpha=0.35, rasterized=True)
        i = shot.pairs.index(pair)
        ages = shot.profiles.ages
        if shot.readings:
            back = shot.readings[i]
            t, low, high = (back.t + back.switch) * hold_ms, back.light - back.light_u95, back.light + back.light_u95
            axes.fill_between(t, low, high, color="#009E73", alpha=0.35, linewidth=0)
        axes.plot(0.5 * (ages[1:] + ages[:-1]) * hold_ms, shot.fits[i].cells, color=ORANGE, linewidth=1.1)
        axes.set_title(f"{pair[0]} → {pair[1]}", fontsize=7, pad=2)
        axes.set_xlim(-0.3 * hold_ms, reach)
        axes.set_ylim(-0.3, 1.5)
        axes.tick_params(labelsize=6)
        axes.axhline(1, color=GREY, linewidth=0.4)
        axes.axhline(0, color=GREY, linewidth=0.4)
    for k in range(len(chosen), lines * columns):
        grid[k // columns][k % columns].axis("off")
    for axes in grid[-1]:
        axes.set_xlabel("ms", fontsize=7)
    return len(chosen)


def _slit_step(shot: Any, s: Any, pair: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the age since the slit's switch, refreshes, and its light normalised between the pair's levels."""
    m, slit = shot.motion, s.slit
    time, light = _timed(shot, s)
    centre = slit.x_px + slit.width_px / 2
    clock = time + m.start_at(centre, s.v_row, shot.layout) - m.delay - m.delay_at(centre, s.v_row, shot.layout)
    rising = pair[0] < pair[1]
    black = float(shot.tone.law(0))
    start, end = ((float(shot.tone.law(x)) - black) / (1 - black) for x in pair)
    switch = slit.phase_refreshes + (0 if rising else slit.on_refreshes)
    age = (clock - switch + 1.0) % slit.period_refreshes - 1.0
    length = slit.on_refreshes if rising else slit.period_refreshes - slit.on_refreshes
    use = (time > 0.2) & (time < m.exposure - 0.2) & (age > -0.9) & (age < length - 1.0)
    return age[use], ((light - start) / (end - start))[use]


def profile_picture(shot: Any, hold_ms: float) -> Picture:
    """Draw every transition's profile with its fit and, below, what is left, in a matrix of from and to levels."""
    levels = sorted({x for pair in shot.layout.transitions() for x in pair})
    index = {pair: i for i, pair in enumerate(shot.pairs)}
    n = len(levels)
    cell = 2.0 if n <= 6 else 1.5
    wide_in, tall_in = cell * n + 0.9, cell * n + 1.0
    figure = new_figure(wide_in, tall_in)
    figure.set_layout_engine("none")
    left, right, low, high = 0.75 / wide_in, 1 - 0.05 / wide_in, 0.35 / tall_in, 1 - 0.6 / tall_in
    wide, tall = (right - left) / n, (high - low) / n
    v = shot.layout.px_per_refresh
    lag = shot.profiles.lag_px / v
    x_low, x_high = max(lag[0], -1.0), min(lag[-1], 4.5)
    misfits = np.abs(np.concatenate([f.esf - f.esf_fit for f in shot.fits])) * 100
    limit = next((x for x in (0.5, 1, 2, 5, 10) if np.percentile(misfits, 99.5) < x), 20)
    worst = 0.0
    for r, a in enumerate(levels):
        for c, b in enumerate(levels):
            box = (left + c * wide + 0.1 * wide, high - (r + 1) * tall + 0.1 * tall, 0.86 * wide, 0.8 * tall)
            if a == b:
                continue
            i = index.get((a, b))
            if i is None:
                axes = figure.add_axes(box)
                axes.axis("off")
                axes.text(0.5, 0.5, "not in the photo", ha="center", va="center", fontsize=6, color=GREY)
                continue
            rim = (r == n - 1 or (r == n - 2 and c == n - 1), c == 0 or (c == 1 and r == 0))
            worst = max(worst, _draw_profile(figure, box, shot, i, lag, (x_low, x_high), hold_ms, rim, limit))
    figure.text(0.08 / wide_in, (low + high) / 2, "from level", rotation=90, va="center", fontsize=9)
    figure.text((left + right) / 2, 0.06 / tall_in, "refreshes behind the edge", ha="center", fontsize=8)
    for k, level in enumerate(levels):
        across, down = left + (k + 0.53) * wide, high - (k + 0.45) * tall
        figure.text(across, high + 0.03 / tall_in, f"{level}", ha="center", fontsize=9, weight="bold")
        figure.text(left - 0.12 / wide_in, down, f"{level}", va="center", ha="right", fontsize=9, weight="bold")
    figure.text((left + right) / 2, high + 0.23 / tall_in, "to level", ha="center", fontsize=9)
    figure.text(
        (left + right) / 2, high + 0.45 / tall_in, "Profiles in light. Points: mean of the instances; line: fit. "
        f"Below: misfit ±{limit:g} % of the transition; grey: noise, 95 %", ha="center", fontsize=9,
    )  # fmt: skip
    alt = (
        f"Measured and fitted edge profiles of {len(shot.pairs)} transitions; the largest rms misfit is "
        f"{100 * worst:.2f} % of the transition."
    )
    return Picture(figure=figure, alt=alt)


def _draw_profile(
    figure: Any, box: tuple[float, ...], shot: Any, i: int, lag: np.ndarray, reach: tuple[float, float], hold_ms: float,
    rim: tuple[bool, bool], limit: float,
) -> float:  # fmt: skip
    x0, y0, width, height = box
    top = figure.add_axes((x0, y0 + 0.3 * height, width, 0.7 * height))
    below = figure.add_axes((x0, y0, width, 0.26 * height))
    fit = shot.fits[i]
    misfit = fit.esf - fit.esf_fit
    top.plot(lag, fit.esf, ".", color=BLUE, markersize=2.2)
    top.plot(lag, fit.esf_fit, color=ORANGE, linewidth=1)
    top.axhline(1, color=GREY, linewidth=0.4)
    top.axhline(0, color=GREY, linewidth=0.4)
    below.axhline(0, color=GREY, linewidth=0.4)
    sigma = 100 * shot.profiles.sigma[i]
    below.fill_between(lag, -2 * sigma, 2 * sigma, color="#DDE6EE", linewidth=0)
    below.plot(lag, np.clip(100 * misfit, -limit, limit), color=BLUE, linewidth=0.6)
    for axes in (top, below):
        axes.set_xlim(*reach)
        axes.tick_params(labelsize=5, length=2, pad=1)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    top.set_ylim(-0.12, 1.28)
    top.set_xticklabels([])
    top.set_yticks([0, 1])
    below.set_ylim(-1.05 * limit, 1.05 * limit)
    below.set_yticks([-limit, limit])
    if not rim[0]:
        below.set_xticklabels([])
    if not rim[1]:
        top.set_yticklabels([])
        below.set_yticklabels([])
    bet, u95 = fit.value["bew"] * hold_ms, fit.u95["bew"] * hold_ms
    text = f"BET {bet:.2f} ± {u95:.2f} ms\n{fit.family}\nn = {int(shot.instances[i])}"
    top.text(0.98, 0.13, text, transform=top.transAxes, ha="right", va="bottom", fontsize=5.2, linespacing=1.15)
    return float(np.sqrt(np.mean(misfit**2)))
