"""Rows with clock times, dates or a word in them, as loggers write them, turned into rows of numbers."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from blurscope.errors import TraceError
from blurscope.trace.dialect import cells_of

_CLOCK = re.compile(
    r"(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T ]\s*)?"
    r"(?:(\d{1,2}):)?(\d{1,2}):(\d{1,2})(?:[.,:](\d{1,9}))?\s*([AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?$"
)
_DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}$")
_WORD = re.compile(r"[^\W\d_][\w .#:/-]*$")
_PLAIN = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?$")
_SAMPLE_ROWS = 5
_ROWS_IN_A_ROW = 4
_BATCH = 1 << 16


def _seconds(cell: str) -> float | None:
    """Return a clock time as seconds of the day: ``10:03:22.125``, ``10:03:22,125``, ``03:22.1``, ``9:03:22 PM``."""
    found = _CLOCK.match(cell)
    if not found:
        return None
    hour, minute, second, part, half = found.groups()
    if hour is None and part is None:
        return None  # hours and minutes, or minutes and seconds
    if part is not None and cell[found.start(4) - 1] == ":" and len(part) not in (3, 6):
        return None  # frames, or a fraction without its zeros
    hours, minutes, seconds = int(hour or 0), int(minute), int(second)
    if half:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + (12 if half.lower() == "pm" else 0)
    if hours > 24 or minutes > 59 or seconds > 60:
        return None
    return 3600.0 * hours + 60.0 * minutes + seconds + (float("0." + part) if part else 0.0)


def _kind(cell: str) -> str:
    if _PLAIN.match(cell):
        return "number"
    if _seconds(cell) is not None:
        return "clock"
    if _DATE.match(cell):
        return "date"
    return "word" if _WORD.match(cell) else "other"


def _columns(rows: Sequence[list[str]]) -> list[str] | None:
    """Return the kind of each column, ``None`` where rows differ or hold no number beside a clock time or a word."""
    if len({len(r) for r in rows}) != 1:
        return None
    kinds = [{_kind(c) for c in column} for column in zip(*rows, strict=True)]
    if any(len(k) != 1 or k == {"other"} for k in kinds):
        return None
    found = [k.pop() for k in kinds]
    return found if "number" in found and found.count("clock") <= 1 and set(found) != {"number"} else None


def plain_rows(raw: bytes, name: str) -> bytes | None:
    """Return the text with rows of numbers: clock times as seconds, 0 for dates and a word that is always the same.

    Parameters
    ----------
    raw : bytes
        Text in which no rows of numbers were found, lines ended by ``\\n``.
    name : str
        For messages.

    Returns
    -------
    bytes or None
        ``None`` where its rows are of no such kind.

    Raises
    ------
    TraceError
        Words that change from row to row, as where channels take turns.
    """
    head = raw[: 1 << 16]
    if len(raw) > len(head):
        head = head[: head.rfind(b"\n") + 1] or head
    lines = head.decode("utf-8", "replace").split("\n")
    filled = [i for i, line in enumerate(lines) if line.strip()]
    tail = [lines[i] for i in filled[-_SAMPLE_ROWS:]]
    for delimiter in (";", "\t", ",", None):
        if delimiter and not all(delimiter in line for line in tail):
            continue
        kinds = _columns([cells_of(line, delimiter) for line in tail])
        if kinds is not None:
            break
    else:
        return None
    run = 0
    first = filled[-1]
    for k, i in enumerate(filled):
        # Rows begin where they follow each other; a lone one above belongs to a preamble.
        run = run + 1 if _columns([cells_of(lines[i], delimiter)]) == kinds else 0
        if run == _ROWS_IN_A_ROW:
            first = filled[k - run + 1]
            break
    words = {k: cells_of(lines[first], delimiter)[k] for k, kind in enumerate(kinds) if kind == "word"}
    mark = delimiter or " "
    body = raw.decode("utf-8", "replace").split("\n")[first:]
    pieces = [_heading(lines[:first], delimiter, kinds)]
    convert = _converter(kinds, words, delimiter, name)
    for start in range(0, len(body), _BATCH):
        pieces.append("\n".join(mark.join(convert(line)) for line in body[start : start + _BATCH] if line.strip()))
    return ("\n".join(pieces) + "\n").encode()


def _heading(above: list[str], delimiter: str | None, kinds: Sequence[str]) -> str:
    """Return the lines above the rows, the last of which names the columns where that can be known."""
    rest = list(above)
    while rest and not rest[-1].strip():
        rest.pop()
    own = cells_of(rest[-1].lstrip("#%! "), delimiter) if rest else []
    if len(own) == len(kinds):
        rest.pop()
    elif "clock" in kinds:
        own = ["signal" if kinds.count("number") == 1 else f"column {k}" for k in range(len(kinds))]
    else:
        return "\n".join(rest)
    named = {"clock": "time_s", "date": "index", "word": "index"}
    return "\n".join([*rest, (delimiter or " ").join(named.get(kind, own[k]) for k, kind in enumerate(kinds))])


def _converter(
    kinds: Sequence[str], words: dict[int, str], delimiter: str | None, name: str
) -> Callable[[str], list[str]]:
    """Return what turns a row into numbers, with 0 for a date or a word; a clock that passes midnight goes on."""
    clock = kinds.index("clock") if "clock" in kinds else None
    rest = [k for k, kind in enumerate(kinds) if kind in ("date", "word")]
    day = 0.0
    last: float | None = None

    def convert(line: str) -> list[str]:
        nonlocal day, last
        cells = cells_of(line, delimiter)
        if len(cells) != len(kinds):
            return ["nan"] * len(kinds)
        for k, word in words.items():
            if cells[k] != word:
                raise TraceError(
                    f"{name}: the words in its rows change ({word[:20]!r}, {cells[k][:20]!r}), so which rows belong "
                    "together can't be known; export one channel, with the columns time_s and signal"
                )
        for k in rest:
            cells[k] = "0"
        if clock is not None:
            seconds = _seconds(cells[clock])
            if seconds is None:
                cells[clock] = "nan"
                return cells
            if last is not None and seconds + day < last - 43_200.0:
                day += 86_400.0
            last = seconds + day
            shown = f"{last:.9f}"
            cells[clock] = shown.replace(".", ",") if any("," in c for c in cells) else shown
        return cells

    return convert
