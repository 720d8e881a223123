"""The faults worth trying on a measurement, each with one or two parameters, where to begin, and how likely it is."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.agreement.scene import Outcome, Scene
from blurscope.records import Q

RATE_TOLERANCE = 0.04  # of a rate: errors that all figures share move the estimate by a few per cent
OF_THE_WHOLE_PHOTO = ("speed", "lens_blur", "display_gamma", "strobe")  # its edges and its streaks share them
STANDARD_RATES_HZ = (24, 25, 30, 48, 50, 60, 72, 75, 85, 90, 100, 120, 144, 160, 165, 180, 200, 240, 280, 300, 360, 480)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hypothesis:
    """A fault to try.

    Attributes
    ----------
    cause : str
    starts : sequence of tuple
        Parameter values to begin with, a coarse scan.
    bounds : tuple of (low, high)
    outcome : callable
        Parameters -> Outcome.
    estimate : callable
        Parameters -> the number to report.
    unit : str
    prior : callable
        Parameters -> log prior.
    twin : str
        A fault tried before that does the same to every figure, parameter for parameter: only priors tell them apart.
    known : Q, optional
        The number to report where the measurement itself shows it.
    """

    cause: str
    starts: Sequence[tuple[float, ...]]
    bounds: tuple[tuple[float, float], ...]
    outcome: Callable[..., Outcome]
    estimate: Callable[..., float]
    unit: str
    prior: Callable[..., float]
    twin: str = ""
    known: Q | None = None


def hypotheses(
    scene: Scene,
    measurement: dict[str, Any],
    *,
    same_photo: bool,
    has_signal: bool,
    response_gamma: float | None = None,
) -> list[Hypothesis]:
    """Return the faults worth trying on this measurement.

    Parameters
    ----------
    measurement : dict
        Its warnings, flags and light block shift the priors: hints, never proofs.
    same_photo : bool
        Response and edges come from one photo, so a wrong refresh rate would stretch both alike.
    has_signal : bool
        Whether any signal-domain response is compared.
    response_gamma : float, optional
        The gamma that the response side states.
    """
    codes = {w.get("code") for w in measurement.get("warnings") or [] if isinstance(w, dict)}
    light = measurement.get("light") if isinstance(measurement.get("light"), dict) else {}
    method = light.get("method")
    travel, rate = scene.px_per_refresh, scene.refresh_hz
    ratios = tuple((r,) for r in np.geomspace(0.2, 5, 27) if abs(math.log(r)) > 0.02)
    factors = tuple((r,) for r in np.geomspace(0.3, 3.4, 21) if abs(math.log(r)) > 0.02)
    smears = tuple((x * travel,) for x in (0.01, 0.025, 0.05, 0.08, 0.12, 0.2, 0.3))
    out = [Hypothesis(
        cause="common_factor", starts=ratios, bounds=((0.15, 7),), outcome=scene.common_factor,
        estimate=lambda a: a, unit="times", prior=lambda a: -0.5 * (math.log(a) / 0.35) ** 2,
    )]  # fmt: skip
    if not same_photo:

        def rate_prior(ratio: float) -> float:
            whole = max(ratio, 1 / ratio)
            hint = 2.0 if "refresh_overridden" in codes else 0.0
            if whole > 1.5 and abs(whole / round(whole) - 1) < RATE_TOLERANCE:
                return hint + 1.5
            near = min(abs(ratio * rate / r - 1) for r in STANDARD_RATES_HZ)
            return hint + (-1.0 if near < RATE_TOLERANCE / 2 else -4.0)

        out.append(Hypothesis(
            cause="refresh_rate", starts=ratios, bounds=((0.15, 7),), outcome=scene.refresh_rate,
            estimate=lambda r: r * rate, unit="Hz", prior=rate_prior, twin="common_factor",
        ))  # fmt: skip
    recognised = bool(stated(measurement.get("registration"), "marks_found"))  # scale and speed are the plate's own
    out.append(Hypothesis(
        cause="speed", starts=factors, bounds=((0.2, 5),), outcome=scene.speed,
        estimate=lambda k: k * travel * rate, unit="px/s", prior=lambda k: -2.0 if recognised else 0.0,
    ))  # fmt: skip
    tracked = 0.5 if codes & {"tracking_large", "tracking_unknown"} else 0.0
    stated_error = stated(measurement.get("tracking"), "error_px_per_refresh")

    def tracking_prior(error: float) -> float:
        told = stated_error is not None and abs(stated_error) > 0.03 and 0.6 < abs(error / stated_error) < 1.6
        return tracked + (2.0 if told else 1.0 if stated_error is None else 0.0)

    scan = stated(measurement.get("tracking"), "scan_out_ms")
    scanned = None if scan is None else abs(scan) > 0.4 * scene.hold  # rows in every phase of the shutter, or in one
    out.append(Hypothesis(
        cause="tracking", starts=tuple((x * travel,) for x in (0.01, 0.03, 0.06, 0.1, 0.16)),
        bounds=((0.0, 0.4 * travel),), outcome=scene.tracking_averaged, estimate=lambda e: e, unit="px per refresh",
        prior=lambda e: tracking_prior(e) - (0.0 if scanned in (None, True) else 1.0),
    ))  # fmt: skip
    if not scanned and scene.emission.steady:
        out.append(Hypothesis(
            cause="tracking",
            starts=tuple((s * x * travel, f) for x in (0.03, 0.09, 0.16) for s in (1, -1) for f in (0.0, 0.35, 0.7)),
            bounds=((-0.3 * travel, 0.3 * travel), (-1.0, 2.0)), outcome=scene.tracking_in_phase,
            estimate=lambda e, _: e, unit="px per refresh", prior=lambda e, _: tracking_prior(e),
        ))  # fmt: skip
    # a lens blur seen on the photo's own structure across the motion, or on a still, leaves little to be wrong about
    lens = stated(measurement.get("lens"), "sigma_px")
    lens_prior = 1.0 if "lens_assumed" in codes else -1.0 if lens is None else -3.0
    out.append(Hypothesis(
        cause="lens_blur", starts=smears, bounds=((0.0, 0.6 * travel),), outcome=scene.lens_blur,
        estimate=lambda s: s, unit="px (sigma)", prior=lambda s: lens_prior,
    ))  # fmt: skip
    seen = measurement.get("backlight") if isinstance(measurement.get("backlight"), dict) else {}
    lit = stated(seen, "duty")
    shown = seen.get("kind") == "strobe" and lit is not None and 0.03 <= lit < 1
    steady = seen.get("kind") == "hold"
    if scene.emission.steady and shown:  # the photo's own streaks show the flashes: only their phase is open
        u95 = seen["duty"].get("u95") if isinstance(seen["duty"], dict) else None
        out.append(Hypothesis(
            cause="strobe", starts=tuple((p,) for p in np.arange(0, 1, 1 / 24).tolist()), bounds=((-0.05, 1.05),),
            outcome=lambda p: scene.strobed(lit, p, known=True), estimate=lambda p: lit, unit="lit share",
            prior=lambda p: 3.0, known=Q(value=lit, u95=float(u95 or 0.0)),
        ))  # fmt: skip
    elif scene.emission.steady:
        out.append(Hypothesis(
            cause="strobe",
            starts=tuple((d, p) for d in (0.12, 0.25, 0.5, 0.75) for p in np.arange(0, 1, 0.1).tolist()),
            bounds=((0.03, 1.0), (-1.0, 2.0)), outcome=lambda d, p: scene.strobed(d, p, exact=steady),
            estimate=lambda d, p: d, unit="lit share", prior=lambda d, p: -3.0 if steady else 0.0,
        ))  # fmt: skip
    trusted = method in ("linear_file", "row_halftones", "meter")
    declared = stated(light, "display_gamma")
    gamma = declared if declared is not None and 0.5 <= declared <= 5 else 2.2
    other = response_gamma or 2.2
    if any(t.from_level is not None for t in scene.transitions):
        out.append(Hypothesis(
            cause="display_gamma", starts=tuple((k,) for k in (0.55, 0.7, 0.82, 0.92, 1.09, 1.22, 1.4, 1.8)),
            bounds=((0.3, 3),), outcome=lambda k: scene.light_distorted(k, gamma),
            estimate=lambda k: gamma / k, unit="gamma",
            prior=lambda k: -3.0 if trusted else 0.0,
        ))  # fmt: skip
        if has_signal:
            out.append(Hypothesis(
                cause="display_gamma", starts=tuple((g * other,) for g in (0.55, 0.7, 0.82, 0.92, 1.09, 1.22, 1.4)),
                bounds=((0.6, 5),), outcome=lambda g: scene.signal_gamma(g, other),
                estimate=lambda g: other * gamma / g, unit="gamma", prior=lambda g: 0.0,
            ))  # fmt: skip
    unsettled = any(
        "from_not_settled" in ((e.get("quality") or {}).get("flags") or []) for e in measurement.get("edges") or []
    )
    times = tuple((t,) for t in np.geomspace(0.3, 6, 10) * max(float(np.median(scene.reach)) / 4, scene.hold / 2))
    for sign in (1.0, -1.0):
        out.append(Hypothesis(
            cause="unsettled_from", starts=times, bounds=((0.05 * times[0][0], 3 * times[-1][0]),),
            outcome=lambda t, sign=sign: scene.unsettled(t, sign), estimate=lambda t: t, unit="ms on the from level",
            prior=lambda t: 1.0 if unsettled else -1.0,
        ))  # fmt: skip
    if not same_photo and any(t.origin == "record" for t in scene.transitions):
        out.append(Hypothesis(
            cause="trace_filtered", starts=tuple((x * scene.hold,) for x in (0.03, 0.05, 0.1, 0.2, 0.4, 0.8)),
            bounds=((0.025 * scene.hold, 3 * scene.hold),), outcome=scene.unfiltered,
            estimate=lambda t: t, unit="ms (time constant)", prior=lambda t: 0.0,
        ))  # fmt: skip
    return [h for h in out if not (same_photo and h.cause in OF_THE_WHOLE_PHOTO)]


def stated(block: Any, key: str) -> float | None:
    """Return a number or a quantity's value in a block of a file; ``None`` where there is none."""
    found = block.get(key) if isinstance(block, dict) else None
    value = found.get("value") if isinstance(found, dict) else found
    ok = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if ok else None
