"""From photo to measurement: the order of the stages and the contract of the result."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._threads import one_blas_thread
from blurscope.blur.figures import RESPONSES
from blurscope.blur.measure import FREE, UNKNOWN_LIGHT, BlurFit
from blurscope.blur.road import RoadResponse, fit_roads
from blurscope.displaylaw import contradiction, seen_law
from blurscope.errors import FitError, PatternError, SettingsError
from blurscope.files import read_json, show_path
from blurscope.flags import warning
from blurscope.measurement import EDGE_QUANTITIES, EdgeBlur, Measurement, summary_of
from blurscope.pattern.layout import SCHEMA as PATTERN_SCHEMA
from blurscope.pattern.layout import Layout
from blurscope.photo import Photo, read_photo
from blurscope.records import Q
from blurscope.shot import ShotFit, measure_shot
from blurscope.tracking.backlight import CLEARLY_DARK
from blurscope.tracking.roads import StreakCurve, stitch_streaks
from blurscope.trackingblock import commonest_family, doubted_by_header, tracking_block
from blurscope.uncertainty import K95, combine, coverage_factor, median, nonlinear_sd, resolution_sd

HEADER_SHARE = 0.1  # by which a shutter's nominal time may be off: 1/15 s is said where 1/16 s is meant
BETWEEN_FLASHES = 0.03  # of the time from flash to flash, u95: settled by the coverage of simulated photos
MAX_ERROR_PX = 3.0
POOR_CHI2 = 6.0
MANY_FREE = 0.25  # share of a photo's edges that no family fits, from which the photo is to blame
DOUBTFUL_CHI2 = 10.0  # of streaks that no steady motion explains, though not so badly that the photo is refused
MOST_SPREAD = 3.0  # of a transition's instances, over what their noise explains
MANY_APART = 0.5  # of the transitions with several instances: share from which the photo itself is doubtful
MANY_POOR = 0.25  # the same of those that are fitted poorly
DOUBTFUL = frozenset(  # figures to be checked first
    {"poor_fit", "capture_doubtful", "instances_disagree", "not_settled", "roads_disagree", "sharpened"}
)
READ_BACK_CODER = 3.0  # what a coder changes of a response read back, over what it changes of one fitted
MAX_HALO = 0.012  # of a step beside the stripes, from which the camera counts as sharpening
FOLLOWING_CHI2 = 10.0  # of streaks, up to which the flashes follow the scan-out as the fit has it


def read_pattern(path: str | os.PathLike[str]) -> Layout:
    """Read a ``pattern.json``; a folder that holds one is accepted."""
    target = Path(path)
    if target.is_dir() and (target / "pattern.json").exists():
        target = target / "pattern.json"
    return Layout.from_json(read_json(target, PATTERN_SCHEMA, PatternError))


def measure(
    photo: str | os.PathLike[str] | Photo | Sequence[str | os.PathLike[str] | Photo],
    *,
    pattern: str | os.PathLike[str] | Layout,
    refresh_hz: float | None = None,
    exposure_refreshes: float | None = None,
    still: str | os.PathLike[str] | Photo | None = None,
    display_gamma: float | None = None,
    contrast: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    on_shot: Callable[[ShotFit], None] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Measurement:
    """Measure pursuit photos of the plate; parameters, results and errors are those of `blurscope.measure`."""
    layout = pattern if isinstance(pattern, Layout) else read_pattern(pattern)
    hz = layout.refresh_hz if refresh_hz is None else float(refresh_hz)
    if not 1 <= hz <= 2000:
        raise SettingsError(f"a refresh rate of {hz:g} Hz is outside 1 to 2000; check --refresh-hz")
    if exposure_refreshes is not None and not 0 < exposure_refreshes <= 1000:
        raise SettingsError("the exposure must be above 0 refreshes; check --exposure-refreshes")
    if display_gamma is not None and not 0.5 <= display_gamma <= 5:
        raise SettingsError("the display's gamma must be 0.5 to 5; check --display-gamma")
    photos = list(photo) if isinstance(photo, (list, tuple)) else [photo]
    if not photos:
        raise SettingsError("no photo given")
    lens = None
    if still is not None:
        from blurscope.still import lens_from_still

        lens = lens_from_still(as_photo(still), layout)
    options = dict(assumed_gamma=display_gamma, contrast=contrast, meter=meter, lens=lens, say=say)

    def one(item: Any) -> Measurement:
        with one_blas_thread():
            shot = measure_shot(as_photo(item), layout, **options)
            if on_shot is not None:
                on_shot(shot)
            known = dict(exposure_refreshes=exposure_refreshes, notes=notes, label=label)
            return to_measurement(shot, hz, **known, declared_law=_declared(options))

    if len(photos) == 1:
        return one(photos[0])
    from blurscope.combine import combine_shots

    return combine_shots(photos, one, label)


def _declared(options: Mapping[str, Any]) -> bool:
    return options["assumed_gamma"] is not None or options["meter"] is not None


def as_photo(item: Any) -> Photo:
    """Read a photo; of a JPEG the luma only, which its coder keeps best (colour clips the noise near black)."""
    if isinstance(item, Photo):
        return item
    jpeg = False
    try:
        if os.path.isfile(item):  # a pipe would be waited for
            with open(item, "rb") as stream:
                jpeg = stream.read(2) == b"\xff\xd8"
    except OSError:
        pass
    return read_photo(item, grey=jpeg)


def to_measurement(
    shot: ShotFit,
    refresh_hz: float,
    *,
    exposure_refreshes: float | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    declared_law: bool = False,
) -> Measurement:
    """Turn a shot's fits into the record of the contract: units, flags, warnings."""
    layout = shot.layout
    hold_ms = 1000 / refresh_hz
    v = layout.px_per_refresh
    warnings = [warning(code, text) for code, text in shot.tone.warnings]
    if abs(refresh_hz - layout.refresh_hz) > 0.005 * layout.refresh_hz:
        warnings.append(warning("refresh_overridden", f"{refresh_hz:g} Hz for {layout.refresh_hz:g} Hz"))
    tracking = tracking_block(shot, hold_ms)
    error = tracking["error_px_per_refresh"]
    if error.value is not None and abs(error.value) > MAX_ERROR_PX:
        raise FitError(
            f"the camera was {error.value:+.1f} px per refresh off the plate's speed, more than can be corrected: "
            f"follow the plate within {MAX_ERROR_PX:g} px per refresh; if it was, the display dropped an update or "
            "showed one twice"
        )
    exposure = tracking["exposure_refreshes"].value
    if exposure is not None:
        if exposure_refreshes is not None and abs(exposure - exposure_refreshes) > max(
            0.05, tracking["exposure_refreshes"].u95 or 0
        ):
            warnings.append(
                warning("exposure_corrected", f"{exposure:.2f} refreshes by the streaks, {exposure_refreshes:g} given")
            )
        stated = (shot.photo.exposure_s or 0.0) * refresh_hz
        if stated and abs(stated - exposure) > HEADER_SHARE * exposure + (tracking["exposure_refreshes"].u95 or 0):
            text = f"{exposure:.2f} refreshes by the streaks, {stated:.3g} by the header at {refresh_hz:g} Hz"
            warnings.append(warning("exposure_header", text))
            tracking |= doubted_by_header(tracking, stated, v)
        if exposure > layout.max_exposure_refreshes + 0.5:
            warnings.append(warning("exposure_too_long", f"{exposure:.1f} refreshes"))
        elif abs(exposure - round(exposure)) > 0.06:
            warnings.append(warning("exposure_not_whole", f"{exposure:.2f} refreshes"))
    elif exposure_refreshes is not None:
        exposure = exposure_refreshes
    if error.value is None:
        warnings.append(warning("tracking_unknown"))
    elif abs(error.value) * (exposure or 1) > 0.35 * v:
        warnings.append(warning("tracking_large", f"{error.value:+.2f} px per refresh"))
    reg, tone = shot.registration, shot.tone
    for present, code in ((reg.mirrored, "mirrored"), (reg.upside_down, "upside_down"), (bool(reg.turned), "turned")):
        if present:
            warnings.append(warning(code))
    if tone.clipped_share > 0.05:
        warnings.append(warning("clipped_whites", f"{100 * tone.clipped_share:.0f} % of the white stripes"))
    if tone.crushed_share > 0.5:
        warnings.append(warning("crushed_blacks", f"{100 * tone.crushed_share:.0f} % of the black stripes"))
    if shot.halo > MAX_HALO:
        warnings.append(warning("sharpened", f"light swings {100 * shot.halo:.0f} % past the stripes' boundaries"))
    shown = None if tone.shown is None else seen_law(tone.level, *tone.shown)
    if shown is not None and declared_law:
        text = contradiction(shown, tone.level, tone.light)
        if text:
            warnings.append(warning("law_contradicted", text))
    if shot.along.uneven:
        text = f"{shot.along.sigma_px:.2f} px along the motion, {shot.lens_px:.2f} px across it"
        warnings.append(warning("lens_uneven", text))
    if reg.campx_per_px < 2:
        warnings.append(warning("sampling_coarse", f"{reg.campx_per_px:.2f} campx per px"))
    if exposure is None:
        exposure = shot.capture.exposure_refreshes
    if shot.backlight.kind != "hold":
        warnings.append(warning(shot.backlight.kind, f"{100 * shot.backlight.duty:.0f} % of the time lit"))
    curves = stitch_streaks(shot.streaks, shot.motion, layout, tone.law, 1 / reg.campx_per_px)
    if shot.backlight.emission is not None:  # flashes sample the pixel: a streak shows light, not the pixel's own step
        curves = [replace(c, flags=c.flags or ("pwm_unresolved",)) for c in curves]
    found = fit_roads(curves, commonest_family(shot))
    roads = {(c.from_level, c.to_level): (c, r) for c, r in zip(curves, found, strict=True)}
    readings = _readings(shot, hold_ms)
    # so many standard uncertainties by which no reading differs from its edge in 95 of 100 photos
    factor = coverage_factor(level=1 - 0.05 / max(sum(q.value is not None for q in readings), 1))
    poor = _poor(shot)
    of_photo = _flags_of_photo(shot, poor)
    scan = tracking["scan_out_ms"].value
    scanned = scan is not None and abs(scan) > 0.1 * hold_ms and shot.motion.chi2_ratio > FOLLOWING_CHI2
    edges = [_edge(shot, i, hold_ms, roads, q, factor, poor[i], of_photo, scanned) for i, q in enumerate(readings)]
    missing = sorted(set(layout.transitions()) - set(shot.pairs))
    if missing:
        warnings.append(warning("edges_missing", f"{len(missing)} of {len(missing) + len(shot.pairs)}"))
        edges += [_absent(a, b) for a, b in missing]
        edges.sort(key=lambda e: (e.from_level, e.to_level))
    blocks: dict[str, Any] = {
        "photo": shot.photo.as_json(),
        "capture": {
            "refresh_hz": refresh_hz,
            "px_per_refresh": v,
            "speed_px_per_s": v * refresh_hz,
            "direction": layout.direction,
            "exposure_refreshes": exposure,
            "campx_per_px": reg.campx_per_px,
            "hold_ms": hold_ms,
            "plate": layout.plate,
            "plates": layout.plates,
            "notes": dict(notes or {}),
        },
        "tracking": tracking,
        "backlight": _backlight(shot, refresh_hz),
        "streaks": [_streak(c, r, hold_ms) for c, r in roads.values()],
        "registration": {
            "rms_px": reg.rms_px,
            "marks_found": reg.marks_found,
            "marks_expected": reg.marks_expected,
            "mirrored": reg.mirrored,
            "upside_down": reg.upside_down,
            "turned": bool(reg.turned),
            "pose": {
                "matrix": reg.pose.matrix.tolist(),
                "k1": reg.pose.k1,
                "k2": reg.pose.k2,
                "centre_campx": list(reg.pose.centre),
                "radius_campx": reg.pose.radius,
            },
            "lit_u_px": list(reg.lit_u_px),
            "pattern": layout.as_json(edges=False),
        },
        "light": {
            "domain": "light",
            "method": tone.method,
            "display_gamma": tone.display_gamma,
            "display_gamma_u95": 1.96 * tone.display_gamma_sigma,
            "black": tone.black,
            "law": {"level": tone.level.tolist(), "light": tone.light.tolist(), "declared": declared_law},
            "shown": None if shown is None else shown.as_json(),
            "halftone_closure": tone.closure,
            "curve_u": tone.curve_sigma,
            "curve": _curve(tone),
            "flat": {
                "coefficients": tone.flat.tolist(),
                "centre_campx": list(tone.centre),
                "radius_campx": tone.radius,
            },
            "clipped_share": tone.clipped_share,
            "crushed_share": tone.crushed_share,
        },
        "lens": {
            "sigma_px": Q(value=shot.lens_px, u95=K95 * shot.lens_sd_px),
            "along_px": Q(value=shot.along.sigma_px, u95=K95 * shot.along.sd_px),
        },
        "summary": summary_of(edges, hold_ms),
    }
    name = label if label is not None else show_path(Path(shot.photo.path).stem)
    return Measurement(label=name, edges=tuple(edges), blocks=blocks, warnings=tuple(warnings))


def _curve(tone: Any) -> dict[str, Any]:
    """Return the decode table at nodes of the code as a share of full scale, closer together in the dark."""
    share = np.linspace(0, 1, 33) ** 1.5
    table = np.arange(len(tone.decode)) / (len(tone.decode) - 1)
    return {"code": share.tolist(), "light": np.interp(share, table, tone.decode).tolist()}


def _backlight(shot: ShotFit, refresh_hz: float) -> dict[str, Any]:
    lamp = shot.backlight
    frequency = lamp.frequency_refreshes
    return {
        "kind": lamp.kind,
        "duty": Q(value=lamp.duty, u95=lamp.duty_u95),
        "frequency_hz": Q.missing("pwm_unresolved")
        if frequency is None
        else Q(value=frequency * refresh_hz, u95=0.002 * refresh_hz),
        "pulses_per_refresh": lamp.pulses,
    }


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
    roads: Mapping[tuple[int, int], Any],
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
    from blurscope.shapes import first_crossing, last_outside

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


def _streak(curve: StreakCurve, road: RoadResponse, hold_ms: float) -> dict[str, Any]:
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
