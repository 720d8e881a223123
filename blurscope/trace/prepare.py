"""A record made ready: its switches, its stays at each level, their ripple, noise and settled means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from blurscope.errors import TraceError
from blurscope.trace import frequency as fq
from blurscope.trace import segment as sg
from blurscope.trace.clipping import Stay, check_clipping, check_stops, coarse_step, noise_tells
from blurscope.trace.law import LevelLaw
from blurscope.trace.plateaus import fit_plateaus, steady_levels
from blurscope.trace.record import Record
from blurscope.trace.stays import Prepared, Visit

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
    fit_plateaus(prepared, candidate)
    steady_levels(prepared, candidate)
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
