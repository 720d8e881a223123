"""One transition from all its repeats: one curve, figures, flags."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.records import Q
from blurscope.trace import segment as sg
from blurscope.trace.backlight import Backlight, describe_backlight
from blurscope.trace.curve import Curve, Pooled, fit_curve
from blurscope.trace.figures import LevelErrors, StepFigures, step_figures
from blurscope.trace.pooling import pool_in_zone, pool_raw_light
from blurscope.trace.prepare import Settings
from blurscope.trace.repeats import Repeat, align, drop_odd, drop_spikes, enough, read_repeat
from blurscope.trace.retune import retuned
from blurscope.trace.stays import Prepared
from blurscope.uncertainty import K95

LEAST_STEP_OVER_NOISE = 20.0
_MISFIT_CHI2 = 1.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transition:
    """A reduced transition; ``figures`` and ``curve`` are ``None`` where flags say why there are none."""

    from_level: float
    to_level: float
    files: tuple[str, ...]
    repeats: int
    dropped: int
    flags: tuple[str, ...]
    figures: StepFigures | None
    curve: Curve | None
    t0_ms: float
    step_u95: np.ndarray | None
    levels_raw: tuple[float, float] | None
    step_over_noise: float | None
    switch_times_s: tuple[float, ...]
    given: bool
    latency_ms: Q | None
    backlight: Backlight | None
    raw_light: tuple[np.ndarray, np.ndarray] | None
    few_samples: bool = False
    bandwidth_removed: bool = False


def missing_transition(
    levels: tuple[float, float],
    flags: tuple[str, ...],
    files: tuple[str, ...] = (),
    repeats: int = 0,
    **more: object,
) -> Transition:
    """Return the transition that could not be reduced, with the flags that say why."""
    values: dict[str, object] = dict(
        from_level=levels[0], to_level=levels[1], files=files, repeats=repeats, dropped=0, flags=flags, figures=None,
        curve=None, t0_ms=0.0, step_u95=None, levels_raw=None, step_over_noise=None, switch_times_s=(), given=False,
        latency_ms=None, backlight=None, raw_light=None,
    )  # fmt: skip
    values.update(more)
    return Transition(**values)  # type: ignore[arg-type]


def reduce_transition(
    levels: tuple[float, float],
    sources: Sequence[tuple[Prepared, Sequence[int]]],
    settings: Settings,
    rng: np.random.Generator,
) -> Transition:
    """Reduce all repeats of one transition.

    Parameters
    ----------
    levels : (float, float)
        From and to.
    sources : sequence of (Prepared, switch indices)
    settings : Settings
    rng : numpy.random.Generator
        For the draws behind the uncertainties.
    """
    found = _reduce(levels, sources, settings, rng)
    if found.curve is None or found.curve.chi2_dof < _MISFIT_CHI2:
        return found
    # A curve that can't follow its samples may have the ripple's flanks in the wrong place.
    tuned = [(retuned(p), indices) for p, indices in sources]
    if all(p is None for p, _ in tuned):
        return found
    again = [(new or old, indices) for (new, indices), (old, _) in zip(tuned, sources, strict=True)]
    other = _reduce(levels, again, settings, rng)
    if other.curve is None or other.curve.chi2_dof > 0.8 * found.curve.chi2_dof:
        return found
    return other


def _reduce(
    levels: tuple[float, float],
    sources: Sequence[tuple[Prepared, Sequence[int]]],
    settings: Settings,
    rng: np.random.Generator,
) -> Transition:
    files = tuple(dict.fromkeys(p.record.name for p, _ in sources))
    if any(p.slides for p, _ in sources):
        return missing_transition(levels, ("ripple_unresolved",), files)
    patchy = any(p.patchy for p, _ in sources)
    repeats: list[Repeat] = []
    reasons: list[str] = []
    for p, indices in sources:
        for i in indices:
            found, reason = read_repeat(p, i)
            if found is None:
                reasons.append(reason or "not_settled")
            else:
                repeats.append(found)
    rising = levels[1] > levels[0]
    right = [r for r in repeats if (r.high > r.low) == rising]
    if not right:
        if repeats:
            reasons = ["levels_reversed"]
        flag = max(sorted(set(reasons)), key=reasons.count) if reasons else "not_settled"
        if patchy and flag in ("ac_coupled", "not_settled", "from_not_settled"):
            flag = "ripple_unresolved"
        return missing_transition(levels, (flag,), files)
    wrong = len(repeats) - len(right)
    repeats = enough(right)
    noise = float(np.median([p.noise for p, _ in sources]))
    lsb = max(p.lsb for p, _ in sources)
    height = abs(float(np.median([r.high - r.low for r in repeats])))
    quantum = sg.dither_left(lsb, noise) / height
    # Samples in the dark of a strobe or on a flank say nothing: the mean is over those that do.
    per_sample = float(np.mean([np.sum(r.weight**2) / max(np.sum(r.weight), 1e-300) for r in repeats]))
    step_over_noise = math.sqrt(per_sample * len(repeats))
    common = dict(
        levels_raw=(float(np.mean([r.low for r in repeats])), float(np.mean([r.high for r in repeats]))),
        step_over_noise=step_over_noise,
        dropped=len(reasons) + wrong,
    )
    if step_over_noise < LEAST_STEP_OVER_NOISE:
        flag = "ripple_unresolved" if patchy else "step_too_small"
        return missing_transition(levels, (flag,), files, len(repeats), **common)
    correlation = max((p.correlation for p, _ in sources), key=len)
    given = all(r.given for r in repeats)
    if len(repeats) > 1 and not given:
        for r in repeats:
            # Each repeat's own middle first: the switches were found on a smoothed record.
            r.t0_s += pool_in_zone([r], quantum)[1][1] / 1000.0
    pooled, rough = pool_in_zone(repeats, quantum)
    if len(pooled.age_ms) < 8:
        return missing_transition(levels, ("not_settled",), files, len(repeats), **common)
    if len(repeats) > 1 and not given:
        curve = fit_curve(pooled, rough, kinks=0)
        for _ in range(6):
            most = align(repeats, curve)
            pooled, rough = pool_in_zone(repeats, quantum)
            curve = fit_curve(pooled, rough, kinks=0)
            if most < 0.02 * max(rough[2] - rough[0], pooled.spacing_ms):
                break
    noise_correlation = correlation if len(correlation) else None
    curve = fit_curve(pooled, rough, noise_correlation, len(repeats))
    kept = drop_odd(repeats, curve)
    common["dropped"] = int(common["dropped"]) + len(repeats) - len(kept)
    if drop_spikes(kept, curve) or len(kept) < len(repeats):
        repeats = kept
        pooled, rough = pool_in_zone(repeats, quantum)
        curve = fit_curve(pooled, rough, noise_correlation, len(repeats))
    count = len(repeats)
    errors = LevelErrors(
        low=math.sqrt(sum(r.low_sd**2 for r in repeats)) / count,
        high=math.sqrt(sum(r.high_sd**2 for r in repeats)) / count,
    )
    hold_ms = () if settings.refresh_hz is None else (1000.0 / settings.refresh_hz,)
    figures = step_figures(
        curve,
        pooled,
        errors,
        quantum_sd=quantum,
        law=settings.law,
        levels=levels,
        fractions=settings.fractions,
        refreshes_ms=hold_ms,
        start_ms=0.0 if given else None,
        rng=rng,
    )
    t0 = 0.0 if given or not math.isfinite(figures.onset_ms) else figures.onset_ms
    light = curve.light
    level_sd = np.hypot((1 - light) * errors.low, light * errors.high)
    flags = _quality(figures, pooled, curve)
    switch_times = tuple(r.t0_s + t0 / 1000.0 for r in repeats)
    return Transition(
        from_level=levels[0],
        to_level=levels[1],
        files=files,
        repeats=count,
        flags=flags,
        figures=figures,
        curve=curve,
        t0_ms=t0,
        step_u95=K95 * np.sqrt(curve.sd**2 + level_sd**2 + quantum**2),
        switch_times_s=switch_times,
        given=given,
        latency_ms=figures.t10_ms if given else None,
        backlight=describe_backlight(sources, switch_times),
        raw_light=pool_raw_light(repeats, sources, t0, rough),
        few_samples=figures.response_ms.value is not None and figures.response_ms.value < 6 * pooled.spacing_ms,
        bandwidth_removed=settings.bandwidth_hz is not None,
        **common,
    )


def _quality(figures: StepFigures, pooled: Pooled, curve: Curve) -> tuple[str, ...]:
    flags = set(figures.response_ms.flags) | set(figures.settle_ms.flags)
    response = figures.response_ms
    if response.value is not None and response.parts.get("sampling", 0.0) > 0.1 * max(response.value, 1e-9):
        gaps = np.diff(pooled.age_ms)
        near = np.abs(pooled.age_ms[:-1] - figures.onset_ms) < 5 * max(response.value, pooled.spacing_ms)
        if near.any() and float(gaps[near].max()) > 4 * pooled.spacing_ms:
            flags.add("ripple_unresolved")
    if curve.chi2_dof > 2 and curve.misfit > 0.004:
        flags.add("poor_fit")
    return tuple(sorted(flags))
