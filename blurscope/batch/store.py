"""The folder of results: safe names, one writer at a time, whole files, and what earlier runs left there."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from blurscope.batch.display import Display
from blurscope.errors import BlurscopeError, OutputError
from blurscope.files import check_output, is_other_kind, read_json, show_path, write_bytes
from blurscope.measurement import SCHEMA as MEASUREMENT

SCHEMA = "blurscope.batch/1"
INDEX, SUMMARY, PARQUET, REFUSED = "batch.json", "summary.csv", "summary.parquet", "refused.csv"
OWN_FILES = (INDEX, SUMMARY, PARQUET, REFUSED)
NAME_LENGTH = 50
_TAKEN = {
    "batch",
    "summary",
    "refused",
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{d}{n}" for d in ("com", "lpt") for n in range(10)),
}


def safe_names(displays: Sequence[Display]) -> list[str]:
    """Return a file name for each display's result: letters, digits, ``-``, ``_`` and ``.`` of its label only.

    Displays whose labels come to the same name, also on disks that don't tell capitals apart, get a few digits more,
    which depend on label, pattern and settings only. Equal ones are numbered.
    """
    stems = [_stem(d.label) for d in displays]
    counts: dict[str, int] = {}
    for stem in stems:
        counts[_folded(stem)] = counts.get(_folded(stem), 0) + 1
    names: list[str] = []
    used: set[str] = set()
    for stem, display in zip(stems, displays, strict=True):
        if counts[_folded(stem)] > 1 or _folded(stem).partition(".")[0] in _TAKEN:
            stem = f"{stem}-{_mark(display)}"
        name, n = stem, 1
        while _folded(name) in used:
            n += 1
            name = f"{stem}-{n}"
        used.add(_folded(name))
        names.append(f"{name}.json")
    return names


def _folded(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _stem(label: str) -> str:
    text = unicodedata.normalize("NFC", label)
    text = "".join(c if c.isalnum() or c in "-_." else "_" for c in text)
    text = re.sub(r"_+", "_", text)[:NAME_LENGTH].strip("._-")
    return text or "display"


def _mark(display: Display) -> str:
    settings = [display.refresh_hz, display.exposure_refreshes, display.display_gamma, display.contrast]
    content = [display.label, Path(display.pattern).name, Path(display.pattern).parent.name, settings, display.notes]
    if len(display.photos) == 1:
        content.append(show_path(Path(display.photos[0]).name))
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:8]


class Store:
    """The results' folder. Use it as a context: it is locked against other batches meanwhile."""

    def __init__(self, out: str | os.PathLike[str], *, overwrite: bool = False) -> None:
        self.folder = Path(out)
        self.overwrite = overwrite
        self._lock = contextlib.ExitStack()

    def __enter__(self) -> Store:
        name = show_path(self.folder)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except FileExistsError:
            raise OutputError(f"{name} is a file; give a folder for the results") from None
        except (OSError, ValueError) as exc:
            raise OutputError(f"the folder {name} can't be made ({getattr(exc, 'strerror', None) or exc})") from None
        if not os.access(self.folder, os.W_OK | os.X_OK):
            raise OutputError(f"the folder {name} can't be written to; give another --out")
        try:
            self._lock.enter_context(_locked(self.folder))
            self._check_own_files()
            self._sweep()
        except BaseException:
            self._lock.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._lock.close()

    def _check_own_files(self) -> None:
        """Refuse to replace tables that no batch has written."""
        if self.overwrite or self._is_index():
            return
        for name in OWN_FILES:
            path = self.folder / name
            if os.path.lexists(path):
                raise OutputError(
                    f"{show_path(path)} exists and is not from an earlier batch; "
                    "choose another --out or add --overwrite"
                )

    def keep(self, inputs: Iterable[str | None]) -> None:
        """Refuse a folder in which a table of the batch would replace one of its inputs.

        Raises
        ------
        OutputError
        """
        there = [self.folder / n for n in OWN_FILES if (self.folder / n).is_file()]
        for path in there:
            check_output(path, overwrite=True, inputs=inputs)

    def _is_index(self) -> bool:
        path = self.folder / INDEX
        if path.is_symlink():
            return False
        try:
            read_json(path, SCHEMA)
        except BlurscopeError:
            return False
        return True

    def _sweep(self) -> None:
        """Take away what a killed run had begun to write."""
        for path in self.folder.glob(".blurscope-*.part"):
            with contextlib.suppress(OSError):
                path.unlink()

    def earlier(self, name: str) -> dict[str, Any] | None:
        """Return an earlier result of that name, or None; a link is never followed.

        Raises
        ------
        OutputError
            Something else has the name.
        """
        path = self.folder / name
        if not os.path.lexists(path):
            return None
        if path.is_symlink() or not path.is_file():
            if path.is_symlink() and self.overwrite:
                return None
            what = "a link" if path.is_symlink() else "no ordinary file"
            raise OutputError(f"{show_path(path)} is {what}; move it away or choose another --out")
        try:
            document = read_json(path, MEASUREMENT)
            if isinstance(document["batch"]["inputs_sha256"], str):
                return document
        except (BlurscopeError, KeyError, TypeError):
            pass
        if self.overwrite and not is_other_kind(path, MEASUREMENT):
            return None
        if self.overwrite:
            raise OutputError(f"{show_path(path)} is no result, so it is not overwritten; choose another --out")
        raise OutputError(f"{show_path(path)} exists and is not from an earlier batch; move it away or add --overwrite")

    def write(self, name: str, data: bytes) -> None:
        """Write a file whole; it is written anew where it was, and a link in its place is replaced, not followed.

        Raises
        ------
        OutputError
        """
        path = self.folder / name
        if path.is_dir() and not path.is_symlink():
            raise OutputError(f"{show_path(path)} is a folder; move it away or choose another --out")
        write_bytes(path, data, overwrite=True)

    def remove(self, name: str) -> None:
        """Remove a result whose inputs have changed and that can't be made anew."""
        with contextlib.suppress(OSError):
            (self.folder / name).unlink()


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep other batches out of the folder; the lock goes with the process, however it ends."""
    try:
        import fcntl
    except ImportError:  # a system without such locks: files are whole all the same
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OutputError(
                f"another batch is writing into {show_path(folder)}; wait for it or choose another --out"
            ) from None
        except OSError:
            pass  # a disk without locks
        yield
    finally:
        os.close(handle)
