"""Which columns of a record are its time and its signal, in what unit, and the sample rate where there are no times."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NoReturn

from blurscope.errors import TraceError

TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "sekunden": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millisecond": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "usec": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "microsecond": 1e-6,
    "microseconds": 1e-6,
    "ns": 1e-9,
    "nsec": 1e-9,
    "nanosecond": 1e-9,
    "nanoseconds": 1e-9,
}
_TIME_WORDS = {"time", "t", "zeit", "temps", "tiempo", "tempo", "seconds", "second", "timestamp", "elapsed"}
_INDEX_WORDS = {"index", "point", "points", "sample", "samples", "no", "nr", "#", "n", "row", "record"}
_RATE = re.compile(
    r"(?:sampl\w*[ _-]*(?:rate|frequency)|samplerate|abtastrate|\bfs\b)[^0-9+\-\n]{0,40}?"
    r"([0-9][0-9.,]*(?:[eE][+-]?\d+)?)[ \t,;\"]*([kKMG]?)(?:hz|sa?/s|sps)?",
    re.IGNORECASE,
)
_INTERVAL = re.compile(
    r"(?:sampl\w*[ _-]*(?:interval|period)|\bx?[ _-]?increment\b|\bdelta[ _-]?t\b|\bdt\b)[^0-9+\-\n]{0,40}?"
    r"([0-9][0-9.,]*(?:[eE][+-]?\d+)?)[ \t,;\"]*([a-zµμ]*)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """How to read records whose headers do not say it: names or 0-based numbers of columns, unit, rate."""

    time_column: str | None = None
    signal_column: str | None = None
    time_unit: str | None = None
    sample_rate_hz: float | None = None


def choose_columns(
    names: list[str], header: list[list[str]], columns: int, name: str, options: ReadOptions
) -> tuple[int | None, int, float]:
    """Choose the columns of time and signal.

    Parameters
    ----------
    names : list of str
        Of the columns; empty where the record doesn't name them.
    header : list of list of str
        All rows of the header; the last may hold units.
    columns : int
        How many there are.
    name : str
        Of the record, for refusals.
    options : ReadOptions

    Returns
    -------
    time : int or None
        ``None``: there are no times, only a sample rate.
    signal : int
    unit_s : float
        Seconds per unit of the times.

    Raises
    ------
    TraceError
        Which column it is can't be known, or the unit of the times.
    """
    time_col: int | None = None
    if options.time_column is not None:
        time_col = _column_number(options.time_column, names, columns, name)
    elif options.sample_rate_hz is None:
        times = [i for i, cell in enumerate(names) if is_time_name(cell)]
        if not times and len(header) > 1:
            times = [i for i, cell in enumerate(header[-1]) if cell.strip("()[] ").lower() in TIME_UNITS]
        if len(times) > 1:
            times = [i for i in times if is_time_name(names[i]) and _unit_in(names[i]) is not None][:1] or times[:1]
        time_col = times[0] if times else None
        if time_col is None and columns > 1 and not names:
            refuse_columns(name, f"{columns} columns of numbers without a header that says what they are")
    unit_s = 1.0
    if time_col is not None:
        if options.time_unit is not None:
            unit_s = TIME_UNITS[options.time_unit.lower()]
        else:
            found = [u for row in header if (u := _unit_in(row[time_col])) is not None]
            if not found:
                seen = " / ".join(row[time_col] for row in header)[:60]
                raise TraceError(
                    f"{name}: the unit of the time column {seen!r} can't be known; "
                    "name it time_s, time_ms or time_us, or give --time-unit"
                )
            unit_s = found[-1]
    rest = [i for i in range(columns) if i != time_col]
    if options.signal_column is not None:
        return time_col, _column_number(options.signal_column, names, columns, name), unit_s
    if names:
        rest = [i for i in rest if not (is_time_name(names[i]) or names[i].strip().lower() in _INDEX_WORDS)] or rest
        exact = [i for i in rest if names[i].strip().lower() == "signal"]
        exact = exact or [i for i in rest if re.match(r"signal\b|signal_", names[i].strip().lower())]
        rest = exact[:1] or rest
    if not rest:
        refuse_columns(name, "there is a time column but no signal column")
    if len(rest) > 1:
        listed = ", ".join(repr(names[i])[:40] if names else str(i) for i in rest[:12])
        raise TraceError(f"{name} has several columns that may be the signal ({listed}); choose one by --signal-column")
    return time_col, rest[0], unit_s


def _unit_of(cell: str) -> str | None:
    """Return the unit a header cell states: ``time_ms``, ``Time (ms)``, ``t / µs``, ``ms``."""
    text = cell.strip().lower()
    bracket = re.search(r"[\[(]\s*([^\])]*?)\s*[\])]\s*$", text)
    if bracket:
        return bracket.group(1)
    slash = re.search(r"/\s*([a-zµμ]+)$", text)
    if slash:
        return slash.group(1)
    tail = re.search(r"[_,\s]\s*([a-zµμ]+)$", text)
    if tail:
        return tail.group(1)
    return text or None


def is_time_name(cell: str) -> bool:
    """Whether a column of this name holds times."""
    words = re.split(r"[^a-zµμ#]+", cell.strip().lower())
    return bool(words) and (words[0] in _TIME_WORDS or cell.strip().lower() in TIME_UNITS)


def refuse_columns(name: str, what: str) -> NoReturn:
    """Refuse a record of whose columns it can't be known what they are."""
    raise TraceError(
        f"{name}: {what}; name the columns time_s and signal, or give --time-column, --time-unit and --signal-column"
    )


def _column_number(wanted: str, names: list[str], columns: int, name: str) -> int:
    for i, cell in enumerate(names):
        if cell.strip().lower() == wanted.strip().lower():
            return i
    if wanted.isdigit() and int(wanted) < columns:
        return int(wanted)
    listed = ", ".join(repr(n)[:40] for n in names[:12]) or f"0 to {columns - 1} without names"
    raise TraceError(f"{name} has no column {wanted!r}; its columns are {listed}")


def _unit_in(cell: str) -> float | None:
    unit = _unit_of(cell)
    return TIME_UNITS.get(unit) if unit else None


def _number(text: str) -> float | None:
    text = text.rstrip(".,")
    if "," in text and "." not in text:
        text = text.replace(",", ".", 1)
    try:
        return float(text.replace(",", ""))
    except ValueError:
        return None


def rate_in(preamble: str) -> float | None:
    """Return the sample rate, Hz, that the lines above a table state, as such or as an interval."""
    found = _RATE.search(preamble)
    if found and (value := _number(found.group(1))):
        return value * {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}[found.group(2).lower()]
    found = _INTERVAL.search(preamble)
    if found and (value := _number(found.group(1))):
        unit = TIME_UNITS.get(found.group(2).lower() or "s")
        return None if unit is None else 1.0 / (value * unit)
    return None
