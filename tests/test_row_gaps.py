"""Photos that show the dark gaps between a display's rows: stripes drawn row by row, much finer than the photo.

Row pitch and lit share of rows as in handhelds' data sheets (common practice, no source).
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d, map_coordinates

from blurscope.light import measure_lens
from blurscope.light.lens import _plane
from blurscope.light.patches import gather
from blurscope.pattern.budget import make_layouts

FINE = 48  # samples per row of the display
SCALE = 3.3  # campx per row
FULL = 0.6  # of full scale: white, averaged over a row
LAYOUT = make_layouts(480, 320, px_per_refresh=6, levels=4)[0][0]
PLACE = SimpleNamespace(
    to_photo=lambda u, v: ((u + 3) * SCALE - 0.5, (v + 3) * SCALE - 0.5),
    to_plate=lambda x, y: ((x + 0.5) / SCALE - 3, (y + 0.5) / SCALE - 3),
    plate_grids=lambda spans: [
        np.broadcast_arrays(
            np.linspace(*x)[None, :] / SCALE - 3 + 0.5 / SCALE, np.linspace(*y)[:, None] / SCALE - 3 + 0.5 / SCALE
        )
        for x, y in spans
    ],
)
TONE = SimpleNamespace(sample=lambda codes, x, y: map_coordinates(codes, [y, x], order=1, output=float))
LIT = (20.0, 120.0)


def stripes(lit_share: float, sigma_px: float) -> np.ndarray:
    """Return a linear photo, 16 bits, of the plate's greys (the rest is dark) behind a Gaussian lens."""
    level = np.zeros(LAYOUT.height_px + 6)
    for block in LAYOUT.blocks:
        if block.kind == "grey":
            level[3 + block.top_row : 3 + block.end_row] = (block.level / 255) ** 2.2
    inside = np.abs((np.arange(FINE) + 0.5) / FINE - 0.5) < lit_share / 2
    light = np.repeat(level, FINE) * np.tile(inside / inside.mean(), len(level))
    light = gaussian_filter1d(light, sigma_px * FINE, truncate=6)
    total = np.concatenate([[0.0], np.cumsum(light)]) / FINE
    borders = np.arange(int(len(level) * SCALE) + 1) / SCALE
    rows = np.diff(np.interp(borders, np.arange(len(total)) / FINE, total)) * SCALE
    return np.tile((rows * FULL * 65535).round().astype(np.uint16)[:, None], (1, int(140 * SCALE)))


@pytest.mark.parametrize("sigma", [0.22, 0.27, 0.32])
@pytest.mark.parametrize("share", [0.6, 0.75, 0.9])
def test_the_blur_is_that_of_the_lens_not_of_the_gaps(share: float, sigma: float):
    found = measure_lens(stripes(share, sigma), PLACE, LAYOUT, LIT, TONE)
    assert found.gaps
    assert abs(found.sigma_px - sigma) < 2 * found.sd_px
    assert found.sd_px < 0.03
    assert found.halo < 0.003  # gaps are no sharpening


@pytest.mark.parametrize("sigma", [0.22, 0.38, 0.6])
def test_rows_without_gaps_have_none(sigma: float):
    found = measure_lens(stripes(1.0, sigma), PLACE, LAYOUT, LIT, TONE)
    assert not found.gaps
    assert found.sigma_px == pytest.approx(sigma, abs=0.012)


def test_greys_of_rows_with_gaps_have_their_light():
    """A photo pixel counts by what it sees of whole rows: the mean is that of the level, wherever the gaps fall."""
    found = gather(stripes(0.6, 0.15), PLACE, LAYOUT, LIT, whole_rows=True)
    whites = [p.codes @ p.weights / 65535 for p in found if p.kind == "grey" and p.level == 255]
    assert len(whites) > 5
    assert np.array(whites) == pytest.approx(FULL, rel=0.006)


def test_a_photo_in_which_all_is_dark_has_no_gaps():
    found = measure_lens(np.zeros_like(stripes(1.0, 0.3)), PLACE, LAYOUT, LIT, TONE)
    assert not found.gaps


def test_boundaries_in_two_groups_leave_a_blur():
    """Clipped stripes beside sound ones: three rows of 13 are narrower by a third, and the rest scatter hardly at all.

    However many rows a robust fit leaves out, the blur is one of those that were seen.
    """
    seen = """
        154 152 151  229 222 222  227 225 224  226 228 222  225 222 220  136 135 136  221 226 218
        224 222 221  226 223 220  224 222 217  223 219 220  225 218 224  147 145 145
    """
    heights = [-0.488, -0.475, -0.462, -0.438, -0.425, -0.055, -0.042, -0.018, 0.008, 0.438, 0.462, 0.475, 0.488]
    variance = np.array(seen.split(), float) / 1000
    at = np.array([np.tile([-0.32, 0.0, 0.32], len(heights)), np.repeat(heights, 3)])
    sigma, sd, _ = _plane(variance, at)
    assert variance.min() < sigma**2 < variance.max() and sd > 0
