"""From files to a ``blurscope.response/1`` object."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.errors import SettingsError, TraceError
from blurscope.flags import FLAGS, warning
from blurscope.records import Q
from blurscope.trace.law import Listed
from blurscope.trace.prepare import Prepared, Settings, prepare
from blurscope.trace.reading import ReadOptions, read_record
from blurscope.trace.transition import Transition, missing_transition, reduce_transition
from blurscope.uncertainty import K95

SCHEMA = "blurscope.response/1"
_STEP_POINTS = 2000
_FIGURES = ("response_ms", "response_signal_ms", "overshoot_pct", "undershoot_pct", "settle_ms")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Reduced records of one display.

    Attributes
    ----------
    label : str
    transitions : tuple of Transition
        In the order of the list.
    settings : Settings
    refused : tuple of (file, sentence)
    warnings : tuple of dict
    """

    label: str
    transitions: tuple[Transition, ...]
    settings: Settings
    refused: tuple[tuple[str, str], ...] = ()
    warnings: tuple[dict[str, str], ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the ``blurscope.response/1`` object."""
        return {
            "schema": SCHEMA,
            "version": __version__,
            "label": self.label,
            "refresh_hz": self.settings.refresh_hz,
            "light": _law_json(self.settings),
            "backlight": _backlight_json(self.transitions, self.settings),
            "transitions": [_transition_json(t, self.settings) for t in self.transitions],
            "summary": summarise(self.transitions, self.settings),
            "refused": [{"file": f, "reason": r} for f, r in self.refused],
            "warnings": list(self.warnings),
        }


def _law_json(settings: Settings) -> dict[str, Any]:
    law = settings.law
    if law is None:
        return {"method": None, "display_gamma": None}
    gamma = {"value": law.gamma, "u95": law.gamma_u95} if law.method == "gamma" else None
    return {"method": "meter" if law.method == "meter" else "assumed_gamma", "display_gamma": gamma}


def _backlight_json(transitions: Sequence[Transition], settings: Settings) -> dict[str, Any]:
    """The emission of the whole display: hold, a PWM that goes dark between pulses, or one flash per refresh."""
    nothing = {"value": None, "u95": None}
    found = [t.backlight for t in transitions if t.backlight is not None]
    if not found:
        return {"kind": "hold", "duty": {"value": 1.0, "u95": None}, "frequency_hz": nothing, "phase": None}
    # All records see one backlight; the one with the surest frequency speaks.
    b = min(found, key=lambda f: f.hz_sd)
    kind, phase = "hold", None
    if b.depth > 0.9:
        kind = "pwm"
        if settings.refresh_hz is not None and abs(b.hz / settings.refresh_hz - 1) < 0.002:
            kind = "strobe"
        if b.locked:
            wave = np.array(b.wave)
            lit = wave > 0.5 * (wave.min() + wave.max())
            rise = int(np.argmax(lit & ~np.roll(lit, 1)))
            phase = (rise / len(wave) - b.phase) % 1.0
    return {
        "kind": kind,
        "duty": {"value": b.duty, "u95": 2.0 / len(b.wave)},
        "frequency_hz": {"value": b.hz, "u95": K95 * b.hz_sd},
        "phase": phase,
    }


def _nothing(t: Transition, *, flags: tuple[str, ...] = ()) -> Q:
    return Q.missing(*(t.flags or flags or ("not_settled",)))


def _settles(t: Transition, settings: Settings) -> bool | None:
    if t.figures is None or settings.refresh_hz is None or t.figures.settle_ms.value is None:
        return None
    return t.figures.settle_ms.value <= 1000.0 / settings.refresh_hz


def figure(t: Transition, name: str) -> Q:
    """Return a figure of a transition, missing with its reasons where there is none."""
    return getattr(t.figures, name) if t.figures is not None else _nothing(t)


def _transition_json(t: Transition, settings: Settings) -> dict[str, Any]:
    out: dict[str, Any] = {"from_level": _whole(t.from_level), "to_level": _whole(t.to_level)}
    for name in _FIGURES:
        out[name] = figure(t, name).as_json()
    out["settles_within_refresh"] = _settles(t, settings)
    out["latency_ms"] = t.latency_ms.as_json() if t.latency_ms is not None else {"value": None, "u95": None}
    out["fractions"] = {k: q.as_json() for k, q in t.figures.fractions.items()} if t.figures else {}
    out["step"] = _step_json(t)
    out["raw_light"] = None
    if t.raw_light is not None:
        out["raw_light"] = {"t_ms": _rounded(t.raw_light[0], 7), "light": _rounded(t.raw_light[1], 5)}
    out["backlight"] = None
    if t.backlight is not None:
        b = t.backlight
        out["backlight"] = {
            "frequency_hz": {"value": b.hz, "u95": K95 * b.hz_sd},
            "depth": b.depth,
            "duty": b.duty,
            "locked": b.locked,
            "phase_at_switch": b.phase,
            "waveform": _rounded(np.array(b.wave), 5),
        }
    out["files"] = list(t.files)
    out["repeats"] = t.repeats
    out["repeats_dropped"] = t.dropped
    out["switch_times_s"] = [round(v, 9) for v in t.switch_times_s]
    out["settled_levels"] = list(t.levels_raw) if t.levels_raw else None
    out["step_over_noise"] = t.step_over_noise
    flags = list(t.flags)
    out["quality"] = {"ok": is_ok(t), "flags": flags}
    return out


def _step_json(t: Transition) -> dict[str, list[float]]:
    """The step on an even grid, from a little before the switch to well after it has settled."""
    if t.curve is None or t.step_u95 is None or t.figures is None:
        return {"t_ms": [], "light": [], "u95": []}
    x, y = t.curve.grid_ms - t.t0_ms, t.curve.light
    response = t.figures.response_ms.value or 1.0
    moving = np.flatnonzero((y > 0.003) & (np.abs(y - 1) > 0.003))
    begin, end = (x[moving[0]], x[moving[-1]]) if moving.size else (0.0, response)
    low = max(float(x[0]), min(-response, float(begin) - 0.2 * response) - 1.0)
    high = min(float(x[-1]), 1.3 * float(end) + 10.0)
    spacing = max(min(response / 60, (high - low) / 400), (high - low) / _STEP_POINTS)
    # The grid has t = 0 as a point.
    grid = np.arange(math.ceil(low / spacing), math.floor(high / spacing) + 1) * spacing
    return {
        "t_ms": _rounded(grid, 7),
        "light": _rounded(np.interp(grid, x, y), 6),
        "u95": _rounded(np.interp(grid, x, t.step_u95), 3),
    }


def _whole(level: float) -> float | int:
    return int(level) if float(level).is_integer() else level


def _rounded(values: np.ndarray, digits: int) -> list[float]:
    return [float(f"{v:.{digits}g}") for v in values.tolist()]


def is_ok(t: Transition) -> bool:
    """Whether the figures may be used as they stand."""
    return (
        t.figures is not None and t.figures.response_ms.value is not None and not (set(t.flags) - {"threshold_grazed"})
    )


def mean_of(quantities: Sequence[Q], *, shared: str | None = None) -> Q:
    """Return the mean; independent parts average out, the part named ``shared`` does not."""
    good = [q for q in quantities if q.value is not None]
    if not good:
        flags = tuple(sorted({f for q in quantities for f in q.flags})) or ("not_settled",)
        return Q.missing(*flags)
    n = len(good)
    common = sum(q.parts.get(shared, 0.0) for q in good) / n if shared else 0.0
    own = math.fsum(((q.u95 or 0.0) / K95) ** 2 - (q.parts.get(shared, 0.0) ** 2 if shared else 0.0) for q in good)
    sd = math.sqrt(max(own, 0.0) / n**2 + common**2)
    return Q(value=math.fsum(q.value for q in good) / n, u95=K95 * sd)  # type: ignore[misc]


def summarise(transitions: Sequence[Transition], settings: Settings) -> dict[str, Any]:
    """Return the averages over rising, falling and all transitions, and the worst, each with u95."""
    ok = [t for t in transitions if is_ok(t)]
    groups = {
        "": ok,
        "_rising": [t for t in ok if t.to_level > t.from_level],
        "_falling": [t for t in ok if t.to_level < t.from_level],
    }
    out: dict[str, Any] = {"transitions": len(transitions), "transitions_ok": len(ok)}
    nothing = {"value": None, "u95": None}
    for name, shared in (("response_ms", None), ("response_signal_ms", "gamma")):
        for suffix, members in groups.items():
            values = [figure(t, name) for t in members]
            out[f"{name}_mean{suffix}"] = mean_of(values, shared=shared).as_json() if values else nothing
        have = [t for t in ok if figure(t, name).value is not None]
        if have:
            worst = max(have, key=lambda t: figure(t, name).value)  # type: ignore[arg-type,return-value]
            out[f"{name}_max"] = figure(worst, name).as_json()
            out[f"{name}_max_at"] = {"from_level": _whole(worst.from_level), "to_level": _whole(worst.to_level)}
        else:
            out[f"{name}_max"], out[f"{name}_max_at"] = nothing, None
    if ok:
        most = max(ok, key=lambda t: figure(t, "overshoot_pct").value or 0.0)
        out["overshoot_pct_max"] = figure(most, "overshoot_pct").as_json()
    else:
        out["overshoot_pct_max"] = nothing
    out["in_refresh_share"] = nothing
    settles = [(t, s) for t in ok if (s := _settles(t, settings)) is not None]
    if settles and settings.refresh_hz is not None:
        hold = 1000.0 / settings.refresh_hz
        chance = [t.figures.settled_in.get(hold, float(s)) for t, s in settles if t.figures is not None]
        spread = math.sqrt(math.fsum(p * (1 - p) for p in chance)) / len(chance)
        out["in_refresh_share"] = {"value": sum(s for _, s in settles) / len(settles), "u95": K95 * spread}
    return out


@dataclass(frozen=True, slots=True)
class _Job:
    """Files and transitions that belong together."""

    listed: tuple[Listed, ...]
    options: ReadOptions
    settings: Settings
    seed: int


def _jobs(listed: Sequence[Listed], options: ReadOptions, settings: Settings) -> list[_Job]:
    """Group the list so that all records of a transition, and all transitions of a record, share a job."""
    parent = list(range(len(listed)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    seen: dict[object, int] = {}
    for i, entry in enumerate(listed):
        for key in (os.path.normpath(entry.path), (entry.from_level, entry.to_level)):
            if key in seen:
                parent[root(i)] = root(seen[key])
            else:
                seen[key] = i
    groups: dict[int, list[Listed]] = {}
    for i, entry in enumerate(listed):
        groups.setdefault(root(i), []).append(entry)
    return [_Job(tuple(g), options, settings, k) for k, g in enumerate(groups.values())]


@dataclass(slots=True)
class _Done:
    transitions: list[Transition]
    refused: list[tuple[str, str]]
    notes: list[tuple[str, str]]


def _run(job: _Job) -> _Done:
    files: dict[str, list[Listed]] = {}
    for entry in job.listed:
        files.setdefault(os.path.normpath(entry.path), []).append(entry)
    prepared: dict[str, Prepared] = {}
    refused: list[tuple[str, str]] = []
    notes: list[tuple[str, str]] = []
    sources: dict[tuple[float, float], list[tuple[Prepared, list[int]]]] = {}
    for path, entries in files.items():
        try:
            p, found = _prepare_file(path, entries, job.options, job.settings)
        except TraceError as exc:
            refused.append((path, str(exc)))
            continue
        prepared[path] = p
        if p.record.dropped:
            notes.append(("samples_dropped", f"{p.record.dropped} in {p.record.name}"))
        for levels, indices in found.items():
            sources.setdefault(levels, []).append((p, indices))
    transitions = []
    wanted = list(dict.fromkeys((e.from_level, e.to_level) for e in job.listed))
    wanted += [levels for levels in sources if levels not in wanted]
    for number, levels in enumerate(wanted):
        if levels not in sources:
            continue
        rng = np.random.default_rng([20250101, job.seed, number])
        t = reduce_transition(levels, sources[levels], job.settings, rng)
        transitions.append(t)
        if t.figures is None and t.flags and t.flags[0] in _NAMED:
            refused.extend((f, _refusal(t, f)) for f in t.files)
    return _Done(transitions, refused, notes)


_NAMED = {
    "not_settled": "it is still moving when the record or the stay at the level ends; record longer stays",
    "from_not_settled": "it had not settled before it switched; record longer stays, or start earlier",
    "ac_coupled": "its level falls back after the switch, as in an AC-coupled record; set the input to DC and record again",
    "levels_reversed": "the signal goes the other way than the levels say; swap them, or add --inverted if more light "
    "lowers the signal",
}


def _refusal(t: Transition, file: str) -> str:
    return f"{file}: transition {t.from_level:g} to {t.to_level:g}: {_NAMED[t.flags[0]]}"


def _prepare_file(
    path: str, entries: Sequence[Listed], options: ReadOptions, settings: Settings
) -> tuple[Prepared, dict[tuple[float, float], list[int]]]:
    record = read_record(path, options)
    timed = sorted((e for e in entries if e.switch_time_s is not None), key=lambda e: e.switch_time_s or 0.0)
    found: dict[tuple[float, float], list[int]] = {}
    if timed:
        if len(timed) < len(entries):
            raise TraceError(f"{record.name}: some of its lines give switch_time_s and some do not; give all or none")
        times = [(float(e.switch_time_s or 0.0), e.to_level > e.from_level) for e in timed]
        keys: list[object] = [timed[0].from_level]
        for e in timed:
            keys.append(e.to_level)
        for a, b in zip(timed[:-1], timed[1:], strict=True):
            if a.to_level != b.from_level:
                # An unlisted switch lies between; it must be found in the record.
                keys = []
                break
        if keys:
            p = prepare(record, settings, times, keys)
            for i, e in enumerate(timed):
                found.setdefault((e.from_level, e.to_level), []).append(i)
            return p, found
        p = prepare(record, settings, times, None, fill=True)
        for i, s in enumerate(p.switches):
            if s.given:
                k = min(range(len(timed)), key=lambda j: abs(times[j][0] - s.time_s))
                found.setdefault((timed[k].from_level, timed[k].to_level), []).append(i)
        return p, found
    pairs = {frozenset((e.from_level, e.to_level)) for e in entries}
    if len(pairs) > 1:
        raise TraceError(
            f"{record.name} is listed with {len(pairs)} different pairs of levels but no switch times; "
            "add the column switch_time_s, or use --steps"
        )
    p = prepare(record, settings)
    rising = [i for i, s in enumerate(p.switches) if s.rising]
    falling = [i for i, s in enumerate(p.switches) if not s.rising]
    for e in entries:
        same = rising if e.to_level > e.from_level else falling
        if not same and len(p.switches):
            same = rising or falling
        found[e.from_level, e.to_level] = same
    if settings.both_ways and rising and falling:
        low, high = sorted(next(iter(pairs)))
        found.setdefault((low, high), rising)
        found.setdefault((high, low), falling)
    return p, found


def reduce_records(
    listed: Sequence[Listed],
    settings: Settings | None = None,
    *,
    options: ReadOptions | None = None,
    label: str = "",
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Response:
    """Reduce photodiode records to step responses.

    Parameters
    ----------
    listed : sequence of Listed
        What each record shows; see `blurscope.trace.read_transitions`.
    settings : Settings, optional
    options : ReadOptions, optional
        For records whose headers do not say what their columns are.
    label : str
        Name of the display.
    jobs : int, optional
        Processes at once; by default as many as there are processors, one for a few records.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    TraceError
        Nothing could be reduced; the sentence is that of the first record.
    """
    settings = settings or Settings()
    work = _jobs(listed, options or ReadOptions(), settings)
    if not work:
        raise SettingsError("no record is listed; give a list with at least one line")
    done: list[_Done] = _in_parallel(_run, work, jobs, progress)
    order = {(e.from_level, e.to_level): i for i, e in reversed(list(enumerate(listed)))}
    transitions = [t for d in done for t in d.transitions]
    transitions.sort(key=lambda t: order.get((t.from_level, t.to_level), len(order)))
    refused = [r for d in done for r in d.refused]
    usable = [t for t in transitions if t.figures is not None or "step_too_small" in t.flags]
    if not usable:
        raise TraceError(refused[0][1] if refused else "no transition could be reduced; check the list")
    return Response(
        label=label,
        transitions=tuple(transitions),
        settings=settings,
        refused=tuple(refused),
        warnings=collect_warnings(transitions, settings, [n for d in done for n in d.notes]),
    )


def collect_warnings(
    transitions: Sequence[Transition], settings: Settings, notes: Sequence[tuple[str, str]]
) -> tuple[dict[str, str], ...]:
    """Return the warnings about a whole set of records."""
    out: list[dict[str, str]] = [warning(code, text) for code, text in notes]
    good = [t for t in transitions if t.figures is not None]
    hz = sorted(t.backlight.hz for t in good if t.backlight is not None)
    if hz:
        span = f"{hz[0]:.6g} Hz" if hz[-1] - hz[0] < 1e-3 * hz[0] else f"{hz[0]:.5g} to {hz[-1]:.5g} Hz"
        out.append(warning("ripple_removed", f"{span} in {len(hz)} of {len(good)} transitions"))
    if any(t.bandwidth_removed for t in good):
        out.append(warning("bandwidth_removed", f"{settings.bandwidth_hz:g} Hz"))
    dropped = sum(t.dropped for t in transitions)
    if dropped:
        out.append(warning("repeats_dropped", f"{dropped}"))
    if any(t.few_samples for t in good):
        few = ", ".join(f"{t.from_level:g} to {t.to_level:g}" for t in good if t.few_samples)
        out.append(warning("few_samples", few[:200]))
    if settings.law is not None and settings.law.method == "gamma":
        out.append(warning("levels_assumed", f"a power of {settings.law.gamma:g}"))
    if good and not any(t.given for t in good):
        out.append(warning("switch_times_found"))
    return tuple(out)


_SHARED: dict[str, Any] = {}


def _run_shared(number: int) -> Transition:
    """Reduce one transition of the records that the parent process prepared before it forked."""
    levels = _SHARED["levels"][number]
    rng = np.random.default_rng([20250101, number])
    return reduce_transition(levels, _SHARED["sources"][levels], _SHARED["settings"], rng)


def reduce_stimulus(
    records: Sequence[str | os.PathLike[str]],
    steps: str | os.PathLike[str],
    settings: Settings | None = None,
    *,
    options: ReadOptions | None = None,
    label: str = "",
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Response:
    """Cut records of the coded stimulus into its transitions and reduce them.

    Parameters
    ----------
    records : sequence of path-like
        Each holds the stimulus (or a part of it); all show one display.
    steps : path-like
        The ``steps.json`` of the stimulus.
    settings, options, label, jobs, progress
        As in `reduce_records`.

    Raises
    ------
    TraceError, SettingsError
    """
    from blurscope.files import read_json, show_path
    from blurscope.trace.cutting import cut_record
    from blurscope.trace.stimulus import SCHEMA as STEPS_SCHEMA
    from blurscope.trace.stimulus import stimulus_of

    settings = settings or Settings()
    stimulus = stimulus_of(read_json(steps, STEPS_SCHEMA), show_path(steps))
    sources: dict[tuple[float, float], list[tuple[Prepared, list[int]]]] = {}
    refused: list[tuple[str, str]] = []
    notes: list[tuple[str, str]] = []
    for path in records:
        try:
            record = read_record(path, options)
            cut = cut_record(record, stimulus, settings)
        except TraceError as exc:
            refused.append((show_path(path), str(exc)))
            continue
        if cut.blocks_found < cut.blocks:
            notes.append(("stimulus_incomplete", f"{cut.blocks_found} of {cut.blocks} blocks in {record.name}"))
        if record.dropped:
            notes.append(("samples_dropped", f"{record.dropped} in {record.name}"))
        for levels, indices in cut.indices.items():
            sources.setdefault(levels, []).append((cut.prepared, indices))
    if not sources:
        raise TraceError(refused[0][1] if refused else "no record of the stimulus is given")
    wanted = [(float(a), float(b)) for a in stimulus.levels for b in stimulus.levels if a != b]
    present = [w for w in wanted if w in sources]
    _SHARED.update(levels=present, sources=sources, settings=settings)
    try:
        reduced = _in_parallel(_run_shared, range(len(present)), jobs, progress)
    finally:
        _SHARED.clear()
    by_levels = dict(zip(present, reduced, strict=True))
    transitions = [by_levels.get(w) or missing_transition(w, ("not_recorded",)) for w in wanted]
    return Response(
        label=label,
        transitions=tuple(transitions),
        settings=settings,
        refused=tuple(refused),
        warnings=collect_warnings(transitions, settings, notes),
    )


def _in_parallel(
    function: Callable[[Any], Any],
    work: Sequence[Any],
    jobs: int | None,
    progress: Callable[[int, int], None] | None,
) -> list[Any]:
    """Map in forked processes (they share what was prepared), or in this one where forking can't be had."""
    import multiprocessing

    import scipy.interpolate
    import scipy.ndimage  # noqa: F401  (loaded before forking, so that every process shares it)

    count = max(1, min(jobs if jobs is not None else (os.cpu_count() or 1), len(work)))
    out: list[Any] = []
    if count > 1 and len(work) >= 4 and "fork" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(max_workers=count, mp_context=context) as pool:
            for result in pool.map(function, work, chunksize=max(1, min(4, len(work) // (4 * count)))):
                out.append(result)
                if progress:
                    progress(len(out), len(work))
        return out
    for item in work:
        out.append(function(item))
        if progress:
            progress(len(out), len(work))
    return out


assert _NAMED.keys() <= FLAGS.keys()
