"""From files to a ``blurscope.response/1`` object."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.errors import SettingsError, TraceError
from blurscope.flags import FLAGS
from blurscope.trace.columns import ReadOptions
from blurscope.trace.document import Response, make_response
from blurscope.trace.law import Listed
from blurscope.trace.prepare import Settings, prepare
from blurscope.trace.reading import read_record
from blurscope.trace.stays import Prepared
from blurscope.trace.transition import Transition, missing_transition, reduce_transition


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
    refused: list[tuple[str, str]] = []
    notes: list[tuple[str, str]] = []
    sources: dict[tuple[float, float], list[tuple[Prepared, list[int]]]] = {}
    for path, entries in files.items():
        try:
            p, found = _prepare_file(path, entries, job.options, job.settings)
        except TraceError as exc:
            refused.append((path, str(exc)))
            continue
        notes += _notes_on(p)
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
    "ripple_unresolved": "the backlight's ripple is nearly in step with the samples, which see it on few phases only; "
    "record at another sample rate, a higher one if possible",
    "not_settled": "it is still moving when the record or the stay at the level ends; record longer stays",
    "from_not_settled": "it had not settled before it switched; record longer stays, or start earlier",
    "ac_coupled": "its level falls back after the switch, as in an AC-coupled record; "
    "set the input to DC and record again",
    "levels_reversed": "the signal goes the other way than the levels say; swap them, or add --inverted if more light "
    "lowers the signal",
}


def _notes_on(p: Prepared) -> list[tuple[str, str]]:
    """Return the warnings that a prepared record gives, by code."""
    notes = []
    if p.record.dropped:
        notes.append(("samples_dropped", f"{p.record.dropped} in {p.record.name}"))
    if p.stops:
        notes.append(("clipping_possible", p.stops))
    if p.drift > 0:
        notes.append(("level_drift", f"{p.record.name}: up to {100 * p.drift:.2g} % of the step in a stay"))
    return notes


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
    notes = [n for d in done for n in d.notes]
    return make_response(transitions, settings, label=label, refused=refused, notes=notes)


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
        notes += _notes_on(cut.prepared)
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
    return make_response(transitions, settings, label=label, refused=refused, notes=notes)


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

    from blurscope._threads import one_blas_thread

    count = max(1, min(jobs if jobs is not None else (os.cpu_count() or 1), len(work)))
    out: list[Any] = []
    with ExitStack() as stack:
        stack.enter_context(one_blas_thread())  # forked processes keep it
        results = map(function, work)
        if count > 1 and len(work) >= 4 and "fork" in multiprocessing.get_all_start_methods():
            context = multiprocessing.get_context("fork")
            pool = stack.enter_context(ProcessPoolExecutor(max_workers=count, mp_context=context))
            results = pool.map(function, work, chunksize=max(1, min(4, len(work) // (4 * count))))
        for result in results:
            out.append(result)
            if progress:
                progress(len(out), len(work))
    return out


assert _NAMED.keys() <= FLAGS.keys()
