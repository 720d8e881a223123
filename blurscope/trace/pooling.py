"""Repeats of a transition pooled on one axis of age: in bins that are narrow where the step happens."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blurscope.trace.curve import Pooled, bin_edges
from blurscope.trace.repeats import Repeat
from blurscope.trace.stays import Prepared


def _pool(repeats: Sequence[Repeat], edges: np.ndarray, quantum: float) -> Pooled:
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


def pool_in_zone(repeats: Sequence[Repeat], quantum: float) -> tuple[Pooled, tuple[float, float, float]]:
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


def pool_raw_light(
    repeats: Sequence[Repeat],
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


def _as_raw(r: Repeat) -> Repeat:
    """Return the repeat with its raw light as the step and even weights."""
    return Repeat(
        time_s=r.time_s, t0_s=r.t0_s, step=r.raw, weight=np.ones_like(r.raw), worth=np.ones_like(r.raw), low_sd=0.0,
        high_sd=0.0, low=r.low, high=r.high, given=r.given, spacing_ms=r.spacing_ms, raw=r.raw,
    )  # fmt: skip
