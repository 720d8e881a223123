"""Flash figures of a layout, after the general-flash definition of WCAG 2.x (success criterion 2.3.1).

A general flash is a pair of opposing changes of relative luminance of 10 % or more of the maximum, the darker state
below 0.8. Three in any second are allowed, or any number on less than a quarter of any 10 degree field. As in WCAG's
own example the 10 degree field is taken as a third of the screen each way (341 x 256 of 1024 x 768 px). The figures
are no safety certification.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope.pattern.circuit import MAX_DARKER_STATE, MIN_FLASH_SWING
from blurscope.pattern.layout import Layout

MAX_FLASHES_PER_S = 3
MAX_SHARE = 0.25
GAMMA = 2.2


def safety_figures(layout: Layout) -> dict[str, Any]:
    """Return the worst flash rates and the flashing share of a 10 degree field.

    Returns
    -------
    dict
        ``worst_field_hz`` (most flashes in any second at a pixel of the bands), ``worst_pixel_hz`` (the same over the
        whole screen), ``flashing_share_10deg`` (largest share of a 10 degree field whose pixels flash more than three
        times in a second), ``passes``.
    """
    window = max(1, round(layout.refresh_hz))
    fields = np.repeat(np.array(layout.circuit), layout.field_refreshes)
    worst_field = _most_flashes(fields, window)
    rate = np.zeros((layout.height_px, layout.width_px), np.float32)
    worst = worst_field
    slit_rates: dict[tuple[int, ...], float] = {}
    for block in layout.blocks:
        if block.kind == "band":
            rate[block.top_row : block.end_row] = worst_field
        elif block.kind == "picture":
            per_row = _picture_rates(layout, block.height_px, window)
            rate[block.top_row : block.end_row] = per_row[:, None]
            worst = max(worst, float(per_row.max()))
        for slit in block.slits:
            kind = (slit.low_level, slit.high_level, slit.period_refreshes, slit.on_refreshes)
            if kind not in slit_rates:  # the phase makes no difference
                codes = np.array([slit.level_at(n) for n in range(slit.period_refreshes)])
                slit_rates[kind] = _most_flashes(codes, window)
            flashes = slit_rates[kind]
            worst = max(worst, flashes)
            rows = slice(block.top_row + block.surround_px, block.end_row)
            rate[rows, slit.x_px : slit.x_px + slit.width_px] = flashes
    share = _largest_share(rate > MAX_FLASHES_PER_S)
    return {
        "worst_field_hz": float(worst_field),
        "worst_pixel_hz": float(worst),
        "flashing_share_10deg": share,
        "field_10deg_px": [layout.width_px // 3, layout.height_px // 3],
        "passes": bool(share < MAX_SHARE),
        "criterion": "WCAG 2.3.1 general flash; not a safety certification",
    }


def _most_flashes(codes: np.ndarray, window: int) -> float:
    """Most flashes in any window of a periodic code sequence (one entry per refresh)."""
    return float(_rates(np.asarray(codes)[:, None], window)[0])


def _rates(codes: np.ndarray, window: int) -> np.ndarray:
    """Most flashes in any window of ``window`` refreshes, for periodic sequences side by side.

    Parameters
    ----------
    codes : (period, n) array
        Codes 0 to 255, one row per refresh.

    Notes
    -----
    A change counts where it is complete, so one that began before the window counts in it.
    """
    light = ((np.arange(256) / 255) ** GAMMA)[codes]
    period, count = light.shape
    turns = -(-(window + period) // period) + 1
    direction = np.zeros(count, np.int8)
    low, high = light[0].copy(), light[0].copy()
    changes = np.zeros((turns * period + 1, count), np.int32)  # running number of complete changes
    for n in range(turns * period):
        value = light[n % period]
        np.minimum(low, value, out=low)
        np.maximum(high, value, out=high)
        rose = (value - low >= MIN_FLASH_SWING) & (low < MAX_DARKER_STATE) & (direction != 1)
        fell = (high - value >= MIN_FLASH_SWING) & (value < MAX_DARKER_STATE) & (direction != -1) & ~rose
        turned = rose | fell
        direction[rose], direction[fell] = 1, -1
        low = np.where(turned, value, np.where(direction == 1, high, low))
        high = np.where(turned, value, np.where(direction == -1, low, high))
        changes[n + 1] = changes[n] + turned
    last = turns * period - window + 1
    return (changes[window:] - changes[:last]).max(axis=0) // 2


def _picture_rates(layout: Layout, height: int, window: int) -> np.ndarray:
    """Most flashes in a second of any pixel of each row of the drawing."""
    from blurscope.pattern.drawing import draw_picture

    picture = draw_picture(layout, height)
    step = layout.px_per_refresh
    seen = picture.reshape(height, -1, step)[:, :: -layout.sign]  # row, refresh, pixel within a step
    series = seen.transpose(1, 0, 2).reshape(seen.shape[1], height * step)
    return _rates(series, window).reshape(height, step).max(axis=1).astype(float)


def _largest_share(mask: np.ndarray) -> float:
    """Largest share of true pixels in any window of a third of the screen each way."""
    height, width = mask.shape
    h, w = max(1, height // 3), max(1, width // 3)
    total = np.zeros((height + 1, width + 1), np.int64)
    total[1:, 1:] = mask.cumsum(0).cumsum(1)
    inside = total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w]
    return float(inside.max()) / (h * w)
