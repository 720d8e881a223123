"""Plain tables for people: columns lined up, numbers with their uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import typer

from blurscope.files import show_path


def echo(text: Any = "", *, err: bool = False) -> None:
    """Print lines; what a label or a file name holds for the terminal, to colour, move or erase, is shown, not done."""
    typer.echo("\n".join(show_path(line) for line in str(text).split("\n")), err=err)


def shown(q: dict[str, Any] | None, digits: int = 2) -> str:
    """Return ``value ± u95`` of a quantity as files have it; a dash where there is none."""
    if not q or q.get("value") is None:
        return "–"
    value = f"{q['value']:.{digits}f}"
    if value.startswith("-") and not float(value):
        value = value[1:]
    return value if q.get("u95") is None else f"{value} ± {q['u95']:.{digits}f}"


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table on stdout; the first column stands left, the others right."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    for row in [head, *rows]:
        cells = [c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        echo("  ".join(cells).rstrip())
