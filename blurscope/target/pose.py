"""The map between photo and plate: a homography behind a radial lens distortion."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby

import numpy as np

NODES_ALONG, NODES_ACROSS = 7, 4  # of smooth grids
TOGETHER = 1 << 16  # places of grids of one size that are worked out in one go
MOST_LEAN, MOST_ROWS = 0.15, 4  # campx that a column of the plate leans by within rows that may be averaged, and these
Span = tuple[float, float, int]  # first, last, count


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """Map from campx ``(x, y)`` (pixel centres at whole numbers) to plate coordinates ``(u, v_row)`` in display px.

    Attributes
    ----------
    matrix : (3, 3) float
        ``(u, v, 1) ~ matrix @ (x', y', 1)`` where ``x', y'`` are undistorted and scaled: distance from ``centre``
        over ``radius``.
    k1, k2 : float
        ``r' = r (1 + k1 r^2 + k2 r^4)`` with r in units of ``radius`` (Brown-Conrady radial terms, photo to ideal).
    centre : (float, float)
        campx of the optical axis.
    radius : float
        Half diagonal of the photo, campx.
    """

    matrix: np.ndarray
    k1: float
    k2: float
    centre: tuple[float, float]
    radius: float

    def normalise(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return undistorted, normalised coordinates of campx positions."""
        xn = (x - self.centre[0]) / self.radius
        yn = (y - self.centre[1]) / self.radius
        r2 = xn * xn + yn * yn
        f = 1 + r2 * (self.k1 + self.k2 * r2)
        return xn * f, yn * f

    def to_plate(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return plate ``(u, v_row)`` of campx positions."""
        xn, yn = self.normalise(np.asarray(x, float), np.asarray(y, float))
        m = self.matrix
        w = m[2, 0] * xn + m[2, 1] * yn + m[2, 2]
        return (m[0, 0] * xn + m[0, 1] * yn + m[0, 2]) / w, (m[1, 0] * xn + m[1, 1] * yn + m[1, 2]) / w

    def to_photo(self, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return campx ``(x, y)`` of plate positions (inverse of the distortion by Newton's iteration)."""
        inv = np.linalg.inv(self.matrix)
        u, v = np.asarray(u, float), np.asarray(v, float)
        w = inv[2, 0] * u + inv[2, 1] * v + inv[2, 2]
        xi = (inv[0, 0] * u + inv[0, 1] * v + inv[0, 2]) / w
        yi = (inv[1, 0] * u + inv[1, 1] * v + inv[1, 2]) / w
        xn, yn = xi, yi
        if self.k1 or self.k2:
            ideal = np.hypot(xi, yi)
            r = ideal / (1 + ideal**2 * (self.k1 + self.k2 * ideal**2))
            for _ in range(4):
                r2 = r * r
                slope = 1 + r2 * (3 * self.k1 + 5 * self.k2 * r2)
                r = r - (r * (1 + r2 * (self.k1 + self.k2 * r2)) - ideal) / np.maximum(slope, 0.2)
            ratio = r / np.maximum(ideal, 1e-12)
            xn, yn = xi * ratio, yi * ratio
        return xn * self.radius + self.centre[0], yn * self.radius + self.centre[1]

    def photo_grids(self, grids: list[tuple[Span, Span]]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yield campx ``(x, y)`` of plate grids ``u`` by ``v``, each as first, last, count: float32, a row per ``v``.

        Exact at a few Chebyshev nodes, the polynomial through them between: over a field of the plate perspective and
        distortion are so smooth that it differs from the map itself by less than 1e-3 campx. The exact places of all
        grids are worked out together.
        """
        return _smooth_grids(self.to_photo, grids)

    def plate_grids(self, grids: list[tuple[Span, Span]]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yield plate ``(u, v_row)`` of grids of the photo, as `photo_grids` does."""
        return _smooth_grids(self.to_plate, grids)

    def level_rows(self, lit: tuple[float, float], height_px: float) -> int:
        """Return how many rows of the photo may be averaged as if the plate's columns between ``lit`` stood upright."""
        x, y = self.to_photo(*np.meshgrid(np.linspace(*lit, 3), np.linspace(0.0, height_px, 4)))
        lean = float(np.abs(np.diff(x, axis=0) / np.diff(y, axis=0)).max())
        return max(1, min(MOST_ROWS, int(MOST_LEAN / max(lean, 1e-3))))

    def scale_at(self, u: float, v: float) -> tuple[float, float]:
        """Return campx per display px along u and along v_row at a plate position."""
        du = 0.5
        x, y = self.to_photo(np.array([u - du, u + du, u, u]), np.array([v, v, v - du, v + du]))
        return float(np.hypot(x[1] - x[0], y[1] - y[0])), float(np.hypot(x[3] - x[2], y[3] - y[2]))


def _smooth_grids(exact: Callable, grids: list[tuple[Span, Span]]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    if not grids:
        return
    ends = np.array([[along[:2], across[:2]] for along, across in grids], float)
    spans = np.diff(ends, axis=2)
    first = ends[..., 0][:, :, None, None]
    nodes_a, nodes_b = _lagrange(2, NODES_ALONG)[0], _lagrange(2, NODES_ACROSS)[0]
    at_a = first[:, 0] + spans[:, 0, :, None] * nodes_a
    at_b = first[:, 1] + spans[:, 1, :, None] * nodes_b[:, None]
    x, y = (v.astype(np.float32) for v in exact(*np.broadcast_arrays(at_a, at_b)))
    sizes = [(along[2], across[2]) for along, across in grids]
    done = 0
    for (count_a, count_b), alike in groupby(sizes):
        weights_a, weights_b = _lagrange(count_a, NODES_ALONG)[1].T, _lagrange(count_b, NODES_ACROSS)[1]
        end = done + len(list(alike))
        some = max(1, TOGETHER // (count_a * count_b))
        for first in range(done, end, some):
            mine = slice(first, min(first + some, end))
            yield from zip(weights_b @ (x[mine] @ weights_a), weights_b @ (y[mine] @ weights_a), strict=True)
        done = end


@lru_cache(maxsize=256)
def _lagrange(count: int, nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Return Chebyshev nodes of 0 to 1 and the weight of each at ``count`` even places there, (count, nodes)."""
    cosines = np.cos((np.arange(nodes) + 0.5) * np.pi / nodes)
    order = np.arange(nodes)
    at_nodes = np.cos(order[:, None] * np.arccos(cosines))
    at_places = np.cos(np.arccos(np.linspace(-1, 1, count))[:, None] * order)
    return 0.5 + 0.5 * cosines, (at_places @ np.linalg.inv(at_nodes.T)).astype(np.float32)
