"""One transition from all its repeats: a common axis of age, one curve, figures, flags."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.records import Q
from blurscope.trace import segment as sg
from blurscope.trace.backlight import Backlight, describe_backlight
from blurscope.trace.curve import Curve, Pooled, bin_edges, fit_curve
from blurscope.trace.figures import LevelErrors, StepFigures, step_figures
from blurscope.trace.prepare import Settings
from blurscope.trace.retune import retuned
from blurscope.trace.stays import Prepared, Visit
from blurscope.uncertainty import K95

LEAST_STEP_OVER_NOISE = 20.0
_MISFIT_CHI2 = 1.4
_MOST_SAMPLES = 1_200_000
_MAX_REMAINING = 0.02  # of the step: what may be missing to the settled level


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
    refusal: str | None = None
    few_samples: bool = False
    bandwidth_removed: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class _Repeat:
    """Samples around one switch, as numerators and weights of the normalised step.

    ``worth`` is the weight against that of an ordinary sample of the level: small on flanks and in the dark.
    """

    time_s: np.ndarray
    t0_s: float
    step: np.ndarray
    weight: np.ndarray
    worth: np.ndarray
    low_sd: float
    high_sd: float
    low: float
    high: float
    given: bool
    name: str
    spacing_ms: float
    raw: np.ndarray


def _blocks(p: Prepared, v: Visit, begin_s: float) -> tuple[np.ndarray, float] | None:
    """Means of three equal stretches over the last 60 % of a stay up to its plateau's end, and their scatter."""
    time = p.record.time_s
    stop = v.plateau.stop
    end = time[stop - 1]
    a = int(np.searchsorted(time, end - 0.6 * (end - begin_s)))
    if stop - a < 24:
        return None
    level = p.levels[v.key]
    clean = p.signal[a:stop] - level.ripple(time[a:stop])
    weight = np.broadcast_to(1 / level.variance(time[a:stop]), clean.shape)
    cut = np.linspace(0, stop - a, 4).astype(int)
    means = np.array([np.average(clean[i:j], weights=weight[i:j]) for i, j in zip(cut[:-1], cut[1:], strict=True)])
    return means, math.hypot(level.noise / math.sqrt((stop - a) / 3), sg.dither_left(p.lsb, level.noise))


def _settling(p: Prepared, v: Visit, begin_s: float, away_from: float) -> tuple[str | None, float, float]:
    """Judge a stay: what is wrong with it (or ``None``), correction of its mean, its standard uncertainty."""
    found = _blocks(p, v, begin_s)
    if found is None:
        return None, 0.0, 0.0
    (e, a, b), sd = found
    step = v.mean - away_from
    if step == 0:
        return None, 0.0, 0.0
    d1, d2 = (a - e) / step, (b - a) / step
    noise = math.sqrt(2) * sd / abs(step)
    if abs(d2) <= max(3.5 * noise, 5e-4):
        if abs(d1) > max(6 * noise, 0.3):
            return "not_settled", 0.0, 0.0
        return None, 0.0, 0.0
    ratio = d2 / d1 if d1 else 1.0
    if 0 < ratio < 0.9:
        # An exponential tail: what is still to come after the last stretch's middle is a geometric series.
        final = (b - away_from) / step + d2 * ratio / (1 - ratio)
        missing = final - 1.0
        remaining = d2 * ratio**1.5 / (1 - ratio)
        if abs(remaining) > _MAX_REMAINING:
            return ("ac_coupled" if d2 < 0 and final < 0.6 else "not_settled"), 0.0, 0.0
        return None, missing * step, abs(missing * step) / 2
    if abs(d2) > _MAX_REMAINING / 2:
        return ("ac_coupled" if d2 < 0 else "not_settled"), 0.0, 0.0
    return None, 0.0, abs(d2 * step)


def _repeat(p: Prepared, index: int) -> tuple[_Repeat | None, str | None]:
    """Return the normalised samples around switch ``index``, or the flag that says why not."""
    switch, a, b = p.switches[index], p.visits[index], p.visits[index + 1]
    if a.key is None or a.plateau.stop - a.plateau.start < 8:
        return None, "from_not_settled"
    if b.key is None or b.plateau.stop - b.plateau.start < 8:
        return None, "not_settled"
    time = p.record.time_s
    problem, fix, fix_sd = _settling(p, b, switch.time_s, a.mean)
    if problem:
        return None, problem
    low, low_sd = a.mean, a.mean_sd
    if index > 0 and p.visits[index - 1].key is not None:
        before, fix_low, fix_low_sd = _settling(p, a, p.switches[index - 1].time_s, p.visits[index - 1].mean)
        if before:
            return None, before if before == "ac_coupled" else "from_not_settled"
        low, low_sd = low + fix_low, math.hypot(low_sd, fix_low_sd)
    high, high_sd = b.mean + fix, math.hypot(b.mean_sd, fix_sd)
    if not (math.isfinite(low) and math.isfinite(low_sd)):  # a stay too short or too disturbed to know its level
        return None, "from_not_settled"
    if not (math.isfinite(high) and math.isfinite(high_sd)):
        return None, "not_settled"
    step = high - low
    if step == 0:
        return None, "step_too_small"
    dwell = float(time[b.plateau.stop - 1]) - switch.time_s
    first = int(np.searchsorted(time, max(float(time[a.plateau.start]), switch.time_s - max(0.3 * dwell, 0.02))))
    window = slice(first, b.plateau.stop)
    t = time[window]
    from_level, to_level = p.levels[a.key], p.levels[b.key]
    base = low + from_level.ripple(t)
    gap = (high + to_level.ripple(t)) - base
    raw = (p.signal[window] - base) / step
    floor = max(p.lsb**2 / 12, (1e-6 * step) ** 2)
    variance = np.maximum(from_level.variance(t), floor)
    later = np.maximum(to_level.variance(t), floor)
    # Where the plateaus differ in noise, the larger counts over the transition.
    still = t < switch.time_s - (0.0 if switch.given else 1.5 * switch.rough_s)
    variance = np.where(still, variance, np.maximum(variance, later))
    share = gap / step
    safe = np.where(np.abs(share) > 1e-3, share, np.nan)
    value = raw / safe
    weight = np.nan_to_num(share**2 * step**2 / variance * np.isfinite(safe))
    ordinary = max(from_level.noise, from_level.floor) ** 2
    ordinary = np.where(still, ordinary, max(ordinary, to_level.noise**2))
    return (
        _Repeat(
            time_s=t,
            t0_s=switch.time_s,
            step=np.nan_to_num(value),
            weight=weight,
            worth=weight * np.maximum(ordinary, floor) / step**2,
            low_sd=low_sd / abs(step),
            high_sd=high_sd / abs(step),
            low=low,
            high=high,
            given=switch.given,
            name=p.record.name,
            spacing_ms=1000 * p.record.dt_s,
            raw=raw,
        ),
        None,
    )


def _pool(repeats: Sequence[_Repeat], edges: np.ndarray, quantum: float) -> Pooled:
    """Pool samples into bins of age (weighted means)."""
    n = len(edges) - 1
    sw, ss, sa, sb, number = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    first, last = np.full(n, np.inf), np.full(n, -np.inf)
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        at = np.searchsorted(age, edges)
        filled = np.flatnonzero(np.diff(at) > 0)
        if filled.size == 0:
            continue
        low, high = int(at[0]), int(at[-1])
        begin = at[filled] - low
        weight = r.weight[low:high]
        number[filled] += np.diff(at)[filled]
        sw[filled] += np.add.reduceat(weight, begin)
        sb[filled] += np.add.reduceat(r.worth[low:high], begin)
        ss[filled] += np.add.reduceat(weight * r.step[low:high], begin)
        sa[filled] += np.add.reduceat(weight * age[low:high], begin)
        first[filled] = np.minimum(first[filled], age[at[filled]])
        last[filled] = np.maximum(last[filled], age[at[filled + 1] - 1])
    # Bins that hold only samples on a flank, or in the dark of a strobe, say nothing.
    worth = sb / np.maximum(number, 1)
    lit = worth[number > 0]
    good = (worth > 0.01 * float(np.quantile(lit, 0.75))) & (sw > 0) if lit.size else np.zeros(n, dtype=bool)
    sw, ss, sa = sw[good], ss[good], sa[good]
    age = sa / sw
    order = np.argsort(age, kind="stable")
    age = age[order]
    keep = np.concatenate([[True], np.diff(age) > 1e-9])
    order = order[keep]
    return Pooled(
        age_ms=age[keep],
        step=(ss / sw)[order],
        variance=(1 / sw)[order] + quantum**2,
        edges=np.stack([first[good][order], last[good][order]], axis=1),
        spacing_ms=float(np.median([r.spacing_ms for r in repeats])),
    )


def _rough(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Rough 10, 50 and 90 % crossings of binned samples, outward from the middle."""
    k = int(np.argmax(y >= 0.5)) if np.any(y >= 0.5) else len(y) - 1
    k = max(k, 1)

    def cross(i: int, level: float) -> float:
        a, b = y[i - 1], y[i]
        return float(x[i - 1] + np.clip((level - a) / (b - a) if b != a else 0.5, 0, 1) * (x[i] - x[i - 1]))

    below = np.flatnonzero(y[:k] < 0.1)
    above = np.flatnonzero(y[k:] >= 0.9)
    t50 = cross(k, 0.5)
    t10 = cross(int(below[-1]) + 1, 0.1) if below.size else float(x[0])
    t90 = cross(k + int(above[0]), 0.9) if above.size else float(x[-1])
    return min(t10, t50), t50, max(t90, t50)


def _pooled_in_zone(repeats: Sequence[_Repeat], quantum: float) -> tuple[Pooled, tuple[float, float, float]]:
    """Pool on bins fitted to where the step happens, found by zooming in."""
    start = max(1000 * float(r.time_s[0] - r.t0_s) for r in repeats)
    stop = min(1000 * float(r.time_s[-1] - r.t0_s) for r in repeats)
    spacing = float(np.median([r.spacing_ms for r in repeats]))
    low, high = start, stop
    for _ in range(6):
        count = int(np.clip((high - low) / spacing, 4, 300))
        coarse = _pool(repeats, np.linspace(low, high, count + 1), quantum)
        rough = _rough(coarse.age_ms, coarse.step)
        width = (high - low) / count
        rise = rough[2] - rough[0]
        if rise > 12 * width or width <= 1.01 * spacing:
            break
        low, high = max(start, rough[1] - 25 * width), min(stop, rough[1] + 25 * width)
    rise = max(rise, 2 * spacing)
    zone = (rough[0] - 0.7 * rise - 4 * spacing, rough[2] + 1.5 * rise + 4 * spacing)
    return _pool(repeats, bin_edges(start, stop, zone, spacing), quantum), rough


def _align(repeats: list[_Repeat], curve: Curve) -> float:
    """Shift each repeat onto the curve; return the largest shift in ms."""
    slope = np.gradient(curve.light, curve.grid_ms)
    most = 0.0
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        inside = (age > curve.grid_ms[0]) & (age < curve.grid_ms[-1])
        d = np.interp(age[inside], curve.grid_ms, slope)
        busy = np.abs(d) > 0.01 * np.abs(slope).max()
        if not busy.any():
            continue
        at = np.flatnonzero(inside)[busy]
        d = d[busy]
        misfit = r.step[at] - np.interp(age[at], curve.grid_ms, curve.light)
        norm = float(np.sum(r.weight[at] * d * d))
        if norm <= 0:
            continue
        shift = -float(np.sum(r.weight[at] * misfit * d)) / norm
        limit = 2 * r.spacing_ms + 0.5 / float(np.abs(slope).max())
        shift = float(np.clip(shift, -limit, limit))
        r.t0_s += shift / 1000.0
        most = max(most, abs(shift))
    return most


def _drop_odd(repeats: list[_Repeat], curve: Curve) -> list[_Repeat]:
    """Leave out repeats that differ grossly from the others (a popup over the patch, a bumped probe)."""
    if len(repeats) < 4:
        return repeats
    scores = []
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        misfit = r.step - np.interp(age, curve.grid_ms, curve.light)
        scores.append(math.sqrt(float(np.sum(r.weight * misfit**2) / max(np.sum(r.weight), 1e-300))))
    scores = np.array(scores)
    middle = float(np.median(scores))
    spread = 1.4826 * float(np.median(np.abs(scores - middle))) + 0.05 * middle
    keep = scores <= middle + 8 * spread + 0.02
    return [r for r, ok in zip(repeats, keep.tolist(), strict=True) if ok]


def _drop_spikes(repeats: Sequence[_Repeat], curve: Curve) -> bool:
    """Take the weight off lone samples far off the curve; return whether there were any.

    Three or more in a row are no spikes but something the curve would have to follow.
    """
    found = False
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        z = np.abs(r.step - np.interp(age, curve.grid_ms, curve.light)) * np.sqrt(r.weight)
        odd = z > 6
        if not odd.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], odd.astype(np.int8), [0]])))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if b - a <= 2:
                r.weight[a:b] = 0.0
                found = True
    return found


def _enough(repeats: list[_Repeat]) -> list[_Repeat]:
    """Choose repeats, spread over the record, where there are far more samples than the figures gain from."""
    samples = sum(len(r.step) for r in repeats)
    if samples <= _MOST_SAMPLES or len(repeats) <= 8:
        return repeats
    count = max(8, math.ceil(len(repeats) * _MOST_SAMPLES / samples))
    return [repeats[i] for i in np.unique(np.linspace(0, len(repeats) - 1, count).astype(int)).tolist()]


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
    repeats: list[_Repeat] = []
    reasons: list[str] = []
    for p, indices in sources:
        for i in indices:
            found, reason = _repeat(p, i)
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
    repeats = _enough(right)
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
            r.t0_s += _pooled_in_zone([r], quantum)[1][1] / 1000.0
    pooled, rough = _pooled_in_zone(repeats, quantum)
    if len(pooled.age_ms) < 8:
        return missing_transition(levels, ("not_settled",), files, len(repeats), **common)
    if len(repeats) > 1 and not given:
        curve = fit_curve(pooled, rough, kinks=0)
        for _ in range(6):
            most = _align(repeats, curve)
            pooled, rough = _pooled_in_zone(repeats, quantum)
            curve = fit_curve(pooled, rough, kinks=0)
            if most < 0.02 * max(rough[2] - rough[0], pooled.spacing_ms):
                break
    noise_correlation = correlation if len(correlation) else None
    curve = fit_curve(pooled, rough, noise_correlation, len(repeats))
    kept = _drop_odd(repeats, curve)
    common["dropped"] = int(common["dropped"]) + len(repeats) - len(kept)
    if _drop_spikes(kept, curve) or len(kept) < len(repeats):
        repeats = kept
        pooled, rough = _pooled_in_zone(repeats, quantum)
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
        raw_light=_raw_light(repeats, sources, t0, rough),
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


def _raw_light(
    repeats: Sequence[_Repeat],
    sources: Sequence[tuple[Prepared, Sequence[int]]],
    t0: float,
    rough: tuple[float, float, float],
) -> tuple[np.ndarray, np.ndarray] | None:
    """Mean light of the repeats with its flashes: (ms since the switch, share of the step in mean light)."""
    hz = [p.hz[0][0] for p, _ in sources if p.hz]
    if not hz:
        return None
    start = max(1000 * float(r.time_s[0] - r.t0_s) for r in repeats)
    stop = min(1000 * float(r.time_s[-1] - r.t0_s) for r in repeats)
    start = max(start, rough[0] - 1000 / hz[0] - 2 * (rough[2] - rough[0]))
    spacing = float(np.median([r.spacing_ms for r in repeats]))
    width = max(spacing, (stop - start) / 4000)
    edges = np.arange(start, stop, width)
    plain = [_as_raw(r) for r in repeats]
    pooled = _pool(plain, edges, 0.0)
    return pooled.age_ms - t0, pooled.step


def _as_raw(r: _Repeat) -> _Repeat:
    """Return the repeat with its raw light as the step and even weights."""
    return _Repeat(
        time_s=r.time_s, t0_s=r.t0_s, step=r.raw, weight=np.ones_like(r.raw), worth=np.ones_like(r.raw), low_sd=0.0,
        high_sd=0.0, low=r.low, high=r.high, given=r.given, name=r.name, spacing_ms=r.spacing_ms, raw=r.raw,
    )  # fmt: skip
