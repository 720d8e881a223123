"""A pixel's light against time, from frames of a camera at rest: every switch of the bands, pooled by its age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout

BINS = 64  # per refresh of the pooled step
BEFORE = 2  # refreshes before the switch that are kept
ROWS_PER_BAND = 9
MARGIN = 0.2  # of a band's height, at both sides
INNER = 0.25  # of the pixels that switch together, left out at both ends: the lens mixes them with their neighbours
PLATEAU = 1.5  # refreshes at the end that give the to-level


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PooledStep:
    """The light of one transition against the time since its switch, in refreshes.

    Attributes
    ----------
    from_level, to_level : int
    age : (n,) float
        Mean age of the samples of each bin, on the pose's clock.
    light : (n,) float
        0 at the from-level, 1 at the to-level.
    sd : (n,) float
        Standard uncertainty of each.
    count : int
        Samples in all.
    border_px : (k,) float
        How far the places where pixels are read lie from the next pixels that switch at another time.
    levels : (float, float)
        Light of both plateaus, white = 1.
    """

    from_level: int
    to_level: int
    age: np.ndarray
    light: np.ndarray
    sd: np.ndarray
    count: int
    border_px: np.ndarray
    levels: tuple[float, float]


class PixelPool:
    """Collects the light of the bands' pixels by the age of their last switch.

    Parameters
    ----------
    layout : Layout
    place : callable
        ``(x_screen, v_row) -> (x, y)`` in the frames, campx.
    clock_at : callable
        ``(x_screen, v_row) -> refreshes``: what the clock of that place on the screen, by which the plate stands at
        ``u = x - sign v n``, shows at the middle of frame 0.
    spacing : float
        Refreshes from frame to frame.
    gain : callable
        ``(x, y) -> flat field``.
    shape : (int, int)
        Of the frames.
    """

    def __init__(
        self,
        layout: Layout,
        place: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]],
        clock_at: Callable[[np.ndarray, np.ndarray], np.ndarray],
        spacing: float,
        gain: Callable[[np.ndarray, np.ndarray], np.ndarray],
        shape: tuple[int, int],
    ) -> None:
        self.layout, self.spacing = layout, spacing
        v, sign, length = layout.px_per_refresh, layout.sign, layout.field_refreshes
        column = np.arange(layout.width_px)
        xs, rows, firsts, borders = [], [], [], []
        for block in layout.blocks:
            if block.kind != "band":
                continue
            behind = (column + 1 - block.offset_px) if sign > 0 else (block.offset_px - column)
            along = (column + 0.5 - block.offset_px) / v % 1.0
            inner = (along > INNER) & (along < 1 - INNER)
            if not inner.any():
                inner = np.abs(along - 0.5) <= 0.5 / v + 1e-9
            borders.append(np.unique(np.round(v * np.minimum(along, 1 - along)[inner], 3)))
            first = np.ceil(behind / v - 1e-9)
            margin = MARGIN * block.height_px
            for row in np.linspace(block.top_row + margin, block.end_row - margin, ROWS_PER_BAND):
                xs.append(column[inner] + 0.5)
                rows.append(np.full(inner.sum(), row))
                firsts.append(first[inner])
        x, row, self._first = np.concatenate(xs), np.concatenate(rows), np.concatenate(firsts)
        self._border = np.unique(np.concatenate(borders))
        px, py = place(x, row)
        seen = (px > 2) & (py > 2) & (px < shape[1] - 3) & (py < shape[0] - 3)
        x, row, px, py, self._first = x[seen], row[seen], px[seen], py[seen], self._first[seen]
        self._clock = clock_at(x, row)
        self._gain = gain(px, py).astype(np.float32)
        self._x, self._y = px.astype(np.float32)[:, None], py.astype(np.float32)[:, None]
        self._length = length
        n = len(layout.circuit)
        pairs = []
        for i in range(n):
            left, right = layout.circuit[i - 1], layout.circuit[i]
            pairs.append((right, left) if sign > 0 else (left, right))
        self.pairs = sorted(set(pairs))
        self._pair_of = np.array([self.pairs.index(p) for p in pairs])
        self._cells = length * BINS
        size = len(self.pairs) * self._cells
        self._sums = np.zeros((4, size))

    def add(self, index: int, light: np.ndarray) -> None:
        """Add a frame: its light, (h, w) float32."""
        if len(self._first) == 0:
            return
        value = np.concatenate(
            [
                cv2.remap(light, self._x[i : i + 30000], self._y[i : i + 30000], cv2.INTER_LINEAR)[:, 0]
                for i in range(0, len(self._x), 30000)
            ]
        )
        value = value / self._gain
        age = self._clock + index * self.spacing - self._first + BEFORE
        lap = np.floor(age / self._length)
        age -= lap * self._length
        edge = np.mod(-lap if self.layout.sign > 0 else lap, len(self._pair_of)).astype(np.intp)
        cell = np.minimum((age * BINS).astype(np.intp), self._cells - 1)
        key = self._pair_of[edge] * self._cells + cell
        size = self._sums.shape[1]
        for total, weights in zip(self._sums, (None, value, value * value, age - BEFORE), strict=True):
            total += np.bincount(key, weights, size)

    def steps(self) -> list[PooledStep]:
        """Return what each transition's pixels did; transitions without samples on both plateaus are left out."""
        out = []
        sums = self._sums.reshape(4, len(self.pairs), self._cells)
        for i, (a, b) in enumerate(self.pairs):
            count, total, squares, ages = sums[:, i]
            have = count > 0
            n = count[have]
            if len(n) < 8:
                continue
            age, mean = ages[have] / n, total[have] / n
            scatter = np.maximum(squares[have] / n - mean**2, 0)
            before = age < -0.75
            after = age > self._length - BEFORE - PLATEAU
            if before.sum() < 2 or after.sum() < 2:
                continue
            low, high = np.average(mean[before], weights=n[before]), np.average(mean[after], weights=n[after])
            if abs(high - low) < 1e-4:
                continue
            # samples of a bin differ by noise, by place and by what is left of the flat field: at least the typical sd
            sd = np.sqrt(np.maximum(scatter, np.median(scatter)) / n)
            keep = age >= -1
            out.append(
                PooledStep(
                    from_level=a,
                    to_level=b,
                    age=age[keep],
                    light=(mean[keep] - low) / (high - low),
                    sd=sd[keep] / abs(high - low),
                    count=int(n.sum()),
                    border_px=self._border,
                    levels=(float(low), float(high)),
                )
            )
        return out
