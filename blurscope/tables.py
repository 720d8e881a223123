"""Small tables that people hand in, as spreadsheets of any language write them; a light meter's among them."""

from __future__ import annotations

import csv
import io
import math
import os

import numpy as np

from blurscope.errors import BlurscopeError, SettingsError
from blurscope.files import read_small, show_path

MAX_BYTES = 4 * 2**20


def read_rows(path: str | os.PathLike[str], error: type[BlurscopeError] = SettingsError) -> list[list[str]]:
    """Return the rows of a CSV file with commas, semicolons or tabs; without blank lines and lines of ``#``.

    Raises
    ------
    BlurscopeError
        Missing, not a text or a CSV, too large, empty.
    """
    name = show_path(path)
    text = read_small(path, "CSV file", MAX_BYTES, error).decode("utf-8-sig", "surrogateescape")
    if "\x00" in text:
        raise error(f"{name} is not a text file; give a CSV file")
    lines = (line for line in text.splitlines() if line.strip() and not line.startswith("#"))
    delimiter = max(";\t,", key=next(lines, "").count)  # as many commas as semicolons are decimal ones
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as exc:
        raise error(f"{name} is not a CSV file that can be read ({exc})") from None
    rows = [[c.strip() for c in r] for r in rows]
    rows = [r for r in rows if any(r) and not r[0].startswith("#")]
    if not rows:
        raise error(f"{name} is empty; write its header and one line per entry")
    return rows


def number_of(cell: str) -> float:
    """Return the number in a cell, which may have a decimal comma; `ValueError` for anything else, NaN and infinity."""
    cell = cell.strip()
    if "," in cell and "." not in cell:
        cell = cell.replace(",", ".", 1)
    value = float(cell)
    if not math.isfinite(value):
        raise ValueError("not finite")
    return value


def find_level_columns(header: list[str]) -> tuple[int, int] | None:
    """Return which columns a header calls ``level`` and ``light`` (or ``luminance``); ``None`` without the two."""
    names = [c.lower() for c in header]
    lights = [i for i, name in enumerate(names) if name.startswith(("light", "lum"))]
    return (names.index("level"), lights[0]) if "level" in names and lights else None


def read_meter(path: str | os.PathLike[str]) -> tuple[np.ndarray, np.ndarray]:
    """Read a light-level table ``level,light``; without a header in this order.

    Returns
    -------
    level, light : (n,) float
        Sorted by level, light as given.

    Raises
    ------
    SettingsError
        Missing, not a table, levels outside 0 to 255, no level 0 or 255, light that falls with the level.
    """
    name = show_path(path)
    rows = read_rows(path)
    first, second = find_level_columns(rows[0]) or (0, 1)
    pairs = []
    for row in rows:
        try:
            pairs.append((number_of(row[first]), number_of(row[second])))
        except (ValueError, IndexError):
            continue
    if len(pairs) < 3:
        raise SettingsError(f"{name} has no columns level,light with three rows or more; check --meter")
    level, light = np.array(sorted(pairs)).T
    if level[0] != 0 or level[-1] != 255 or (np.diff(level) <= 0).any():
        raise SettingsError(f"{name} must hold different levels from 0 to 255, both ends included; check --meter")
    if (np.diff(light) < 0).any() or light[0] < 0 or light[-1] <= light[0]:
        raise SettingsError(f"in {name} light does not rise with the level; check the columns")
    return level, light
