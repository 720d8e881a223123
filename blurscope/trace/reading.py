"""Photodiode records as oscilloscopes and loggers write them: text in many dialects, gzip, NumPy files."""

from __future__ import annotations

import gzip
import os
import re
import warnings as _warnings
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from blurscope.errors import TraceError
from blurscope.files import check_ordinary, show_path
from blurscope.trace.stamps import plain_rows
from blurscope.trace.table import parse_table

MAX_BYTES = 4 * 2**30  # of the text after decompression
MAX_SAMPLES = 50_000_000
MIN_SAMPLES = 64
_LEAST_BETWEEN_CHANGES = 1000  # samples: the sampling interval is then known to 0.1 %
MAX_BAD_SHARE = 0.02  # of samples that are not numbers

_TIME_UNITS = {
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """One photodiode record.

    Attributes
    ----------
    name : str
        For messages.
    time_s : (n,) float, increasing
    signal : (n,) float
        In the recorder's own unit; only ratios of differences matter.
    dt_s : float
        Median sampling interval.
    dropped : int
        Samples left out because they were not numbers.
    """

    name: str
    time_s: np.ndarray
    signal: np.ndarray
    dt_s: float
    dropped: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """How to read records whose headers do not say it: names or 0-based numbers of columns, unit, rate."""

    time_column: str | None = None
    signal_column: str | None = None
    time_unit: str | None = None
    sample_rate_hz: float | None = None


def read_record(path: str | os.PathLike[str], options: ReadOptions | None = None) -> Record:
    """Read a record from ``.csv``/``.txt`` in any dialect (also gzipped), ``.npy`` or ``.npz``.

    Raises
    ------
    TraceError
        Missing, empty, not numeric, columns or units that can't be known, too large, too few samples.
    """
    options = options or ReadOptions()
    name = show_path(path)
    if options.time_unit is not None and options.time_unit.lower() not in _TIME_UNITS:
        raise TraceError(f"the time unit {options.time_unit!r} is not known; give s, ms, us or ns")
    check_ordinary(path, TraceError)
    try:
        if os.path.isdir(path):
            raise TraceError(f"{name} is a folder; give the record in it")
        size = os.path.getsize(path)
        if size == 0:
            raise TraceError(f"{name} is empty (0 bytes); record it again")
        if size > MAX_BYTES:
            raise TraceError(f"{name} is larger than {MAX_BYTES >> 30} GiB; cut it or save it with fewer samples")
        with open(path, "rb") as stream:
            magic = stream.read(8)
        if magic.startswith(b"\x93NUMPY") or magic.startswith(b"PK\x03\x04"):
            return _from_numpy(Path(path), name, options)
        if magic.startswith(b"\x1f\x8b"):
            raw = _gunzip(path, name)
        else:
            raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise TraceError(f"{name} does not exist; check the path") from None
    except OSError as exc:
        raise TraceError(f"{name} can't be read ({exc.strerror or exc})") from None
    return _from_text(_plain_text(raw, name), name, options)


def _gunzip(path: str | os.PathLike[str], name: str) -> bytes:
    try:
        with gzip.open(path, "rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except (EOFError, zlib.error, gzip.BadGzipFile) as exc:
        raise TraceError(f"{name} is a damaged gzip file ({exc}); copy it again") from None
    if len(raw) > MAX_BYTES:
        raise TraceError(f"{name} unpacks to more than {MAX_BYTES >> 30} GiB; cut the record")
    if not raw:
        raise TraceError(f"{name} holds nothing (0 bytes unpacked); record it again")
    return raw


def _plain_text(raw: bytes, name: str) -> bytes:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            raw = raw.decode("utf-16").encode("utf-8")
        except UnicodeDecodeError:
            raise TraceError(f"{name} starts as UTF-16 text but is not; save it as CSV again") from None
    if raw.startswith(b"\xef\xbb\xbf"):
        raw = raw[3:]
    if b"\x00" in raw[: 1 << 16]:
        raise TraceError(f"{name} is a binary file of no known kind; export the record as CSV")
    if b"\r" in raw[: 1 << 16]:
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not raw[:4096].strip() and not raw.strip():
        raise TraceError(f"{name} holds only blank lines; record it again")
    return raw


@dataclass(frozen=True, slots=True)
class _Dialect:
    delimiter: str | None  # None: white space
    decimal_comma: bool
    first_row: int  # line number of the first data row
    columns: int


def _cells(line: str, delimiter: str | None) -> list[str]:
    parts = line.split(delimiter) if delimiter else line.split()
    parts = [p.strip().strip('"').strip() for p in parts]
    while len(parts) > 1 and parts[-1] == "":
        parts.pop()
    return parts


_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")
_MISSING = {"", "nan", "inf", "+inf", "-inf", "-nan", "na", "n/a", "null", "none", "---", "--", "over", "infinity"}


def _is_number(cell: str, decimal_comma: bool, *, strict: bool = False) -> bool:
    if decimal_comma:
        if "." in cell:
            return False
        cell = cell.replace(",", ".", 1)
    return bool(_NUMBER.match(cell)) or (not strict and cell.lower() in _MISSING)


def _is_row(line: str, delimiter: str | None, decimal_comma: bool) -> int:
    """Return the number of columns of a row of numbers, 0 for any other line."""
    cells = _cells(line, delimiter)
    if not cells or not all(_is_number(c, decimal_comma) for c in cells):
        return 0
    return len(cells) if any(_is_number(c, decimal_comma, strict=True) for c in cells) else 0


def _find_dialect(lines: list[str]) -> _Dialect | None:
    best: _Dialect | None = None
    filled = [(i, line) for i, line in enumerate(lines) if line.strip()]
    for delimiter, comma in (
        (";", True),
        (";", False),
        ("\t", True),
        ("\t", False),
        (",", False),
        (None, False),
        (None, True),
    ):
        tail = [line for _, line in filled[-5:]]
        widths = {_is_row(line, delimiter, comma) for line in tail}
        widths_ok = {w for w in widths if w}
        if len(widths_ok) != 1 or len([1 for line in tail if _is_row(line, delimiter, comma)]) < min(len(tail), 3):
            continue
        width = widths_ok.pop()
        if delimiter and width == 1 and not any(delimiter in line for line in tail):
            continue
        first = filled[-1][0]
        # Data begin where rows follow each other; a lone row above them is part of a preamble.
        run = 0
        for k, (_, line) in enumerate(filled):
            run = run + 1 if _is_row(line, delimiter, comma) == width else 0
            if run == 4 or k == len(filled) - 1:
                first = filled[k - max(run, 1) + 1][0]
                break
        if best is None or (width, -first) > (best.columns, -best.first_row):
            best = _Dialect(delimiter, comma, first, width)
    return best


def _header_cells(lines: list[str], dialect: _Dialect) -> list[list[str]]:
    """Return the header rows directly above the data, nearest last."""
    rows: list[list[str]] = []
    for line in reversed(lines[: dialect.first_row]):
        text = line.strip().lstrip("#%!").strip()
        if not text:
            if rows:
                break
            continue
        cells = _cells(text, dialect.delimiter)
        if len(cells) < dialect.columns and dialect.delimiter is None and dialect.columns > 1:
            for other in (",", ";", "\t"):
                if len(_cells(text, other)) == dialect.columns:
                    cells = _cells(text, other)
        if len(cells) != dialect.columns or len(rows) == 2:
            break
        rows.insert(0, cells)
    return rows


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


def _is_time_name(cell: str) -> bool:
    words = re.split(r"[^a-zµμ#]+", cell.strip().lower())
    return bool(words) and (words[0] in _TIME_WORDS or cell.strip().lower() in _TIME_UNITS)


def _refuse_columns(name: str, what: str) -> NoReturn:
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


def _head_lines(raw: bytes) -> list[str]:
    head = raw[: 1 << 16]
    if len(raw) > len(head):
        head = head[: head.rfind(b"\n") + 1] or head
    return head.decode("utf-8", "replace").split("\n")


def _from_text(raw: bytes, name: str, options: ReadOptions) -> Record:
    lines = _head_lines(raw)
    dialect = _find_dialect(lines)
    if dialect is None:
        plain = plain_rows(raw, name)
        if plain is None or (dialect := _find_dialect(lines := _head_lines(plain))) is None:
            raise TraceError(
                f"{name} has no rows of numbers; export the record as CSV with the columns time_s and signal"
            )
        raw = plain
    header = _header_cells(lines, dialect)
    names = header[0] if header else []
    preamble = "\n".join(lines[: dialect.first_row])
    time_col, signal_col, unit_s = _choose_columns(names, header, dialect, name, options)
    rate_hz = options.sample_rate_hz if time_col is None else None
    if time_col is None and rate_hz is None:
        rate_hz = _rate_in(preamble)
        if rate_hz is None:
            _refuse_columns(name, "no time column and no sample rate can be found (--sample-rate-hz gives it)")
    start = 0
    for _ in range(dialect.first_row):
        start = raw.index(b"\n", start) + 1
    wanted = [signal_col] if time_col is None else [time_col, signal_col]
    table, bad_rows = parse_table(
        raw, start, dialect.delimiter, dialect.decimal_comma, dialect.columns, wanted, MAX_SAMPLES, name
    )
    signal = table[-1]
    if time_col is None:
        time = np.arange(len(signal)) / float(rate_hz)
    else:
        time = table[0] * unit_s
    return _finish(name, time, signal, bad_rows, time_known=time_col is not None)


def _choose_columns(
    names: list[str], header: list[list[str]], dialect: _Dialect, name: str, options: ReadOptions
) -> tuple[int | None, int, float]:
    columns = dialect.columns
    time_col: int | None = None
    if options.time_column is not None:
        time_col = _column_number(options.time_column, names, columns, name)
    elif options.sample_rate_hz is None:
        times = [i for i, cell in enumerate(names) if _is_time_name(cell)]
        if not times and len(header) > 1:
            times = [i for i, cell in enumerate(header[-1]) if cell.strip("()[] ").lower() in _TIME_UNITS]
        if len(times) > 1:
            times = [i for i in times if _is_time_name(names[i]) and _unit_in(names[i]) is not None][:1] or times[:1]
        time_col = times[0] if times else None
        if time_col is None and columns > 1 and not names:
            _refuse_columns(name, f"{columns} columns of numbers without a header that says what they are")
    unit_s = 1.0
    if time_col is not None:
        if options.time_unit is not None:
            unit_s = _TIME_UNITS[options.time_unit.lower()]
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
        rest = [i for i in rest if not (_is_time_name(names[i]) or names[i].strip().lower() in _INDEX_WORDS)] or rest
        exact = [i for i in rest if names[i].strip().lower() == "signal"]
        exact = exact or [i for i in rest if re.match(r"signal\b|signal_", names[i].strip().lower())]
        rest = exact[:1] or rest
    if not rest:
        _refuse_columns(name, "there is a time column but no signal column")
    if len(rest) > 1:
        listed = ", ".join(repr(names[i])[:40] if names else str(i) for i in rest[:12])
        raise TraceError(f"{name} has several columns that may be the signal ({listed}); choose one by --signal-column")
    return time_col, rest[0], unit_s


def _unit_in(cell: str) -> float | None:
    unit = _unit_of(cell)
    return _TIME_UNITS.get(unit) if unit else None


def _number(text: str) -> float | None:
    text = text.rstrip(".,")
    if "," in text and "." not in text:
        text = text.replace(",", ".", 1)
    try:
        return float(text.replace(",", ""))
    except ValueError:
        return None


def _rate_in(preamble: str) -> float | None:
    found = _RATE.search(preamble)
    if found and (value := _number(found.group(1))):
        return value * {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}[found.group(2).lower()]
    found = _INTERVAL.search(preamble)
    if found and (value := _number(found.group(1))):
        unit = _TIME_UNITS.get(found.group(2).lower() or "s")
        return None if unit is None else 1.0 / (value * unit)
    return None


def _from_numpy(path: Path, name: str, options: ReadOptions) -> Record:
    try:
        with open(path, "rb") as stream:
            data: Any = np.load(stream, allow_pickle=False)
            if hasattr(data, "files"):
                fields = {k: np.asarray(data[k]) for k in data.files}
            elif data.dtype.names:
                fields = {k: np.asarray(data[k]) for k in data.dtype.names}
            else:
                fields = {}
    except (ValueError, OSError, EOFError, KeyError, zlib.error, MemoryError, NotImplementedError) as exc:
        text = str(exc).split("\n")[0][:100]
        raise TraceError(f"{name} is not a NumPy file of plain numbers ({text}); save it again") from None
    except Exception as exc:  # zipfile.BadZipFile and kin, without importing zipfile here
        raise TraceError(f"{name} is a damaged NumPy archive ({type(exc).__name__}); save it again") from None
    if not fields:
        array = np.asarray(data)
        if array.ndim == 1:
            fields = {"signal": array}
        elif array.ndim == 2 and min(array.shape) == 2:
            array = array if array.shape[1] == 2 else array.T
            if options.time_unit is None:
                _refuse_columns(name, "two unnamed columns, so which is the time and in what unit can't be known")
            fields = {"0": array[:, 0], "1": array[:, 1]}
        else:
            raise TraceError(f"{name} has the shape {array.shape}; a record has one or two columns")
    rates = [k for k in fields if re.fullmatch(r"(sample_rate|fs|rate)(_hz)?", k.lower())]
    rate_hz = options.sample_rate_hz
    if rate_hz is None and rates and np.size(fields[rates[0]]) == 1:
        rate_hz = float(np.ravel(fields[rates[0]])[0])
    columns = {k: v.ravel() for k, v in fields.items() if np.size(v) > 1}
    if any(v.dtype.kind not in "fiu" for v in columns.values()):
        raise TraceError(f"{name} holds something other than real numbers; save time_s and signal as numbers")
    names = list(columns)
    dialect = _Dialect(",", False, 0, len(names))
    if rate_hz is not None and not any(_is_time_name(n) for n in names):
        options = ReadOptions(signal_column=options.signal_column, sample_rate_hz=rate_hz)
    elif names == ["0", "1"] and options.time_column is None:
        options = ReadOptions(time_column="0", signal_column="1", time_unit=options.time_unit)
    time_col, signal_col, unit_s = _choose_columns(names, [names], dialect, name, options)
    signal = np.asarray(columns[names[signal_col]], dtype=float)
    if len(signal) > MAX_SAMPLES:
        raise TraceError(f"{name} has {len(signal)} samples, over the limit of {MAX_SAMPLES}; cut it")
    if time_col is None:
        if rate_hz is None:
            _refuse_columns(name, "no time and no sample rate (--sample-rate-hz gives it)")
        time = np.arange(len(signal)) / rate_hz
    else:
        time = np.asarray(columns[names[time_col]], dtype=float) * unit_s
        if len(time) != len(signal):
            raise TraceError(f"{name}: {len(time)} times but {len(signal)} signal values; save them in step")
    return _finish(name, time, signal, 0, time_known=time_col is not None)


def _finish(name: str, time: np.ndarray, signal: np.ndarray, bad_rows: int, *, time_known: bool) -> Record:
    n = len(signal)
    good = np.isfinite(signal)
    good &= np.isfinite(time)
    dropped = int(n - np.count_nonzero(good)) + bad_rows
    if n == 0 or dropped > MAX_BAD_SHARE * (n + bad_rows):
        raise TraceError(
            f"{name}: {dropped} of {n + bad_rows} samples are missing or not numbers (at most 2 % may be); "
            "export the record again"
        )
    if dropped > bad_rows:
        time, signal = time[good], signal[good]
    if len(signal) < MIN_SAMPLES:
        raise TraceError(f"{name} has only {len(signal)} samples; a record needs at least {MIN_SAMPLES}")
    if time_known:
        time = _checked_time(name, time, signal)
    dt = float((time[-1] - time[0]) / (len(time) - 1)) if dropped == 0 else float(np.median(np.diff(time)))
    if not (dt > 0 and np.isfinite(dt)):
        raise TraceError(f"{name}: the sampling interval can't be told from its times; check the time column")
    with _warnings.catch_warnings():
        _warnings.simplefilter("error")
        try:
            spread = float(signal.max() - signal.min())
        except (RuntimeWarning, FloatingPointError):
            spread = float("inf")
    if not np.isfinite(spread) or spread > 1e100 or 0 < spread < 1e-100:
        raise TraceError(f"{name}: the signal has absurd values (range {spread:.3g}); export the record again")
    if spread > 1e9:  # rarely looked at: a single nonsense sample would swallow the digits of all others
        low, high = np.percentile(signal, [1, 99])
        if spread > 1e6 * (high - low):
            raise TraceError(
                f"{name}: the signal has absurd values (range {spread:.3g}, but 98 % of it within {high - low:.3g}); "
                "export the record again"
            )
    return Record(name=name, time_s=time, signal=signal, dt_s=dt, dropped=dropped)


def _checked_time(name: str, time: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Return times that increase; undo the rounding of times printed with too few digits."""
    n = len(time)
    steps = np.diff(time)
    if float(steps.min()) == 0.0 == float(steps.max()):
        raise TraceError(f"{name}: all its times are the same; export more digits, or give --sample-rate-hz")
    if time[-1] <= time[0] or float(steps.min()) < 0:
        back = int(np.count_nonzero(steps <= 0))
        if np.all(np.diff(signal[: min(n, 100_000)]) > 0):
            raise TraceError(
                f"{name}: the column called time does not increase but the signal does, as if the two were swapped; "
                "give --time-column and --signal-column"
            )
        raise TraceError(
            f"{name}: the times run backwards {back} times; record one sweep per file, or check the time column"
        )
    even = np.linspace(time[0], time[-1], n)
    dt = (time[-1] - time[0]) / (n - 1)
    off = float(np.abs(time - even).max())
    if off < 0.02 * dt:
        return even
    if float(steps.min()) == 0.0:
        # Rounded when printed, while the clock itself is even: where the print changes it is known to a sample.
        changes = np.flatnonzero(steps > 0) + 1
        first, last = int(changes[0]), int(changes[-1])
        if last - first >= _LEAST_BETWEEN_CHANGES:
            even = time[first] + (np.arange(n) - first) * ((time[last] - time[first]) / (last - first))
            if float(np.abs(time - even).max()) <= 1.01 * float(steps[steps > 0].min()):
                return even
        raise TraceError(
            f"{name}: times are repeated because they were printed with too few digits; "
            "export more digits, or give --sample-rate-hz"
        )
    if off < dt and float(steps.max()) < 3 * dt:
        return even if _is_rounding(time, even) else time
    return time


def _is_rounding(time: np.ndarray, even: np.ndarray) -> bool:
    """Whether the times differ from an even clock by no more than the rounding of their print."""
    steps = np.diff(time[:10_000])
    values = np.unique(np.round(steps / max(steps.min(), 1e-15), 6))
    return len(values) <= 3 and float(np.abs(time - even).max()) <= 1.01 * float(steps.max() - steps.min())
