"""The rows of a manifest as text: the file, its columns, its cells."""

from __future__ import annotations

import csv
import io
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from blurscope.batch.display import Refusal
from blurscope.batch.limits import Limits
from blurscope.errors import SettingsError
from blurscope.files import show_path

NUMBERS: dict[str, tuple[float, float]] = {
    "refresh_hz": (1, 2000),
    "exposure_refreshes": (0.01, 1000),
    "display_gamma": (0.5, 5),
    "contrast": (1.01, 1e7),
    "frame_rate": (1, 1e6),
    "frame_exposure_ms": (1e-4, 1e6),
    "frames": (1, 1000),
}
SWITCHES = ("fixed_camera",)
PATHS = ("pattern", "still", "meter")
COLUMNS = ("file", "label", *PATHS, *NUMBERS, *SWITCHES)
NOTE = "note:"
MAX_COLUMNS = 200


@dataclass(slots=True)
class Row:
    """Cells of one line by column, and what became of them: settings, and the photos they stand for."""

    line: int
    cells: dict[str, str]
    settings: dict[str, Any] = field(default_factory=dict)
    photos: list[str] = field(default_factory=list)


def read_rows(path: str | os.PathLike[str], name: str, limits: Limits) -> tuple[list[Row], str, list[Refusal]]:
    """Read the rows of a manifest.

    Parameters
    ----------
    path : path-like
    name : str
        Of the manifest, for refusals.
    limits : Limits

    Returns
    -------
    rows : list of Row
    delimiter : str
    refusals : list of Refusal
        Rows with more cells than there are columns.

    Raises
    ------
    SettingsError
        The manifest as a whole can't be used.
    """
    text = _read_text(path, name, limits)
    head = text[: text.find("\n")] if "\n" in text else text
    delimiter = max(",;\t", key=head.count)
    old_limit = csv.field_size_limit(limits.cell + 2)
    refusals: list[Refusal] = []
    rows: list[Row] = []
    columns: list[str] | None = None
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begin = 1
    try:
        for cells in reader:
            line, begin = begin, reader.line_num + 1
            if not any(c.strip() for c in cells):
                continue
            if columns is None:
                columns = _columns(cells, name)
                continue
            if len(rows) + len(refusals) >= limits.rows:
                raise SettingsError(f"{name} has more than {limits.rows} rows; split it, or set BLURSCOPE_MAX_ROWS")
            if any(c.strip() for c in cells[len(columns) :]):
                reason = f"line {line} of {name}: it has {len(cells)} cells under {len(columns)} columns; quote commas"
                refusals.append(Refusal(what="row", reason=reason, file=show_path(cells[0][:200]), line=line))
                continue
            rows.append(Row(line, {c: v.strip() for c, v in zip(columns, cells, strict=False)}))
    except csv.Error as exc:
        why = f"a cell of more than {limits.cell} characters" if "field larger" in str(exc) else str(exc)
        raise SettingsError(f"{name} can't be read at line {begin} ({why}); check its quotation marks") from None
    finally:
        csv.field_size_limit(old_limit)
    if columns is None:
        raise SettingsError(f"{name} is empty; its first line must name columns, file among them")
    return rows, delimiter, refusals


def _read_text(path: str | os.PathLike[str], name: str, limits: Limits) -> str:
    try:
        info = os.stat(path)
        if stat.S_ISDIR(info.st_mode):
            raise SettingsError(f"{name} is a folder; give the manifest's CSV file")
        if not stat.S_ISREG(info.st_mode):
            raise SettingsError(f"{name} is not an ordinary file; give the manifest's CSV file")
        if info.st_size > limits.megabytes * 1e6:
            raise SettingsError(
                f"{name} is larger than {limits.megabytes:g} MB; split it, or set BLURSCOPE_MAX_MANIFEST_MB"
            )
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise SettingsError(f"{name} does not exist; check --manifest") from None
    except (OSError, ValueError) as exc:
        raise SettingsError(f"{name} can't be read ({getattr(exc, 'strerror', None) or exc})") from None
    wide = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        raise SettingsError(f"{name} is not UTF-8 text; save it as CSV in UTF-8") from None
    if "\x00" in text:
        raise SettingsError(f"{name} is not a text file; save it as CSV in UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _columns(cells: Sequence[str], name: str) -> list[str]:
    found: list[str] = []
    while cells and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) > MAX_COLUMNS:
        raise SettingsError(f"{name} has {len(cells)} columns, more than {MAX_COLUMNS}; leave some out")
    for cell in cells:
        text = cell.strip()
        low = text.lower()
        column = NOTE + text[len(NOTE) :].strip() if low.startswith(NOTE) else low
        if column not in COLUMNS and (not column.startswith(NOTE) or column == NOTE or not column.isprintable()):
            known = ", ".join(COLUMNS)
            raise SettingsError(f"{name} has a column {show_path(text)!r:.60}; known are {known} and note:KEY")
        if column in found:
            raise SettingsError(f"{name} has two columns {column!r:.60}; leave out one")
        found.append(column)
    if "file" not in found:
        raise SettingsError(f"{name} has no column file; its first line must name columns, file among them")
    return found
