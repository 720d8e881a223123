"""The static stripes of a planned photo: which curve and lens blur they would show, and how well."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from blurscope.greys import measure_light
from blurscope.light import Lens, Tone
from blurscope.pattern.layout import Block, Layout
from blurscope.plan.shooting import BLACK, GAMMA, Shooting, codes_of
from blurscope.target import Pose

MOST_PX = 460.0  # along the motion: stripes are read in places, which need no more
MARGIN_PX = 2.0
BESIDE_CAMPX = 8  # rows beside the stripes
FINE = 8  # steps per campx
SETTLED = 0.1, 0.45  # of a field, ahead of the edge that ends it
STATIC = ("black", "grey", "halftone", "dither")


class _Frame(NamedTuple):
    """What of a photo's registration the stripes need."""

    pose: Pose
    lit_u_px: tuple[float, float]
    campx_per_px: float


def law(level: np.ndarray | float) -> np.ndarray:
    """Return an ordinary display's light at levels."""
    return BLACK + (1 - BLACK) * (np.asarray(level, float) / 255) ** GAMMA


def see_stripes(layout: Layout, shooting: Shooting, rng: np.random.Generator) -> tuple[Tone, Lens]:
    """Draw the stripes as the sensor sees them and measure curve, law and lens blur across the motion."""
    scale = shooting.campx_per_px
    span = min(MOST_PX, layout.width_px - 2 * MARGIN_PX)
    width, height = (int(np.ceil((px + 2 * MARGIN_PX) * scale)) for px in (span, layout.height_px))
    fine = (np.arange(height * FINE) + 0.5) / FINE / scale - MARGIN_PX
    light, static = _rows(layout)
    rows = np.clip(np.floor(fine).astype(int), -1, layout.height_px) + 1
    blurred = _blurred(light[rows], shooting.lens_sigma_campx * FINE).reshape(height, FINE).mean(axis=1)
    near = np.convolve(static[rows[::FINE]], np.ones(2 * BESIDE_CAMPX + 1), "same") > 0
    codes = np.zeros((height, width), np.uint8)
    codes[near] = codes_of(np.repeat(blurred[near, None], width, axis=1), shooting.camera, rng)
    for rows, columns in _white_fields(layout, span):
        here = tuple(slice(*((np.array(px) + MARGIN_PX) * scale).astype(int).clip(0)) for px in (rows, columns))
        if codes[here].size:  # none of a field that begins beyond the end
            codes[here] = codes_of(np.ones(codes[here].shape), shooting.camera, rng)
    offset = 0.5 / scale - MARGIN_PX
    matrix = np.array([[1 / scale, 0.0, offset], [0.0, 1 / scale, offset], [0.0, 0.0, 1.0]])
    pose = Pose(matrix=matrix, k1=0.0, k2=0.0, centre=(0.0, 0.0), radius=1.0)
    return measure_light(codes, _Frame(pose, (0.0, span), scale), layout, linear=False)


def _white_fields(layout: Layout, span: float) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return the rows and columns of the bands' white fields that have settled, px."""
    out = []
    for _, edge, u in layout.edge_copies(0.0, span):
        if edge.from_level == 255:
            block = layout.blocks[edge.block]
            first, last = sorted(u + layout.sign * share * layout.field_px for share in SETTLED)
            out.append(((block.top_row, block.end_row), (first, min(last, span))))
    return out


def _rows(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Return the light of each row of the plate, and whether it is a static stripe's; a row more at both ends."""
    light, static = np.full(layout.height_px + 2, BLACK), np.zeros(layout.height_px + 2)
    for block in layout.blocks:
        mine = slice(block.top_row + 1, block.end_row + 1)
        light[mine], static[mine] = _light_of(block), float(block.kind in STATIC)
    return light, static


def _light_of(block: Block) -> np.ndarray:
    """Return the light of a block's rows, in the mean along the motion."""
    lit = np.zeros(block.height_px)
    if block.kind == "halftone":
        lit[np.isin(np.arange(block.height_px) % block.period_px, block.lit)] = 1.0
    elif block.kind == "dither":
        lit[:] = len(block.lit) / block.period_px
    elif block.kind == "grey":
        return np.full(block.height_px, float(law(block.level)))
    return BLACK + (1 - BLACK) * lit


def _blurred(light: np.ndarray, sigma: float) -> np.ndarray:
    half = int(np.ceil(4 * sigma)) + 1
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / max(sigma, 1e-3)) ** 2)
    return np.convolve(np.pad(light, half, mode="edge"), kernel / kernel.sum(), "valid")
