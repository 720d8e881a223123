"""The manifest: a CSV that says which photos show which display, checked before anything is measured."""

from __future__ import annotations

import csv
import glob
import io
import math
import os
import stat
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from blurscope.errors import BlurscopeError, SettingsError
from blurscope.files import show_path
from blurscope.photo.sniff import RAW_SUFFIXES

PHOTO_SUFFIXES = frozenset([*".jpg .jpeg .png .tif .tiff .heic .heif .hif .avif".split(), *RAW_SUFFIXES])
VIDEO_SUFFIXES = frozenset(".mp4 .mov .m4v .mkv .webm .avi .mts .m2ts .mpg .mpeg .wmv .3gp".split())

NUMBERS: dict[str, tuple[float, float]] = {
    "refresh_hz": (1, 2000),
    "exposure_refreshes": (0.01, 1000),
    "display_gamma": (0.5, 5),
    "contrast": (1.01, 1e7),
    "frame_rate": (1, 1e6),
    "frame_exposure_ms": (1e-4, 1e6),
    "frames": (1, 1000),
}
WHOLE = ("frames",)
SWITCHES = ("fixed_camera",)
OF_VIDEOS = ("fixed_camera", "frame_rate", "frame_exposure_ms", "frames")
YES, NO = ("yes", "y", "true", "1", "x"), ("no", "n", "false", "0")
PATHS = ("pattern", "still", "meter")
COLUMNS = ("file", "label", *PATHS, *NUMBERS, *SWITCHES)
NOTE = "note:"
MAX_COLUMNS = 200
MAX_PHOTOS_PER_CELL = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a batch takes at most; each can be set by an environment variable.

    Attributes
    ----------
    rows : int
        Rows of a manifest, ``BLURSCOPE_MAX_ROWS``.
    cell : int
        Characters of a cell, ``BLURSCOPE_MAX_CELL``.
    megabytes : float
        Size of a manifest, ``BLURSCOPE_MAX_MANIFEST_MB``.
    seconds : float
        Time for one display, ``BLURSCOPE_MAX_SECONDS``.
    """

    rows: int = 100_000
    cell: int = 4096
    megabytes: float = 64.0
    seconds: float = 1800.0

    @classmethod
    def from_environment(cls) -> Limits:
        """Return the limits with what the environment sets."""
        found: dict[str, Any] = {}
        for name, variable, kind in (
            ("rows", "BLURSCOPE_MAX_ROWS", int),
            ("cell", "BLURSCOPE_MAX_CELL", int),
            ("megabytes", "BLURSCOPE_MAX_MANIFEST_MB", float),
            ("seconds", "BLURSCOPE_MAX_SECONDS", float),
        ):
            text = os.environ.get(variable, "").strip()
            if not text:
                continue
            try:
                found[name] = kind(text)
            except ValueError:
                found[name] = -1
            if not 0 < found[name] < 1e9:
                raise SettingsError(f"{variable} is {text!r:.40}; set it to a number above 0")
        return cls(**found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """One display to be measured: its photos and how to measure them.

    Attributes
    ----------
    label : str
    photos : tuple of str
        Paths; several are shots of it and are combined.
    pattern, still, meter : str or None
        Paths.
    refresh_hz, exposure_refreshes, display_gamma, contrast : float or None
    fixed_camera : bool or None
    frame_rate, frame_exposure_ms : float or None
    frames : int or None
        How a video was taken, as for `blurscope.measure`; None for photos.
    notes : tuple of (key, value)
    lines : tuple of int
        Lines of the manifest that name it; empty without a manifest.
    """

    label: str
    photos: tuple[str, ...]
    pattern: str
    still: str | None = None
    meter: str | None = None
    refresh_hz: float | None = None
    exposure_refreshes: float | None = None
    display_gamma: float | None = None
    contrast: float | None = None
    fixed_camera: bool | None = None
    frame_rate: float | None = None
    frame_exposure_ms: float | None = None
    frames: int | None = None
    notes: tuple[tuple[str, str], ...] = ()
    lines: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Something that gave no result, or no part in one.

    Attributes
    ----------
    what : {"row", "display", "shot"}
        A row that can't be used, a display without a result, or a shot left out of a display that has one.
    reason : str
        One sentence.
    file, label : str
    line : int or None
        Of the manifest.
    """

    what: str
    reason: str
    file: str = ""
    label: str = ""
    line: int | None = None


class _RowError(Exception):
    """Why a row can't be used."""


@dataclass(slots=True)
class _Row:
    line: int
    cells: dict[str, str]
    settings: dict[str, Any] = field(default_factory=dict)
    photos: list[str] = field(default_factory=list)


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
    rows, delimiter, refusals = _read_rows(path, name, limits)
    folder = Path(path).parent
    good: list[_Row] = []
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
                    label=_printable(cells.get("label", "")[:200]),
                    line=row.line,
                )
            )
    displays = _grouped(good, name, say)
    if not displays and not refusals:
        raise SettingsError(f"{name} has a header and no rows; write one row per photo")
    refusals.sort(key=lambda r: r.line or 0)
    return displays, refusals


def _read_rows(path: str | os.PathLike[str], name: str, limits: Limits) -> tuple[list[_Row], str, list[Refusal]]:
    text = _read_text(path, name, limits)
    head = text[: text.find("\n")] if "\n" in text else text
    delimiter = max(",;\t", key=head.count)
    old_limit = csv.field_size_limit(limits.cell + 2)
    refusals: list[Refusal] = []
    rows: list[_Row] = []
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
            rows.append(_Row(line, {c: v.strip() for c, v in zip(columns, cells, strict=False)}))
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
            raise SettingsError(f"{name} has a column {_printable(text)!r:.60}; known are {known} and note:KEY")
        if column in found:
            raise SettingsError(f"{name} has two columns {column!r:.60}; leave out one")
        found.append(column)
    if "file" not in found:
        raise SettingsError(f"{name} has no column file; its first line must name columns, file among them")
    return found


def _settle(row: _Row, folder: Path, defaults: Mapping[str, Any], delimiter: str, allow_outside: bool) -> None:
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
    if not any(_may_be_video(p) for p in row.photos):  # what is set for all videos doesn't concern photos
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


def pattern_file(path: str) -> str:
    """Return the pattern's file, of a folder the one in it."""
    inner = os.path.join(path, "pattern.json")
    return inner if os.path.isdir(path) and os.path.exists(inner) else path


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


def photos_in(paths: Iterable[str | os.PathLike[str]], *, leave_out: str | os.PathLike[str] | None = None) -> list[str]:
    """Return the photos that paths stand for, each once.

    A file stands for itself. A folder stands for the photos directly in it, a pattern with ``*``, ``?`` or ``[]`` for
    the photos that it finds, or for the videos if it ends like one (``*.mp4``); both by name, hidden files and other
    files left out.

    Parameters
    ----------
    paths : iterable of path-like
    leave_out : path-like, optional
        A still that lies among them.

    Raises
    ------
    SettingsError
        A folder or pattern without photos, or with too many.
    """
    out: dict[str, None] = {}
    skip = None if leave_out is None else os.path.realpath(leave_out)
    for item in paths:
        path = os.fsdecode(item)
        if os.path.isdir(path):
            found = [os.path.join(path, n) for n in os.listdir(path) if _looks_like(n, PHOTO_SUFFIXES)]
            what = f"the folder {show_path(path)} holds no photos"
        elif glob.has_magic(path) and not os.path.lexists(path):
            kinds = VIDEO_SUFFIXES if _may_be_video(path) else PHOTO_SUFFIXES
            found = [f for f in glob.glob(path) if os.path.isfile(f) and _looks_like(os.path.basename(f), kinds)]
            what = f"no photo fits {show_path(path)}"
        else:
            out[path] = None
            continue
        found = sorted(f for f in found if os.path.isfile(f) and (skip is None or os.path.realpath(f) != skip))
        if not found:
            raise SettingsError(f"{what}; give photos, or a folder that holds some")
        if len(found) > MAX_PHOTOS_PER_CELL:
            raise SettingsError(f"{show_path(path)} stands for {len(found)} photos, more than {MAX_PHOTOS_PER_CELL}")
        out.update(dict.fromkeys(found))
    return list(out)


def _looks_like(name: str, suffixes: frozenset[str]) -> bool:
    return not name.startswith(".") and os.path.splitext(name)[1].lower() in suffixes


def _may_be_video(path: str) -> bool:
    """By its name only; what a file is shows when it is read."""
    return os.path.splitext(path)[1].lower() in VIDEO_SUFFIXES


def _grouped(rows: Sequence[_Row], name: str, say: Callable[[str], None]) -> list[Display]:
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
        stem = (
            _printable(Path(row.photos[0]).stem) if len(row.photos) == 1 else _printable(Path(row.cells["file"]).name)
        )
        groups[key] = Display(label=label or stem, photos=tuple(row.photos), lines=(row.line,), **settings)
        if label:
            pair = (label, settings["pattern"])
            by_label[pair] = by_label.get(pair, 0) + 1
    for (label, _), count in by_label.items():
        if count > 1:
            say(f"{label} has {count} different settings in {name}: measured as {count} displays")
    return list(groups.values())


def displays_of_photos(photos: Sequence[str | os.PathLike[str]], **settings: Any) -> list[Display]:
    """Return one display per photo, labelled by its file name."""
    of_photos = {k: v for k, v in settings.items() if k not in OF_VIDEOS}
    return [
        Display(
            label=_printable(Path(os.fsdecode(p)).stem),
            photos=(os.fsdecode(p),),
            **(settings if _may_be_video(os.fsdecode(p)) else of_photos),
        )
        for p in photos
    ]


def _is_printable(text: str) -> bool:
    return all(c.isprintable() for c in text)


def _printable(text: str) -> str:
    return show_path(text)
