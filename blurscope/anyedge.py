"""An edge in a photo of any moving picture: the order of the stages, without a pattern file."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._threads import one_blas_thread
from blurscope.edgecapture import Setup, free_edge
from blurscope.edgefit import EdgeFit, fit_edge
from blurscope.edgejoint import tell
from blurscope.errors import FitError, SettingsError
from blurscope.files import show_path
from blurscope.flags import warning
from blurscope.freeedge import (
    FreeProfile,
    Line,
    Region,
    Window,
    cut_profile,
    cut_region,
    edges_beside,
    find_lines,
    looks_of,
    window_of,
)
from blurscope.freeedge.settings import check_settings, read_scale, read_tracking
from blurscope.freeedge.strip import CLIPPED, CRUSHED
from blurscope.measurement import EDGE_QUANTITIES, EdgeBlur, Measurement, mean_q, summary_of
from blurscope.photo import Photo
from blurscope.pipeline import as_photo
from blurscope.records import Q
from blurscope.uncertainty import K95

LENS_CAMPX = (0.3, 1.2)  # interval of the lens' blur, campx
HEADER_EXPOSURE_SD = 0.03  # nominal shutter times are rounded
GAMMA_SD = 0.05  # of the display's exponent as it is told
STRAY, STRAY_SD = 0.004, 0.004  # black and reflections, share of white: usual ones, no source
GIVEN_EXPOSURE_SD = 0.01  # refreshes
NOISY = 0.2  # noise of a bin over the step from which nothing can be said
SAME_LEVEL = 6
POOR = 8.0  # chi-square per sample that tracking and phase, not known, don't explain
POOR_MISFIT = 0.008  # of the step, RMS: likewise
BESIDE = 6  # edges in the same rows, outside the region, that are asked
SEED = 20240501
LEVEL_DOUBT = 0.003  # of the step: how well the fitted response holds near its end
RAW = ("bew_px", "bet_ms", "ebet_ms", "ghost_px", "ghost_ms", "overshoot_pct")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeShot:
    """What a picture of the result needs: the photo, the region and every fitted edge.

    Attributes
    ----------
    photo : Photo
    region : Region
    fits : list of EdgeFit
    edges : list of EdgeBlur
        In the order of ``fits``, before instances are combined.
    setup : Setup
    campx_per_px : float
    """

    photo: Photo
    region: Region
    fits: list[EdgeFit]
    edges: list[EdgeBlur]
    setup: Setup
    campx_per_px: float


@one_blas_thread()
def edge(
    photo: str | os.PathLike[str] | Photo,
    *,
    roi: Sequence[float],
    px_per_refresh: float,
    refresh_hz: float,
    campx_per_px: float | None = None,
    length_px: float | None = None,
    between: Sequence[Sequence[float]] | None = None,
    direction: str = "right",
    levels: Sequence[int] | None = None,
    exposure_refreshes: float | None = None,
    display_gamma: float | None = None,
    tracking_u: float | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    on_shot: Callable[[FreeShot], None] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Measurement:
    """Measure straight edges in a photo of any moving picture, taken by a camera that followed it.

    Parameters
    ----------
    photo : path or Photo
    roi : (x, y, w, h)
        Region of the upright photo that holds the edge and its plateaus, campx.
    px_per_refresh : float
        Travel of the picture per refresh, display px; may be fractional.
    refresh_hz : float
    campx_per_px : float, optional
        Scale along the motion; or
    length_px, between : float, ((x1, y1), (x2, y2)), optional
        A known length in display px, and its two ends in the photo.
    direction : {"right", "left", "up", "down"}
        Of the motion as the photo shows it.
    levels : (a, b), optional
        The 8-bit levels that the edge goes from and to, as a fixed pixel sees them.
    exposure_refreshes : float, optional
        Without it the photo's header counts, and without that it is taken as unknown.
    display_gamma : float, optional
        The display's exponent, for figures in the signal domain; needs ``levels``.
    tracking_u : float, optional
        Half-width of the interval of the tracking error, px per refresh; without it 0.5, but at most a quarter of the
        speed.
    notes : mapping, optional
    label : str, optional
    on_shot : callable, optional
        Called with the full result (for pictures).
    say : callable
        Progress.

    Returns
    -------
    Measurement

    Raises
    ------
    BlurscopeError
        The photo, the region or the settings can't carry figures; one sentence says why.
    """
    scale, scale_sd = read_scale(campx_per_px, length_px, between)
    check_settings(px_per_refresh, refresh_hz, exposure_refreshes, display_gamma, levels)
    tracking_u = read_tracking(tracking_u, px_per_refresh)
    travel = scale * px_per_refresh
    if travel < 2:
        raise SettingsError(
            f"the picture travels {travel:.2g} campx per refresh in this photo, too few to show its blur: check "
            "--campx-per-px and --px-per-refresh, or take the photo from nearer"
        )
    say("reading the photo")
    shot = as_photo(photo)
    region = cut_region(shot, roi, direction)
    length, length_sd, source = _exposure(shot, refresh_hz, exposure_refreshes)
    if length is not None and length < 0.8:
        raise FitError(
            f"the exposure covers {length:.2f} of a refresh, says the {source}: expose for 2 to 8 whole refreshes, or "
            "check --refresh-hz"
        )
    setup = Setup(
        travel=travel,
        exposure_refreshes=length,
        exposure_sd=length_sd,
        tracking_u=tracking_u * scale,
        scale_sd=scale_sd,
        lens_sigma=float(np.mean(LENS_CAMPX)),
        lens_sd=(LENS_CAMPX[1] - LENS_CAMPX[0]) / math.sqrt(12),
    )
    say("looking for edges")
    lines = find_lines(region.light, travel)
    profiles = [cut_profile(region, line, window, travel) for line, window in _usable(lines, travel)]
    for profile in profiles:
        _refuse_noise(profile, alone=len(lines) == 1)
    say("fitting edges")
    fits = _fits(shot, region, profiles, setup, levels, display_gamma)
    warnings: list[dict[str, str]] = []
    edges = [_edge(f, setup, scale, 1000 / refresh_hz, levels, display_gamma, warnings) for f in fits]
    if on_shot is not None:
        on_shot(FreeShot(photo=shot, region=region, fits=fits, edges=edges, setup=setup, campx_per_px=scale))
    warnings = [*_warnings(shot, region, levels, source, length, px_per_refresh, tracking_u), *warnings]
    merged = _merged(edges)
    hold_ms = 1000 / refresh_hz
    unknown = Q.missing("not_in_photo")
    blocks: dict[str, Any] = {
        "photo": shot.as_json(),
        "capture": {
            "refresh_hz": float(refresh_hz),
            "px_per_refresh": float(px_per_refresh),
            "speed_px_per_s": float(px_per_refresh * refresh_hz),
            "direction": direction,
            "exposure_refreshes": length,
            "campx_per_px": scale,
            "hold_ms": hold_ms,
            "notes": dict(notes or {}),
        },
        "tracking": {
            "error_px_per_refresh": unknown,
            "accel_px_per_refresh2": unknown,
            "exposure_refreshes": unknown if length is None else Q(value=length, u95=K95 * length_sd),
            "scan_out_ms": unknown,
            "scan_axis": "rows",
            "assumed_error_px_per_refresh": [-float(tracking_u), float(tracking_u)],
        },
        "backlight": {"kind": "hold", "assumed": True, "duty": unknown, "frequency_hz": unknown},
        "streaks": [],
        "registration": {
            "rms_px": 0.0,
            "marks_found": 0,
            "marks_expected": 0,
            "roi_campx": list(region.roi),
            "scale_u_share": scale_sd,
            "lines": [_line_json(f, region) for f in fits],
        },
        "light": {
            "domain": "light",
            "method": "linear_file" if shot.linear else "assumed_gamma",
            "display_gamma": display_gamma,
            "tone": shot.tone.name,
            "tone_source": shot.tone.source,
        },
        "lens": {"sigma_px": Q(value=setup.lens_sigma / scale, u95=K95 * setup.lens_sd / scale), "assumed": True},
        "summary": summary_of(merged, hold_ms),
    }
    name = label if label is not None else show_path(Path(shot.path).stem)
    return Measurement(label=name, edges=tuple(merged), blocks=blocks, warnings=tuple(warnings))


def _exposure(photo: Photo, refresh_hz: float, given: float | None) -> tuple[float | None, float, str]:
    """Return the exposure in refreshes, its standard uncertainty, and who says so."""
    if given is not None:
        return float(given), GIVEN_EXPOSURE_SD, "option --exposure-refreshes"
    if photo.exposure_s:
        length = float(photo.exposure_s * refresh_hz)
        if length <= 1000:
            return length, HEADER_EXPOSURE_SD * length, "photo's header"
    return None, 0.0, ""


def _usable(lines: list[Line], travel: float) -> list[tuple[Line, Window]]:
    """Return the lines with room for their profile; refuse when none has."""
    pairs = [(line, window_of(line, travel)) for line in lines]
    good = [(line, w) for line, w in pairs if not w.front_short and not w.back_short]
    if good:
        return good
    line, w = pairs[0]
    if w.back_cut and w.back_short:
        raise FitError(
            f"another edge follows {w.back:.0f} campx behind this one, before its tail has settled: choose an edge "
            f"with a plateau of at least {w.back + w.back_short:.0f} campx behind it"
        )
    sides = []
    if w.front_short:
        sides.append(f"{math.ceil(w.front_short)} campx ahead of the edge")
    if w.back_short:
        sides.append(f"{math.ceil(w.back_short)} campx behind it")
    raise FitError(
        f"the region cuts the edge: make --roi wider, by at least {' and '.join(sides)}, better by twice that"
    )


def _fits(
    photo: Photo,
    region: Region,
    profiles: list[FreeProfile],
    setup: Setup,
    levels: Sequence[int] | None,
    gamma: float | None,
) -> list[EdgeFit]:
    """Fit the edges of a region, with what others in their rows tell of the camera."""
    beside = edges_beside(photo, region, profiles, setup.travel, BESIDE)
    pairs = [_levels(p, levels) for p in profiles]
    known = levels is not None and gamma is not None
    laws = [_law(pair, gamma) if known else None for pair in pairs] + [None] * len(beside)
    edges = [free_edge(p, cut_from, setup) for p, cut_from in [*((p, region) for p in profiles), *beside]]
    seeds = [SEED + i for i in range(len(edges))]
    told = tell(edges, looks_of(photo.tone.to_light, region.linear), laws, len(profiles), seeds)
    shares = [_signal_shares(*pair, gamma) if known else None for pair in pairs]
    return [fit_edge(*each) for each in zip(edges, told, shares, seeds, strict=False)]


def _refuse_noise(profile: Any, alone: bool) -> None:
    noise = float(np.median(profile.sigma) / abs(profile.step)) * math.sqrt(profile.correlation)
    if alone and noise > NOISY:
        raise FitError(
            f"the edge is lost in noise ({100 * noise:.0f} % of its step): make --roi taller along the edge, or take "
            "the photo at a longer exposure"
        )
    both = min(profile.clipped_from, profile.clipped_to), min(profile.crushed_from, profile.crushed_to)
    if alone and (both[0] > CLIPPED or both[1] > CRUSHED):
        what = "clipped at full scale" if both[0] > CLIPPED else "crushed at black"
        raise FitError(f"both sides of the edge are {what}, so its step is not in the photo: change the exposure")


def _levels(profile: Any, given: Sequence[int] | None) -> tuple[int, int]:
    """Return from and to level: the given ones in the order that the step has, else by the photo's own light."""
    if given is not None:
        a, b = int(given[0]), int(given[1])
        return (a, b) if (b > a) == (profile.step > 0) else (b, a)
    signal = np.clip([profile.from_light, profile.to_light], 0, 1) ** (1 / 2.2)
    a, b = (round(255 * float(s)) for s in signal)
    return (a, b) if a != b else (a, min(255, a + 1) if profile.step > 0 and a < 255 else max(0, a - 1))


def _law(pair: tuple[float, float], gamma: float) -> tuple[float, float] | None:
    """Return the logarithm of the second level's light over the first's, and its standard uncertainty."""
    light = [STRAY + (level / 255) ** gamma for level in pair]
    signal = [max(level, 1) / 255 for level in pair]
    sd = math.hypot(GAMMA_SD * abs(math.log(signal[1] / signal[0])), STRAY_SD / min(light))
    return math.log(light[1] / light[0]), sd


def _signal_shares(a: int, b: int, gamma: float) -> np.ndarray:
    """Return the shares of the step in light at which 10 % and 90 % of that in signal are reached; black cancels."""
    start, end, at = ((np.asarray(x) / 255) ** gamma for x in (a, b, a + (b - a) * np.array([0.1, 0.9])))
    return (at - start) / (end - start)


def _edge(found: EdgeFit, setup: Setup, scale, hold_ms, levels, gamma, warnings) -> EdgeBlur:
    """Turn one fit into the entry of the contract."""
    p, fit, v = found.profile, found.fit, setup.travel / scale
    a, b = _levels(p, levels)
    flags, fatal = [], []
    if max(p.clipped_from, p.clipped_to) > CLIPPED:
        fatal.append("clipped")
    if max(p.crushed_from, p.crushed_to) > CRUSHED:
        fatal.append("crushed")
    noise = float(np.median(p.sigma) / abs(p.step)) * math.sqrt(p.correlation)
    if noise > NOISY:
        fatal.append("step_too_small")
    width = _too_narrow(found, setup)
    raw = _raw(found, setup, scale, hold_ms, as_it_is=width is not None)
    if width is not None:
        fatal.append("narrower_than_hold")
        text = f"{width / scale:.2f} px from 10 to 90 %, where a hold display makes {0.8 * v:.2f}"
        warnings.append(warning("edge_too_sharp", text))
    tail = abs(float(fit.esf_fit[-1]) - 1)
    if tail > 0.02:
        flags.append("not_settled")
        if tail > 0.05 or p.window.back_cut:
            fatal.append("not_settled")
        middle = 0.5 * (found.ages[1:] + found.ages[:-1])
        late = middle[np.abs(fit.cells - 1) > 0.01]
        more = (float(late.max()) + 1 if late.size else 0) * setup.travel - float(p.lag[-1])
        what = "another edge ends its tail" if p.window.back_cut else f"about {max(more, 5):.0f} campx more are needed"
        warnings.append(warning("tail_cut", what))
    if abs(p.from_slope) > max(0.03, 6 * noise):
        flags.append("from_not_settled")
    misfit = float(np.sqrt(np.mean((fit.esf - fit.esf_fit) ** 2)))
    if (
        misfit > max(POOR_MISFIT, 1.5 * float(np.median(p.sigma) / abs(p.step)))
        or fit.chi2_ratio > POOR * p.correlation
    ):
        flags.append("poor_fit")
    doubt = _signal_doubt(found, a, b, gamma) if gamma is not None and levels is not None else None

    def quantity(name: str, factor: float, limit: float) -> Q:
        if fatal:
            return Q.missing(*fatal)
        value, u95 = fit.value[name], fit.u95[name]
        grazed = name in fit.grazed
        if name == "response_signal" and doubt is None:
            return Q.missing("signal_unknown")
        if name == "response_overshoot" and not np.isfinite(value):
            return Q.missing("sampling_coarse")
        if not np.isfinite(value) or not np.isfinite(u95):
            return Q.missing("threshold_grazed" if grazed else "not_settled")
        parts = dict(fit.parts[name])
        if name == "response_signal":
            parts["black"] = doubt
            u95 = math.hypot(u95, K95 * doubt)
        if u95 * factor > limit and u95 > 0.5 * abs(value):
            return Q.missing("threshold_grazed" if grazed else "step_too_small")
        return Q(
            value=float(value * factor),
            u95=float(u95 * factor),
            flags=("threshold_grazed",) if grazed else (),
            parts={k: u * factor for k, u in parts.items()},
        )

    figures = {
        "bew_px": quantity("bew", v, 3 * v),
        "bet_ms": quantity("bew", hold_ms, 3 * hold_ms),
        "ebet_ms": quantity("bew", hold_ms / 0.8, 3 * hold_ms),
        "get_ms": quantity("get", hold_ms, 3 * hold_ms),
        "ghost_px": quantity("ghost", v, 3 * v),
        "ghost_ms": quantity("ghost", hold_ms, 3 * hold_ms),
        "ghost_refreshes": quantity("ghost", 1.0, 3.0),
        "overshoot_pct": quantity("overshoot", 100.0, 30.0),
        "undershoot_pct": quantity("undershoot", 100.0, 30.0),
        "response_ms": quantity("response", hold_ms, 3 * hold_ms),
        "response_signal_ms": quantity("response_signal", hold_ms, 3 * hold_ms),
        "response_overshoot_pct": quantity("response_overshoot", 100.0, 60.0),
    }
    for q in figures.values():
        flags += [f for f in q.flags if f not in flags and (q.value is None or f == "threshold_grazed")]
    ages = 0.5 * (found.ages[1:] + found.ages[:-1]) - fit.onset
    keep = ages > -0.25
    return EdgeBlur(
        from_level=a,
        to_level=b,
        instances=1,
        figures={name: figures[name] for name in EDGE_QUANTITIES},
        raw=raw,
        flags=tuple(flags),
        ok=figures["bet_ms"].value is not None and "poor_fit" not in flags,
        lag_px=(p.lag - fit.onset * setup.travel) / scale,
        esf=fit.esf,
        esf_fit=fit.esf_fit,
        family=fit.family,
        chi2_ratio=fit.chi2_ratio / p.correlation,
        step={"t_ms": ages[keep] * hold_ms, "light": fit.cells[keep]},
    )


def _too_narrow(found: EdgeFit, setup: Setup) -> float | None:
    """Return the 10-90 % width of the profile as it is, campx, if it is below any hold display's; else None."""
    from blurscope.shapes import first_crossing

    p, esf = found.profile, found.fit.esf + found.added
    width = first_crossing(p.lag, esf, 0.9) - first_crossing(p.lag, esf, 0.1)
    if not np.isfinite(width):
        return None
    doubt = 2 * math.hypot(setup.scale_sd, p.lean_sd) * width + 3 * float(np.median(p.sigma) / abs(p.step)) * width
    narrowest = 0.8 * (setup.travel - setup.tracking_u)
    return width if width + doubt < 0.96 * narrowest else None


def _signal_doubt(found: EdgeFit, a: int, b: int, gamma: float) -> float | None:
    """Return what the levels, not quite known, do to the response in signal, refreshes; None if too much."""
    from blurscope.shapes import first_crossing

    ages = 0.5 * (found.ages[1:] + found.ages[:-1])
    keep = ages - found.fit.onset > -0.02
    share = found.fit.cells[keep]
    low, high = _signal_shares(a, b, gamma)

    def rise(level: float) -> float:
        return first_crossing(ages[keep], share * level, high) - first_crossing(ages[keep], share * level, low)

    middle, *others = (rise(level) for level in (1.0, 1 + LEVEL_DOUBT, 1 - LEVEL_DOUBT))
    spread = float(np.max(np.abs(np.array(others) - middle)))  # NaN where a crossing is missing
    return spread if spread < 0.5 * middle else None


def _raw(found: EdgeFit, setup: Setup, scale: float, hold_ms: float, as_it_is: bool) -> dict[str, Q]:
    """Figures of the photo as it is: read off the fitted capture, nothing corrected."""
    from blurscope.shapes import first_crossing, last_outside

    fit, lag = found.fit, found.profile.lag / scale
    v = setup.travel / scale
    fitted = curve = fit.esf_fit + found.added
    if as_it_is or fit.chi2_ratio > POOR * found.profile.correlation:  # the model can't follow: too sharp an edge
        curve = found.profile.esf
    t10, t90 = first_crossing(lag, curve, 0.1), first_crossing(lag, curve, 0.9)
    settle = last_outside(lag, fitted, 1.0, 0.05)
    ms = hold_ms / v

    def q(value: float, part: str, factor: float, *, least: float = -math.inf) -> Q:
        u95 = K95 * math.hypot(fit.parts[part].get("noise", 0.0), fit.parts[part].get("scale", 0.0)) * factor
        if not np.isfinite(value) or not np.isfinite(u95):
            return Q.missing("not_settled")
        return Q(value=float(max(value, least)), u95=u95)

    ghost = settle - t10 - 0.85 * v
    return {
        "bew_px": q(t90 - t10, "bew", v, least=0.0),
        "bet_ms": q((t90 - t10) * ms, "bew", hold_ms, least=0.0),
        "ebet_ms": q((t90 - t10) * ms / 0.8, "bew", hold_ms / 0.8, least=0.0),
        "ghost_px": q(ghost, "ghost", v),
        "ghost_ms": q(ghost * ms, "ghost", hold_ms),
        "overshoot_pct": q(100 * (float(fitted.max()) - 1), "overshoot", 100.0, least=0.0),
    }


def _merged(edges: list[EdgeBlur]) -> list[EdgeBlur]:
    """Combine instances of one transition: the same levels, or levels estimated as nearly the same."""
    groups: list[list[EdgeBlur]] = []
    for e in edges:
        for group in groups:
            g = group[0]
            if max(abs(e.from_level - g.from_level), abs(e.to_level - g.to_level)) <= SAME_LEVEL:
                group.append(e)
                break
        else:
            groups.append([e])
    out = []
    for group in groups:
        good = [e for e in group if e.ok] or group[:1]
        first = good[0]
        if len(good) > 1:
            shared = ("lens", "tracking", "exposure", "scale", "tone", "shading", "black", "resolution", "family")
            figures = {}
            for name in EDGE_QUANTITIES:
                have = [e.figures[name] for e in good if e.figures[name].value is not None]
                figures[name] = mean_q(have, shared) if len(have) > 1 else (have or [first.figures[name]])[0]
            first = replace(first, figures=figures, instances=len(good))
        out.append(first)
    return sorted(out, key=lambda e: (e.from_level, e.to_level))


def _line_json(found: EdgeFit, region: Region) -> dict[str, Any]:
    """Return the two ends of an edge in the photo, where its gradient is largest, and its lean."""
    line = found.profile.line
    rows = np.array([line.top, line.bottom - 1])
    x, y = region.to_photo(line.x + line.lean * (rows - line.middle), rows)
    return {
        "from_campx": [float(x[0]), float(y[0])],
        "to_campx": [float(x[1]), float(y[1])],
        "lean_deg": line.lean_deg,
    }


def _warnings(photo, region, levels, source, length, px_per_refresh, tracking_u) -> list[dict[str, str]]:
    """Return what holds for every measurement of this kind, and what this photo adds."""
    out = [warning("tracking_assumed", f"within {tracking_u:g} px per refresh either way")]
    if not photo.linear:
        out.append(warning("tone_assumed", f"{photo.tone.name}, {_SAYS.get(photo.tone.source, photo.tone.source)}"))
    out.append(warning("lens_assumed", f"{LENS_CAMPX[0]:g} to {LENS_CAMPX[1]:g} campx"))
    if levels is None:
        out.append(warning("levels_estimated"))
    if length is None:
        out.append(warning("exposure_unknown"))
    elif abs(length - round(length)) > 0.06:
        out.append(warning("exposure_part", f"{length:.2f} refreshes by the {source}"))
    if photo.sharpness == "hard":
        out.append(warning("sharpened"))
    return out


_SAYS = {"assumed": "for want of a statement in the file"}
