"""How long to expose: whole refreshes, as many as tracking and plate allow, by a setting that the shutter has."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blurscope.errors import SettingsError
from blurscope.plan.request import PlanRequest
from blurscope.tracking.motion import LEAST_EXPOSURE

SMEAR_LIMIT = 0.35  # tracking error times exposure in units of a refresh's travel, above which a shot is not worth much


def part_exposure_bew(exposure_refreshes: float) -> tuple[float, float, float]:
    """Return the raw error that an exposure of not-whole refreshes makes on an instant pixel.

    Returns
    -------
    esf_error : float
        Largest departure of the ESF from the ramp, f (1 - f) / (N + f) for N + f refreshes.
    low, high : float
        Smallest and largest 10-90 % width over the shutter's phase, in units of a refresh's travel (exact: 0.8).
    """
    whole = math.floor(exposure_refreshes + 1e-9)
    f = max(exposure_refreshes - whole, 0.0)
    if f < 1e-9:
        return 0.0, 0.8, 0.8
    cells = (np.arange(2000) + 0.5) / 2000
    widths = []
    for phase in np.arange(200) / 200:
        more = (cells - phase) % 1.0 < f
        curve = np.concatenate([[0.0], np.cumsum(np.where(more, whole + 1.0, float(whole)))])
        curve /= curve[-1]
        edges = np.linspace(0, 1, 2001)
        rising = np.concatenate([[True], np.diff(curve) > 0])
        widths.append(np.interp(0.9, curve[rising], edges[rising]) - np.interp(0.1, curve[rising], edges[rising]))
    return f * (1 - f) / (whole + f), float(min(widths)), float(max(widths))


def choose_exposure(r: PlanRequest, v: int, longest: int) -> dict[str, Any]:
    """Choose whole refreshes: as many as tracking allows, up to 4, where a shutter setting comes close."""
    hold_s = 1 / r.refresh_hz
    allowed = longest
    if r.tracking_px_per_refresh > 0:
        allowed = int(min(longest, max(1, math.floor(SMEAR_LIMIT * v / r.tracking_px_per_refresh))))
    usable = sorted({s for s in r.shutters_s if s >= LEAST_EXPOSURE * hold_s})
    if not usable:
        most = max(r.shutters_s)
        raise SettingsError(
            f"the longest shutter setting, {most:g} s, is {most / hold_s:.2g} of a refresh of {1000 * hold_s:.1f} ms: "
            "a pursuit photo takes one to eight whole refreshes; check --shutters"
        )
    choices = []
    for near in usable:
        real = near / hold_s
        n = max(1, round(real))
        error, low, high = part_exposure_bew(real)
        cost = error + (0.02 if n == 1 else 0.01 if n == 2 else 0.002 * max(n - 4, 0))
        choices.append((n > allowed, cost, n, near, real, error, low, high))
        if n > allowed:  # longer ones are no better
            break
    *_, n, near, real, error, low, high = min(choices)
    return {
        "refreshes": n,
        "exposure_s": n * hold_s,
        "shutter_s": near,
        "shutter_refreshes": real,
        "esf_error": error,
        "raw_bew_error_pct": 100 * max(abs(low - 0.8), abs(high - 0.8)) / 0.8,
        "longest_refreshes": allowed,
    }
