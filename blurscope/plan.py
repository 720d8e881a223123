"""Plan a capture: speed, exposure, framing, plates, and the u95 to expect from the Cramér-Rao bound of its samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.alongblur import expected_sd
from blurscope.errors import PatternError, SettingsError
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout
from blurscope.uncertainty import (
    CUT_LEFT,
    CUT_MEAN,
    CUT_MEAN_SEEN,
    K95,
    LEAST_MISFIT,
    MODEL_TIME,
    MODEL_WIDTH,
    combine,
    loudness,
    mean_of_cut_noise,
    nonlinear_sd,
    resolution_sd,
)

SCHEMA = "blurscope.plan/1"
LN9 = math.log(9.0)
SPEEDS = (4, 6, 8, 10, 12, 16, 20, 24)
# marked shutter settings in thirds of a stop, s; what a camera really does may differ by several per cent
SHUTTERS = tuple(1 / x for x in (250, 200, 160, 125, 100, 80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4)) + (
    0.3,
    0.4,
    0.5,
)
FRAME_MARGIN = 0.05
SMEAR_LIMIT = 0.35  # tracking error times exposure in units of a refresh's travel, above which a shot is not worth much
FLOOR = 8e-4  # what flat field and model may leave of a profile, share of the step, per group of v/24 px
EASED = 0.15  # share of it that clean photos have
TONE = 0.0008  # relative uncertainty of the tone curve that row halftones typically leave
CORRELATION = 1.2  # inflation of the variance by interpolation and compression, whose neighbours share campx
MISFIT = 1.1  # chi-square per sample, per share of the noise in the variance of a sample; from simulated photos
READ_NOISE_E = 4.0
LEAST_EXPOSURE = 0.8  # refreshes, below which a photo is refused
SCALE = 7e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What is to be photographed with what.

    Attributes
    ----------
    width_px, height_px, refresh_hz
        The display.
    levels : int
        Grey levels; all ordered pairs are shown.
    camera_width_campx, camera_height_campx : int
    white_snr : float
        Light of white over its noise in one campx (100 for 10,000 electrons).
    bayer : bool
        Colour filter mosaic: half the campx carry green.
    lens_sigma_campx : float
    readout_ms : float
        From the first to the last row of the photo; 0 for a global shutter.
    shutters_s : sequence of float
        Settings that the camera has.
    tracking_px_per_refresh : float
        How far off the plate's speed the camera usually is.
    response_ms : float
        Response time (10-90 %, exponential) for which u95 is predicted.
    px_per_refresh : int or None
        ``None`` chooses.
    photos : int
        How many are taken and combined: each brings noise of its own, the rest is common to them.
    """

    width_px: int
    height_px: int
    refresh_hz: float = 60.0
    levels: int = 5
    camera_width_campx: int = 6000
    camera_height_campx: int = 4000
    white_snr: float = 100.0
    bayer: bool = True
    lens_sigma_campx: float = 1.0
    readout_ms: float = 0.0
    shutters_s: Sequence[float] = SHUTTERS
    tracking_px_per_refresh: float = 0.2
    response_ms: float = 8.0
    px_per_refresh: int | None = None
    photos: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.photos <= 1000:
            raise SettingsError("1 to 1000 photos can be combined; check --photos")
        if min(self.camera_width_campx, self.camera_height_campx) < 200:
            raise SettingsError("the camera has fewer than 200 campx on a side; check --camera")
        if not 2 <= self.white_snr <= 1e5:
            raise SettingsError("the signal-to-noise ratio of white must be 2 to 100000; check --white-snr")
        if not 0.05 <= self.response_ms <= 500:
            raise SettingsError("the response time must be 0.05 to 500 ms; check --response-ms")
        if not self.shutters_s or not all(0 < s < 1e3 for s in self.shutters_s):
            raise SettingsError("shutter settings must be above 0 s; check --shutters")
        for name, value, most in (
            ("tracking error", self.tracking_px_per_refresh, 50),
            ("lens blur", self.lens_sigma_campx, 50),
            ("readout", self.readout_ms, 1e4),
        ):
            if not 0 <= value <= most:
                option = "--" + {"lens blur": "lens-sigma-campx", "readout": "readout-ms"}.get(name, "tracking")
                raise SettingsError(f"{name} must be 0 to {most:g}; check {option}")


def blurred_exponential(t: np.ndarray, tau: float) -> np.ndarray:
    """Return the ESF of an exponential pixel of time constant ``tau`` over one hold (times in refreshes)."""

    def integral(x: np.ndarray) -> np.ndarray:
        x = np.maximum(x, 0.0)
        return x + tau * np.expm1(-x / tau)

    return integral(t) - integral(t - 1.0)


def blur_edge_time(tau: float) -> float:
    """Return t90 - t10 of `blurred_exponential`, refreshes."""
    end = 2 + 6 * tau
    t = np.linspace(0, end, 20001)
    y = blurred_exponential(t, tau)
    return float(np.interp(0.9, y, t) - np.interp(0.1, y, t))


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


def visible_instances(layout: Layout) -> dict[tuple[int, int], float]:
    """Return how many instances of each transition are on the screen with their fields, averaged over refreshes."""
    usable = max(layout.width_px - 1.32 * layout.field_px, 0.0)
    each = usable / layout.circuit_px
    out: dict[tuple[int, int], float] = {}
    for e in layout.edges():
        pair = (e.from_level, e.to_level)
        out[pair] = out.get(pair, 0.0) + each
    return out


def band_rows(layout: Layout, blur_px: float) -> float:
    """Return the mean usable height of the bands in display px."""
    heights = [b.height_px for b in layout.blocks if b.kind == "band"]
    margin = min(3.2 * blur_px + 0.8, 3.5)
    return float(np.mean([max(2.0, h - 2 * max(margin, 1.2)) for h in heights]))


def clipped_black(black: float, white_snr: float) -> float:
    """Return the doubt of a photo's black, share of white, where noise is cut off at no light (rectified normal)."""
    electrons = white_snr**2
    sd = math.sqrt(black * electrons + READ_NOISE_E**2) / electrons
    z = black / sd
    above = 0.5 * (1 + math.erf(z / math.sqrt(2)))
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    mean = sd * (density + z * above)
    spread = math.sqrt(max(sd**2 * ((1 + z * z) * above + z * density) - mean**2, 0.0))
    return spread * max(CUT_MEAN * min(1.0, (1 - above) / 0.3), loudness(1 / white_snr) * CUT_MEAN_SEEN)


def cut_noise(light: np.ndarray, white_snr: float) -> np.ndarray:
    """Return the noise that light in one campx is as good as known with, share of white.

    It is the inverse root of Fisher's information on the mean of a normal distribution that is cut off at 0 (Tobin
    1958): values above it tell their distance, the others only that they are below.
    """
    electrons = white_snr**2
    sd = np.sqrt(light * electrons + READ_NOISE_E**2) / electrons
    z = np.minimum(light / sd, 30.0)
    above = 0.5 * (1 + np.vectorize(math.erf)(z / math.sqrt(2)))
    density = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    known = above - z * density + np.where(z < 6, density**2 / np.maximum(1 - above, 1e-300), 0.0)
    return sd / np.sqrt(known)


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Expected standard uncertainties of one transition, refreshes, by contribution."""

    bet: dict[str, float]
    response: dict[str, float]

    def of(self, photos: int) -> Precision:
        """Return what so many photos together have: their noise is their own, the rest common."""

        def together(parts: dict[str, float]) -> dict[str, float]:
            return {name: u / math.sqrt(photos) if name == "noise" else u for name, u in parts.items()}

        return Precision(bet=together(self.bet), response=together(self.response))


def expected_precision(
    layout: Layout,
    pair: tuple[int, int],
    instances: float,
    *,
    tau: float,
    campx_per_px: float,
    white_snr: float,
    bayer: bool,
    lens_sigma_campx: float,
    floor: float = FLOOR,
    correlation: float = CORRELATION,
    gamma: float = 2.2,
    black: float = 0.001,
) -> Precision:
    """Return the Cramér-Rao bound of an exponential pixel's figures and what lens, tone and scale add.

    Notes
    -----
    Samples are groups of ``v/24`` px, each the mean of all campx in it, over the rows of a band and all instances;
    unknowns are time constant, place and both plateaus. Noise is that of photons and of reading the sensor, cut off at
    no light, as cameras do.
    """
    v = layout.px_per_refresh
    lens_px = lens_sigma_campx / campx_per_px
    step = 1 / 24
    t = np.arange(-1.0, min(layout.field_refreshes - 0.3, 8 + 8 * tau), step)
    low, high = black + (1 - black) * (np.array(pair) / 255) ** gamma
    rows = band_rows(layout, lens_px)
    campx = max(v * step * campx_per_px, 1e-9) * rows * campx_per_px * instances * (0.5 if bayer else 1.0)
    pixel = 1 / campx_per_px

    def esf(tau_: float, place: float = 0.0, sigma_px: float = lens_px, stretch: float = 1.0) -> np.ndarray:
        fine = np.arange(t[0] - 2, t[-1] + 2, 1 / 192)
        y = blurred_exponential(fine * stretch - place, tau_)
        sigma = math.sqrt(sigma_px**2 + pixel**2 / 6) / v
        half = int(math.ceil(5 * sigma * 192)) + 1
        k = np.exp(-0.5 * (np.arange(-half, half + 1) / 192 / max(sigma, 1e-6)) ** 2)
        y = np.convolve(np.pad(y, half, mode="edge"), k / k.sum(), "valid")
        return np.interp(t, fine, y)

    base = esf(tau)
    h = 1e-3
    jac = np.stack(
        [
            (esf(tau * (1 + h)) - base) / (tau * h),
            (esf(tau, h) - base) / h,
            1 - base,
            base,
        ],
        axis=1,
    )
    light = np.clip(low + (high - low) * base, 1e-5, None)
    noise = cut_noise(light, white_snr) / abs(high - low)
    variance = noise**2 / campx + (EASED * floor) ** 2
    # the static greys help with the plateaus as little as a tenth of a per cent of the step would
    gram = (jac / variance[:, None]).T @ jac + np.diag([0.0, 0.0, 1e6, 1e6])
    cov = np.linalg.inv(gram) * correlation
    gain = cov / correlation @ (jac / variance[:, None]).T

    def bend(x: np.ndarray) -> np.ndarray:
        x = np.clip(x, 1e-5, 1.5)
        return 2.7 * TONE * x * np.log(x)

    ends = bend(np.array([low, high]))
    tone = (bend(light) - ends[0] - (ends[1] - ends[0]) * base) / (high - low)
    bias = clipped_black(black, white_snr) * (1.0 if bayer else CUT_LEFT)  # a mosaic's averages hide the cut

    start, *lift, stop = mean_of_cut_noise(np.array([low, *light, high]) - black, bias / CUT_MEAN + 1e-9)
    cut = (np.array(lift) - start - (stop - start) * base) / (high - low)
    moves = {
        "black": cut,
        "lens": esf(tau, sigma_px=lens_px + expected_sd(lens_px)) - base,
        "tone": tone,
        "scale": esf(tau, stretch=1 + SCALE) - base,
    }
    u_tau = {"noise": math.sqrt(cov[0, 0])} | {k: abs(float(gain[0] @ m)) for k, m in moves.items()}
    slope = (blur_edge_time(tau * 1.02) - blur_edge_time(tau * 0.98)) / (0.04 * tau)
    # chi-square per sample of edges and streaks: the more noise there is beside the floor, the nearer to that of noise
    loud = float(np.mean(1 / (1 + floor**2 * campx / noise**2)))
    misfit = max(MISFIT * loud, LEAST_MISFIT)
    width = blur_edge_time(tau)
    model = {"bet": MODEL_WIDTH * misfit * width, "response": MODEL_TIME * misfit * (width + LN9 * tau)}
    if floor == 0.0:  # a bound, not a budget
        model = dict.fromkeys(model, 0.0)
    response = {k: u * LN9 for k, u in u_tau.items()}
    response |= {"resolution": resolution_sd(lens_px, pixel, v), "model": model["response"]}
    if floor > 0.0:
        response["nonlinear"] = nonlinear_sd(LN9 * tau, combine(response))
    return Precision(bet={k: u * slope for k, u in u_tau.items()} | {"model": model["bet"]}, response=response)


def make_plan(request: PlanRequest) -> dict[str, Any]:
    """Return the plan, JSON-able (``blurscope.plan/1``).

    Raises
    ------
    PatternError
        No plate fits the display; the message says what would.
    """
    r = request
    options = [r.px_per_refresh] if r.px_per_refresh is not None else list(SPEEDS)
    best, refused = None, None
    for v in options:
        try:
            layouts, _ = make_layouts(
                r.width_px, r.height_px, px_per_refresh=v, levels=r.levels, refresh_hz=r.refresh_hz, plates="auto"
            )
        except PatternError as err:
            refused = err
            continue
        plan = _one_plan(r, layouts)
        key = (plan["plates"], plan["expected"]["bet_u95_ms"])
        if best is None or key < (best["plates"], best["expected"]["bet_u95_ms"]):
            best = plan
    if best is None:
        assert refused is not None
        raise refused
    return best


def _one_plan(r: PlanRequest, layouts: list[Layout]) -> dict[str, Any]:
    hold_ms = 1000 / r.refresh_hz
    v = layouts[0].px_per_refresh
    scale = min(
        r.camera_width_campx / (r.width_px * (1 + 2 * FRAME_MARGIN)),
        r.camera_height_campx / (r.height_px * (1 + 2 * FRAME_MARGIN)),
    )
    tau = r.response_ms / LN9 / hold_ms
    bet, response, counts = [], [], []
    parts: dict[str, list[float]] = {}
    for layout in layouts:
        for pair, n in visible_instances(layout).items():
            p = expected_precision(
                layout,
                pair,
                max(n, 1.0),
                tau=tau,
                campx_per_px=scale,
                white_snr=r.white_snr,
                bayer=r.bayer,
                lens_sigma_campx=r.lens_sigma_campx,
            )
            together = p.of(r.photos)
            counts.append(n)
            bet.append(combine(together.bet))
            response.append(combine(together.response))
            for k, u in together.bet.items():
                parts.setdefault(k, []).append(u)
    exposure = _exposure(r, v, layouts[0].max_exposure_refreshes)
    width = blur_edge_time(tau)
    out: dict[str, Any] = {
        "schema": SCHEMA,
        "version": __version__,
        "display": {"width_px": r.width_px, "height_px": r.height_px, "refresh_hz": r.refresh_hz, "levels": r.levels},
        "px_per_refresh": v,
        "speed_px_per_s": v * r.refresh_hz,
        "plates": len(layouts),
        "transitions": len(bet),
        "instances": float(np.mean(counts)),
        "rows_per_band_px": band_rows(layouts[0], r.lens_sigma_campx / scale),
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
            "bet_u95_ms": K95 * float(np.mean(bet)) * hold_ms,
            "response_u95_ms": K95 * float(np.mean(response)) * hold_ms,
            "bet_budget_ms": {k: float(np.mean(u)) * hold_ms for k, u in parts.items()},
        },
        "command": (
            f"blurscope pattern plate --size {r.width_px}x{r.height_px} --px-per-refresh {v} --levels {r.levels} "
            f"--refresh-hz {r.refresh_hz:g}" + (" --plates auto" if len(layouts) > 1 else "")
        ),
    }
    out["warnings"] = _warnings(r, out)
    return out


def _exposure(r: PlanRequest, v: int, longest: int) -> dict[str, Any]:
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
    if u95 > 0.3 * r.response_ms:
        out.append(
            f"a response of {r.response_ms:g} ms can't be told well at {r.refresh_hz:g} Hz (u95 {u95:.2f} ms): expect "
            "an upper bound"
        )
    if plan["instances"] < 1.5:
        out.append("fewer than two instances of each transition are on the screen: take several photos")
    return out
