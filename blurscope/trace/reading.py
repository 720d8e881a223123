"""Photodiode records as oscilloscopes and loggers write them: text in many dialects, gzip, NumPy files."""

from __future__ import annotations

import gzip
import os
import re
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.errors import TraceError
from blurscope.files import check_ordinary, show_path
from blurscope.trace.columns import TIME_UNITS, ReadOptions, choose_columns, is_time_name, rate_in, refuse_columns
from blurscope.trace.dialect import find_dialect, header_cells
from blurscope.trace.record import Record, make_record
from blurscope.trace.stamps import plain_rows
from blurscope.trace.table import parse_table

MAX_BYTES = 4 * 2**30  # of the text after decompression
MAX_SAMPLES = 50_000_000


def read_record(path: str | os.PathLike[str], options: ReadOptions | None = None) -> Record:
    """Read a record from ``.csv``/``.txt`` in any dialect (also gzipped), ``.npy`` or ``.npz``.

    Raises
    ------
    TraceError
        Missing, empty, not numeric, columns or units that can't be known, too large, too few samples.
    """
    options = options or ReadOptions()
    name = show_path(path)
    if options.time_unit is not None and options.time_unit.lower() not in TIME_UNITS:
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


def _head_lines(raw: bytes) -> list[str]:
    head = raw[: 1 << 16]
    if len(raw) > len(head):
        head = head[: head.rfind(b"\n") + 1] or head
    return head.decode("utf-8", "replace").split("\n")


def _from_text(raw: bytes, name: str, options: ReadOptions) -> Record:
    lines = _head_lines(raw)
    dialect = find_dialect(lines)
    if dialect is None:
        plain = plain_rows(raw, name)
        if plain is None or (dialect := find_dialect(lines := _head_lines(plain))) is None:
            raise TraceError(
                f"{name} has no rows of numbers; export the record as CSV with the columns time_s and signal"
            )
        raw = plain
    header = header_cells(lines, dialect)
    names = header[0] if header else []
    preamble = "\n".join(lines[: dialect.first_row])
    time_col, signal_col, unit_s = choose_columns(names, header, dialect.columns, name, options)
    rate_hz = options.sample_rate_hz if time_col is None else None
    if time_col is None and rate_hz is None:
        rate_hz = rate_in(preamble)
        if rate_hz is None:
            refuse_columns(name, "no time column and no sample rate can be found (--sample-rate-hz gives it)")
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
    return make_record(name, time, signal, bad_rows, time_known=time_col is not None)


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
                refuse_columns(name, "two unnamed columns, so which is the time and in what unit can't be known")
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
    if rate_hz is not None and not any(is_time_name(n) for n in names):
        options = ReadOptions(signal_column=options.signal_column, sample_rate_hz=rate_hz)
    elif names == ["0", "1"] and options.time_column is None:
        options = ReadOptions(time_column="0", signal_column="1", time_unit=options.time_unit)
    time_col, signal_col, unit_s = choose_columns(names, [names], len(names), name, options)
    signal = np.asarray(columns[names[signal_col]], dtype=float)
    if len(signal) > MAX_SAMPLES:
        raise TraceError(f"{name} has {len(signal)} samples, over the limit of {MAX_SAMPLES}; cut it")
    if time_col is None:
        if rate_hz is None:
            refuse_columns(name, "no time and no sample rate (--sample-rate-hz gives it)")
        time = np.arange(len(signal)) / rate_hz
    else:
        time = np.asarray(columns[names[time_col]], dtype=float) * unit_s
        if len(time) != len(signal):
            raise TraceError(f"{name}: {len(time)} times but {len(signal)} signal values; save them in step")
    return make_record(name, time, signal, 0, time_known=time_col is not None)
