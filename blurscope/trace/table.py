"""Tables of numbers in text, parsed in bulk with bounded memory."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from blurscope.errors import TraceError

_CHUNK = 1 << 19  # bytes; small enough for the processor's cache


def parse_table(
    raw: bytes,
    start: int,
    delimiter: str | None,
    decimal_comma: bool,
    columns: int,
    wanted: Sequence[int],
    max_rows: int,
    name: str,
) -> tuple[list[np.ndarray], int]:
    """Parse the rows of a numeric text table.

    Parameters
    ----------
    raw : bytes
        The whole text, lines ended by ``\\n``.
    start : int
        Where the first row begins.
    delimiter : str or None
        One character, or ``None`` for white space.
    decimal_comma : bool
    columns : int
        Numbers per row.
    wanted : sequence of int
        The columns to keep.
    max_rows : int
    name : str
        For the refusal.

    Returns
    -------
    list of (n,) float
        The wanted columns; cells that are no numbers are NaN.
    int
        Rows left out because they do not have ``columns`` cells.
    """
    spans = []
    end = len(raw)
    while start < end:
        stop = min(start + _CHUNK, end)
        if stop < end:
            cut = raw.rfind(b"\n", start, stop)
            stop = cut + 1 if cut >= start else end
        spans.append((start, stop))
        start = stop

    def parse(span: tuple[int, int]) -> tuple[list[np.ndarray], int]:
        chunk = raw[span[0] : span[1]]
        found = _fast(chunk, delimiter, decimal_comma, columns, wanted)
        if found is None:
            return _slow(chunk, delimiter, decimal_comma, columns, wanted)
        return found, 0

    pieces: list[list[np.ndarray]] = [[] for _ in wanted]
    rows = bad = 0
    with ThreadPoolExecutor(max_workers=2) as pool:
        # Array work leaves the interpreter free for the other thread; a few records are not worth one.
        for found, missed in pool.map(parse, spans) if len(spans) > 16 else map(parse, spans):
            bad += missed
            for store, values in zip(pieces, found, strict=True):
                store.append(values)
            rows += len(found[0])
            if rows > max_rows:
                raise TraceError(f"{name} has more than {max_rows} samples; cut the record or save fewer")
    return [p[0] if len(p) == 1 else np.concatenate(p) for p in pieces], bad


def _fast(
    chunk: bytes, delimiter: str | None, decimal_comma: bool, columns: int, wanted: Sequence[int]
) -> list[np.ndarray] | None:
    """Parse a chunk whose every row is regular, or return ``None``."""
    if not decimal_comma and (delimiter is not None or columns == 1):
        quick = _digits(chunk, (delimiter or ",").encode()[0], columns, wanted)
        if quick is not None:
            return quick
    lines = chunk.count(b"\n") + (not chunk.endswith(b"\n"))
    if delimiter is not None:
        mark = delimiter.encode()
        if columns > 1 or mark in chunk:
            chunk = chunk.replace(mark + b"\n", b"\n") if chunk.count(mark) >= columns * lines else chunk
            if mark + mark in chunk or mark + b"\n" in chunk or b"\n" + mark in chunk or chunk.startswith(mark):
                return None
        if chunk.count(mark) != (columns - 1) * lines and b"\n\n" not in chunk:
            return None
    if decimal_comma:
        chunk = chunk.replace(b",", b".")
    if delimiter is not None:
        chunk = chunk.replace(delimiter.encode(), b" ")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            flat = np.fromstring(chunk, sep=" ")
        except (ValueError, DeprecationWarning):
            return None
    lines = len(flat) // columns
    if len(flat) % columns or lines == 0:
        return None
    table = flat.reshape(lines, columns)
    return [np.ascontiguousarray(table[:, c]) for c in wanted]


_POWERS = 10.0 ** np.arange(0, 20)


def _digits(chunk: bytes, mark: int, columns: int, wanted: Sequence[int]) -> list[np.ndarray] | None:
    """Parse plain decimal numbers (no exponents) digit by digit over all rows at once, or return ``None``."""
    if len(chunk) < 1 << 14:
        return None
    if not chunk.endswith(b"\n"):
        chunk += b"\n"
    data = np.frombuffer(chunk, dtype=np.uint8)
    ends = np.flatnonzero((data == 10) | (data == mark)) if columns > 1 else np.flatnonzero(data == 10)
    if len(ends) % columns or np.any(data[ends[columns - 1 :: columns]] != 10):
        return None
    out = []
    for col in wanted:
        stop = ends[col::columns]
        if col:
            first = ends[col - 1 :: columns] + 1
        else:
            first = np.empty_like(stop)
            first[0] = 0
            first[1:] = ends[columns - 1 :: columns][:-1] + 1
        values = _decimal(data, first, stop)
        if values is None:
            return None
        out.append(values)
    return out


def _decimal(data: np.ndarray, first: np.ndarray, stop: np.ndarray) -> np.ndarray | None:
    length = stop - first
    longest = int(length.max())
    if longest > 18 or int(length.min()) < 1:
        return None
    negative = data[first] == 45
    first = first + negative
    length = length - negative
    mantissa = np.zeros(len(first), dtype=np.int64)
    fraction = np.zeros(len(first), dtype=np.int8)
    dotted = np.zeros(len(first), dtype=bool)
    last = len(data) - 1
    uniform = int(length.min()) == longest
    for j in range(longest):
        at = first + j
        if j:
            np.minimum(at, last, out=at)
        byte = data[at] - np.uint8(48)  # wraps for '.' (254)
        digit = byte < 10
        inside = True if uniform else length > j
        dot = byte == 254
        if not uniform:
            digit &= inside
            dot &= inside
        if not np.all(digit | dot | ~np.asarray(inside)):
            return None
        if np.any(dot & dotted):
            return None
        if np.all(digit):
            mantissa *= 10
            mantissa += byte
            fraction += dotted
        else:
            mantissa = np.where(digit, mantissa * 10 + byte, mantissa)
            fraction += digit & dotted
        dotted |= dot
    if np.any(length - dotted < 1):
        return None
    values = mantissa / _POWERS[fraction]
    np.negative(values, out=values, where=negative)
    return values


def _slow(
    chunk: bytes, delimiter: str | None, decimal_comma: bool, columns: int, wanted: Sequence[int]
) -> tuple[list[np.ndarray], int]:
    """Parse line by line: empty and non-numeric cells become NaN, rows of another width are left out."""
    bad = 0
    table: list[list[float]] = [[] for _ in wanted]
    for line in chunk.decode("utf-8", "replace").split("\n"):
        if not line.strip():
            continue
        cells = line.split(delimiter) if delimiter else line.split()
        while len(cells) > columns and not cells[-1].strip():
            cells.pop()
        if len(cells) != columns:
            bad += 1
            continue
        for store, c in zip(table, wanted, strict=True):
            store.append(_float(cells[c], decimal_comma))
    return [np.array(values, dtype=float) for values in table], bad


def _float(cell: str, decimal_comma: bool) -> float:
    cell = cell.strip().strip('"')
    try:
        return float("nan") if "_" in cell else float(cell.replace(",", ".", 1) if decimal_comma else cell)
    except ValueError:
        return float("nan")
