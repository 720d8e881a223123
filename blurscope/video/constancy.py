"""What a clip of a camera at rest can't show unless it is damaged.

Stripes and dark rows never change. Bands and the drawing are at each place of the screen what they were one refresh
before, a step of the plate away, wherever in the refresh a row switches and however slow the pixels are. An area that
departs from both is no picture of the display: many decoders patch up what they can't read without a word.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout

STILL = ("grey", "black", "halftone", "dither")
MOVING = ("band", "picture")
TILE_PX = 8  # side of the areas that are looked at
MOST_SAMPLES = 150_000  # of a frame
KEEP_OFF_PX, KEEP_OFF_CAMPX = 2.0, 4.0  # still rows nearer to moving ones get light from them
# codes of 255; the largest in sound simulated clips (VP8, VP9, MJPEG, MPEG-4, H.264, H.265 down to 0.01 bits per pixel)
# were 8, 17 and 12; no source
STILL_LIMIT, MOVING_LIMIT, STRIPE_LIMIT = 12.0, 25.0, 40.0
LIT, MOST_GAIN = 30.0, 1.35  # codes from which an area tells by how much its row is brighter, and the most of that
COARSE, MOST_COARSE = 0.03, 3.0  # bits per pixel below which the limits grow, with their square root; no source
ENDS = 2  # tiles at both ends of a stripe that are left out


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """An area that can't be what the display showed.

    Attributes
    ----------
    frame : int
        Index of a frame; the fault is in it or one refresh before it.
    row : int
        First row of the plate, px.
    codes : float
        By how much its mean is off, of 255.
    over : float
        That over its limit.
    """

    frame: int
    row: int
    codes: float
    over: float


class Constancy:
    """Compares each frame with those around one refresh before it.

    Parameters
    ----------
    layout : Layout
    pose : object with ``to_photo(u, v_row)``
        Of the plate in any frame.
    lit_u_px : (float, float)
        Range of the screen in the pose's ``u``.
    scale : float
        campx per px.
    spacing : float
        Refreshes from frame to frame.
    bits_per_pixel : float
        Of the file: what is coded coarsely departs by more.
    """

    def __init__(
        self,
        layout: Layout,
        pose: Any,
        *,
        lit_u_px: tuple[float, float],
        scale: float,
        spacing: float,
        bits_per_pixel: float,
    ) -> None:
        u = np.arange(np.ceil(lit_u_px[0]) + 1.5, lit_u_px[1] - 1)
        every = max(1, int(len(u) * layout.height_px / MOST_SAMPLES))
        self._rows = np.arange(0, layout.height_px, every)
        x, y = pose.to_photo(*np.meshgrid(u, self._rows + 0.5))
        self._map = x.astype(np.float32), y.astype(np.float32)
        self._side = max(1, round(scale))
        self._step = layout.sign * layout.px_per_refresh
        self._spacing = spacing
        kind = _kinds(layout, KEEP_OFF_PX + KEEP_OFF_CAMPX / scale)[self._rows]
        groups = _groups(self._rows, kind)
        self._spans, self._groups = [g[:2] for g in groups], [g[::2] for g in groups]
        self._limit = float(np.clip(np.sqrt(COARSE / max(bits_per_pixel, 1e-6)), 1, MOST_COARSE))
        self._stripes = [b for b in layout.blocks if b.kind == "grey"]
        self._still = kind == 1
        self._past: deque[tuple[int, np.ndarray]] = deque(maxlen=int(np.ceil(1 / spacing)) + 2)
        self._total, self._count = np.zeros(self._map[0].shape, np.float32), 0
        self._worst: Departure | None = None

    def add(self, index: int, codes: np.ndarray) -> None:
        """Add the next frame: its codes, (h, w) uint8 or uint16, turned as the pose needs it."""
        soft = cv2.blur(codes, (self._side, self._side))
        seen = cv2.remap(soft, *self._map, cv2.INTER_LINEAR).astype(np.float32)
        if codes.dtype == np.uint16:
            seen *= np.float32(255 / 65535)
        self._total += seen
        self._count += 1
        if seen.shape[1] < 4 * abs(self._step) + TILE_PX:
            return
        before = [s for i, s in self._past if abs((index - i) * self._spacing - 1) < self._spacing * (1 - 1e-6)]
        if before and (index - self._past[0][0]) * self._spacing >= 1 - 1e-6:
            self._compare(index, seen, np.min(before, axis=0), np.max(before, axis=0))
        self._past.append((index, seen))

    def _compare(self, index: int, seen: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        """Note the area that departs most from the range of the frames one refresh ago."""
        tiles = self._tiles(seen, 0)
        # a refresh that the display left out or did twice is no damage: the plate may also stand still or go two steps
        ways = [_outside(tiles, self._tiles(low, n), self._tiles(high, n)) for n in (0, 1, 2)]
        for i, (first, moving) in enumerate(self._groups):
            off = min(float(way[i].max()) for way in ways) if moving else float(ways[0][i].max())
            self._note(index, int(self._rows[first]), off, MOVING_LIMIT if moving else STILL_LIMIT)

    def _tiles(self, picture: np.ndarray, steps: int) -> np.ndarray:
        """Return means over tiles, (groups, tiles), of a picture moved along with the plate by so many refreshes."""
        aside, moved = 2 * abs(self._step), steps * self._step
        inner = picture[:, aside - moved : picture.shape[1] - aside - moved]
        count = inner.shape[1] // TILE_PX
        columns = inner[:, : count * TILE_PX].reshape(len(inner), count, TILE_PX).mean(axis=2)
        return np.array([columns[a:b].mean(axis=0) for a, b in self._spans])

    def _note(self, index: int, row: int, codes: float, limit: float) -> None:
        over = codes / (limit * self._limit)
        if over > 1 and (self._worst is None or over > self._worst.over):
            self._worst = Departure(frame=index, row=row, codes=codes, over=over)

    def departure(self) -> Departure | None:
        """Return the area that departs most beyond its limit, if one does."""
        mean = self._total / np.float32(max(self._count, 1))
        for block in self._stripes:  # what was wrong from the first frame on shows in even stripes
            rows = self._still & (self._rows >= block.top_row + 1) & (self._rows < block.end_row - 1)
            count = mean.shape[1] // TILE_PX
            if not rows.any() or count < 3 * ENDS + 4:
                continue
            tiles = mean[rows][:, : count * TILE_PX].reshape(-1, count, TILE_PX).mean(axis=(0, 2))[ENDS:-ENDS]
            at = np.linspace(-1, 1, len(tiles))
            off = np.abs(tiles - np.polyval(np.polyfit(at, tiles, 2), at)).max()
            self._note(0, block.top_row, float(off), STRIPE_LIMIT)
        return self._worst


def _outside(seen: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return how far areas lie outside a range, but for a factor of each row: a backlight that is not in step."""
    middle = 0.5 * (low + high)
    lit = middle > LIT
    ratio = np.where(lit, seen / np.maximum(middle, LIT), np.nan)
    gain = [np.median(r[~np.isnan(r)]) if not np.isnan(r).all() else 1.0 for r in ratio]
    gain = np.clip(gain, 1 / MOST_GAIN, MOST_GAIN)[:, None]
    return np.maximum(np.maximum(seen - gain * high, gain * low - seen), 0)


def _kinds(layout: Layout, away_px: float) -> np.ndarray:
    """Return for each row 1 if it never changes, 2 if it moves with the plate, 0 if neither is sure."""
    kind = np.zeros(layout.height_px, int)
    for block in layout.blocks:
        if block.kind in STILL:
            kind[block.top_row : block.end_row] = 1
        elif block.kind in MOVING:
            kind[block.top_row + 1 : block.end_row - 1] = 2
    reach = int(np.ceil(away_px))
    other = np.pad(kind != 1, reach, constant_values=True)
    near = np.convolve(other, np.ones(2 * reach + 1), "valid") > 0
    kind[(kind == 1) & near] = 0
    return kind


def _groups(rows: np.ndarray, kind: np.ndarray) -> list[tuple[int, int, bool]]:
    """Return first and end sample row of areas of one kind, at most a tile high, and whether they move."""
    out, first = [], 0
    for k in range(1, len(rows) + 1):
        if k == len(rows) or kind[k] != kind[first] or rows[k] - rows[first] >= TILE_PX:
            if kind[first]:
                out.append((first, k, bool(kind[first] == 2)))
            first = k
    return out
