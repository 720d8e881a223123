"""From the profile of a free edge to its figures: the capture as far as it is known, and a budget for what is not."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope.blur.compete import compete
from blurscope.blur.families import FAMILIES
from blurscope.blur.figures import NAMES, RESPONSES, figures_of
from blurscope.blur.fit import fit_family
from blurscope.blur.measure import BlurFit, measure_profiles
from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.freeedge import FreeProfile, linear_curve, looked, ways_by_ratio
from blurscope.uncertainty import K95, nonlinear_sd, resolution_sd

DRAWS = 16
KEPT = 3  # principal directions of what the draws do to the profile
UNKNOWN_EXPOSURE = (2.0, 6.0)  # refreshes
USUAL_EXPOSURE = 4.0
VIGNETTING_SD = 0.08  # loss of light in the photo's corners
UNEVEN_SD = 0.003  # of the screen's own light over the profile
SLOPES = tuple(
    -2.5 + 0.5 * i for i in range(11)
)  # of the light across the profile that are tried, in standard deviations
FAST = 0.18  # refreshes: response below which its shape can't be seen
BRISK = 0.5  # refreshes: response below which what is not known of the camera's motion is tried, not linearised
FAR, STEPS = 0.95, 8  # of the interval of the tracking error, and phases of the shutter, that are tried
FASTEST = tuple(f for f in FAMILIES if f.name == "exponential")
PLAIN = tuple(
    f for f in FAMILIES if f.name in ("exponential", "s-shaped", "two exponentials", "staged", "raised-cosine", "ramp")
)
EARLY, EARLY_AT = 0.1, 0.6  # of the step, and refreshes after the switch when about that much of it is seen
WHOLE = 0.03  # refreshes from a whole number


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What is known of the capture; lengths in campx.

    Attributes
    ----------
    travel : float
        Of the picture per refresh.
    exposure_refreshes, exposure_sd : float or None
        None where nothing is known.
    tracking_u : float
        Half-width of the interval of the tracking error, campx per refresh.
    scale_sd : float
        Relative standard uncertainty of the scale.
    lens_sigma, lens_sd : float
        Blur of the lens along the motion.
    """

    travel: float
    exposure_refreshes: float | None
    exposure_sd: float
    tracking_u: float
    scale_sd: float
    lens_sigma: float
    lens_sd: float

    @property
    def exposure(self) -> float:
        """Exposure that the model takes."""
        return USUAL_EXPOSURE if self.exposure_refreshes is None else self.exposure_refreshes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeFit:
    """A fitted free edge.

    Attributes
    ----------
    profile : FreeProfile
    fit : BlurFit
    ages : (k + 1,) float
    """

    profile: FreeProfile
    fit: BlurFit
    ages: np.ndarray


def fit_edge(
    profile: FreeProfile, region: Any, to_light: Any, setup: Setup, shares: Any, seed: int, law: Any = None
) -> EdgeFit:
    """Fit response families to a profile and propagate what is not known.

    Parameters
    ----------
    profile : FreeProfile
    region : Region
        Where it was cut from.
    to_light : callable
        The file's stated tone curve.
    setup : Setup
    shares : (2,) float or None
        Of the step in light, at which 10 % and 90 % of the step in signal are reached.
    seed : int
    law : (float, float), optional
        Logarithm of the to-level's light over the from-level's as the display's law has it, and its standard
        uncertainty: it tells something of the camera's curve.
    """
    v = setup.travel
    shift = _shift(profile, v)
    lag_fine = profile.lag_fine + shift
    length = float(np.clip(np.ceil((profile.lag[-1] + shift) / v) + 2, 4, 14))
    ages = age_edges(length)
    capture = Capture(
        px_per_refresh=v,
        exposure_refreshes=setup.exposure,
        blur_sigma_px=setup.lens_sigma,
        boxes_px=(profile.lean_factor, abs(profile.line.lean)),
        phase_known=_whole(setup.exposure),
    )

    made = Profiles(
        lag_px=profile.lag + shift,
        esf=profile.esf[None, :],
        sigma=np.maximum(profile.sigma / abs(profile.step), 1e-4)[None, :],
        operator=profile.weight @ capture_operator(lag_fine, ages, capture),
        ages=ages,
        correlation=profile.correlation,
        length=length,
        levels=np.array([[0.0, 1.0, 0.03, 0.3]]),
    )
    curve, others = _curves(profile, region, to_light, law)
    made = replace(made, esf=made.esf + _bent(profile, curve, to_light))
    made, slope_shift = _evened(made, profile, region)
    kept: list[Nuisance] = []

    def nuisances_of(cells: np.ndarray) -> list[Nuisance]:
        kept[:] = _nuisances(cells[0], ages, lag_fine, profile.weight, capture, setup, profile.lean_sd, seed)
        kept.extend(
            Nuisance(name=f"tone {i}", shift=_bent(profile, other, curve)[None, :]) for i, other in enumerate(others)
        )
        kept.append(Nuisance(name="shading", shift=slope_shift[None, :]))
        return kept

    signals = None if shares is None else shares[None, :]
    # no response freer than the families, which would take tracking and phase for its own
    fit = measure_profiles(made, nuisances_of, signals, np.random.default_rng(seed), free=False)[0]
    if set(fit.parts["bew"]) == {"noise"} or fit.value["response"] < FAST:
        # what is not known has to be tried, not linearised, where hardly anything of a response shows
        still = [Nuisance(name="noise", shift=np.zeros_like(made.esf))]
        rng = np.random.default_rng(seed)
        fit = measure_profiles(made, lambda _: still, signals, rng, families=FASTEST, free=False)[0]
        fit = _tried(fit, made, kept, shares)
    # what the photo does not resolve shows in the response, and hardly in the widths
    unresolved = resolution_sd(setup.lens_sigma, 1.0, v)
    value, u95, parts = dict(fit.value), dict(fit.u95), {k: _merged(p) for k, p in fit.parts.items()}
    if fit.value["response"] < BRISK:
        for name, off in _moved(fit, made, capture, setup, lag_fine, profile.weight, shares).items():
            p = parts[name]
            more2 = (off / K95) ** 2 - p.get("tracking", 0.0) ** 2 - p.get("exposure", 0.0) ** 2
            if more2 > 0:
                p["tracking"] = float(np.sqrt(p.get("tracking", 0.0) ** 2 + more2))
                u95[name] = float(np.sqrt(u95[name] ** 2 + K95**2 * more2))
    for name in RESPONSES:
        sd = float(np.hypot(u95[name] / K95, unresolved))
        more = nonlinear_sd(value[name], sd)
        u95[name] = K95 * float(np.hypot(sd, more))
        parts[name] |= {"resolution": unresolved, "nonlinear": more}
    fit = replace(fit, value=value, u95=u95, parts=parts, onset=fit.onset - shift / v)
    return EdgeFit(profile=profile, fit=fit, ages=ages - shift / v)


def _shift(profile: FreeProfile, travel: float) -> float:
    """Return what is added to lags so that the switch lies near 0, where responses are looked for.

    Slow responses are steepest, where the edge seems drawn, more than a refresh after the switch.
    """
    esf = profile.esf
    middle = int(np.argmax(esf >= 0.5))
    early = np.nonzero(esf[:middle] < EARLY)[0]
    begin = profile.lag[early[-1]] if early.size else profile.lag[0]
    return EARLY_AT * travel - float(begin)


def _whole(exposure: float) -> bool:
    return abs(exposure - round(exposure)) < WHOLE


def _merged(parts: dict[str, float]) -> dict[str, float]:
    """Add up contributions of one name, told apart by a number behind it."""
    out: dict[str, float] = {}
    for name, value in parts.items():
        base = name.rstrip("0123456789 ")
        out[base] = float(np.hypot(out.get(base, 0.0), value))
    return out


def _nuisances(cells, ages, lag_fine, weight, capture, setup, lean_sd, seed) -> list[Nuisance]:
    """How each thing that is not known moves the profile by one standard deviation."""

    coarse = lag_fine[::2]  # what is not known changes the edge smoothly

    def whole_edge(c: Capture, stretch: float = 1.0) -> np.ndarray:
        curve = capture_operator(coarse * stretch, ages, c) @ cells
        return (weight @ np.interp(lag_fine, coarse, curve))[None, :]

    reference = whole_edge(capture)

    def seen(c: Capture, stretch: float = 1.0) -> np.ndarray:
        return whole_edge(c, stretch) - reference

    out = [
        Nuisance(
            name="lens",
            shift=seen(capture.changed(blur_sigma_px=float(np.hypot(capture.blur_sigma_px, setup.lens_sd)))),
        ),
        Nuisance(name="scale", shift=seen(capture, 1 + float(np.hypot(setup.scale_sd, lean_sd)))),
    ]
    rng = np.random.default_rng([seed, 7])
    tracked, exposed = [], []
    even = (rng.permuted(np.tile(np.arange(DRAWS), (3, 1)), axis=1) + rng.random((3, DRAWS))) / DRAWS
    for phase, place, part in even.T.tolist():  # evenly spread over each interval
        error = (2 * place - 1) * setup.tracking_u
        if setup.exposure_refreshes is None:
            length = UNKNOWN_EXPOSURE[0] + part * (UNKNOWN_EXPOSURE[1] - UNKNOWN_EXPOSURE[0])
        else:
            length = max(0.5, setup.exposure + math.sqrt(12) * (part - 0.5) * setup.exposure_sd)
        known = capture.changed(phase_known=True, start_phase=phase)
        whole = known.changed(exposure_refreshes=max(1.0, round(length)))
        tracked.append(seen(whole.changed(error_px_per_refresh=error)) - (0 if _whole(setup.exposure) else seen(whole)))
        exposed.append(seen(known.changed(exposure_refreshes=length)))
    out += _principal("tracking", tracked)
    out += _principal("exposure", exposed)
    return out


def _moved(
    fit: BlurFit, made: Profiles, capture: Capture, setup: Setup, lag_fine: np.ndarray, weight: np.ndarray, shares: Any
) -> dict[str, float]:
    """Return by how much the response may change, at most, with what is not known of the camera's motion.

    A brisk response is what is left of the blur once a whole refresh is taken out. What the motion adds to that goes
    with squares, so that a slope taken at a response that is too long says half of it or less; and an edge that the
    motion has bent is fitted by shapes that no pixel has.
    """
    lengths = [setup.exposure] if setup.exposure_refreshes is not None else list(UNKNOWN_EXPOSURE)
    seen = [made.operator]
    for length, error, k in itertools.product(lengths, (-FAR * setup.tracking_u, FAR * setup.tracking_u), range(STEPS)):
        so = capture.changed(
            exposure_refreshes=length, error_px_per_refresh=error, phase_known=True, start_phase=k / STEPS
        )
        seen.append(weight @ capture_operator(lag_fine, made.ages, so))
    n = len(seen)
    again = fit_family(
        FASTEST[0], np.repeat(made.esf, n, axis=0), np.repeat(1 / made.sigma, n, axis=0), np.array(seen), made.ages,
        np.repeat(made.levels, n, axis=0),
    )  # fmt: skip
    figures = figures_of(FASTEST[0], again.params, made.length, None if shares is None else np.tile(shares, (n, 1)))
    out = {}
    for name in RESPONSES:
        plain, values = figures[name][0], np.append(figures[name][1:], fit.value[name])
        out[name] = float(np.max(np.abs(values - plain), initial=0.0, where=np.isfinite(values)))
    return out


def _curves(profile: FreeProfile, region: Any, to_light: Any, law: Any) -> tuple[Any, list[Any]]:
    """Return the likeliest curve of the camera, and others one standard deviation away from it in each way."""
    if region.linear:
        return to_light, [linear_curve(to_light)]
    codes = _plateau_code(profile, profile.from_light), _plateau_code(profile, profile.to_light)
    ways, left = ways_by_ratio(to_light, codes, *((0.0, np.inf) if law is None else law))
    return looked(to_light, ways), [looked(to_light, ways + change) for change in left]


def _bent(profile: FreeProfile, curve: Any, instead_of: Any) -> np.ndarray:
    """Return by how much the normalised profile changes with another curve."""
    ends = [_plateau_code(profile, light) for light in (profile.from_light, profile.to_light)]
    codes = np.concatenate([profile.code, ends])
    return _normalised(curve(codes)) - _normalised(instead_of(codes))


def _evened(made: Profiles, profile: FreeProfile, region: Any) -> tuple[Profiles, np.ndarray]:
    """Take out a straight slope of the light along the profile (vignetting, an uneven screen).

    A slow tail and a slope look alike: several slopes are tried, and the one with which a plain response describes the
    profile best, weighed with how likely the slope is where the region lies in the photo, is taken out.

    Returns
    -------
    Profiles
        Evened.
    (m,) float
        What one standard deviation of the slope that is left does to the profile.
    """
    span = float(np.ptp(profile.column))
    x, y = np.mean(profile.column) - region.centre[0], profile.line.middle - region.centre[1]
    fading = VIGNETTING_SD / region.radius**2
    per_span = 2 * fading * abs(x) * span / max(1 - fading * (x * x + y * y), 0.5)
    sd = float(np.hypot(UNEVEN_SD, per_span))
    place = (profile.column - profile.column.mean()) / span
    shift = sd * place * profile.light / profile.step
    shift = shift - shift[profile.lag <= max(0.0, profile.lag[1])].mean()
    n = len(SLOPES)
    trials = replace(
        made,
        esf=made.esf + np.array(SLOPES)[:, None] * shift,
        sigma=np.repeat(made.sigma, n, axis=0),
        levels=np.repeat(made.levels, n, axis=0),
    )
    fits, _ = compete(trials, PLAIN)
    chi2 = np.stack([f.chi2 for f in fits])
    inflate = made.correlation * max(1.0, float(chi2.min()) / max(made.esf.shape[1] - 6, 1))
    count = np.array([f.count for f in fits])[:, None]
    cost = np.min(chi2 / inflate + count * np.log(made.esf.shape[1] / made.correlation), axis=0) + np.array(SLOPES) ** 2
    weight = np.exp(-0.5 * (cost - cost.min()))
    fine = np.linspace(SLOPES[0], SLOPES[-1], 81)
    weight = np.exp(np.interp(fine, SLOPES, np.log(np.maximum(weight, 1e-30))))
    weight /= weight.sum()
    best = float(fine[np.argmax(weight)])
    left = float(np.clip(np.sqrt(weight @ (fine - best) ** 2), 0.2, 1.0))
    return replace(made, esf=made.esf + best * shift), left * shift


def _plateau_code(profile: FreeProfile, light: float) -> float:
    """Return the code of a plateau's light, from the profile itself."""
    order = np.argsort(profile.light)
    return float(np.interp(light, profile.light[order], profile.code[order]))


def _normalised(light: np.ndarray) -> np.ndarray:
    start, end = light[-2], light[-1]
    return (light[:-2] - start) / (end - start)


def _principal(name: str, shifts: list[np.ndarray]) -> list[Nuisance]:
    """Return the main directions of what the draws do, about no shift at all: their mean counts as uncertainty too."""
    stack = np.concatenate(shifts) / np.sqrt(len(shifts))
    _, size, direction = np.linalg.svd(stack, full_matrices=False)
    return [
        Nuisance(name=f"{name} {j}", shift=(size[j] * direction[j])[None, :]) for j in range(KEPT) if size[j] > 1e-6
    ]


def _tried(fit: BlurFit, made: Profiles, nuisances: list[Nuisance], shares: Any) -> BlurFit:
    """Refit a fast pixel with each unknown moved either way, and widen by what the figures do."""
    family = next(f for f in FAMILIES if f.name == "exponential")
    moves = [s * n.shift[0] for n in nuisances for s in (1.0, -1.0)]
    rows = made.esf + np.array([np.zeros_like(made.esf[0]), *moves])
    n = len(rows)
    again = fit_family(
        family, rows, np.repeat(1 / made.sigma, n, axis=0), made.operator, made.ages, np.repeat(made.levels, n, axis=0)
    )
    figures = figures_of(family, again.params, made.length, shares)
    u95, parts = dict(fit.u95), {k: dict(p) for k, p in fit.parts.items()}
    for name in NAMES:
        if not np.isfinite(fit.value[name]) or not np.isfinite(fit.u95[name]):
            continue
        values = figures[name]
        total = 0.0
        for j, nuisance in enumerate(nuisances):
            pair = values[1 + 2 * j : 3 + 2 * j] - values[0]
            size = float(np.max(np.abs(pair))) if np.all(np.isfinite(pair)) else 0.0
            parts[name][nuisance.name] = size
            total += size**2
        u95[name] = float(np.hypot(fit.u95[name], K95 * np.sqrt(total)))
    return replace(fit, u95=u95, parts=parts)
