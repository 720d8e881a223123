"""What a measurement states of each transition: figures, parts and flags, from fits, streaks and readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from blurscope.blur.figures import RESPONSES
from blurscope.blur.measure import FREE, UNKNOWN_LIGHT, BlurFit
from blurscope.blur.road import RoadResponse, fit_roads
from blurscope.measurement import EDGE_QUANTITIES, EdgeBlur
from blurscope.records import Q
from blurscope.shapes import first_crossing, last_outside
from blurscope.shot import ShotFit
from blurscope.tracking.backlight import CLEARLY_DARK
from blurscope.tracking.roads import StreakCurve, stitch_streaks
from blurscope.trackingblock import commonest_family
from blurscope.uncertainty import K95, combine, coverage_factor, median, nonlinear_sd, resolution_sd

BETWEEN_FLASHES = 0.03  # of the time from flash to flash, u95: settled by the coverage of simulated photos
POOR_CHI2 = 6.0
MANY_FREE = 0.25  # share of a photo's edges that no family fits, from which the photo is to blame
DOUBTFUL_CHI2 = 10.0  # of streaks that no steady motion explains, though not so badly that the photo is refused
MOST_SPREAD = 3.0  # of a transition's instances, over what their noise explains
MANY_APART = 0.5  # of the transitions with several instances: share from which the photo itself is doubtful
MANY_POOR = 0.25  # the same of those that are fitted poorly
READ_BACK_CODER = 3.0  # what a coder changes of a response read back, over what it changes of one fitted
FOLLOWING_CHI2 = 10.0  # of streaks, up to which the flashes follow the scan-out as the fit has it
MAX_HALO = 0.012  # of a step beside the stripes, from which the camera counts as sharpening
DOUBTFUL = frozenset(  # figures to be checked first
    {"poor_fit", "capture_doubtful", "instances_disagree", "not_settled", "roads_disagree", "sharpened"}
)

Roads = Mapping[tuple[int, int], tuple[StreakCurve, RoadResponse]]


def roads_of(shot: ShotFit) -> Roads:
    """Return the streaks' own curve of every transition that they show, and the response fitted to it."""
    scale = shot.registration.campx_per_px
    curves = stitch_streaks(shot.streaks, shot.motion, shot.layout, shot.tone.law, 1 / scale)
    if shot.backlight.emission is not None:  # flashes sample the pixel: a streak shows light, not the pixel's own step
        curves = [replace(c, flags=c.flags or ("pwm_unresolved",)) for c in curves]
    found = fit_roads(curves, commonest_family(shot))
    return {(c.from_level, c.to_level): (c, r) for c, r in zip(curves, found, strict=True)}


def edge_blocks(shot: ShotFit, roads: Roads, scan_ms: float | None, hold_ms: float) -> list[EdgeBlur]:
    """Return every transition of the plate with its figures, those that the photo doesn't show as missing.

    Parameters
    ----------
    shot : ShotFit
    roads : mapping
        See `roads_of`.
    scan_ms : float or None
        Scan-out of the display.
    hold_ms : float
    """
    readings = _readings(shot, hold_ms)
    # so many standard uncertainties by which no reading differs from its edge in 95 of 100 photos
    factor = coverage_factor(level=1 - 0.05 / max(sum(q.value is not None for q in readings), 1))
    poor = _poor(shot)
    of_photo = _flags_of_photo(shot, poor)
    scanned = scan_ms is not None and abs(scan_ms) > 0.1 * hold_ms and shot.motion.chi2_ratio > FOLLOWING_CHI2
    edges = [_edge(shot, i, hold_ms, roads, q, factor, poor[i], of_photo, scanned) for i, q in enumerate(readings)]
    edges += [_absent(a, b) for a, b in sorted(set(shot.layout.transitions()) - set(shot.pairs))]
    return sorted(edges, key=lambda e: (e.from_level, e.to_level))


def _unresolved(shot: ShotFit) -> float:
    return resolution_sd(shot.lens_px, 1 / shot.registration.campx_per_px, shot.layout.px_per_refresh)


def _readings(shot: ShotFit, hold_ms: float) -> list[Q]:
    """Return the response of every transition as read back from its profile."""
    if not shot.readings:
        return [Q.missing("pwm_unresolved")] * len(shot.pairs)
    unresolved = _unresolved(shot)
    out = []
    for r, fit in zip(shot.readings, shot.fits, strict=True):
        if fit.too_fast:
            out.append(Q.missing("sampling_coarse"))
            continue
        coder = READ_BACK_CODER * fit.parts["response"].get("coder", 0.0)
        own = {**r.parts, "resolution": unresolved} | ({"coder": coder} if coder else {})
        parts = {name: u * hold_ms for name, u in own.items()}
        if r.response is None:
            out.append(Q.missing(*r.flags))
            continue
        parts["nonlinear"] = nonlinear_sd(r.response * hold_ms, combine(parts))
        out.append(Q(value=r.response * hold_ms, u95=K95 * combine(parts), parts=parts))
    return out


def _edge(
    shot: ShotFit,
    i: int,
    hold_ms: float,
    roads: Roads,
    reading: Q,
    factor: float,
    poor: bool,
    of_photo: list[str],
    scanned: bool,
) -> EdgeBlur:
    fit: BlurFit = shot.fits[i]
    a, b = shot.pairs[i]
    v = shot.layout.px_per_refresh
    flags: list[str] = []
    fatal: list[str] = []
    if shot.clipped[i]:
        fatal.append("clipped")
    if shot.crushed[i]:
        fatal.append("crushed")
    noise = median(shot.profiles.sigma[i]) * np.sqrt(shot.profiles.correlation)
    if noise > 0.2:
        fatal.append("step_too_small")
    if poor:
        flags.append("poor_fit")
    flags += of_photo
    if abs(shot.from_slope[i]) > max(0.012, 6 * noise):
        fatal.append("from_not_settled")
    if shot.spread[i] > MOST_SPREAD:
        flags.append("instances_disagree")
    if not shot.backlight.resolved:
        flags.append("pwm_unresolved")
    tail = abs(fit.esf_fit[-1] - 1)
    if tail > 0.02:
        flags.append("not_settled")
    figures: dict[str, Q] = {}
    unresolved = _unresolved(shot)

    def quantity(name: str, factor: float, limit: float | None = None) -> Q:
        if fatal:
            return Q.missing(*fatal)
        value, u95 = fit.value[name], fit.u95[name]
        grazed = name in fit.grazed
        if name == "response_overshoot" and fit.too_fast:
            return Q.missing("sampling_coarse")
        if not np.isfinite(value) or not np.isfinite(u95):
            return Q.missing("threshold_grazed" if grazed else "not_settled")
        if limit is not None and u95 * factor > limit and u95 > 0.5 * abs(value):
            return Q.missing("threshold_grazed" if grazed else "step_too_small")
        parts = {k: u * factor for k, u in fit.parts[name].items()}
        # what the light of pixels that are too fast swings over is as short as they are
        if name in RESPONSES or name in ("overshoot", "undershoot") and fit.too_fast:
            parts["resolution"] = unresolved * factor
            u95 = float(np.hypot(u95, 1.96 * unresolved))
        if shot.backlight.emission is not None and name in ("bew", "get", "ghost", *RESPONSES):
            # an edge is as wide as its flash is long, and what the pixel does between two flashes is not in the photo
            unsure = float(np.hypot(shot.backlight.duty_u95, BETWEEN_FLASHES)) / max(shot.backlight.pulses, 1)
            parts["flashes"] = unsure / 1.96 * factor
            u95 = float(np.hypot(u95, unsure))
        if name in RESPONSES:
            more = nonlinear_sd(value, u95 / K95)
            parts["nonlinear"] = more * factor
            u95 = float(np.hypot(u95, K95 * more))
        return Q(
            value=float(value * factor),
            u95=float(u95 * factor),
            flags=("threshold_grazed",) if grazed else (),
            parts=parts,
        )

    wide = 3 * hold_ms
    flashed = shot.backlight.kind == "strobe" and shot.backlight.duty < 0.7
    figures["bew_px"] = quantity("bew", v, wide / hold_ms * v)
    figures["bet_ms"] = quantity("bew", hold_ms, wide)
    figures["ebet_ms"] = quantity("bew", hold_ms / 0.8, wide / 0.8)
    figures["get_ms"] = quantity("get", hold_ms, wide)
    figures["ghost_ms"] = quantity("ghost", hold_ms, wide)
    figures["ghost_px"] = quantity("ghost", v, wide / hold_ms * v)
    figures["ghost_refreshes"] = quantity("ghost", 1.0, wide / hold_ms)
    figures["overshoot_pct"] = quantity("overshoot", 100.0, 100.0 * UNKNOWN_LIGHT)
    figures["undershoot_pct"] = quantity("undershoot", 100.0, 100.0 * UNKNOWN_LIGHT)
    figures["response_ms"] = quantity("response", hold_ms, wide)
    figures["response_signal_ms"] = quantity("response_signal", hold_ms, wide)
    figures["response_overshoot_pct"] = quantity("response_overshoot", 100.0, 60.0)
    if flashed and not fatal:
        # a flash per refresh samples the pixel once per refresh: its response in between isn't in the photo
        for name in ("response_ms", "response_signal_ms", "response_overshoot_pct"):
            figures[name] = Q.missing("pwm_unresolved")
        if scanned and not _same_everywhere(fit, shot):
            figures = dict.fromkeys(figures, Q.missing("row_dependent"))
    if any("threshold_grazed" in q.flags for q in figures.values()):
        flags.append("threshold_grazed")
    _, road = roads.get((a, b), (None, None))
    own = figures["response_ms"]
    if road is not None and road.response is not None and own.value is not None and own.u95 is not None:
        gap = abs(road.response * hold_ms - own.value)
        if gap > 1.5 * np.hypot(road.u95 * hold_ms, own.u95) + 0.3:
            flags.append("roads_disagree")
    reading = Q.missing(*fatal) if fatal else reading
    if reading.value is not None and own.value is not None and own.u95 is not None:
        if abs(reading.value - own.value) > factor / K95 * np.hypot(reading.u95, own.u95):
            flags += ["roads_disagree"] * ("roads_disagree" not in flags)
    for q in figures.values():
        if q.value is None:
            flags += [f for f in q.flags if f not in flags]
    ok = figures["bet_ms"].value is not None and not DOUBTFUL & set(flags) and shot.backlight.resolved
    return EdgeBlur(
        from_level=a,
        to_level=b,
        instances=int(shot.instances[i]),
        figures=figures,
        raw=_raw(shot, fit, i, hold_ms),
        flags=tuple(flags),
        ok=ok,
        lag_px=shot.profiles.lag_px,
        esf=fit.esf,
        esf_fit=fit.esf_fit,
        family=fit.family,
        chi2_ratio=fit.chi2_ratio / shot.profiles.correlation,
        step=_step(shot, fit, hold_ms),
        read_back=reading,
    )


def _poor(shot: ShotFit) -> np.ndarray:
    """Whether each transition is fitted poorly, (n,) bool: beyond its noise, or by no family where that is usual."""
    free = np.array([f.family == FREE for f in shot.fits])
    far = np.array([f.chi2_ratio > POOR_CHI2 * shot.profiles.correlation for f in shot.fits])
    return far | free & (free.mean() > MANY_FREE)


def _flags_of_photo(shot: ShotFit, poor: np.ndarray) -> list[str]:
    """Return the flags that all edges of a photo have; ``poor`` says which of them are fitted poorly."""
    flags = []
    steady = shot.backlight.emission is None or shot.backlight.duty > CLEARLY_DARK
    astray = shot.motion is not None and shot.motion.chi2_ratio > DOUBTFUL_CHI2
    apart = shot.spread[shot.instances > 1] > MOST_SPREAD
    if astray or steady and poor.mean() > MANY_POOR or apart.size and apart.mean() > MANY_APART:
        flags.append("capture_doubtful")
    if shot.halo > MAX_HALO:
        flags.append("sharpened")
    return flags


def _same_everywhere(fit: BlurFit, shot: ShotFit) -> bool:
    """Under a global flash a pixel that settles before it looks the same in every row."""
    ages = shot.profiles.ages
    late = fit.cells[ages[:-1] - fit.onset > 0.3]
    return bool(late.size and np.abs(late - 1).max() < 0.02)


def _raw(shot: ShotFit, fit: BlurFit, i: int, hold_ms: float) -> dict[str, Q]:
    """Figures of the photo as it is: read off the fitted capture, nothing corrected."""
    v = shot.layout.px_per_refresh
    lag, curve = shot.profiles.lag_px, fit.esf_fit
    t10, t90 = first_crossing(lag, curve, 0.1), first_crossing(lag, curve, 0.9)
    settle = last_outside(lag, curve, 1.0, 0.05)
    width, ghost = t90 - t10, settle - t10 - 0.85 * v
    noise = 1.96 * fit.parts["bew"].get("noise", 0.0) * v
    ghost_noise = 1.96 * fit.parts["ghost"].get("noise", 0.0) * v
    ms = hold_ms / v

    def q(value: float, u95: float) -> Q:
        return Q(value=float(value), u95=float(u95)) if np.isfinite(value) else Q.missing("not_settled")

    return {
        "bew_px": q(width, noise),
        "bet_ms": q(width * ms, noise * ms),
        "ebet_ms": q(width * ms / 0.8, noise * ms / 0.8),
        "ghost_px": q(ghost, ghost_noise),
        "ghost_ms": q(ghost * ms, ghost_noise * ms),
        "overshoot_pct": q(max(float(curve.max()) - 1, 0) * 100, 196 * fit.parts["overshoot"].get("noise", 0.0)),
    }


def _step(shot: ShotFit, fit: BlurFit, hold_ms: float) -> dict[str, Any]:
    ages = shot.profiles.ages
    middle = 0.5 * (ages[1:] + ages[:-1]) - fit.onset
    keep = middle > -0.25
    return {"t_ms": middle[keep] * hold_ms, "light": fit.cells[keep]}


def _absent(a: int, b: int) -> EdgeBlur:
    none = Q.missing("no_instance")
    return EdgeBlur(
        from_level=a,
        to_level=b,
        instances=0,
        figures=dict.fromkeys(EDGE_QUANTITIES, none),
        raw={},
        flags=("no_instance",),
        ok=False,
        lag_px=np.empty(0),
        esf=np.empty(0),
        esf_fit=np.empty(0),
        family="",
        chi2_ratio=0.0,
        read_back=none,
    )


def streak_block(curve: StreakCurve, road: RoadResponse, hold_ms: float) -> dict[str, Any]:
    value = (
        Q(value=road.response * hold_ms, u95=road.u95 * hold_ms)
        if road.response is not None
        else Q.missing(*(road.flags or ("streak_too_dim",)))
    )
    return {
        "from_level": curve.from_level,
        "to_level": curve.to_level,
        "response_ms": value,
        "t_ms": [round(t * hold_ms, 4) for t in curve.t.tolist()],
        "light": [round(x, 5) for x in curve.light.tolist()],
        "quality": {"ok": road.response is not None, "flags": list(road.flags)},
    }
