"""Plan a capture: speed, exposure, framing, plates, and the u95 to expect."""

from __future__ import annotations

from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.errors import PatternError
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout
from blurscope.plan.exposure import SMEAR_LIMIT, choose_exposure
from blurscope.plan.precision import DRAWS, Precision, Sight, expected_precision, sight_of, used_rows, visible_instances
from blurscope.plan.request import PlanRequest
from blurscope.plan.shooting import Shooting
from blurscope.shapes import LN9, exponential_integral

SCHEMA = "blurscope.plan/1"
SPEEDS = (4, 6, 8, 10, 12, 16, 20, 24)
FRAME_MARGIN = 0.05
TRIAL_DRAWS = 1  # photos that are drawn of every speed to choose one
SEED = 20240501


def blur_edge_time(tau: float) -> float:
    """Return t90 - t10 of the edge of an exponential pixel of time constant ``tau`` over one hold, refreshes."""
    t = np.linspace(0, 2 + 6 * tau, 20001)
    y = exponential_integral(t, tau) - exponential_integral(t - 1.0, tau)
    return float(np.interp(0.9, y, t) - np.interp(0.1, y, t))


def make_plan(request: PlanRequest) -> dict[str, Any]:
    """Return the plan, JSON-able (``blurscope.plan/1``).

    Raises
    ------
    PatternError
        No plate fits the display; the message says what would.
    """
    r = request
    options = [r.px_per_refresh] if r.px_per_refresh is not None else list(SPEEDS)
    fitting, refused = [], None
    for v in options:
        try:
            layouts, _ = make_layouts(
                r.width_px, r.height_px, px_per_refresh=v, levels=r.levels, refresh_hz=r.refresh_hz, plates="auto"
            )
        except PatternError as err:
            refused = err
            continue
        fitting.append(layouts)
    if not fitting:
        assert refused is not None
        raise refused
    fewest = min(len(layouts) for layouts in fitting)
    fitting = [layouts for layouts in fitting if len(layouts) == fewest]
    layouts = fitting[0]
    shooting = _shooting(r, layouts)
    if len(fitting) > 1 and shooting.readable:
        # speeds differ in what moves: the static stripes of one plate tell of those of all
        sight = sight_of(layouts[0], shooting, np.random.default_rng(SEED))
        trials = [[f.bet.u95 for f in _figures(r, each, TRIAL_DRAWS, sight)] for each in fitting]
        layouts = fitting[int(np.argmin([np.mean(u95) if u95 else np.inf for u95 in trials]))]
    return _plan_of(r, layouts, _figures(r, layouts, DRAWS))


def _scale(r: PlanRequest) -> float:
    """Return the campx per px that leave a margin around the screen."""
    return min(
        r.camera_width_campx / (r.width_px * (1 + 2 * FRAME_MARGIN)),
        r.camera_height_campx / (r.height_px * (1 + 2 * FRAME_MARGIN)),
    )


def _shooting(r: PlanRequest, layouts: list[Layout]) -> Shooting:
    longest = layouts[0].max_exposure_refreshes
    exposure = choose_exposure(r, layouts[0].px_per_refresh, longest)
    return Shooting(
        campx_per_px=_scale(r),
        white_snr=r.white_snr,
        bayer=r.bayer,
        lens_sigma_campx=r.lens_sigma_campx,
        exposure_refreshes=min(exposure["shutter_refreshes"], longest),
        tracking_px_per_refresh=r.tracking_px_per_refresh,
        response_ms=r.response_ms,
    )


def _figures(r: PlanRequest, layouts: list[Layout], draws: int, sight: Sight | None = None) -> list[Precision]:
    """Return the figures to expect of all transitions of all plates that show them."""
    shooting = _shooting(r, layouts)
    every = [
        p
        for layout in layouts
        for p in expected_precision(layout, shooting, photos=r.photos, draws=draws, sight=sight, seed=SEED).values()
    ]
    return [p for p in every if p.bet.u95 is not None and p.response.u95 is not None]


def _plan_of(r: PlanRequest, layouts: list[Layout], figures: list[Precision]) -> dict[str, Any]:
    hold_ms, tau = 1000 / r.refresh_hz, r.response_ms / LN9 * r.refresh_hz / 1000
    v, scale = layouts[0].px_per_refresh, _scale(r)
    exposure = choose_exposure(r, v, layouts[0].max_exposure_refreshes)
    taken = _shooting(r, layouts).exposure_refreshes
    counts = [n for layout in layouts for n in visible_instances(layout, taken).values()]
    names = dict.fromkeys(name for f in figures for name in f.bet.parts)
    width = blur_edge_time(tau)
    out: dict[str, Any] = {
        "schema": SCHEMA,
        "version": __version__,
        "display": {"width_px": r.width_px, "height_px": r.height_px, "refresh_hz": r.refresh_hz, "levels": r.levels},
        "px_per_refresh": v,
        "speed_px_per_s": v * r.refresh_hz,
        "plates": len(layouts),
        "transitions": len(counts),
        "instances": float(np.mean(counts)),
        "rows_per_band_px": used_rows(layouts[0], scale, r.lens_sigma_campx / scale),
        "field_refreshes": layouts[0].field_refreshes,
        "campx_per_px": scale,
        "framing": {
            "screen_width_campx": scale * r.width_px,
            "screen_height_campx": scale * r.height_px,
            "margin_share": FRAME_MARGIN,
        },
        "exposure": exposure,
        "expected": {
            "photos": r.photos,
            "response_ms": r.response_ms,
            "bet_ms": width * hold_ms,
            "bew_px": width * v,
            "bet_u95_ms": float(np.mean([f.bet.u95 for f in figures])) if figures else None,
            "response_u95_ms": float(np.mean([f.response.u95 for f in figures])) if figures else None,
            "bet_budget_ms": {k: float(np.mean([f.bet.parts.get(k, 0.0) for f in figures])) for k in names},
        },
        "command": (
            f"blurscope pattern plate --size {r.width_px}x{r.height_px} --px-per-refresh {v} --levels {r.levels} "
            f"--refresh-hz {r.refresh_hz:g}" + (" --plates auto" if len(layouts) > 1 else "")
        ),
    }
    out["warnings"] = _warnings(r, out)
    return out


def _warnings(r: PlanRequest, plan: dict[str, Any]) -> list[str]:
    v, hold_ms, exposure = plan["px_per_refresh"], 1000 / r.refresh_hz, plan["exposure"]
    out = []
    if plan["campx_per_px"] < 2:
        out.append(
            f"{plan['campx_per_px']:.2f} campx per px are few: go closer and photograph part of the screen, or take a "
            "camera with more pixels"
        )
    if plan["campx_per_px"] < 1.7:
        out.append("below 1.7 campx per px the plate may not be read at all")
    if exposure["refreshes"] > exposure["longest_refreshes"]:
        out.append(
            f"the shortest shutter setting that fits is {exposure['shutter_refreshes']:.3g} refreshes, more than the "
            f"{exposure['longest_refreshes']} that plate and tracking leave room for"
        )
    if exposure["esf_error"] > 0.01:
        out.append(
            f"the nearest shutter setting is {exposure['shutter_refreshes']:.2f} refreshes: raw widths wander by up to "
            f"{exposure['raw_bew_error_pct']:.1f} % with the moment of release; measure reads the exposure from the "
            "streaks and corrects for it"
        )
    smear = r.tracking_px_per_refresh * exposure["refreshes"] / v
    if smear > SMEAR_LIMIT:
        out.append(
            f"a tracking error of {r.tracking_px_per_refresh:g} px per refresh smears {100 * smear:.0f} % of a "
            "refresh's travel: use a rail, take several photos and keep the best"
        )
    if r.readout_ms > 2 * hold_ms:
        out.append(
            f"the camera takes {r.readout_ms:g} ms to read a photo, {r.readout_ms / hold_ms:.1f} refreshes: rows are "
            "exposed at different times; use a mechanical or global shutter if there is one"
        )
    lens = 2.5631 * r.lens_sigma_campx / plan["campx_per_px"] / (0.8 * v)
    if lens > 0.3:
        out.append(f"the lens blurs edges {100 * lens:.0f} % as wide as one refresh: focus better or move faster")
    u95 = plan["expected"]["response_u95_ms"]
    if u95 is None:
        out.append(
            "nothing could be measured in such photos: the plate is too small or too blurred in them, its streaks "
            "drown in the noise, or its edges don't settle within their fields"
        )
    elif u95 > 0.3 * r.response_ms:
        out.append(
            f"a response of {r.response_ms:g} ms can't be told well at {r.refresh_hz:g} Hz (u95 {u95:.2f} ms): expect "
            "an upper bound"
        )
    if plan["instances"] < 1.5:
        out.append("fewer than two instances of each transition are on the screen: take several photos")
    return out
