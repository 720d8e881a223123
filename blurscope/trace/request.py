"""What a user asks of `trace`, checked and carried out."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from blurscope.errors import SettingsError
from blurscope.files import show_path
from blurscope.trace.api import Response, reduce_records, reduce_stimulus
from blurscope.trace.columns import ReadOptions
from blurscope.trace.law import LevelLaw, Listed, gamma_law, read_meter, read_transitions
from blurscope.trace.prepare import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """The options of ``blurscope trace``, as given."""

    records: tuple[str, ...] = ()
    transitions: Path | None = None
    steps: Path | None = None
    from_level: float | None = None
    to_level: float | None = None
    refresh_hz: float | None = None
    meter: Path | None = None
    display_gamma: float | None = None
    display_gamma_u95: float = 0.0
    contrast: float | None = None
    bandwidth_hz: float | None = None
    fractions: tuple[str, ...] = ()
    time_column: str | None = None
    signal_column: str | None = None
    time_unit: str | None = None
    sample_rate_hz: float | None = None
    inverted: bool = False
    both_ways: bool = False
    label: str = ""
    jobs: int | None = None


def run_request(
    request: Request,
    progress: Callable[[int, int], None] | None = None,
    *,
    reading: Callable[[Sequence[str | Path | None]], None] = lambda _: None,
) -> Response:
    """Carry out a request.

    Parameters
    ----------
    request : Request
    progress : callable, optional
        Called with (done, total).
    reading : callable, optional
        Called with all files that the request names, those of its list among them, before any record is read.

    Raises
    ------
    SettingsError, TraceError
    """
    for name, value, least in (
        ("--refresh-hz", request.refresh_hz, 1.0),
        ("--bandwidth-hz", request.bandwidth_hz, 1.0),
        ("--sample-rate-hz", request.sample_rate_hz, 1.0),
    ):
        if value is not None and not (math.isfinite(value) and least <= value <= 1e10):
            raise SettingsError(f"{name} {value:g} can't be used; give a rate in Hz")
    if request.jobs is not None and request.jobs < 1:
        raise SettingsError(f"--jobs {request.jobs} can't be used; give 1 or more")
    settings = Settings(
        law=_law(request),
        refresh_hz=request.refresh_hz,
        bandwidth_hz=request.bandwidth_hz,
        fractions=tuple(_fraction(f) for f in request.fractions),
        inverted=request.inverted,
        both_ways=request.both_ways,
    )
    options = ReadOptions(
        time_column=request.time_column,
        signal_column=request.signal_column,
        time_unit=request.time_unit,
        sample_rate_hz=request.sample_rate_hz,
    )
    if request.steps is not None:
        if request.transitions is not None or request.from_level is not None or request.to_level is not None:
            raise SettingsError("--steps names all levels itself; leave out --transitions, --from-level and --to-level")
        if not request.records:
            raise SettingsError("name the record of the stimulus, such as 'trace long.csv --steps steps.json'")
        reading([*request.records, request.steps, request.meter])
        return reduce_stimulus(
            request.records,
            request.steps,
            settings,
            options=options,
            label=request.label,
            jobs=request.jobs,
            progress=progress,
        )
    listed = _listed(request)
    reading([*request.records, *(e.path for e in listed), request.transitions, request.meter])
    if request.transitions is not None and request.records:
        listed = _chosen(listed, request.records, request.transitions)
    return reduce_records(listed, settings, options=options, label=request.label, jobs=request.jobs, progress=progress)


def _law(request: Request) -> LevelLaw | None:
    if request.meter is not None:
        if request.display_gamma is not None:
            raise SettingsError("give either --meter or --display-gamma, not both")
        return read_meter(request.meter)
    if request.display_gamma is None:
        if request.contrast is not None:
            raise SettingsError("--contrast says where black lies on the law of --display-gamma; give both")
        return None
    if request.contrast is not None and not (math.isfinite(request.contrast) and request.contrast > 1):
        raise SettingsError(f"a contrast of {request.contrast:g} can't be used; give white over black, such as 1000")
    if not (math.isfinite(request.display_gamma_u95) and 0 <= request.display_gamma_u95 <= 1):
        raise SettingsError(f"--display-gamma-u95 {request.display_gamma_u95:g} can't be used; give 0 to 1")
    black = 0.0 if request.contrast is None else 1.0 / request.contrast
    return gamma_law(request.display_gamma, black=black, gamma_u95=request.display_gamma_u95)


def _fraction(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[-:]\s*(\d+(?:\.\d+)?)\s*%?", text)
    if not found or not 0 < float(found.group(1)) < float(found.group(2)) < 100:
        raise SettingsError(f"--fractions {text!r:.40} can't be used; give two percentages, such as 20-80")
    return float(found.group(1)) / 100, float(found.group(2)) / 100


def _listed(request: Request) -> list[Listed]:
    if request.transitions is not None:
        if request.from_level is not None or request.to_level is not None:
            raise SettingsError("--transitions names the levels; leave out --from-level and --to-level")
        return read_transitions(request.transitions)
    if not request.records:
        raise SettingsError("name records with --from-level and --to-level, or a list by --transitions")
    if request.from_level is None or request.to_level is None:
        raise SettingsError(
            "which levels the records show is not known; give --transitions FILE.csv, --steps STEPS.json, "
            "or --from-level and --to-level"
        )
    a, b = request.from_level, request.to_level
    return [Listed(path=r, from_level=a, to_level=b) for r in request.records]


def _chosen(listed: list[Listed], records: tuple[str, ...], index: Path) -> list[Listed]:
    """Keep the lines about the given records; a record may lie elsewhere than the list says."""
    out = []
    for record in records:
        full = os.path.abspath(record)
        same = [e for e in listed if os.path.abspath(e.path) == full]
        same = same or [e for e in listed if os.path.basename(e.path) == os.path.basename(record)]
        if not same:
            raise SettingsError(f"{show_path(record)} is not in {show_path(index)}; add a line for it")
        out += [
            Listed(path=record, from_level=e.from_level, to_level=e.to_level, switch_time_s=e.switch_time_s)
            for e in same
        ]
    return out
