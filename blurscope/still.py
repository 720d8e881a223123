"""The lens blur along the motion, from a still: the plate frozen, the camera at rest."""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope.errors import FitError, TargetError
from blurscope.greys import measure_light
from blurscope.pattern.layout import Layout
from blurscope.photo import Photo
from blurscope.shot import channel_of, stripes_px2
from blurscope.target import Registration, register
from blurscope.target.columns import visible_edges
from blurscope.tracking import place_screen, read_lanes

REACH_PX = 3.0  # half the window around an edge
MAX_ROWS = 24  # camera rows read per edge
MIN_EDGES = 5
MIN_STEP = 0.08  # of white: fainter edges say little about the width
MAX_SIGMA_PX = 2.5
BEW_OF_SIGMA = 2.563  # 10 % to 90 % of a Gaussian edge
ALIKE = 1.3
NO_STEP = 0.7  # of the way of a refresh: edges that take a step of it while the shutter is open are wider
STRIPES_SEEN = 0.8  # of the variance by which luma mixes stripes: the dark side of an edge, as codes, has more of it
LEAST_BLUR_PX = 0.05


def lens_from_still(photo: Photo, layout: Layout) -> tuple[float, float]:
    """Return the Gaussian lens blur along the motion, from the vertical edges of the bands.

    Parameters
    ----------
    photo : Photo
        Of this plate, standing still, taken with the focus and aperture of the pursuit photos.
    layout : Layout

    Returns
    -------
    sigma_px, sd_px : float
        Standard deviation of the blur, display px, the aperture of the camera pixel not included, and its standard
        uncertainty.

    Raises
    ------
    TargetError, FitError
        The photo doesn't show this plate, or the plate moves in it.

    Notes
    -----
    In a still every edge is a step between two levels, seen through the lens and the square camera pixel. The light of
    each single camera pixel is compared with that model at the plate coordinate of its centre, so no interpolation
    adds blur of its own. The median over the edges stands for the photo.
    """
    codes, linear = channel_of(photo)
    try:
        reg = register(codes, layout, linear=linear)
    except TargetError as exc:
        raise TargetError(f"the still can't be used: {exc}") from None
    if reg.turned:
        codes = np.ascontiguousarray(np.rot90(codes))
    tone, across = measure_light(codes, reg, layout, linear=linear, stated=photo.stated_curve)
    _refuse_motion(codes, reg, layout, tone, across.sigma_px)
    found = [
        fit for u, block in _edges(layout, reg.lit_u_px) if (fit := _fit_edge(codes, reg.pose, layout, tone, u, block))
    ]
    if len(found) < MIN_EDGES:
        raise FitError(
            f"only {len(found)} edges of the still are sharp and bright enough for the lens blur: "
            "photograph the frozen plate in focus, white not clipped, with more of it in the frame"
        )
    values, weights = np.array([f[0] for f in found]), np.array([f[1] for f in found])
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    sigma = float(values[order][np.searchsorted(share, 0.5)])
    spread = 1.4826 * float(np.median(np.abs(values - sigma)))
    sigma = float(np.sqrt(max(sigma**2 - STRIPES_SEEN * stripes_px2(photo, reg), LEAST_BLUR_PX**2)))
    return sigma, max(1.25 * spread / np.sqrt(len(values)), 0.01)


def _refuse_motion(codes: np.ndarray, reg: Registration, layout: Layout, tone: Any, blur_px: float) -> None:
    """The plate of a still is sharp: neither edges nor slits are smeared along the motion."""
    if reg.width_px < NO_STEP * layout.px_per_refresh:
        return
    lanes = read_lanes(codes, reg.pose, layout, reg.lit_u_px, tone)
    exposure = place_screen(lanes, layout, reg.lit_u_px)[1] if lanes else 1.0
    if np.isfinite(blur_px) and reg.width_px < ALIKE * BEW_OF_SIGMA * blur_px + 0.5:
        return  # no wider along the motion than across it
    # the lens smears slits as well
    blurred = (4 * blur_px + 1) / layout.px_per_refresh if np.isfinite(blur_px) else 0.0
    if exposure >= max(0.5, blurred):
        raise FitError(
            f"the plate moves in the still (its edges are {reg.width_px:.1f} px wide and its slits smeared over "
            f"{exposure:.1f} refreshes): freeze the plate, keep the camera at rest, and take it again"
        )


def _edges(layout: Layout, lit: tuple[float, float]) -> list[tuple[float, Any]]:
    """Return (u, band) of every edge copy in sight, a window away from the ends.

    The registration puts the start of the earliest edges at the drawn edge, which in a still is the edge itself.
    """
    _, at, band, _ = visible_edges(layout, (lit[0] + REACH_PX, lit[1] - REACH_PX))
    return [(float(u), layout.blocks[int(b)]) for u, b in zip(at, band, strict=True)]


def _fit_edge(
    codes: np.ndarray, pose: Any, layout: Layout, tone: Any, u: float, block: Any
) -> tuple[float, float] | None:
    """Fit step, place and width to the camera pixels around one edge; return sigma and the squared step."""
    from scipy.special import ndtr

    top, bottom = block.top_row + 0.25 * block.height_px, block.end_row - 0.25 * block.height_px
    px, py = pose.to_photo(
        np.array([u - REACH_PX, u + REACH_PX] * 2), np.array([top, top, bottom, bottom], dtype=float)
    )
    h, w = codes.shape
    x0, x1, y0, y1 = int(px.min()), int(px.max()) + 2, int(py.min()), int(py.max()) + 2
    if x0 < 1 or y0 < 1 or x1 > w - 1 or y1 > h - 1:
        return None
    step = max(1, (y1 - y0) // MAX_ROWS)
    yy, xx = np.mgrid[y0:y1:step, x0:x1]
    uu, vv = pose.to_plate(xx, yy)
    use = (np.abs(uu - u) < REACH_PX) & (vv > top) & (vv < bottom)
    if use.sum() < 30:
        return None
    s = uu[use] - u
    light = tone.decode[codes[y0:y1:step, x0:x1][use]].astype(float)
    pixel = 1 / pose.scale_at(u, (top + bottom) / 2)[0]
    place, sigma = 0.0, max(0.5, 0.6 * pixel)
    # start where the light is half way
    ends = light[s < -0.7 * REACH_PX].mean(), light[s > 0.7 * REACH_PX].mean()
    if abs(ends[1] - ends[0]) < MIN_STEP * float(tone.decode[-1]):
        return None
    place = float(np.clip(REACH_PX - np.mean((light - ends[0]) / (ends[1] - ends[0])) * 2 * REACH_PX, -2, 2))
    nodes, weights = np.polynomial.legendre.leggauss(5)
    delta = np.full(4, np.inf)
    for _ in range(40):
        z = (s[:, None] + 0.5 * pixel * nodes - place) / sigma
        cdf = 0.5 * ndtr(z) @ weights
        pdf = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        linear = np.stack([1 - cdf, cdf], axis=1)
        coef, *_ = np.linalg.lstsq(linear, light, rcond=None)
        rise = coef[1] - coef[0]
        shift, widen = -rise * 0.5 * pdf @ weights / sigma, -rise * 0.5 * (pdf * z) @ weights / sigma
        jac = np.column_stack([linear, shift, widen])
        delta, *_ = np.linalg.lstsq(jac, light - linear @ coef, rcond=None)
        place += float(np.clip(delta[2], -0.3, 0.3))
        sigma = float(np.clip(sigma + np.clip(delta[3], -0.3 * sigma, 0.3 * sigma), 0.03, 4.0))
        if abs(delta[3]) < 1e-5:
            break
    if abs(place) > 0.8 * REACH_PX or sigma > MAX_SIGMA_PX or not np.isfinite(sigma):
        return None
    return sigma, float(rise * rise)
