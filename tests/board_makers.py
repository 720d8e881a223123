"""Measurements written down from closed forms, and photos of a known plate through a known camera."""

from __future__ import annotations

import math
from itertools import permutations
from typing import Any

import numpy as np

LN9 = math.log(9)
BANDS = ((0.4, 0.6), (0.75, 0.95))  # of a crop's height: two bands of edges


def q(value: float | None, u95: float | None = 0.1) -> dict[str, float | None]:
    return {"value": value, "u95": None if value is None else u95}


def ramp_of_exponential(t: np.ndarray, tau: float, hold: float) -> np.ndarray:
    """ESF of an exponential held for ``hold``: the mean of ``1 - exp(-s/tau)`` over the last hold, in closed form."""

    def area(x: np.ndarray) -> np.ndarray:
        x = np.maximum(x, 0)
        return x + tau * np.expm1(-x / tau)

    return (area(t) - area(t - hold)) / hold


def measurement(
    label: str = "Alder",
    *,
    response_ms: float = 8.0,
    u95_ms: float = 0.1,
    refresh_hz: float = 60.0,
    px_per_refresh: int = 8,
    direction: str = "right",
    levels: tuple[int, ...] = (0, 128, 255),
    samples: int = 150,
) -> dict[str, Any]:
    """A measurement of a display whose pixels all answer exponentially with this 10-90 % time."""
    hold, tau = 1000 / refresh_hz, max(response_ms, 1e-3) / LN9
    lag_ms = np.linspace(-hold, 80, samples)
    esf = ramp_of_exponential(lag_ms, tau, hold)
    fine = np.linspace(0, 200, 20001)
    curve = ramp_of_exponential(fine, tau, hold)
    t10, t90 = np.interp([0.1, 0.9], curve, fine)
    settle = np.interp(0.95, curve, fine)
    bet, ghost = t90 - t10, settle - t10 - 0.85 * hold
    t = np.concatenate([[0.0], np.geomspace(0.02, 12 * tau + 1, 120)])
    speed = px_per_refresh * refresh_hz
    edges = []
    for a, b in permutations(levels, 2):
        figures = {
            "bet_ms": q(bet, u95_ms), "ebet_ms": q(bet / 0.8, u95_ms), "get_ms": q(bet, u95_ms),
            "bew_px": q(bet * speed / 1000), "ghost_ms": q(ghost, u95_ms), "ghost_px": q(ghost * speed / 1000),
            "ghost_refreshes": q(ghost / hold), "overshoot_pct": q(0.0), "undershoot_pct": q(0.0),
            "response_ms": q(response_ms, u95_ms), "response_signal_ms": q(response_ms, u95_ms),
            "response_overshoot_pct": q(0.0),
        }  # fmt: skip
        edges.append({
            "id": f"{a}-{b}", "from_level": a, "to_level": b, "instances": 2, **figures, "raw": {},
            "quality": {"ok": True, "flags": []}, "family": "exponential", "chi2_ratio": 1.0,
            "budget": {"bet_ms": {"noise": u95_ms / 3, "lens": u95_ms / 5}},
            "step": {"t_ms": t.round(4).tolist(), "light": (1 - np.exp(-t / tau)).round(5).tolist()},
            "profile": {"lag_px": (lag_ms * speed / 1000).round(4).tolist(), "esf": esf.round(5).tolist(),
                        "esf_fit": esf.round(5).tolist()},
        })  # fmt: skip
    code = np.linspace(0, 1, 33) ** 1.5
    return {
        "schema": "blurscope.measurement/1", "version": "0", "label": label,
        "photo": {"path": f"{label}.png", "sha256": "0" * 64, "width_campx": 900, "height_campx": 500, "kind": "png"},
        "capture": {"refresh_hz": refresh_hz, "px_per_refresh": px_per_refresh, "speed_px_per_s": speed,
                    "direction": direction, "exposure_refreshes": 4.0, "campx_per_px": 3.0, "hold_ms": hold,
                    "notes": {}},
        "tracking": {"error_px_per_refresh": q(0.01), "accel_px_per_refresh2": q(0.0), "exposure_refreshes": q(4.0),
                     "scan_out_ms": q(0.0), "scan_axis": "rows"},
        "streaks": [],
        "registration": {"rms_px": 0.02, "marks_found": 40, "marks_expected": 40, "turned": False,
                         "pose": None, "lit_u_px": [0.0, 300.0]},
        "light": {"domain": "light", "method": "row_halftones", "display_gamma": 2.2, "black": 0.0,
                  "law": {"level": list(range(0, 256, 15)), "light": ((np.arange(0, 256, 15) / 255) ** 2.2).tolist()},
                  "curve": {"code": code.tolist(), "light": code.tolist()},
                  "flat": {"coefficients": [0.0] * 8, "centre_campx": [0.0, 0.0], "radius_campx": 1.0}},
        "lens": {"sigma_px": q(0.3)},
        "edges": edges,
        "summary": {"edges": len(edges), "edges_ok": len(edges), "bet_ms_mean": q(bet, u95_ms),
                    "bet_ms_max": q(bet, u95_ms),
                    "ghost_ms_mean": q(ghost, u95_ms), "ghost_ms_max": q(ghost, u95_ms),
                    "response_ms_mean": q(response_ms, u95_ms), "response_signal_ms_mean": q(response_ms, u95_ms),
                    "in_refresh_share": q(1.0)},
        "warnings": [],
    }  # fmt: skip


def plate_light(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Light of a smooth plate that is the same in every photo, 0 to 1 and never symmetric."""
    return 0.5 + 0.3 * np.sin(2 * np.pi * u / 37 + 0.3) * np.cos(2 * np.pi * v / 23) + 0.15 * np.sin(2 * np.pi * u / 90)


def photograph(
    m: dict[str, Any], *, scale: float, angle_deg: float, k1: float, gain: float, gamma: float, black: float
) -> np.ndarray:
    """Put the plate before a camera; fill the measurement's map, curve and flat field with the truth; return codes.

    16-bit codes ``65535 (light / 2)^(1 / gamma)``; light is the display's times ``gain`` and a fall-off.
    """
    shape, radius = (520, 940), 0.5 * math.hypot(940, 520)
    centre = (shape[1] / 2 - 0.5, shape[0] / 2 - 0.5)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    f = radius / scale
    matrix = np.array([[c * f, s * f, 120.0], [-s * f, c * f, 45.0], [0.02, 0.01, 1.0]])
    m["registration"]["pose"] = {"matrix": matrix.tolist(), "k1": k1, "k2": 0.0, "centre_campx": list(centre),
                                 "radius_campx": radius}  # fmt: skip
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    xn, yn = (x - centre[0]) / radius, (y - centre[1]) / radius
    stretch = 1 + k1 * (xn**2 + yn**2)
    w = matrix[2, 0] * xn * stretch + matrix[2, 1] * yn * stretch + 1
    u = (matrix[0, 0] * xn * stretch + matrix[0, 1] * yn * stretch + matrix[0, 2]) / w
    v = (matrix[1, 0] * xn * stretch + matrix[1, 1] * yn * stretch + matrix[1, 2]) / w
    flat = math.log(gain) - 0.25 * (xn**2 + yn**2)
    shown = plate_light(240 - u if m["capture"]["direction"] == "left" else u, v)
    light = (black + (1 - black) * shown) * np.exp(flat)
    nodes = np.linspace(0, 1, 33) ** 1.5
    m["light"] |= {
        "black": black,
        "curve": {"code": nodes.tolist(), "light": (2 * nodes**gamma).tolist()},
        "flat": {"coefficients": [math.log(gain), 0, 0, -0.25, 0, -0.25, 0, 0], "centre_campx": list(centre),
                 "radius_campx": radius},
    }  # fmt: skip
    return (65535 * (np.clip(light, 0, 2) / 2) ** (1 / gamma) + 0.5).astype(np.uint16)


def crop_lines(crop: np.ndarray) -> list[np.ndarray]:
    """Return the mean line of each of a crop's bands."""
    return [crop[int(a * len(crop)) : int(b * len(crop))].mean(axis=0) for a, b in BANDS]


def crop_difference(first: list[np.ndarray], other: list[np.ndarray], fit=(0.0, 0.0, 0.0, 1.0)) -> np.ndarray:
    """Another crop's lines, stretched about its middle, moved, lifted and lit as ``fit`` says, less the first's."""
    stretch, shift, lift, gain = fit
    at = np.arange(len(first[0])) - len(first[0]) / 2
    moved = [lift + gain * np.interp(at * (1 + stretch) + shift, at, line) for line in other]
    return np.concatenate([(b - a)[20:-20] for a, b in zip(first, moved, strict=True)])


def fit_crop(first: list[np.ndarray], other: list[np.ndarray]) -> np.ndarray:
    """Return stretch, shift, lift and gain that make another crop most like the first."""
    from scipy.optimize import least_squares

    return least_squares(lambda fit: crop_difference(first, other, fit), [0, 0, 0, 1]).x
