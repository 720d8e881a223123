"""The manifest: a CSV that says which photos show which display, checked before anything is measured."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from blurscope.batch.display import OF_VIDEOS, Display, Refusal, pattern_file
from blurscope.batch.limits import Limits
from blurscope.batch.photos import may_be_video, photos_in
from blurscope.batch.rows import NOTE, NUMBERS, PATHS, SWITCHES, Row, read_rows
from blurscope.errors import BlurscopeError, SettingsError
from blurscope.files import show_path

WHOLE = ("frames",)
YES, NO = ("yes", "y", "true", "1", "x"), ("no", "n", "false", "0")


class _RowError(Exception):
    """Why a row can't be used."""


def read_manifest(
    path: str | os.PathLike[str],
    *,
    defaults: Mapping[str, Any] | None = None,
    allow_outside: bool = False,
    limits: Limits | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> tuple[list[Display], list[Refusal]]:
    """Read a manifest.

    Parameters
    ----------
    path : path-like
        A CSV with a header; commas, semicolons or tabs; UTF-8, or UTF-16 with its mark.
    defaults : mapping, optional
        Settings for cells that are empty: the fields of `Display` from ``pattern`` to ``notes``.
    allow_outside : bool
        Let cells name files outside the manifest's folder.
    limits : Limits, optional
    say : callable
        Told of labels that stand for several displays.

    Returns
    -------
    displays : list of Display
        In the order of their first rows.
    refusals : list of Refusal
        Rows that can't be used.

    Raises
    ------
    SettingsError
        The manifest as a whole can't be used.
    """
    limits = limits or Limits.from_environment()
    defaults = dict(defaults or {})
    name = show_path(path)
    rows, delimiter, refusals = read_rows(path, name, limits)
    folder = Path(path).parent
    good: list[Row] = []
    for row in rows:
        try:
            _settle(row, folder, defaults, delimiter, allow_outside)
            good.append(row)
        except _RowError as exc:
            cells = row.cells
            reason = f"line {row.line} of {name}: {exc}"
            refusals.append(
                Refusal(
                    what="row",
                    reason=reason,
                    file=show_path(cells.get("file", "")[:200]),
                    label=show_path(cells.get("label", "")[:200]),
                    line=row.line,
                )
            )
    displays = _grouped(good, name, say)
    if not displays and not refusals:
        raise SettingsError(f"{name} has a header and no rows; write one row per photo")
    refusals.sort(key=lambda r: r.line or 0)
    return displays, refusals


def _settle(row: Row, folder: Path, defaults: Mapping[str, Any], delimiter: str, allow_outside: bool) -> None:
    """Check a row's cells and turn them into settings."""
    for column, cell in row.cells.items():
        if not _is_printable(cell):
            raise _RowError(f"{column} holds characters that can't be printed")
    out: dict[str, Any] = {}
    for column, (low, high) in NUMBERS.items():
        cell = row.cells.get(column, "")
        out[column] = _number(column, cell, low, high, delimiter == ";") if cell else defaults.get(column)
    for column in SWITCHES:
        cell = row.cells.get(column, "")
        out[column] = _switch(column, cell) if cell else defaults.get(column)
    for column in PATHS:
        cell = row.cells.get(column, "")
        out[column] = str(_inside(cell, column, folder, allow_outside)) if cell else _path_text(defaults.get(column))
    if row.cells.get("pattern") and not allow_outside:  # the file in a folder may be a link
        inner = os.path.relpath(pattern_file(out["pattern"]), folder)
        _inside(inner, "pattern", folder, allow_outside)
    if out["pattern"] is None:
        raise _RowError("no pattern is named; fill in the column pattern, or give --pattern")
    notes = dict(defaults.get("notes") or {})
    notes |= {c[len(NOTE) :]: v for c, v in row.cells.items() if c.startswith(NOTE) and v}
    out["notes"] = tuple(sorted(notes.items()))
    row.settings = out
    if not row.cells["file"]:
        raise _RowError("no file is named")
    row.photos = _photos_of(row.cells["file"], folder, allow_outside, out["still"])
    if not any(may_be_video(p) for p in row.photos):  # what is set for all videos doesn't concern photos
        out.update({c: None for c in OF_VIDEOS if not row.cells.get(c)})


def _number(column: str, cell: str, low: float, high: float, decimal_comma: bool) -> float:
    text = cell.replace(",", ".", 1) if decimal_comma and "." not in cell else cell
    try:
        value = float(text)
    except ValueError:
        raise _RowError(f"{column} is {cell!r:.40}, which is no number") from None
    if not math.isfinite(value) or not low <= value <= high or "_" in text:
        raise _RowError(f"{column} is {cell!r:.40}; it must be from {low:g} to {high:g}")
    if column in WHOLE:
        if value != int(value):
            raise _RowError(f"{column} is {cell!r:.40}; it must be a whole number")
        return int(value)
    return value


def _switch(column: str, cell: str) -> bool | None:
    if cell.lower() in YES:
        return True
    if cell.lower() in NO:
        return None
    raise _RowError(f"{column} is {cell!r:.40}; write yes or no")


def _path_text(value: Any) -> str | None:
    return None if value is None else os.fsdecode(value)


def _inside(cell: str, column: str, folder: Path, allow_outside: bool) -> Path:
    """Return the path a cell names, refused if it leaves the manifest's folder."""
    path = folder / cell
    if allow_outside:
        return path
    try:
        home, real = os.path.realpath(folder), os.path.realpath(path)
    except (OSError, ValueError):
        raise _RowError(f"{column} is {cell!r:.60}, which can't be a path") from None
    if os.path.isabs(cell) or ".." in Path(cell).parts or os.path.commonpath([home, real]) != home:
        raise _RowError(f"{column} is {cell!r:.80}, outside the manifest's folder; add --allow-outside if you trust it")
    return path


def _photos_of(cell: str, folder: Path, allow_outside: bool, still: str | None) -> list[str]:
    path = _inside(cell, "file", folder, allow_outside)
    try:
        found = photos_in([path], leave_out=still)
    except (BlurscopeError, OSError, ValueError) as exc:
        raise _RowError(str(exc)) from None
    if not allow_outside:
        for photo in found:
            _inside(os.path.relpath(photo, folder), "file", folder, allow_outside)
    return found


def _grouped(rows: Sequence[Row], name: str, say: Callable[[str], None]) -> list[Display]:
    """Put rows of one label, pattern and settings together; rows without a label are displays of their own."""
    groups: dict[Any, Display] = {}
    by_label: dict[tuple[str, str], int] = {}
    for row in rows:
        label, settings = row.cells.get("label", ""), row.settings
        if label:
            key = (label, tuple(sorted((k, v) for k, v in settings.items() if v is not None)))
        else:
            key = row.line
        if key in groups:
            old = groups[key]
            photos = dict.fromkeys([*old.photos, *row.photos])
            groups[key] = replace(old, photos=tuple(photos), lines=(*old.lines, row.line))
            continue
        stem = show_path(Path(row.photos[0]).stem) if len(row.photos) == 1 else show_path(Path(row.cells["file"]).name)
        groups[key] = Display(label=label or stem, photos=tuple(row.photos), lines=(row.line,), **settings)
        if label:
            pair = (label, settings["pattern"])
            by_label[pair] = by_label.get(pair, 0) + 1
    for (label, _), count in by_label.items():
        if count > 1:
            say(f"{label} has {count} different settings in {name}: measured as {count} displays")
    return list(groups.values())


def _is_printable(text: str) -> bool:
    return all(c.isprintable() for c in text)
