"""The u95 that `blurscope.measure` will state: its own fit and budget of profiles that the planned photo would show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from blurscope.alongblur import blur_along
from blurscope.blur.compete import compete, floor_share
from blurscope.blur.measure import BlurFit, measure_profiles
from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.combine import combine_quantity
from blurscope.doubts import shared_doubts
from blurscope.edges import FRONT, lags_of, rounding_sd, rows_of_band
from blurscope.following import capture_of
from blurscope.light import Lens, Tone
from blurscope.pattern.layout import Layout
from blurscope.plan.shooting import (
    BETWEEN_CAMPX2,
    Seen,
    Shooting,
    line_covariance,
    line_noise,
    see,
)
from blurscope.plan.streaks import UPRIGHT_ROWS, see_streaks
from blurscope.plan.stripes import law, see_stripes
from blurscope.pooling import MODEL_FLOOR, PLATEAU_FLARE, PLATEAU_GAIN, lag_groups
from blurscope.records import Q
from blurscope.shapes import LN9, exponential_integral
from blurscope.switchphase import switch_phase
from blurscope.tracking.backlight import STEADY
from blurscope.uncertainty import K95, nonlinear_sd, resolution_sd

MOST_OFF = 0.5  # of the speed: a camera farther off doesn't follow at all
UNKNOWN_LENS = Lens(sigma_px=0.4, sd_px=0.3)  # where stripes show none
DRAWS = 5  # photos that are drawn, their shutters opening at other moments of a refresh


class Precision(NamedTuple):
    """Figures of one transition with the u95 to expect, ms."""

    bet: Q
    response: Q


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """What the stripes and even areas of a planned photo show."""

    tone: Tone
    lens: Lens
    seen: Seen


class Grid(NamedTuple):
    """Where a profile is sampled: lags of its bins, px, samples of each, first bins of the groups, borders of ages."""

    lag_px: np.ndarray
    per_bin: int
    starts: np.ndarray
    ages: np.ndarray


def sight_of(layout: Layout, shooting: Shooting, rng: np.random.Generator) -> Sight:
    """Look at the static stripes of a planned photo."""
    tone, lens = see_stripes(layout, shooting, rng)
    lens = lens if np.isfinite(lens.sigma_px) else UNKNOWN_LENS
    return Sight(tone=tone, lens=lens, seen=see(tone, shooting, rng))


def expected_precision(
    layout: Layout,
    shooting: Shooting,
    *,
    photos: int = 1,
    draws: int = DRAWS,
    sight: Sight | None = None,
    seed: int = 20240501,
) -> dict[tuple[int, int], Precision]:
    """Return BET and response of every transition with the u95 that is to be expected of them.

    There are none where photos would not show stripes, streaks or edges, and a transition that they would not show
    settle has no figure.

    Parameters
    ----------
    layout : Layout
    shooting : Shooting
    photos : int
        How many are taken and combined.
    draws : int
        How many are drawn.
    sight : Sight, optional
        Of another plate with the same greys, for all of them; else each has its own.
    seed : int

    Notes
    -----
    Drawn are not photos but what is read from them: pixels of the static stripes, lanes of streaks, and the profile of
    every transition, with the noise, the mosaic and the cut at no light of the sensor. Everything after that is
    `blurscope.measure`'s own: curve, lens blur, motion, families of responses, and the budget.
    """
    if not shooting.readable:
        return {}
    rng = np.random.default_rng(seed)
    off = min(shooting.tracking_px_per_refresh, MOST_OFF * layout.px_per_refresh)
    found: dict[tuple[int, int], list[Precision]] = {}
    for k in range(draws):
        own = sight or sight_of(layout, shooting, rng)
        drawn = _one_photo(layout, shooting, own, (k + 0.5) / draws, off if k % 2 else -off, rng)
        for pair, p in drawn.items():
            found.setdefault(pair, []).append(p)
    return {
        pair: Precision(*(_together([p[i] for p in every], photos) for i in (0, 1))) for pair, every in found.items()
    }


def visible_instances(layout: Layout, exposure_refreshes: float = 0.0) -> dict[tuple[int, int], float]:
    """Return how many instances of each transition are on the screen with their fields, averaged over refreshes.

    An exposure takes away what is on the screen for a part of it only.
    """
    usable = max(layout.width_px - layout.px_per_refresh * exposure_refreshes - (1 + FRONT) * layout.field_px, 0.0)
    each = usable / layout.circuit_px
    out: dict[tuple[int, int], float] = {}
    for e in layout.edges():
        pair = (e.from_level, e.to_level)
        out[pair] = out.get(pair, 0.0) + each
    return out


def used_rows(layout: Layout, scale: float, blur_px: float) -> float:
    """Return the mean height of the bands that is used, px, at so many campx per px and that blur."""
    bands = [b.height_px for b in layout.blocks if b.kind == "band"]
    return float(np.mean([rows_of_band(h, scale, blur_px, UPRIGHT_ROWS)[0] for h in bands]))


def _one_photo(
    layout: Layout, shooting: Shooting, sight: Sight, phase: float, error: float, rng: np.random.Generator
) -> dict[tuple[int, int], Precision]:
    """Draw one photo's streaks and profiles and measure them."""
    tone, lens = sight.tone, sight.lens
    hold_ms = 1000 / layout.refresh_hz
    tau = shooting.response_ms / LN9 / hold_ms
    motion = see_streaks(layout, shooting, tone, sight.seen, lens, phase, error, tau, rng)
    if motion is None:
        return {}
    blur = blur_along(motion, lens.sigma_px, lens.sd_px)
    scale, v = shooting.campx_per_px, layout.px_per_refresh
    grid = _grid(layout, scale, lens.sigma_px)
    lag, starts, ages = grid.lag_px, grid.starts, grid.ages
    sampling_px2 = (BETWEEN_CAMPX2 + (grid.per_bin**2 - 1) / 12) / scale**2
    base = Capture(
        px_per_refresh=v,
        exposure_refreshes=shooting.exposure_refreshes,
        start_phase=phase % 1.0,
        error_px_per_refresh=error,
        blur_sigma_px=float(np.hypot(shooting.blur_px, np.sqrt(sampling_px2))),
        boxes_px=(1 / scale,),
    )
    cells = np.diff(exponential_integral(ages, tau)) / np.diff(ages)
    edge = capture_operator(lag, ages, base) @ cells
    found = base.changed(blur_sigma_px=float(np.hypot(blur.sigma_px, np.sqrt(sampling_px2))))
    capture = capture_of(found, motion, layout, STEADY)
    operator = capture_operator(lag, ages, capture.opened(motion.start - motion.delay), starts)
    pairs = layout.transitions()
    profiles = _profiles(layout, shooting, sight, grid, edge, operator, rng)
    families, weights = compete(profiles)
    phase_sd = switch_phase(profiles, families, weights, lag, starts, capture, motion).sd
    profiles = profiles.ease(floor_share(profiles, families, weights))
    families, _ = compete(profiles, before=families)

    def nuisances_of(cells: np.ndarray) -> list[Nuisance]:
        known = (cells, lag, starts, pairs, capture, motion, tone)
        return shared_doubts(*known, across_px=lens.sigma_px, lens_sd=blur.sd_px, phase_sd=phase_sd, ages=ages)

    fits = measure_profiles(profiles, nuisances_of, None, rng, fits=families, streak_chi2=motion.chi2_ratio)
    unresolved = resolution_sd(lens.sigma_px, 1 / scale, v)
    return {pair: _figures(fit, unresolved, hold_ms) for pair, fit in zip(pairs, fits, strict=True)}


def _grid(layout: Layout, scale: float, blur_px: float) -> Grid:
    """Return where `blurscope.measure` samples the profiles of a photo."""
    lags, per_bin = lags_of(layout, scale, blur_px)
    lag = lags.reshape(-1, per_bin).mean(axis=1)
    return Grid(lag, per_bin, lag_groups(lag, layout.px_per_refresh), age_edges(layout.field_refreshes + 1))


def _profiles(
    layout: Layout,
    shooting: Shooting,
    sight: Sight,
    grid: Grid,
    edge: np.ndarray,
    operator: np.ndarray,
    rng: np.random.Generator,
) -> Profiles:
    """Return noisy profiles of all transitions.

    Parameters
    ----------
    layout : Layout
    shooting : Shooting
    sight : Sight
        Whose curve shows the light.
    grid : Grid
    edge : (m,) float
        Normalised edge, at the bins.
    operator : (g, k) float
        As the motion found has it.
    rng : Generator
    """
    seen, lag, per_bin, starts = sight.seen, grid.lag_px, grid.per_bin, grid.starts
    pairs, instances = layout.transitions(), visible_instances(layout, shooting.exposure_refreshes)
    bands = [b.height_px for b in layout.blocks if b.kind == "band"]
    used = [rows_of_band(h, shooting.campx_per_px, sight.lens.sigma_px, UPRIGHT_ROWS) for h in bands]
    samples = float(np.mean([rows * count for _, rows, count in used]))
    covariance = line_covariance(per_bin, shooting.bayer)
    correlation = float((covariance[0] + 2 * covariance[1:].sum()) / covariance[0])
    lights = law(np.array(pairs))
    light = lights[:, :1] + np.diff(lights, axis=1) * edge
    means = seen.means(lights)
    step = np.diff(means, axis=1)
    count = np.array([max(instances[p], 1.0) for p in pairs])[:, None]
    noise = line_noise(len(lag), per_bin, shooting.bayer, rng, len(pairs)) / np.sqrt(samples * count)
    esf = (seen.means(light) + seen.noise(light) * noise - means[:, :1]) / step
    size = np.diff(np.append(starts, len(lag)))
    esf = np.add.reduceat(esf, starts, axis=1) / size
    white = float(np.exp(sight.tone.flat[0]))
    rounding = np.interp(means * white, sight.tone.decode, rounding_sd(sight.tone.decode)) / white
    ends = (seen.noise(lights) ** 2 * covariance[0] / samples + rounding**2) / step**2 / count
    x = esf.clip(0, 1)
    doubt = (PLATEAU_GAIN * lights.sum(axis=1, keepdims=True) + PLATEAU_FLARE) / np.abs(step)
    return Profiles(
        lag_px=np.add.reduceat(lag, starts) / size,
        esf=esf,
        sigma=np.sqrt((ends[:, :1] * (1 - x) + ends[:, 1:] * x) / size + MODEL_FLOOR**2),
        operator=operator,
        ages=grid.ages,
        correlation=correlation,
        length=float(layout.field_refreshes + 2),
        levels=np.concatenate([np.tile([0.0, 1.0], (len(pairs), 1)), doubt, doubt], axis=1),
        floor=np.full(len(pairs), MODEL_FLOOR),
    )


def _figures(fit: BlurFit, unresolved: float, hold_ms: float) -> Precision:
    """Return BET and response of a fit as a measurement states them."""
    parts = {**fit.parts["response"], "resolution": unresolved}
    u95 = float(np.hypot(fit.u95["response"], K95 * unresolved))
    parts["nonlinear"] = nonlinear_sd(fit.value["response"], u95 / K95)
    u95 = float(np.hypot(u95, K95 * parts["nonlinear"]))
    return Precision(
        bet=_quantity(fit.value["bew"], fit.u95["bew"], fit.parts["bew"], hold_ms),
        response=_quantity(fit.value["response"], u95, parts, hold_ms),
    )


def _quantity(value: float, u95: float, parts: dict[str, float], factor: float) -> Q:
    if not (np.isfinite(value) and np.isfinite(u95)):
        return Q.missing("not_settled")
    return Q(value=value * factor, u95=u95 * factor, parts={k: float(u) * factor for k, u in parts.items()})


def _together(drawn: list[Q], photos: int) -> Q:
    """Return what so many photos combined are like, with the u95 that the drawn ones have in the middle."""
    given = [q for q in drawn if q.value is not None]
    if not given:
        return Q.missing(*drawn[0].flags)
    if photos > 1:
        given = [combine_quantity([given[(i + k) % len(given)] for i in range(photos)]) for k in range(len(given))]
    u95 = float(np.median([q.u95 for q in given]))
    names = dict.fromkeys(name for q in given for name in q.parts)
    parts = {name: float(np.median([q.parts.get(name, 0.0) for q in given])) for name in names}
    return Q(value=float(np.mean([q.value for q in given])), u95=u95, parts=parts)
