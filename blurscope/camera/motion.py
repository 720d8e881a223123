"""Light gathered by a camera that moves along the screen, pixel by pixel and without any blur kernel.

A point of the sensor sees one screen pixel after the other; what it collects from each is the integral of that
pixel's light from the moment the pixel's leading border passes to the moment its trailing border does, within the
exposure. Positions are in display px along the motion of the plate (``x`` grows with the motion), times in refreshes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blurscope.camera.camera import Camera
from blurscope.errors import SettingsError

TREMOR_ROUNDS = 24
MOST_SHAKE = 0.5  # of the speed, up to which those rounds end where they should


@dataclass(frozen=True, slots=True, kw_only=True)
class Travel:
    """Where the camera is: ``speed (t - mid) + accel (t - mid)^2 / 2`` in px, and a tremor.

    The tremor is a sine of ``tremor_px``, ``tremor_per_refresh`` cycles per refresh and, at ``mid``, of the phase
    ``tremor_phase`` (cycles), less its own value there.
    """

    speed: float
    accel: float
    mid: float
    tremor_px: float = 0.0
    tremor_per_refresh: float = 0.0
    tremor_phase: float = 0.0

    def position(self, t: np.ndarray | float) -> np.ndarray:
        """Return the position at times ``t``."""
        s = np.asarray(t, float) - self.mid
        return self.speed * s + 0.5 * self.accel * s * s + self._tremor(s)

    def _tremor(self, s: np.ndarray) -> np.ndarray:
        begin = 2 * np.pi * self.tremor_phase
        return self.tremor_px * (np.sin(2 * np.pi * self.tremor_per_refresh * s + begin) - np.sin(begin))

    def time(self, position: np.ndarray, start: float, end: float) -> np.ndarray:
        """Return when positions are passed, held within ``[start, end]``."""
        p = np.asarray(position, float)
        t = self._time(p, start, end)
        # a tremor is slow beside the camera: every round leaves a small share of what was missing
        for _ in range(TREMOR_ROUNDS if self.tremor_px else 0):
            t = self._time(p - self._tremor(np.clip(t, start, end) - self.mid), start, end)
        return np.clip(t, start, end)

    def _time(self, p: np.ndarray, start: float, end: float) -> np.ndarray:
        if self.accel == 0:
            return self.mid + p / self.speed
        root = self.speed**2 + 2 * self.accel * p
        t = self.mid + 2 * p / (self.speed + np.sqrt(np.maximum(root, 0)))
        # beyond the turning point, outside the exposure by `check`
        return np.where(root < 0, np.where(p > 0, end, start), t)

    def check(self, start: float, end: float) -> None:
        """Refuse a camera that stops or turns back within the exposure."""
        shake = 2 * np.pi * self.tremor_per_refresh * self.tremor_px
        for t in (start, end):
            slowest = self.speed + self.accel * (t - self.mid) - shake
            if slowest <= 0.05 or shake > MOST_SHAKE * self.speed:
                raise SettingsError(
                    "the simulated camera stops or turns back during the exposure; take a smaller tracking error, "
                    "acceleration or tremor"
                )


def travel_of(camera: Camera, px_per_refresh: float, refresh_hz: float) -> Travel:
    """Return the travel of a camera before a plate of this speed."""
    return Travel(
        speed=px_per_refresh + camera.tracking_error_px_per_refresh,
        accel=camera.accel_px_per_refresh2,
        mid=camera.start_phase + camera.exposure_refreshes / 2,
        tremor_px=camera.tremor_px,
        tremor_per_refresh=camera.tremor_hz / refresh_hz,
        tremor_phase=camera.tremor_phase,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Points of the sensor, ``steps`` per display px: ``x = first_px + i + (s + 0.5) / steps``, i < count_px."""

    first_px: int
    count_px: int
    steps: int


def border_times(travel: Travel, grid: Grid, start: float, end: float) -> tuple[int, int, np.ndarray]:
    """Return ``(m_low, m_high, times)``.

    ``m`` is the screen pixel counted from the grid's pixel; ``times[m - m_low, s]`` is when the leading border of
    pixel ``m`` passes the point ``s``, for ``m`` from ``m_low`` to ``m_high + 1`` (the last one closes the last pixel).
    """
    low = math.floor(float(travel.position(start)))
    high = math.floor(float(travel.position(end))) + 1
    m = np.arange(low, high + 2)
    offset = (np.arange(grid.steps) + 0.5) / grid.steps
    return low, high, travel.time(m[:, None] - offset[None, :], start, end)


def gather(lam: np.ndarray, m_low: int, pixel_of: np.ndarray, grid: Grid, out: np.ndarray) -> np.ndarray:
    """Add the light of all screen pixels to the points of the grid.

    Parameters
    ----------
    lam : (rows, histories, m, steps)
        Light of each history integrated from the start of the exposure to the border times.
    pixel_of : (width,) int
        History of each screen pixel along the motion.
    out : (rows, count_px, steps) float32
    """
    borders = np.flatnonzero(np.diff(pixel_of)) + 1
    if len(borders) + 1 <= len(pixel_of) // 4:
        return _gather_runs(lam, m_low, pixel_of, borders, grid, out)
    passes = np.diff(lam, axis=2)
    width = len(pixel_of)
    for k in range(passes.shape[2]):
        first = grid.first_px + m_low + k
        i0, i1 = max(0, -first), min(grid.count_px, width - first)
        if i1 > i0:
            part = np.ascontiguousarray(passes[:, :, k, :], dtype=out.dtype)
            out[:, i0:i1] += part[:, pixel_of[first + i0 : first + i1]]
    return out


def _gather_runs(
    lam: np.ndarray, m_low: int, pixel_of: np.ndarray, borders: np.ndarray, grid: Grid, out: np.ndarray
) -> np.ndarray:
    """Do the same with neighbouring pixels of one history taken as one wide pixel (the borders between cancel)."""
    m_last = m_low + lam.shape[2] - 1
    backwards = lam[:, :, ::-1]
    passing: dict[int, np.ndarray] = {}
    starts = np.concatenate([[0], borders])
    ends = np.concatenate([borders, [len(pixel_of)]])
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        length = b - a
        if length not in passing:
            rows, histories, _, steps = lam.shape
            before = np.broadcast_to(lam[:, :, -1:], (rows, histories, length, steps))
            after = np.zeros((rows, histories, length, steps))
            leading = np.concatenate([before, backwards], axis=2)
            leading -= np.concatenate([backwards, after], axis=2)
            passing[length] = leading.astype(out.dtype)
        part = passing[length][:, pixel_of[a]]
        first = a - m_last - grid.first_px
        i0, i1 = max(0, first), min(grid.count_px, first + part.shape[1])
        if i1 > i0:
            out[:, i0:i1] += part[:, i0 - first : i1 - first]
    return out
