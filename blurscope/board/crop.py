"""From a photo to a crop of the plate: codes into light, resampled once to a stated scale, motion to the right."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.errors import SettingsError

STEEPEST = 7.0  # of the logarithm of white over a photo: a thousandth
CUBIC = 3  # order of the spline; straight lines between samples would blur the edges that are to be compared


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The part of the plate that a board shows, in display px.

    Attributes
    ----------
    u_px : float
        Left border; the plate repeats along ``u``, so every photo has its own.
    top_row, height_px, length_px : float
    """

    u_px: float
    top_row: float
    height_px: float
    length_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateMap:
    """Where the plate lies in the photo, as a measurement file has it (``registration.pose``)."""

    matrix: np.ndarray
    k1: float
    k2: float
    centre: tuple[float, float]
    radius: float

    @classmethod
    def from_json(cls, measurement: Mapping[str, Any]) -> PlateMap:
        """Read the map; `SettingsError` if the file has none."""
        try:
            pose = measurement["registration"]["pose"]
            matrix = np.array(pose["matrix"], float).reshape(3, 3)
            found = cls(
                matrix=matrix,
                k1=float(pose["k1"]),
                k2=float(pose["k2"]),
                centre=(float(pose["centre_campx"][0]), float(pose["centre_campx"][1])),
                radius=float(pose["radius_campx"]),
            )
            np.linalg.inv(matrix)
        except (KeyError, TypeError, ValueError, IndexError, np.linalg.LinAlgError):
            raise SettingsError(
                "a measurement has no usable place of the plate in its photo; measure it again"
            ) from None
        return found

    def to_photo(self, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return campx of plate positions; the radial terms are inverted by iteration."""
        inv = np.linalg.inv(self.matrix)
        w = inv[2, 0] * u + inv[2, 1] * v + inv[2, 2]
        if not (w.min() > 0 or w.max() < 0):
            raise SettingsError("a measurement has the plate partly behind its camera: measure its photo again")
        xi = (inv[0, 0] * u + inv[0, 1] * v + inv[0, 2]) / w
        yi = (inv[1, 0] * u + inv[1, 1] * v + inv[1, 2]) / w
        x, y = xi, yi
        for _ in range(10 if self.k1 or self.k2 else 0):
            r2 = x * x + y * y
            stretch = 1 + r2 * (self.k1 + self.k2 * r2)
            x, y = xi / stretch, yi / stretch
        return x * self.radius + self.centre[0], y * self.radius + self.centre[1]


def crop_light(codes: np.ndarray, measurement: Mapping[str, Any], window: Window, samples_per_px: float) -> np.ndarray:
    """Return the crop in light: 0 is the display's own black in this photo, 1 its white.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
        The channel that was measured, turned as it was measured.
    measurement : dict
        Content of the measurement file.
    window : Window
    samples_per_px : float
        Samples of the crop per display px, the same along and across.

    Returns
    -------
    (rows, columns) float32
        Motion to the right: the crop of a plate that moves left is mirrored.
    """
    place = PlateMap.from_json(measurement)
    rows, columns = round(window.height_px * samples_per_px), round(window.length_px * samples_per_px)
    u = window.u_px + (np.arange(columns) + 0.5) / samples_per_px
    v = window.top_row + (np.arange(rows) + 0.5) / samples_per_px
    # average over the sample where the photo is finer than the crop, so that no screen grid beats with it
    x, y = place.to_photo(*np.meshgrid(u, v))
    coarse = max(float(np.hypot(x[0, -1] - x[0, 0], y[0, -1] - y[0, 0])) / max(columns - 1, 1), 1e-6)
    fine = max(1, min(4, math.ceil(coarse - 0.05)))
    if fine > 1:
        steps = (np.arange(columns * fine) + 0.5) / (samples_per_px * fine)
        downs = (np.arange(rows * fine) + 0.5) / (samples_per_px * fine)
        x, y = place.to_photo(*np.meshgrid(window.u_px + steps, window.top_row + downs))
    light = light_at(codes, measurement, x, y)
    if fine > 1:
        light = light.reshape(rows, fine, columns, fine).mean(axis=(1, 3))
    black = float(measurement["light"].get("black") or 0.0)
    if not abs(black) < 1:
        raise SettingsError(f"its black is {black:.3g} of white, which no display has: measure it again")
    light = (light - black) / (1 - black)
    return (light[:, ::-1] if measurement["capture"]["direction"] == "left" else light).astype(np.float32)


def light_at(codes: np.ndarray, measurement: Mapping[str, Any], x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return light at campx positions, white 1: decoded pixel by pixel first, flat field taken out, then resampled."""
    from scipy.ndimage import map_coordinates

    low_x, high_x, low_y, high_y = (int(np.floor(f(a))) for a in (x, y) for f in (np.min, np.max))
    if low_x < -1 or low_y < -1 or high_x > codes.shape[1] or high_y > codes.shape[0]:
        raise SettingsError(
            "a crop reaches beyond its photo; choose a smaller --crop or photos that show more of the plate"
        )
    left, top = max(low_x - 8, 0), max(low_y - 8, 0)
    part = codes[top : high_y + 9, left : high_x + 9]
    light = _table(measurement, codes.dtype)[part]
    out = map_coordinates(light, [y - top, x - left], order=CUBIC, mode="nearest")
    return out / _flat(measurement, x, y)


def _table(measurement: Mapping[str, Any], dtype: np.dtype) -> np.ndarray:
    from scipy.interpolate import PchipInterpolator

    curve = measurement["light"].get("curve")
    if not curve:
        raise SettingsError("a measurement doesn't hold the curve of its photo (older version); measure it again")
    full = np.iinfo(dtype).max
    return PchipInterpolator(curve["code"], curve["light"])(np.arange(full + 1) / full)


def _flat(measurement: Mapping[str, Any], x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Light of white at campx positions: the exponential of a polynomial, as `measure` fitted it."""
    flat = measurement["light"]["flat"]
    a = (x - flat["centre_campx"][0]) / flat["radius_campx"]
    b = (y - flat["centre_campx"][1]) / flat["radius_campx"]
    r2 = a * a + b * b
    terms = (np.ones_like(a), a, b, a * a, a * b, b * b, r2 * r2, r2 * r2 * r2)
    logarithm = sum(c * t for c, t in zip(flat["coefficients"], terms, strict=True))
    if not np.abs(logarithm).max() < STEEPEST:
        raise SettingsError("a measurement's light falls off over its photo as no lens does it: measure it again")
    return np.exp(logarithm)


def common_windows(
    lit: Sequence[tuple[float, float]], period_px: float, top_row: float, height_px: float, length_px: float
) -> tuple[list[Window], bool]:
    """Return a window for each photo, showing the same part of the plate where one is in all of them.

    Parameters
    ----------
    lit : sequence of (float, float)
        Plate range that is fully exposed in each photo.
    period_px : float
        The plate repeats after it.
    length_px : float
        Wanted; cut to what the photos share.

    Returns
    -------
    windows : list of Window
    same : bool
        Whether they show the same content.
    """
    shifts = [0.0] * len(lit)
    low, high = lit[0]
    for i, (a, b) in enumerate(lit[1:], 1):
        middle = 0.5 * (low + high) - 0.5 * (a + b)
        around = round(middle / period_px)
        best = max((k * period_px for k in (around - 1, around, around + 1)),
                   key=lambda s: min(high, b + s) - max(low, a + s))  # fmt: skip
        shifts[i] = best
        low, high = max(low, a + best), min(high, b + best)
    same = high - low >= min(0.5 * length_px, 60)
    if same:
        length = math.floor(min(length_px, high - low))
        start = math.floor(low + 0.5 * (high - low - length))
        starts = [start - s for s in shifts]
    else:
        length = math.floor(min(length_px, *(b - a for a, b in lit)))
        starts = [math.floor(0.5 * (a + b - length)) for a, b in lit]
    return [Window(u_px=s, top_row=top_row, height_px=height_px, length_px=length) for s in starts], same


def to_srgb(light: np.ndarray) -> np.ndarray:
    """Return 8-bit sRGB codes of light (IEC 61966-2-1); nothing but clipping at 0 and 1."""
    x = np.clip(np.asarray(light, float), 0, 1)
    code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return (255 * code + 0.5).astype(np.uint8)
