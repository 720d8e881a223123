"""The region of a photo that the user points at: checked, turned into light, turned so that the motion runs right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.errors import SettingsError

DIRECTIONS = ("right", "left", "up", "down")
LUMINANCE = (0.2126, 0.7152, 0.0722)  # Rec. ITU-R BT.709, from linear red, green, blue
LUMA = (0.299, 0.587, 0.114)  # Rec. ITU-R BT.601, what a JPEG keeps best
MIN_SIDE_CAMPX = 8
NEAR_BLACK = 0.012  # share of full scale below which a code says little


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """Part of a photo in which the motion runs to the right.

    Attributes
    ----------
    roi : (x, y, w, h)
        Where it lies in the upright photo, campx.
    direction : str
        Of the motion in the photo.
    code : (rows, columns) float
        Codes as a share of full scale; linear ones for a linear file.
    light : (rows, columns) float
        By the curve that the file states.
    clipped, crushed : (rows, columns) bool
    linear : bool
        Codes are proportional to light by the file's own statement.
    centre : (x, y)
        Middle of the photo in the region's own coordinates, campx.
    radius : float
        Half the photo's diagonal, campx.
    """

    roi: tuple[int, int, int, int]
    direction: str
    code: np.ndarray
    light: np.ndarray
    clipped: np.ndarray
    crushed: np.ndarray
    linear: bool
    centre: tuple[float, float]
    radius: float

    def to_photo(self, x: Any, y: Any) -> tuple[np.ndarray, np.ndarray]:
        """Return photo coordinates of points of the region (campx, integer = pixel centre)."""
        x, y = np.asarray(x, float), np.asarray(y, float)
        left, top, width, height = self.roi
        if self.direction == "right":
            return left + x, top + y
        if self.direction == "left":
            return left + width - 1 - x, top + y
        if self.direction == "down":
            return left + y, top + x
        return left + y, top + height - 1 - x


def _turned(picture: np.ndarray, direction: str) -> np.ndarray:
    """Turn or mirror a picture so that the motion runs to the right."""
    if direction in ("down", "up"):
        picture = picture.T
    return picture[:, ::-1] if direction in ("left", "up") else picture


def cut_region(photo: Any, roi: Sequence[float], direction: str) -> Region:
    """Cut a region out of a photo.

    Parameters
    ----------
    photo : object with ``pixels``, ``tone``, ``share``, ``clip_code``, ``kind``
    roi : (x, y, w, h)
        campx of the upright photo.
    direction : str
        One of `DIRECTIONS`: where the motion goes in the photo.

    Raises
    ------
    SettingsError
        The region isn't four numbers, isn't wholly in the photo, or is too small.
    """
    if direction not in DIRECTIONS:
        raise SettingsError(f"the direction {direction!r:.40} is unknown; take one of {', '.join(DIRECTIONS)}")
    values = [float(v) for v in roi]
    if len(values) != 4 or not all(np.isfinite(values)) or max(map(abs, values)) > 1e7:
        raise SettingsError("the region is not four numbers x,y,w,h in pixels of the photo; check --roi")
    x, y, w, h = (round(v) for v in values)
    high, wide = photo.pixels.shape[:2]
    if min(w, h) < MIN_SIDE_CAMPX:
        raise SettingsError(f"the region is {w} x {h} campx, less than {MIN_SIDE_CAMPX} either way; make --roi larger")
    if x < 0 or y < 0 or x + w > wide or y + h > high:
        raise SettingsError(
            f"the region x {x} to {x + w}, y {y} to {y + h} does not lie in the photo of {wide} x {high} campx; "
            "check --roi"
        )
    pixels = photo.pixels[y : y + h, x : x + w]
    share = photo.share(pixels)
    clipped = pixels >= min(photo.clip_code, photo.full_scale) * (1 - 1 / 300)
    if share.ndim == 3 and photo.kind == "jpeg":
        code = share @ np.array(LUMA)
        light = photo.tone.to_light(code)
        clipped = clipped.any(axis=2)
    elif share.ndim == 3:
        light = photo.tone.to_light(share) @ np.array(LUMINANCE)
        code = light if photo.linear else _code_of(photo.tone, light)
        clipped = clipped.any(axis=2)
    else:
        code, light = share, photo.tone.to_light(share)
    crushed = code <= (0.0 if photo.linear else NEAR_BLACK / 4)
    cx, cy = (wide - 1) / 2, (high - 1) / 2
    if direction == "right":
        centre = (cx - x, cy - y)
    elif direction == "left":
        centre = (x + w - 1 - cx, cy - y)
    elif direction == "down":
        centre = (cy - y, cx - x)
    else:
        centre = (y + h - 1 - cy, cx - x)

    def turn(picture: np.ndarray, kind: Any) -> np.ndarray:
        return np.ascontiguousarray(_turned(picture, direction), dtype=kind)

    return Region(
        roi=(x, y, w, h),
        direction=direction,
        code=turn(code, float),
        light=turn(light, float),
        clipped=turn(clipped, bool),
        crushed=turn(crushed, bool),
        linear=bool(photo.linear),
        centre=centre,
        radius=float(np.hypot(wide, high) / 2),
    )


def _code_of(tone: Any, light: np.ndarray) -> np.ndarray:
    """Return the code that the tone curve gives a light."""
    nodes = np.linspace(0, 1, 2049)
    return np.interp(light, tone.to_light(nodes), nodes)
