"""What a clip of a camera at rest can't show unless it is damaged.

Stripes and dark rows never change. Bands and the drawing are at each place of the screen what they were one refresh
before, a step of the plate away, wherever in the refresh a row switches and however slow the pixels are. An area that
departs from both is no picture of the display: many decoders patch up what they can't read without a word. What its
coding leaves a clip's frames to depart by is much the same in all of them, so that a frame far worse is a damaged one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
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
# were 17, 20 and 12; no source
STILL_LIMIT, MOVING_LIMIT, STRIPE_LIMIT = 16.0, 25.0, 40.0
# codes, and times what the clip's quieter frames depart by at most, from which a frame is odd
LEAST, UNUSUAL, QUIETER = 8.0, 6.0, 25.0
SWINGING = 0.01  # by which share rows get brighter or darker where frames are not alike: a modulated backlight
LIT, MOST_GAIN = 30.0, 1.35  # codes from which an area tells by how much its row is brighter, and the most of that
COARSE, MOST_COARSE = 0.03, 3.0  # bits per pixel below which the limits grow, with their square root; no source
LEAST_SHARE = 1 / 3  # of the time from frame to frame that frames are taken to be exposed for, at least
CODES_FROM_BLACK = 1 / 2.2  # how codes go with light
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
    """Compares each frame with those around one refresh before it and after it.

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
        self._past: deque[tuple[int, np.ndarray]] = deque(maxlen=int(np.ceil(1 / spacing)) + 1)
        self._total, self._count = np.zeros(self._map[0].shape, np.float32), 0
        self._swings: list[float] = []
        # by whether the area moves and by frame: largest departure from one refresh before and after, and its row
        self._found: dict[bool, dict[int, dict[bool, tuple[float, int]]]] = {True: {}, False: {}}

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
        self._past.append((index, seen))
        if (index - self._past[0][0]) * self._spacing >= 1 - 1e-6:
            self._compare(index, seen, forward=True)
            self._compare(*self._past[0], forward=False)

    def _compare(self, index: int, seen: np.ndarray, *, forward: bool) -> None:
        """Note the area that departs most from the range of the frames one refresh ago, or of those one after.

        Both ways, as frames that are damaged one after the other widen the range, for a sound one to lie in.
        """
        sign = 1 if forward else -1
        away = [(abs(sign * (index - i) - 1 / self._spacing), s) for i, s in self._past]
        near = sorted(((off, s) for off, s in away if off < 1 - 1e-6), key=lambda pair: pair[0])
        if not near:
            return
        off, nearest = near[0]
        low, high = np.min([s for _, s in near], axis=0), np.max([s for _, s in near], axis=0)
        if not self._swinging():  # in so short a time no pixel can have gone further towards the next frame
            part = np.float32(min(1.0, (off / LEAST_SHARE) ** CODES_FROM_BLACK))
            low, high = nearest + part * (low - nearest), nearest + part * (high - nearest)
        tiles = self._tiles(seen, 0)
        # a refresh that the display left out or did twice is no damage: the plate may also stand still or go two steps
        bounds = [(self._tiles(low, sign * n), self._tiles(high, sign * n)) for n in (0, 1, 2)]
        gains = [_gain(tiles, *b) for b in bounds]
        ways = [_outside(tiles, *b, gain) for b, gain in zip(bounds, gains, strict=True)]
        still = [not moving for _, moving in self._groups]
        self._swings.append(float(np.median(np.abs(gains[0][still] - 1))) if any(still) else 0.0)
        for i, (first, moving) in enumerate(self._groups):
            off = min(float(way[i].max()) for way in ways) if moving else float(ways[0][i].max())
            ways_of = self._found[moving].setdefault(index, {})
            ways_of[forward] = max(ways_of.get(forward, (0.0, 0)), (off, int(self._rows[first])))

    def _swinging(self) -> bool:
        """Whether the rows get brighter and darker."""
        return bool(self._swings) and float(np.median(self._swings)) > SWINGING

    def _tiles(self, picture: np.ndarray, steps: int) -> np.ndarray:
        """Return means over tiles, (groups, tiles), of a picture moved along with the plate by so many refreshes."""
        aside, moved = 2 * abs(self._step), steps * self._step
        inner = picture[:, aside - moved : picture.shape[1] - aside - moved]
        count = inner.shape[1] // TILE_PX
        columns = inner[:, : count * TILE_PX].reshape(len(inner), count, TILE_PX).mean(axis=2)
        return np.array([columns[a:b].mean(axis=0) for a, b in self._spans])

    def departure(self) -> Departure | None:
        """Return the area that departs most beyond its limit, if one does."""
        found = list(self._in_stripes())
        for moving, most in ((True, MOVING_LIMIT), (False, STILL_LIMIT)):
            frames = self._found[moving]
            if not frames:
                continue
            worst = {i: max(ways.values()) for i, ways in frames.items()}
            usual = float(np.percentile([codes for codes, _ in worst.values()], QUIETER))
            limit = most * self._limit
            if not self._swinging():
                limit = min(limit, max(LEAST * self._limit, UNUSUAL * usual))
            # a damaged frame departs from those before and after, which depart from it alone
            odd = max(frames, key=lambda i: (sum(codes for codes, _ in frames[i].values()), i))
            over = max(worst.values())[0] / limit
            found.append(Departure(frame=odd, row=worst[odd][1], codes=worst[odd][0], over=over))
        worst_of_all = max(found, key=lambda d: d.over, default=None)
        return worst_of_all if worst_of_all is not None and worst_of_all.over > 1 else None

    def _in_stripes(self) -> Iterator[Departure]:
        """Yield how uneven stripes are, in which what was wrong from the first frame on shows."""
        mean = self._total / np.float32(max(self._count, 1))
        for block in self._stripes:
            rows = self._still & (self._rows >= block.top_row + 1) & (self._rows < block.end_row - 1)
            count = mean.shape[1] // TILE_PX
            if not rows.any() or count < 3 * ENDS + 4:
                continue
            tiles = mean[rows][:, : count * TILE_PX].reshape(-1, count, TILE_PX).mean(axis=(0, 2))[ENDS:-ENDS]
            at = np.linspace(-1, 1, len(tiles))
            off = float(np.abs(tiles - np.polyval(np.polyfit(at, tiles, 2), at)).max())
            yield Departure(frame=0, row=block.top_row, codes=off, over=off / (STRIPE_LIMIT * self._limit))


def _gain(seen: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return by how much rows are brighter than the middle of a range, (groups, 1): a backlight that is not in step."""
    middle = 0.5 * (low + high)
    ratio = np.where(middle > LIT, seen / np.maximum(middle, LIT), np.nan)
    gain = [np.median(r[~np.isnan(r)]) if not np.isnan(r).all() else 1.0 for r in ratio]
    return np.clip(gain, 1 / MOST_GAIN, MOST_GAIN)[:, None]


def _outside(seen: np.ndarray, low: np.ndarray, high: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Return how far areas lie outside a range, but for a factor of each row."""
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
