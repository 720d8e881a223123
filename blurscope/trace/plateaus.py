"""The settled end of each stay: ripple, noise and mean of its level, and how steady the level is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from blurscope.errors import TraceError
from blurscope.trace import frequency as fq
from blurscope.trace import ripple as rp
from blurscope.trace import segment as sg
from blurscope.trace.drift import WAY, find_drift
from blurscope.trace.record import Record
from blurscope.trace.stays import Level, Prepared, Visit

_LEARN_SAMPLES = 150_000
_FEW_SAMPLES = 1 / 40  # of a period of the ripple per sample: harmonics that matter are folded by the sampling
_FEW_BEATS = 4.0  # in a stay, of the sampling against the ripple
_FLANK_SLACK = 0.05  # of a sampling interval, by which flanks leave the turns over a record open
_MOST_DRIFT = 0.05  # of the step in a stay
_SHORT_STAY = 0.25  # of the usual one: a record's torn end, or a flicker taken for switches


def fit_plateaus(p: Prepared, candidate: float | None) -> None:
    """Fit each level's ripple and noise and each stay's mean, then judge whether each stay had settled."""
    time, signal = p.record.time_s, p.signal
    usable = [v for v in p.visits if v.key is not None and v.plateau.stop - v.plateau.start >= 8]
    if not usable:
        raise TraceError(
            f"{p.record.name} has no settled stretch of 8 samples between its switches; "
            "record longer, or at a higher rate"
        )
    groups: dict[object, list[Visit]] = {}
    for v in usable:
        groups.setdefault(v.key, []).append(v)
    everything = groups
    groups = {key: _enough(members) for key, members in groups.items()}
    joined: dict[object, tuple[np.ndarray, np.ndarray]] = {}
    tapers: dict[object, np.ndarray] = {}  # keep the harmonics from leaking into the line that is timed
    for key, members in groups.items():
        t = np.concatenate([time[v.plateau] for v in members])
        tapers[key] = np.concatenate([np.hanning(v.plateau.stop - v.plateau.start) for v in members])
        r = np.concatenate([signal[v.plateau] - signal[v.plateau].mean() for v in members])
        joined[key] = (t, r)
    waves: dict[object, list[rp.Waveform]] = {key: [] for key in groups}
    clear = {key: np.ones(len(r), dtype=bool) for key, (_, r) in joined.items()}
    found: list[tuple[float, float]] = []
    for _ in range(2):
        if candidate is None:
            break
        whole = {} if found else {k: _about_their_mean(p, groups[k], t) for k, (t, _) in joined.items()}
        line = _line(joined, tapers, candidate, p.record, whole)
        if line is None or any(abs(line[0] / f - round(line[0] / f)) < 2e-3 for f, _ in found):
            break
        found.append(line)
        for key, (t, r) in joined.items():
            cuts = np.cumsum([v.plateau.stop - v.plateau.start for v in groups[key]])[:-1]
            own = np.array([signal[v.plateau].mean() for v in groups[key]])
            shifts = (own - own.mean()) if not waves[key] else np.zeros(len(own))
            wave = rp.fit_stays(t, r, line[0], p.record.dt_s, cuts.tolist(), shifts.tolist())
            r = r - wave.at(t)
            clear[key] &= wave.clear_at(t)
            r[~clear[key]] = 0.0
            start = 0
            for v in groups[key]:
                stop = start + v.plateau.stop - v.plateau.start
                own = r[start:stop]
                good = clear[key][start:stop]
                own[good] -= own[good].mean() if good.any() else 0.0
                start = stop
            joined[key] = (t, r)
            waves[key].append(wave)
        candidate = _second_candidate(joined, p.record)
    p.hz = tuple(found)
    # A record without noise (a computed one) still isn't known to better than a millionth of its range.
    floor = 1e-6 * float(signal.max() - signal.min())
    total, count = 0.0, 0
    for key, (_, r) in joined.items():
        used = max(int(clear[key].sum()) - len(groups[key]), 1)
        variance = float(r @ r) / used
        p.levels[key] = Level(waves=tuple(waves[key]), noise=math.sqrt(variance), floor=floor)
        total, count = total + variance * used, count + used
    p.noise = math.sqrt(total / max(count, 1))
    # Nor is one level fifty times as still as another: samples caught on the way would count for nothing beside it.
    loudest = max(level.noise for level in p.levels.values())
    p.levels = {k: replace(level, floor=max(floor, 0.02 * loudest)) for k, level in p.levels.items()}
    p.correlation = _correlation(joined, groups) if p.noise > 10 * floor else np.zeros(0)
    for key, members in everything.items():
        level = p.levels[key]
        for v in members:
            clean = signal[v.plateau] - level.ripple(time[v.plateau])
            weight = np.broadcast_to(1.0 / level.variance(time[v.plateau]), clean.shape)
            v.mean = float(np.average(clean, weights=weight))
            n_eff = float(weight.sum()) ** 2 / float((weight**2).sum())
            white = math.sqrt(1.0 / float(weight.sum()))
            v.mean_sd = math.hypot(white * math.sqrt(p.stretch), sg.dither_left(p.lsb, level.noise))
            v.drift = _slow_scatter(clean, level.noise * math.sqrt(p.stretch), n_eff)
            v.mean_sd = math.hypot(v.mean_sd, v.drift)


def steady_levels(p: Prepared, candidate: float | None) -> None:
    """Take a slow drift of the levels out of the record, if its stays show one, and fit the plateaus again."""
    time = p.record.time_s
    known = [v for v in p.visits if v.key is not None and math.isfinite(v.mean) and v.mean_sd > 0]
    usual = float(np.median([v.plateau.stop - v.plateau.start for v in known])) if known else 0.0
    known = [v for v in known if v.plateau.stop - v.plateau.start > _SHORT_STAY * usual]
    if p.patchy or not known:
        return
    means = [v.mean for v in known]
    found = find_drift(
        (float(time[0]), float(time[-1])),
        np.array([0.5 * float(time[v.plateau.start] + time[v.plateau.stop - 1]) for v in known]),
        np.array(means),
        np.array([v.mean_sd for v in known]),
        [v.key for v in known],
        float(np.median([time[v.stop - 1] - time[v.start] for v in known])),
    )
    if found.drift is not None:
        starts = [float(time[v.start]) for v in known]
        lengths = [float(time[v.stop - 1] - time[v.start]) for v in known]
        moves = [found.drift.slope(a, v.mean) * length for a, v, length in zip(starts, known, lengths, strict=True)]
        typical = [float(np.mean([v.mean for v in known if v.key == key])) for key in {v.key for v in known}]
        p.drift = max(abs(m) for m in moves) / max(max(typical) - min(typical), 1e-300)
        if p.drift > _MOST_DRIFT and not found.checked:
            p.drift = 0.0  # two stays that differ so much have more between them than a drift
            return
        if p.drift > _MOST_DRIFT:
            raise TraceError(
                f"{p.record.name}: the levels drift by {100 * p.drift:.0f} % of the step in each stay, as AC-coupled "
                "or cold ones do; set the input to DC, let the display and the recorder warm up, and record again"
            )
        p.signal = found.drift.removed(time, p.signal)
        fit_plateaus(p, candidate)
    for v in known:
        alike = sum(other.key == v.key for other in known)
        # The drift is one for all stays: averaging over them doesn't help.
        doubt = found.doubt.get(v.key, 0.0) * math.sqrt(alike)
        if alike == 1 and not found.gain_known:
            doubt = max(doubt, _own_slope(p, v) * WAY * float(time[v.stop - 1] - time[v.start]))
        v.mean_sd = math.hypot(v.mean_sd * found.scatter, doubt)


def _own_slope(p: Prepared, v: Visit) -> float:
    """Return how fast a single stay moves in its later part, per second; 0 where noise may do so."""
    time, level = p.record.time_s, p.levels[v.key]
    end = v.plateau.stop
    part = slice(int(np.searchsorted(time, time[end - 1] - 0.6 * (time[end - 1] - time[v.start]))), end)
    t = time[part] - time[part].mean()
    room = float(t @ t)
    if room <= 0:
        return 0.0
    slope = float((p.signal[part] - level.ripple(time[part])) @ t) / room
    return abs(slope) if abs(slope) > 2.5 * max(level.noise, level.floor) * math.sqrt(p.stretch / room) else 0.0


def _enough(members: list[Visit]) -> list[Visit]:
    """Choose stays, spread over the record, that hold enough samples to learn a level's ripple and noise from."""
    samples = sum(v.plateau.stop - v.plateau.start for v in members)
    if samples <= _LEARN_SAMPLES or len(members) <= 4:
        return members
    count = max(4, math.ceil(len(members) * _LEARN_SAMPLES / samples))
    return [members[i] for i in np.unique(np.linspace(0, len(members) - 1, count).astype(int)).tolist()]


def _about_their_mean(p: Prepared, members: Sequence[Visit], time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the samples of a level's plateaus with one common mean taken off."""
    samples = np.concatenate([p.signal[v.plateau] for v in members])
    return time_s, samples - samples.mean()


def _line(
    joined: dict[object, tuple[np.ndarray, np.ndarray]],
    tapers: dict[object, np.ndarray],
    candidate: float,
    record: Record,
    whole: dict[object, tuple[np.ndarray, np.ndarray]],
) -> tuple[float, float] | None:
    """Return the ripple's frequency and its standard uncertainty if the plateaus confirm it.

    ``whole`` has the samples of each level about one common mean.
    """
    key = max(joined, key=lambda k: float(joined[k][1] @ joined[k][1]))
    t, r = joined[key]
    others = [(joined[k][0], joined[k][1] * tapers[k]) for k in joined if k != key]
    hz = fq.refine_hz(t, r * tapers[key], candidate, max(8.0, 0.02 * candidate), others)
    stay = t[: int(np.argmax(np.diff(t, append=np.inf) > 8 * record.dt_s)) + 1]
    length = max(float(stay[-1] - stay[0]), record.dt_s)
    beat = abs(1 / record.dt_s - hz * round(1 / (record.dt_s * hz)))  # of the sampling against the ripple
    if whole and record.dt_s * hz > _FEW_SAMPLES and beat * length < _FEW_BEATS:
        hz = fq.fold_hz(list(whole.values()), hz, 1.2 / length)
    few = slice(None)
    if len(t) > 30_000:
        few = np.sort(np.random.default_rng(4).choice(len(t), 30_000, replace=False))
    gain = fq.folded_gain(t[few], r[few], hz)
    # A line that is really the second or third harmonic: the longer period then explains clearly more.
    for divisor in (2, 3):
        if hz / divisor < 15:
            break
        longer = fq.folded_gain(t[few], r[few], hz / divisor)
        if longer > gain and 1 - longer < 0.9 * (1 - gain):
            hz, gain = hz / divisor, longer
            break
    wave = rp.fit_waveform(t, r, hz, record.dt_s)
    clear = wave.clear_at(t)
    rest = (r - wave.at(t))[clear]
    before = float(r[clear] @ r[clear])
    now = float(rest @ rest)
    # Each kept number must pay: the F-test of the explained variance at many standard deviations.
    if wave.amplitude <= 0 or len(rest) < 32 or now >= before * (1 - 40.0 / len(rest)):
        return None
    spread = float(np.var(t)) or 1.0
    # Cramer-Rao bound of the line; the tapers cost about a fifth.
    sd = 1.2 * math.sqrt(now / len(rest) / (wave.amplitude**2 * len(r) * spread)) / (2 * math.pi)
    if wave.flanks.any():
        # Where between two samples a flank lies isn't known; found on simulated records.
        sd = math.hypot(sd, _FLANK_SLACK * record.dt_s * hz / float(t[-1] - t[0]))
    return hz, sd


def _second_candidate(joined: dict[object, tuple[np.ndarray, np.ndarray]], record: Record) -> float | None:
    _, r = max(joined.values(), key=lambda tr: float(tr[1] @ tr[1]))
    return fq.candidate_hz(r, record.dt_s) if len(r) > 512 else None


def _correlation(joined: dict[object, tuple[np.ndarray, np.ndarray]], groups: dict[object, list[Visit]]) -> np.ndarray:
    """Autocorrelation of the plateaus' noise at lags 1 … L, empty if it is white."""
    lags = 40
    top = np.zeros(lags + 1)
    pairs = np.zeros(lags + 1)
    for key, (_, r) in joined.items():
        start = 0
        for v in groups[key][:8]:
            piece = r[start : start + v.plateau.stop - v.plateau.start]
            start += len(piece)
            scale = float(piece @ piece) / max(len(piece), 1)
            if scale <= 0:
                continue
            for k in range(min(lags, len(piece) - 1) + 1):
                top[k] += float(piece[: len(piece) - k] @ piece[k:]) / scale
                pairs[k] += len(piece) - k
    if pairs[0] == 0 or top[0] <= 0:
        return np.zeros(0)
    rho = top / np.maximum(pairs, 1) / (top[0] / pairs[0])
    limit = 4.0 / np.sqrt(np.maximum(pairs, 1))
    strong = np.flatnonzero((np.abs(rho[1:]) > limit[1:]) & (np.abs(rho[1:]) > 0.02))
    if strong.size == 0:
        return np.zeros(0)
    return rho[1 : int(strong[-1]) + 2]


def _slow_scatter(clean: np.ndarray, noise: float, n_eff: float) -> float:
    """Standard uncertainty of a plateau's mean from change slower than its samples' noise explains."""
    n = len(clean)
    if n < 40:
        return 0.0
    blocks = clean[: n - n % 8].reshape(8, -1).mean(axis=1)
    seen = float(np.var(blocks, ddof=1))
    expected = noise**2 * 8 / max(n_eff, 8)
    # 24.3 / 7: the 99.9 % point of chi-square with 7 degrees of freedom.
    return math.sqrt((seen - expected) / 8) if seen > 3.5 * expected and seen > 0 else 0.0
