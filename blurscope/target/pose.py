"""The map between photo and plate: a homography behind a radial lens distortion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

NODES_ALONG, NODES_ACROSS = 7, 4  # of smooth grids


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

    def photo_grid(self, u: tuple[float, float, int], v: tuple[float, float, int]) -> tuple[np.ndarray, np.ndarray]:
        """Return campx ``(x, y)`` of a plate grid ``u`` by ``v``, each as first, last, count: (count_v, count_u) float32.

        Exact at a few Chebyshev nodes, the polynomial through them between: over a field of the plate perspective and
        distortion are so smooth that it differs from the map itself by less than 1e-3 campx.
        """
        return _smooth_grid(self.to_photo, u, v)

    def plate_grid(self, x: tuple[float, float, int], y: tuple[float, float, int]) -> tuple[np.ndarray, np.ndarray]:
        """Return plate ``(u, v_row)`` of a photo grid, as `photo_grid` does."""
        return _smooth_grid(self.to_plate, x, y)

    def scale_at(self, u: float, v: float) -> tuple[float, float]:
        """Return campx per display px along u and along v_row at a plate position."""
        du = 0.5
        x, y = self.to_photo(np.array([u - du, u + du, u, u]), np.array([v, v, v - du, v + du]))
        return float(np.hypot(x[1] - x[0], y[1] - y[0])), float(np.hypot(x[3] - x[2], y[3] - y[2]))


def _smooth_grid(exact: Callable, along: tuple[float, float, int], across: tuple[float, float, int]):
    first, last, count = along
    top, bottom, rows = across
    nodes_a, weights_a = _lagrange(count, NODES_ALONG)
    nodes_b, weights_b = _lagrange(rows, NODES_ACROSS)
    both = exact(*np.meshgrid(first + (last - first) * nodes_a, top + (bottom - top) * nodes_b))
    return tuple((weights_b @ values @ weights_a.T).astype(np.float32) for values in both)


@lru_cache(maxsize=256)
def _lagrange(count: int, nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Return Chebyshev nodes of 0 to 1 and the weight of each at ``count`` even places there, (count, nodes)."""
    cosines = np.cos((np.arange(nodes) + 0.5) * np.pi / nodes)
    order = np.arange(nodes)
    at_nodes = np.cos(order[:, None] * np.arccos(cosines))
    at_places = np.cos(np.arccos(np.linspace(-1, 1, count))[:, None] * order)
    return 0.5 + 0.5 * cosines, at_places @ np.linalg.inv(at_nodes.T)
