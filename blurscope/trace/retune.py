"""A ripple's frequency sharpened on the transitions themselves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from blurscope.trace.stays import Prepared, Visit


def retuned(p: Prepared) -> Prepared | None:
    """Return the record with its ripple's frequency sharpened on the transitions themselves, if that makes sense.

    Samples fix a steep flank only to within their interval, so a short plateau leaves room for its frequency, and
    the flanks before it may be off by samples. The right frequency leaves the smoothest step.
    """
    if not any(w.flanks.any() for lv in p.levels.values() for w in lv.waves):
        return None
    groups: dict[object, list[Visit]] = {}
    for v in p.visits:
        if v.key in p.levels and v.plateau.stop - v.plateau.start >= 8:
            groups.setdefault(v.key, []).append(v)
    time, dt = p.record.time_s, p.record.dt_s
    hz = p.hz[0][0]
    bright = max(groups, key=lambda k: p.levels[k].waves[0].amplitude if p.levels[k].waves else 0.0)
    known = [(float(time[v.plateau.start]), float(time[v.plateau.stop - 1])) for v in groups[bright]]
    pivot = float(np.mean([(a + b) / 2 for a, b in known]))
    span = max(b for _, b in known) - min(a for a, _ in known)
    pieces = []
    for k, switch in enumerate(p.switches[:6]):
        a, b = p.visits[k], p.visits[k + 1]
        if a.key not in groups or b.key not in groups or bright not in (a.key, b.key):
            continue
        start = int(np.searchsorted(time, switch.time_s - switch.rough_s))
        stop = min(b.plateau.start, start + 6000)
        if stop - start > 64:
            pieces.append((a, b, slice(start, stop)))
    if not pieces:
        return None
    reach = max(abs(float(time[w.start]) - pivot) for _, _, w in pieces)
    # Phase is sure to a good half of a sample at the ends of the plateaus.
    room = 0.8 * dt * hz / (span / 2)
    if reach <= 0:
        return None
    means = {k: float(np.mean([np.mean(p.signal[v.plateau]) for v in members])) for k, members in groups.items()}

    def roughness(trial: float) -> float:
        total = 0.0
        for a, b, window in pieces:
            t = time[window]
            low, high = p.levels[a.key], p.levels[b.key]
            waves = [(lv, lv.waves[0].retuned(trial, pivot)) for lv in (low, high) if lv.waves]
            first = next((w for lv, w in waves if lv is low), None)
            last = next((w for lv, w in waves if lv is high), None)
            base = means[a.key] + (first.at(t) if first is not None else 0.0)
            gap = means[b.key] + (last.at(t) if last is not None else 0.0) - base
            loudest = max((w for _, w in waves), key=lambda w: w.amplitude)
            noise2 = max(low.noise, high.noise, low.floor) ** 2 + loudest.flank_variance_at(t)
            gap = np.where(np.abs(gap) < 1e-3 * np.abs(gap).max(), np.inf, gap)
            s = (p.signal[window] - base) / gap
            spread = noise2 / gap**2
            change = np.diff(s) ** 2 / (spread[1:] + spread[:-1] + 1e-300)
            total += float(np.sum(np.minimum(change, 60.0)))
        return total

    for step, count in (
        (0.5 * dt * hz / reach, math.ceil(room * reach / (0.5 * dt * hz))),
        (0.15 * dt * hz / reach, 3),
    ):
        count = min(count, 40)
        trials = hz + step * np.arange(-count, count + 1)
        values = [roughness(float(f)) for f in trials]
        best = float(np.min(values))
        # The middle of all that are as good.
        good = trials[np.array(values) <= best + 2.0]
        hz = float(good[len(good) // 2])
    levels = {
        key: replace(level, waves=(level.waves[0].retuned(hz, pivot), *level.waves[1:])) if level.waves else level
        for key, level in p.levels.items()
    }
    found = ((hz, max(p.hz[0][1], 0.1 * dt * hz / reach)), *p.hz[1:])
    return replace(p, levels=levels, hz=found)
