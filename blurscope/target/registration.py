"""Registration: from codes and layout to the pose, or a refusal that says what is wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blurscope.errors import TargetError
from blurscope.pattern.layout import Layout
from blurscope.target.columns import find_shift, lit_range, locate_edges
from blurscope.target.pose import Pose
from blurscope.target.rows import RowFix, find_rows, locate_boundaries, reduce_picture, static_boundaries, stripe_tilt
from blurscope.target.solve import fit_columns, fit_rows, square_columns

MIN_BAND_SCORE = 0.6
MIN_EDGES = 8
LEAST_ROWS = 8  # of the plate that a photo has room for, at least
SAME_PX = 0.02  # change of places on the plate from which the edges are looked for again


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """The pose of the plate in the photo and how well it is known.

    Attributes
    ----------
    pose : Pose
    turned : int
        Quarter turns (counter-clockwise) that the codes need before the pose applies (0 or 1).
    mirrored, upside_down : bool
    rms_px : float
        Residual of rows and edges, display px.
    marks_found, marks_expected : int
        Row boundaries and edges used, and how many there could have been.
    lit_u_px : (float, float)
        Range of ``u`` over which the screen is fully exposed.
    scale_u_rel : float
        Standard uncertainty of the scale along the motion, relative.
    score : float
        Correlation of the bands with the pattern.
    width_px : float
        Median rough 10-90 % width of the edges, display px.
    """

    pose: Pose
    turned: int
    mirrored: bool
    upside_down: bool
    rms_px: float
    marks_found: int
    marks_expected: int
    lit_u_px: tuple[float, float]
    scale_u_rel: float
    score: float
    width_px: float
    campx_per_px: float


def rough_decode(full_scale: int, linear: bool) -> np.ndarray:
    """Return a rough code-to-light table: linear, or the inverse sRGB curve (IEC 61966-2-1)."""
    v = np.arange(full_scale + 1) / full_scale
    if linear:
        return v.astype(np.float32)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def register(codes: np.ndarray, layout: Layout, *, linear: bool = False) -> Registration:
    """Find the plate in a photo.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
        One channel of the photo.
    layout : Layout
    linear : bool
        Codes are proportional to light.

    Raises
    ------
    TargetError
        The plate isn't there, is another one, is cut off or too blurred.
    """
    full = 65535 if codes.dtype == np.uint16 else 255
    decode = rough_decode(full, linear)
    small, factor = reduce_picture(codes)
    small /= full
    if linear:
        small = np.sqrt(np.clip(small, 0, 1))
    if float(small.std()) < 0.01:
        raise TargetError("the photo is an even area without any structure: it does not show the plate")
    tilt, upright = stripe_tilt(small)
    turned = 0
    if upright:
        turned = 1
        codes, small = np.rot90(codes), np.ascontiguousarray(np.rot90(small))
        codes = np.ascontiguousarray(codes)
        tilt, upright = stripe_tilt(small)
    fix = find_rows(small, tilt, layout, factor)
    pose = _first_pose(fix, codes.shape, small.shape, factor, layout)
    pose, row_res, row_kept, expected = _rows(codes, layout, pose, decode)
    return _columns(codes, layout, pose, decode, fix, turned, row_res[row_kept], expected)


def _first_pose(fix: RowFix, shape: tuple, small_shape: tuple, factor: int, layout: Layout) -> Pose:
    """Turn the rough map of the rows into a pose that is conformal at the centre."""
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    radius = float(np.hypot(shape[0], shape[1]) / 2)
    c, s = np.cos(fix.tilt_rad), np.sin(fix.tilt_rad)
    # level row (pixel edge = whole number) as an affine function of normalised photo coordinates
    xs = np.array([radius / factor, 0, (centre[0] + 0.5) / factor - small_shape[1] / 2])
    ys = np.array([0, radius / factor, (centre[1] + 0.5) / factor - small_shape[0] / 2])
    row = c * ys - s * xs
    row[2] += small_shape[0] / 2
    half = layout.height_px / 2
    above = row * (1 - fix.bend * half) - np.array([0, 0, fix.shift])
    below = -fix.bend * row + np.array([0, 0, fix.scale])
    if fix.upside_down:
        above = layout.height_px * below - above
    matrix = np.array([[1.0, 0, 0], above, below]) / below[2]
    return square_columns(Pose(matrix=matrix, k1=0.0, k2=0.0, centre=centre, radius=radius), mirrored=False)


def _rows(codes: np.ndarray, layout: Layout, pose: Pose, decode: np.ndarray):
    h, w = codes.shape
    reach = 0.5 * w / max(pose.scale_at(0.0, layout.height_px / 2)[0], 0.3)
    res = kept = None
    stripes = static_boundaries(layout)
    for share, distortion, half, count in ((0.25, 0, 2.6, 7), (0.6, 0, 2.6, 13), (1.0, 1, 2.6, 21), (1.0, 2, 2.2, 25)):
        columns = np.linspace(-share * reach, share * reach, count) * 0.97
        x, y, v, weight = locate_boundaries(codes, pose, stripes, columns, decode, half)
        if len(v) < 20:
            raise TargetError(
                f"only {len(v)} stripe boundaries of the plate were found: it is too blurred across the motion, "
                "or most of it is outside the frame"
            )
        pose, res, kept = fit_rows(x, y, v, weight, pose, distortion=distortion)
        pose = square_columns(pose, mirrored=False)
        _refuse_astray(pose, layout, codes.shape)
    rms = float(np.sqrt(np.mean(res[kept] ** 2)))
    if kept.mean() < 0.5 or rms > 0.6:
        raise TargetError(
            f"the stripes do not lie where the pattern has them (residual {rms:.2f} px, "
            f"{100 * kept.mean():.0f} % kept): the photo shows another plate, or the lens bends too much"
        )
    return pose, res, kept, len(stripes[0]) * count


def _refuse_astray(pose: Pose, layout: Layout, shape: tuple[int, int]) -> None:
    """Refuse a pose that has hardly a row of the plate in the photo: rows were fitted to something else."""
    with np.errstate(all="ignore"):
        size = max(pose.scale_at(0.0, layout.height_px / 2))
    if not size < max(shape) / LEAST_ROWS:
        raise TargetError(
            "the stripes do not lie where the pattern has them: the photo shows another plate, or it is garbled"
        )


def _columns(codes, layout, pose, decode, fix, turned, row_res, rows_expected) -> Registration:
    lit = lit_range(codes, pose, layout, decode)
    if lit is None or lit[1] - lit[0] < 2 * layout.field_px:
        raise TargetError("less than two fields of the plate are in the frame; step back or move the camera")
    shift, mirrored, score = find_shift(codes, pose, layout, lit)
    if score < MIN_BAND_SCORE:
        raise TargetError(
            f"the bands match this pattern only to {max(score, 0):.2f} of 1: it is the photo of another plate, "
            "or the motion is smeared beyond reading"
        )
    m = pose.matrix
    first = -m[0] if mirrored else m[0]
    pose = replace(pose, matrix=np.array([first + shift * m[2], m[1], m[2]]))
    lit = (-lit[1] + shift, -lit[0] + shift) if mirrored else (lit[0] + shift, lit[1] + shift)
    found: dict[str, np.ndarray] = {}
    res = kept = None
    for _ in range(3):
        found = locate_edges(codes, pose, layout, lit, decode)
        # a plate of few levels on a small screen has no more than a handful of edges in sight
        least = min(MIN_EDGES, max(4, round(0.7 * found["expected"])))
        if len(found["x"]) < least:
            raise TargetError(
                f"only {len(found['x'])} edges of the plate could be located: it is too blurred along the motion"
            )
        x, y, before = found["x"], found["y"], pose
        pose, res, kept, scale_rel = fit_columns(pose, x, y, found["u"], found["pair"], found["weight"], mirrored)
        if np.abs(pose.to_plate(x, y)[0] - before.to_plate(x, y)[0]).max() < SAME_PX:
            break
    # put lag 0 near the start of the earliest edges
    ahead = layout.sign * float(np.percentile(found["onset_px"][kept], 5))
    m = pose.matrix
    pose = replace(pose, matrix=np.array([m[0] + ahead * m[2], m[1], m[2]]))
    lit = (lit[0] + ahead, lit[1] + ahead)
    both = np.concatenate([row_res, res[kept]])
    sx, sy = pose.scale_at(float(np.mean(lit)), layout.height_px / 2)
    return Registration(
        pose=pose,
        turned=turned,
        mirrored=mirrored,
        upside_down=fix.upside_down,
        rms_px=float(np.sqrt(np.mean(both**2))),
        marks_found=len(row_res) + int(kept.sum()),
        marks_expected=rows_expected + len(found["x"]),
        lit_u_px=lit,
        scale_u_rel=scale_rel,
        score=score,
        width_px=float(np.nanmedian(found["width_px"][kept])),
        campx_per_px=0.5 * (sx + sy),
    )
