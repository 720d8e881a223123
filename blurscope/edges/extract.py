"""Profiles of every visible edge: light against lag, averaged over the rows of its band."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout

FRONT = 0.32  # of a field, ahead of the edge
MAX_ROWS = 160
ENOUGH_ROWS = 12  # of a band, that are left when rows of the photo are averaged first
JPEG_BLOCK = 8.0  # campx
LEAST_STEP = 1e-9  # of light
FEW = 5  # every so many samples are looked at for clipping


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeProfiles:
    """All instances of all transitions.

    Attributes
    ----------
    lag_px : (m,) float
        Common grid, uniform.
    step_px, samples_per_bin : float, int
        Grid step and how many interpolated samples each bin averages.
    sampling_px2 : float
        Variance that reading between camera pixels and averaging samples adds along the motion.
    rows : float
        Rows of the photo that a sample averages.
    esf : (n, m) float
        Normalised with the instance's own plateaus: from 0, to 1.
    sigma_from, sigma_to : (n,) float
        Noise of a sample on the from and to plateau, in units of the step.
    correlation : float
        Variance of a mean of many samples over that of independent ones.
    step_light, from_light : (n,) float
        To minus from, and the from plateau, in the units of ``tone.decode`` with the flat field divided out.
    from_slope : (n,) float
        Drift of the from plateau over its length, in units of the step.
    from_level, to_level : (n,) int
    block, u_px, v_row : (n,)
        Band, plate position of the drawn edge, middle row.
    campx_per_px : (n,) float
    extra_px2 : (n,) float
        Variance of the blur along the motion beyond that of the middle of the frame.
    clipped, crushed : (n,) bool
    """

    lag_px: np.ndarray
    step_px: float
    samples_per_bin: int
    sampling_px2: float
    rows: float
    esf: np.ndarray
    sigma_from: np.ndarray
    sigma_to: np.ndarray
    correlation: float
    step_light: np.ndarray
    from_light: np.ndarray
    from_slope: np.ndarray
    from_level: np.ndarray
    to_level: np.ndarray
    block: np.ndarray
    u_px: np.ndarray
    v_row: np.ndarray
    campx_per_px: np.ndarray
    extra_px2: np.ndarray
    clipped: np.ndarray
    crushed: np.ndarray


def visible(layout: Layout, lit: tuple[float, float]) -> list[tuple[int, float, int, int]]:
    """Return (block, u, from, to) of every edge copy whose profile window lies within ``lit``."""
    front = FRONT * layout.field_px
    back = layout.field_px
    low, high = (lit[0] + back, lit[1] - front) if layout.sign > 0 else (lit[0] + front, lit[1] - back)
    return [(e.block, u, e.from_level, e.to_level) for _, e, u in layout.edge_copies(low, high)]


def lags_of(layout: Layout, scale: float, blur_px: float) -> tuple[np.ndarray, int]:
    """Return the lags at which a profile is sampled, a camera pixel apart, px, and how many of them a bin averages.

    Parameters
    ----------
    layout : Layout
    scale : float
        campx per px.
    blur_px : float
        As for `extract_edges`.
    """
    per_bin = max(1, round(layout.px_per_refresh / 24 * scale))
    ahead = FRONT * layout.field_px
    behind = layout.field_px - 2.0 - 3 * blur_px
    bins = int((ahead + behind) / (per_bin / scale))
    return -ahead + (np.arange(bins * per_bin) + 0.5) / scale, per_bin


def rows_of_band(
    height_px: float, scale: float, blur_px: float, joined: int, whole_rows: bool = False
) -> tuple[float, int, int]:
    """Return how much of a band's height is used, px, how many rows of the photo are averaged first, and rows of those.

    Parameters
    ----------
    height_px : float
        Of the band.
    scale : float
        campx per px.
    blur_px, whole_rows
        As for `extract_edges`.
    joined : int
        Rows of the photo that may be averaged at most.
    """
    # JPEG rings over its blocks of 8 x 8: keep that far from the neighbouring band where there is room
    ringing = min(JPEG_BLOCK / scale, 0.22 * height_px)
    rows = max(1, min(joined, int((height_px - 2 * max(ringing, 3.2 * blur_px)) * scale / ENOUGH_ROWS)))
    margin = min(max(1.2, 3.2 * blur_px + 0.5 * rows / scale + 0.3), 3.5)
    inner = max(2.0, height_px - 2 * max(margin, ringing))
    if whole_rows:
        inner = float(int(inner))
    return inner, rows, min(max(round(inner * scale / rows), 3), MAX_ROWS)


def extract_edges(
    codes: np.ndarray,
    pose: Any,
    layout: Layout,
    lit: tuple[float, float],
    tone: Any,
    blur_px: float,
    whole_rows: bool = False,
) -> EdgeProfiles:
    """Sample every visible edge.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
    pose : object with ``photo_grids``, ``level_rows`` and ``scale_at``
    layout : Layout
    lit : (float, float)
        Range of ``u`` fully exposed.
    tone : object with ``decode`` (increasing), ``window`` and ``even_line``
    blur_px : float
        Rough blur across the motion, display px: rows nearer to the band's border than its reach are left out.
    whole_rows : bool
        Average whole rows of the display, as its dark gaps show.
    """
    middle = (lit[0] + lit[1]) / 2
    scale = float(np.mean(pose.scale_at(middle, layout.height_px / 2)))
    fine = 1.0 / scale
    lag_fine, per_bin = lags_of(layout, scale, blur_px)
    step = fine * per_bin
    lag = lag_fine.reshape(-1, per_bin).mean(axis=1)
    bins = len(lag)
    edges = visible(layout, lit)
    joined = pose.level_rows(lit, layout.height_px)
    top_code = len(tone.decode) - 1
    clip_light = float(tone.decode[top_code - max(1, top_code // 256)])
    low_light = float(tone.decode[0])
    grids, joins = [], []
    for block, u, _, _ in edges:
        band = layout.blocks[block]
        inner, rows, count = rows_of_band(band.height_px, scale, blur_px, joined, whole_rows)
        middle, half = band.top_row + band.height_px / 2, 0.5 * inner * (1 - 1 / count)
        along = (u - layout.sign * lag_fine[0], u - layout.sign * lag_fine[-1], len(lag_fine))
        grids.append((along, (middle - half, middle + half, count)))
        joins.append(rows)

    def read(item: tuple) -> tuple | None:
        (block, u, a, b), join, (x, y) = item
        band, count = layout.blocks[block], len(x)
        window = tone.window(codes, x, y, margin=join, keep_off=1)
        if window is None:
            return None
        phase = x[count // 2] % 1.0
        clipped = crushed = False
        least, most = cv2.minMaxLoc(window.codes)[:2]
        if tone.decode[int(most)] >= clip_light or tone.decode[int(least)] <= low_light:
            few = window.at(x[:, ::FEW], y[:, ::FEW])
            clipped = np.count_nonzero(few >= clip_light) > 0.02 * few.size
            crushed = np.count_nonzero(few <= low_light) > 0.3 * few.size
        picked = window.joined(join).at(x, y)
        line = np.add.reduce(np.add.reduce(picked, axis=0).reshape(bins, per_bin), axis=1) / (count * per_bin)
        ends = (x[0, 0], x[0, -1]), (y[count // 2, 0], y[count // 2, -1])
        rows = (block, u, band.top_row + band.height_px / 2, a, b, clipped, crushed)
        return line, ends, rows, float(phase @ (1 - phase)) / len(phase), count * join

    found = [x for x in map(read, zip(edges, joins, pose.photo_grids(grids), strict=True)) if x]
    if not found:
        return _empty(lag, step, per_bin)
    kept, ends, rows_of, between, averaged = zip(*found, strict=True)
    gx, gy = np.linspace(*np.array(ends, float).T, bins, axis=-1)
    lines = tone.even_line(np.array(kept), gx, gy, step)
    start, end = lag < -0.05 * layout.field_px - 2 * blur_px, lag > lag[-1] - 0.18 * layout.field_px
    out = _normalise(lag, step, per_bin, lines, rows_of, start, end, scale)
    quantum = rounding_sd(tone.decode)
    from_q = np.interp(out.from_light, tone.decode, quantum) / np.abs(out.step_light)
    to_q = np.interp(out.from_light + out.step_light, tone.decode, quantum) / np.abs(out.step_light)
    sampling = float(np.mean(between)) * fine**2 + (per_bin**2 - 1) / 12 * fine**2
    noise_from, noise_to = np.hypot(out.sigma_from, from_q), np.hypot(out.sigma_to, to_q)
    rows = float(np.mean(averaged))
    return replace(out, sampling_px2=sampling, rows=rows, sigma_from=noise_from, sigma_to=noise_to)


def rounding_sd(decode: np.ndarray) -> np.ndarray:
    """Standard deviation of rounding to whole codes, in light, for a few rows that hardly differ (EMVA 1288: 1/12)."""
    return np.gradient(decode.astype(float)) * np.sqrt(1 / 12) * 0.35


def _normalise(lag, step, per_bin, lines, rows_of, start, end, scale) -> EdgeProfiles:
    f, t = lines[:, start].mean(axis=1), lines[:, end].mean(axis=1)
    size = t - f
    size = np.where(np.abs(size) > LEAST_STEP, size, LEAST_STEP)  # a step that isn't there is lost in its noise
    esf = (lines - f[:, None]) / size[:, None]
    sigma_from, cor_a = _noise(esf[:, start])
    sigma_to, cor_b = _noise(esf[:, end])
    x = lag[start] - lag[start].mean()
    slope = esf[:, start] @ x / (x @ x) * (x[-1] - x[0])
    return EdgeProfiles(
        lag_px=lag,
        step_px=step,
        samples_per_bin=per_bin,
        sampling_px2=0.0,
        rows=1.0,
        esf=esf,
        sigma_from=sigma_from,
        sigma_to=sigma_to,
        correlation=float(np.clip(0.5 * (cor_a + cor_b), 0.6, 30.0)),
        step_light=size,
        from_light=f,
        from_slope=slope,
        from_level=np.array([r[3] for r in rows_of]),
        to_level=np.array([r[4] for r in rows_of]),
        block=np.array([r[0] for r in rows_of]),
        u_px=np.array([r[1] for r in rows_of]),
        v_row=np.array([r[2] for r in rows_of]),
        campx_per_px=np.full(len(rows_of), scale),
        extra_px2=np.zeros(len(rows_of)),
        clipped=np.array([r[5] for r in rows_of]),
        crushed=np.array([r[6] for r in rows_of]),
    )


def _noise(plateau: np.ndarray) -> tuple[np.ndarray, float]:
    """Standard deviation of samples about a quadratic, and the inflation of the variance of their mean."""
    n, m = plateau.shape
    x = np.linspace(-1, 1, m)
    basis = np.linalg.qr(np.stack([np.ones(m), x, x * x], axis=1))[0]
    res = plateau - (plateau @ basis) @ basis.T
    dof = m - 3
    sd = np.sqrt((res**2).sum(axis=1) / dof)
    lags = min(8, m // 6)
    norm = res / np.where(sd > 0, sd, 1.0)[:, None]
    total = 1.0
    for k in range(1, lags + 1):
        rho = float(np.mean((norm[:, k:] * norm[:, :-k]).sum(axis=1) / dof)) + 3.0 / m
        if rho < 0.02:
            break
        total += 2 * rho
    return np.maximum(sd, 1e-5), total


def _empty(lag, step, per_bin) -> EdgeProfiles:
    none = np.empty(0)
    return EdgeProfiles(
        lag_px=lag,
        step_px=step,
        samples_per_bin=per_bin,
        sampling_px2=0.0,
        rows=1.0,
        esf=np.empty((0, len(lag))),
        correlation=1.0,
        clipped=none.astype(bool),
        crushed=none.astype(bool),
        **{
            k: none
            for k in (
                "sigma_from",
                "sigma_to",
                "step_light",
                "from_light",
                "from_slope",
                "from_level",
                "to_level",
                "block",
                "u_px",
                "v_row",
                "campx_per_px",
                "extra_px2",
            )
        },
    )
