"""A record made ready: its switches, its stays at each level, their ripple, noise and settled means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from blurscope.errors import TraceError
from blurscope.trace import frequency as fq
from blurscope.trace import ripple as rp
from blurscope.trace import segment as sg
from blurscope.trace.clipping import Stay, check_clipping, check_stops, coarse_step, noise_tells
from blurscope.trace.law import LevelLaw
from blurscope.trace.reading import Record

_LEARN_SAMPLES = 150_000
_FEW_SAMPLES = 1 / 40  # of a period of the ripple per sample: harmonics that matter are folded by the sampling
_FEW_BEATS = 4.0  # in a stay, of the sampling against the ripple
_FLANK_SLACK = 0.05  # of a sampling interval, by which flanks leave the turns over a record open
_LEAST_SLIDING = 8.0  # samples per period of a hard-edged ripple that they slide along
_PLATEAU_SHARE = 0.35  # of a dwell, at its end


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the figures need to know besides the records.

    Attributes
    ----------
    law : LevelLaw, optional
    refresh_hz : float, optional
    bandwidth_hz : float, optional
        First-order bandwidth of the amplifier, taken out.
    fractions : tuple of (float, float)
    inverted : bool
        More light lowers the signal.
    both_ways : bool
        Also report steps against the listed direction.
    """

    law: LevelLaw | None = None
    refresh_hz: float | None = None
    bandwidth_hz: float | None = None
    fractions: tuple[tuple[float, float], ...] = ()
    inverted: bool = False
    both_ways: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class Visit:
    """One stay at a level: from a switch (or the record's start) to the next (or its end)."""

    start: int
    stop: int
    plateau: slice = field(default_factory=lambda: slice(0, 0))
    mean: float = math.nan
    mean_sd: float = math.nan
    key: object = None
    problem: str | None = None
    drift: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """Waveforms and noise of one level; ``floor`` is the least noise that is believed."""

    waves: tuple[rp.Waveform, ...]
    noise: float
    floor: float

    def ripple(self, time_s: np.ndarray) -> np.ndarray | float:
        return sum((w.at(time_s) for w in self.waves), start=0.0)

    def variance(self, time_s: np.ndarray) -> np.ndarray | float:
        if not self.waves:
            return max(self.noise, self.floor) ** 2
        flanks = sum((w.flank_variance_at(time_s) for w in self.waves), start=0.0)
        return np.maximum(self.waves[-1].variance_at(time_s), self.floor**2) + flanks


@dataclass(slots=True, kw_only=True, eq=False)
class Prepared:
    """A record ready for its steps to be read off; ``stops`` says where it may be clipped."""

    record: Record
    signal: np.ndarray
    switches: list[sg.Switch]
    visits: list[Visit]
    levels: dict[object, Level]
    hz: tuple[tuple[float, float], ...]
    lsb: float
    correlation: np.ndarray
    noise: float
    stops: str | None = None

    @property
    def patchy(self) -> bool:
        """Whether stays see a hard-edged ripple on few phases only, as its sampling is nearly in step with it."""
        return any(w.patchy and bool(w.flanks.any()) for lv in self.levels.values() for w in lv.waves)

    @property
    def slides(self) -> bool:
        """Whether too few samples per period of such a ripple slide along it during the record."""
        if not (self.hz and self.patchy):
            return False
        hz, rate = self.hz[0][0], 1 / self.record.dt_s
        beat = abs(rate - hz * round(rate / hz))
        span = float(self.record.time_s[-1] - self.record.time_s[0])
        return rate / hz < _LEAST_SLIDING and beat * span > 0.15


def _deconvolved(record: Record, bandwidth_hz: float) -> Record:
    """Take a first-order bandwidth out; the result stands half an interval earlier (the mean over each interval)."""
    gaps = np.diff(record.time_s)
    if float(gaps.max()) > 1.01 * float(gaps.min()):
        raise TraceError(
            f"{record.name} has uneven or missing samples, so the bandwidth can't be taken out; "
            "export it whole or leave out --bandwidth-hz"
        )
    decay = math.exp(-2 * math.pi * bandwidth_hz * record.dt_s)
    y = record.signal
    x = (y[1:] - decay * y[:-1]) / (1 - decay)
    return replace(record, signal=x, time_s=record.time_s[1:] - 0.5 * record.dt_s)


def prepare(
    record: Record,
    settings: Settings,
    given: Sequence[tuple[float, bool]] | None = None,
    keys: Sequence[object] | None = None,
    *,
    fill: bool = False,
) -> Prepared:
    """Find the switches, the plateaus, the ripple and the noise of a record.

    Parameters
    ----------
    record : Record
    settings : Settings
    given : sequence of (switch time s, rising), optional
        In order; without it the record must move between two levels.
    keys : sequence, optional
        With ``given``: an identity for the level of each stay (one more than switches), so that stays at one level
        share their ripple's waveform; ``None`` is a stay that shows something unknown.
    fill : bool
        With ``given``: the record moves between two levels and has further switches that are not listed.

    Raises
    ------
    TraceError
    """
    whole = record
    if settings.bandwidth_hz is not None:
        record = _deconvolved(record, settings.bandwidth_hz)
    signal = -record.signal if settings.inverted else record.signal
    dt = record.dt_s
    noise = sg.sample_noise(signal)
    candidate = fq.candidate_hz(signal, dt)
    period = 1.0 / candidate / dt if candidate else 0.0
    switches = _switches(record, signal, period, noise, given)
    if fill:
        switches = _filled(switches, _switches(record, signal, period, noise, None))
    return _prepared(whole, record, signal, switches, keys, candidate, settings)


def prepare_found(
    record: Record, settings: Settings, switches: Sequence[sg.Switch], keys: Sequence[object]
) -> Prepared:
    """Prepare a record whose switches were found before (arguments as in `prepare`)."""
    whole = record
    if settings.bandwidth_hz is not None:
        record = _deconvolved(record, settings.bandwidth_hz)
    signal = -record.signal if settings.inverted else record.signal
    candidate = fq.candidate_hz(signal, record.dt_s)
    return _prepared(whole, record, signal, list(switches), keys, candidate, settings)


def _prepared(
    whole: Record,
    record: Record,
    signal: np.ndarray,
    switches: list[sg.Switch],
    keys: Sequence[object] | None,
    candidate: float | None,
    settings: Settings,
) -> Prepared:
    lsb = sg.resolution(whole.signal)
    prepared = Prepared(
        record=record,
        signal=signal,
        switches=switches,
        visits=_visits(record, switches, keys),
        levels={},
        hz=(),
        lsb=lsb,
        correlation=np.zeros(0),
        noise=0.0,
    )
    _fit_plateaus(prepared, candidate)
    plain = -whole.signal if settings.inverted else whole.signal
    noise = max((lv.noise for lv in prepared.levels.values()), default=0.0)
    step = lsb or coarse_step(plain)
    check_clipping(record.name, plain, step, noise)
    if not prepared.hz and not noise_tells(plain, step, noise):
        prepared.stops = check_stops(record.name, whole.time_s, plain, _stays(whole, plain, prepared), step, noise)
    return prepared


def _stays(whole: Record, plain: np.ndarray, prepared: Prepared) -> list[Stay]:
    """Return the stays of the record as it was read, with the levels before and at their end."""
    shift = len(whole.signal) - len(prepared.signal)  # a bandwidth taken out costs a sample

    def level(v: Visit) -> float:
        part = plain[v.plateau.start + shift : v.plateau.stop + shift]
        return float(np.median(part)) if part.size else math.nan

    means = [level(v) for v in prepared.visits]
    return [
        Stay(start=v.start + shift, stop=v.stop + shift, before=before, after=after)
        for v, before, after in zip(prepared.visits[1:], means[:-1], means[1:], strict=True)
    ]


def _switches(
    record: Record,
    signal: np.ndarray,
    period: float,
    noise: float,
    given: Sequence[tuple[float, bool]] | None,
) -> list[sg.Switch]:
    time, dt, name = record.time_s, record.dt_s, record.name
    if given is not None:
        inside = [(t, up) for t, up in given if time[0] <= t <= time[-1]]
        if len(inside) < len(given):
            outside = next(t for t, _ in given if not time[0] <= t <= time[-1])
            raise TraceError(
                f"{name} runs from {time[0]:.6g} to {time[-1]:.6g} s, but a switch at {outside:.6g} s is listed; "
                "correct switch_time_s"
            )
        return [sg.Switch(time_s=t, rising=up, rough_s=0.0, given=True) for t, up in inside]
    many = len(signal) // 400_000
    if many > 1 and many * dt <= 0.25e-3:
        # Only to find the switches: means of a few samples.
        cut = len(signal) // many * many
        signal = signal[:cut].reshape(-1, many).mean(axis=1)
        time = time[:cut:many] + 0.5 * (many - 1) * dt
        dt, period, noise = dt * many, period / many, noise / math.sqrt(many)
    width = max(period, 1.0) * max(1.0, math.ceil(0.3e-3 / (dt * max(period, 1.0))))
    flat = sg.smooth(signal, width) if width > 1 else signal
    levels = sg.two_levels(_inner(flat, width))
    step = levels.high - levels.low
    if step > 0 and noise > 0.03 * step and not period:
        # Noise still shows: widen until the levels stand apart.
        while noise / math.sqrt(width) > 0.03 * step and width < len(signal) / 60:
            width *= 2
        flat = sg.smooth(signal, width)
        levels = sg.two_levels(_inner(flat, width))
    left = noise / math.sqrt(max(width, 1))
    if period:
        # Second differences take a ripple of few samples for noise; what is smoothed over its period has none of it.
        left = min(left, sg.smoothed_noise(flat, width))
    sg.check_two_levels(name, _inner(flat, width), levels, left)
    found = sg.find_switches(time, flat, levels)
    if not found:
        raise TraceError(f"{name} has no switch between two levels; record the patch while it switches")
    if len(found) > 20_000:
        raise TraceError(
            f"{name} crosses its middle {len(found)} times, so its switches can't be told from ripple or noise; "
            "give the switch times or record a larger step"
        )
    return [replace(s, rough_s=max(s.rough_s, 2 * width * dt)) for s in found]


def _inner(flat: np.ndarray, width: float) -> np.ndarray:
    """Leave out the ends of a smoothed record, where the window was cut."""
    half = int(math.ceil(width / 2))
    return flat[half : len(flat) - half] if len(flat) > 4 * half else flat


def _filled(listed: list[sg.Switch], found: list[sg.Switch]) -> list[sg.Switch]:
    """Add found switches to listed ones; a found one between a listed one and the next change is the same switch."""
    out = list(listed)
    used: set[int] = set()
    for s in listed:
        later = [k for k, f in enumerate(found) if f.rising == s.rising and f.time_s >= s.time_s - f.rough_s]
        if later:
            used.add(later[0])
    out += [f for k, f in enumerate(found) if k not in used]
    return sorted(out, key=lambda s: s.time_s)


def _visits(record: Record, switches: list[sg.Switch], keys: Sequence[object] | None) -> list[Visit]:
    time = record.time_s
    at = [0, *np.searchsorted(time, [s.time_s for s in switches]).tolist(), len(time)]
    visits = []
    for k in range(len(at) - 1):
        guard_s = 0.0
        if k < len(switches) and not switches[k].given:
            guard_s = 1.2 * switches[k].rough_s + 2 * record.dt_s
        begin, end = time[at[k]] if at[k] < len(time) else time[-1], time[at[k + 1] - 1] if at[k + 1] else time[0]
        length = float(end - begin)
        share = _PLATEAU_SHARE if k else 0.7
        guard_s = min(guard_s, 0.4 * length)
        p0 = int(np.searchsorted(time, end - guard_s - share * (length - guard_s)))
        p1 = int(np.searchsorted(time, end - guard_s, side="right"))
        if switches and k < len(switches) and switches[k].given:
            p1 = max(p1 - 1, p0)
        key = keys[k] if keys is not None else (switches[k - 1].rising if k else not switches[0].rising)
        visits.append(Visit(start=at[k], stop=at[k + 1], plateau=slice(p0, p1), key=key))
    return visits


def _fit_plateaus(p: Prepared, candidate: float | None) -> None:
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
    stretch = max(1.0 + 2 * float(np.sum(p.correlation)), 0.05) if len(p.correlation) else 1.0
    for key, members in everything.items():
        level = p.levels[key]
        for v in members:
            clean = signal[v.plateau] - level.ripple(time[v.plateau])
            weight = np.broadcast_to(1.0 / level.variance(time[v.plateau]), clean.shape)
            v.mean = float(np.average(clean, weights=weight))
            n_eff = float(weight.sum()) ** 2 / float((weight**2).sum())
            white = math.sqrt(1.0 / float(weight.sum()))
            v.mean_sd = math.hypot(white * math.sqrt(stretch), sg.dither_left(p.lsb, level.noise))
            v.drift = _slow_scatter(clean, level.noise * math.sqrt(stretch), n_eff)
            v.mean_sd = math.hypot(v.mean_sd, v.drift)


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
