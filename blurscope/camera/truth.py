"""The truth beside a simulated photo: ``blurscope.truth/1``."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.camera.camera import Camera
from blurscope.camera.display import Display
from blurscope.camera.figures import blur_figures, response_figures
from blurscope.camera.motion import travel_of
from blurscope.camera.optics import View

SCHEMA = "blurscope.truth/1"


ROWS = 33  # of a rolling shutter, over which the tracking error is averaged


def mean_error(camera: Camera, px_per_refresh: float, refresh_hz: float) -> float:
    """Return the tracking error as the mean over the exposures of all rows, px per refresh."""
    uneven = replace(travel_of(camera, px_per_refresh, refresh_hz), speed=0.0)
    opening = camera.start_phase + camera.readout_refreshes * np.linspace(0, 1, ROWS)
    way = uneven.position(opening + camera.exposure_refreshes) - uneven.position(opening)
    return camera.tracking_error_px_per_refresh + float(way.mean()) / camera.exposure_refreshes


def make_truth(
    layout: Any, display: Display, camera: Camera, view: View, start_refresh: int, seed: int, *, still: bool
):
    """Return the truth of a shot, JSON-able; keys are explained in ``docs/truth.md``."""
    hz = float(display.refresh_hz or layout.refresh_hz)
    hold_ms = 1000 / hz
    v = layout.px_per_refresh
    middle = start_refresh if still else start_refresh + camera.start_phase + camera.exposure_refreshes / 2
    shift = layout.sign * v * middle
    transitions = [transition_truth(display, a, b, v, hz, layout) for a, b in layout.transitions()]
    light = [t for t in transitions if t["response_ms"] is not None]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "label": display.label,
        "seed": seed,
        "still": still,
        "capture": {
            "refresh_hz": hz,
            "px_per_refresh": v,
            "speed_px_per_s": v * hz,
            "direction": layout.direction,
            "exposure_refreshes": camera.exposure_refreshes,
            "exposure_ms": camera.exposure_refreshes * hold_ms,
            "start_refresh": start_refresh,
            "start_phase": camera.start_phase,
            "campx_per_px": camera.campx_per_px,
            "hold_ms": hold_ms,
            "plate": layout.plate,
        },
        "tracking": {
            "error_px_per_refresh": 0.0 if still else mean_error(camera, v, hz),
            "accel_px_per_refresh2": 0.0 if still else camera.accel_px_per_refresh2,
            "tremor_px": 0.0 if still else camera.tremor_px,
            "drift_px_per_refresh": 0.0 if still else camera.drift_px_per_refresh,
            "exposure_refreshes": camera.exposure_refreshes,
            "readout_refreshes": camera.readout_refreshes,
            "scan_out_refreshes": display.scan_out_refreshes,
            "scan_out_ms": display.scan_out_refreshes * hold_ms,
            "scan_axis": display.scan_axis,
        },
        "backlight": {**asdict(display.backlight), "frequency_hz": _frequency(display, hz)},
        "display": {
            "unit": display.unit,
            "law": asdict(display.law),
            "level_light": [[a, float(display.law.light(a))] for a in sorted(_levels(layout))],
            "stripes": display.stripes,
            "dropped": list(display.dropped),
            "doubled": list(display.doubled),
        },
        "pose": {
            "screen_to_campx": view.homography.tolist(),
            "plate_to_campx": (view.homography @ np.array([[1, 0, shift], [0, 1, 0], [0, 0, 1.0]])).tolist(),
            "plate_shift_px": shift,
            "distortion": {
                "k1": view.k1,
                "k2": view.k2,
                "centre_campx": list(view.centre),
                "radius_campx": view.radius,
            },
        },
        "camera": asdict(camera),
        "transitions": transitions,
        "summary": {
            "bet_ms_mean": _mean(transitions, "bet_ms"),
            "bet_ms_max": max(t["bet_ms"] for t in transitions),
            "ghost_ms_mean": _mean(transitions, "ghost_ms"),
            "ghost_ms_max": max(t["ghost_ms"] for t in transitions),
            "response_ms_mean": _mean(light, "response_ms"),
            "response_signal_ms_mean": _mean(light, "response_signal_ms"),
            "in_refresh_share": float(np.mean([t["in_refresh"] for t in transitions])),
        },
    }


def transition_truth(
    display: Display, from_level: int, to_level: int, px_per_refresh: float, refresh_hz: float, layout: Any = None
) -> dict[str, Any]:
    """Return the true figures of one transition, from a settled from-level; for the middle row of a strobed panel.

    With a global strobe and scan-out the figures depend on the row: ``rows`` has them at the first, middle and last.
    """
    hold_ms = 1000 / refresh_hz
    response = display.response_for(from_level, to_level)
    law = display.law
    start, end = float(law.light(from_level)), float(law.light(to_level))
    by_rows = display.scan_axis == "rows"
    scan = abs(display.scan_out_refreshes)
    figures = _in_px(blur_figures(response, hold_ms, display.backlight, refresh_hz, scan / 2), px_per_refresh, hold_ms)
    out = {"from_level": from_level, "to_level": to_level, **figures}
    out.update(response_figures(response, start, end, law))
    out["in_refresh"] = _settles_within(response, hold_ms)
    out["response"] = asdict(response)
    if layout is not None:
        out["from_unsettled_pct"] = _unsettled(display, layout, from_level, to_level, hold_ms)
    if not display.backlight.steady() and not display.backlight.follows_scan and scan:
        ends = (0.0, scan / 2, scan) if display.scan_out_refreshes > 0 else (scan, scan / 2, 0.0)
        out["rows" if by_rows else "columns"] = [
            _in_px(blur_figures(response, hold_ms, display.backlight, refresh_hz, p), px_per_refresh, hold_ms)
            for p in ends
        ]
    return out


def _in_px(figures: dict[str, float], px_per_refresh: float, hold_ms: float) -> dict[str, float]:
    speed = px_per_refresh / hold_ms
    return {
        "bew_px": figures["bet_ms"] * speed,
        **figures,
        "ghost_px": figures["ghost_ms"] * speed,
        "ghost_refreshes": figures["ghost_ms"] / hold_ms,
    }


def _settles_within(response, hold_ms: float) -> bool:
    """Whether the step stays within 5 % of its end from one refresh after the switch on."""
    t = hold_ms + np.concatenate([[0.0], np.linspace(0, response.settle_ms(1e-6) + 1, 4000)])
    return bool(np.all(np.abs(response.value(t) - 1) <= 0.05))


def _unsettled(display: Display, layout: Any, from_level: int, to_level: int, hold_ms: float) -> float:
    """Return how far the light is from the from-level when the edge arrives, % of the step, positive towards ``to``."""
    circuit = layout.circuit if layout.sign < 0 else layout.circuit[::-1]
    field_ms = layout.field_refreshes * hold_ms
    pairs = list(zip(circuit, circuit[1:] + circuit[:1], strict=True))
    off = 0.0
    for a, b in pairs * 20:
        start, end = float(display.law.light(a)), float(display.law.light(b))
        if (a, b) == (from_level, to_level):
            found = off / (end - start)
        off = (start + off - end) * (1 - float(display.response_for(a, b).value(field_ms)))
    return 100 * found


def _levels(layout: Any) -> set[int]:
    return set(layout.levels) | {0, 255} | {b.level for b in layout.blocks if b.kind == "grey"}


def _mean(rows: list[dict[str, Any]], key: str) -> float | None:
    return float(np.mean([r[key] for r in rows])) if rows else None


def _frequency(display: Display, refresh_hz: float) -> float | None:
    if display.backlight.kind == "hold":
        return None
    return refresh_hz / display.backlight.period_refreshes(refresh_hz)
