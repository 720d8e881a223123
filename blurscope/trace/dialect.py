"""In which dialect a text writes its table: delimiter, decimal sign, where the rows begin, what stands above them."""

from __future__ import annotations

import re
from dataclasses import dataclass

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")
_MISSING = {"", "nan", "inf", "+inf", "-inf", "-nan", "na", "n/a", "null", "none", "---", "--", "over", "infinity"}


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a text writes its table."""

    delimiter: str | None  # None: white space
    decimal_comma: bool
    first_row: int  # line number of the first data row
    columns: int


def cells_of(line: str, delimiter: str | None) -> list[str]:
    """Return the cells of a line, without quotation marks and without empty ones at its end."""
    parts = line.split(delimiter) if delimiter else line.split()
    parts = [p.strip().strip('"').strip() for p in parts]
    while len(parts) > 1 and parts[-1] == "":
        parts.pop()
    return parts


def _is_number(cell: str, decimal_comma: bool, *, strict: bool = False) -> bool:
    if decimal_comma:
        if "." in cell:
            return False
        cell = cell.replace(",", ".", 1)
    return bool(_NUMBER.match(cell)) or (not strict and cell.lower() in _MISSING)


def _is_row(line: str, delimiter: str | None, decimal_comma: bool) -> int:
    """Return the number of columns of a row of numbers, 0 for any other line."""
    cells = cells_of(line, delimiter)
    if not cells or not all(_is_number(c, decimal_comma) for c in cells):
        return 0
    return len(cells) if any(_is_number(c, decimal_comma, strict=True) for c in cells) else 0


def find_dialect(lines: list[str]) -> Dialect | None:
    """Return the dialect in which the lines hold most columns of numbers; ``None`` where none fits."""
    best: Dialect | None = None
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
            best = Dialect(delimiter, comma, first, width)
    return best


def header_cells(lines: list[str], dialect: Dialect) -> list[list[str]]:
    """Return the header rows directly above the data, nearest last."""
    rows: list[list[str]] = []
    for line in reversed(lines[: dialect.first_row]):
        text = line.strip().lstrip("#%!").strip()
        if not text:
            if rows:
                break
            continue
        cells = cells_of(text, dialect.delimiter)
        if len(cells) < dialect.columns and dialect.delimiter is None and dialect.columns > 1:
            for other in (",", ";", "\t"):
                if len(cells_of(text, other)) == dialect.columns:
                    cells = cells_of(text, other)
        if len(cells) != dialect.columns or len(rows) == 2:
            break
        rows.insert(0, cells)
    return rows
