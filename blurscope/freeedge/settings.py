"""What the user tells about a photo: scale, speed, levels; refused where it can't be true."""

from __future__ import annotations

import math
from typing import Any

from blurscope.errors import SettingsError

TRACKING_U_PX = 0.5
SCALE_SD = 0.005  # of a scale given as such
POINT_SD_CAMPX = 0.5  # of each end of a known length


def _number(value: Any) -> float:
    """Return a finite number, NaN for anything else."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return math.nan
    return number if math.isfinite(number) else math.nan


def read_scale(campx_per_px, length_px, between) -> tuple[float, float]:
    """Return campx per px and its relative standard uncertainty."""
    if (campx_per_px is None) == (length_px is None and between is None):
        raise SettingsError("give the scale once: --campx-per-px, or --length-px with --between x1,y1 x2,y2")
    if campx_per_px is not None:
        scale, sd = _number(campx_per_px), SCALE_SD
    else:
        if length_px is None or between is None:
            raise SettingsError("--length-px needs --between x1,y1 x2,y2, the two ends of that length in the photo")
        points = [[_number(v) for v in point] for point in between]
        length = _number(length_px)
        if len(points) != 2 or any(len(p) != 2 for p in points) or not length > 0:
            raise SettingsError("the known length is above 0 px and has two ends x,y; check --length-px and --between")
        distance = math.dist(*points)
        if not distance >= 10:
            raise SettingsError(f"the two ends are {distance:.3g} campx apart, too near for a scale; check --between")
        scale, sd = distance / length, math.hypot(math.sqrt(2) * POINT_SD_CAMPX / distance, 0.002)
    if not 0.01 <= scale <= 1000:
        raise SettingsError(f"a scale of {scale:g} campx per px is not one of a photo of a screen; give 0.01 to 1000")
    return scale, sd


def read_tracking(tracking_u: float | None, px_per_refresh: float) -> float:
    """Return the half-width of the interval of the tracking error, px per refresh."""
    if tracking_u is None:
        return min(TRACKING_U_PX, 0.25 * px_per_refresh)
    if not 0 <= _number(tracking_u) <= 0.5 * px_per_refresh:
        raise SettingsError(
            f"a tracking error of up to {tracking_u} px per refresh is not within 0 and half the speed; check "
            "--tracking-u"
        )
    return float(tracking_u)


def check_settings(px_per_refresh, refresh_hz, exposure, gamma, levels) -> None:
    if not 0.1 <= _number(px_per_refresh) <= 2000:
        raise SettingsError(f"{px_per_refresh} px per refresh is not within 0.1 to 2000; check --px-per-refresh")
    if not 1 <= _number(refresh_hz) <= 2000:
        raise SettingsError(f"a refresh rate of {refresh_hz} Hz is outside 1 to 2000; check --refresh-hz")
    if exposure is not None and not 0 < _number(exposure) <= 1000:
        raise SettingsError("the exposure must be above 0 refreshes and at most 1000; check --exposure-refreshes")
    if gamma is not None and not 0.5 <= _number(gamma) <= 5:
        raise SettingsError("the display's gamma must be 0.5 to 5; check --display-gamma")
    if gamma is not None and levels is None:
        raise SettingsError("--display-gamma needs --levels a,b: without them there is no signal to speak of")
    if levels is not None:
        good = len(levels) == 2 and all(
            _number(v) == int(_number(v) if _number(v) == _number(v) else -1) for v in levels
        )
        if not good or not all(0 <= v <= 255 for v in levels) or levels[0] == levels[1]:
            raise SettingsError("the levels are two different whole numbers from 0 to 255; check --levels")
