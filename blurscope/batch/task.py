"""Measuring one display of a batch, in whatever process: what goes in, what comes out, and the key of its inputs."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from blurscope import __version__
from blurscope.batch.display import Display, pattern_file
from blurscope.errors import BlurscopeError, PhotoError, SettingsError
from blurscope.files import sha256_of, show_path, to_jsonable


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One display and, for other machines, its files' bytes by path."""

    number: int
    display: Display
    version: str = __version__
    files: dict[str, bytes] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a task.

    Attributes
    ----------
    number : int
    key : str
        See `key_of`; empty if the inputs could not be read.
    result : bytes or None
        The ``blurscope.measurement/1`` file.
    reason : str
        Why there is no result.
    """

    number: int
    key: str = ""
    result: bytes | None = None
    reason: str = ""


def input_paths(display: Display) -> list[str]:
    """Return the files a display's result depends on."""
    pattern = pattern_file(display.pattern)
    return [*display.photos, *(p for p in (pattern, display.still, display.meter) if p is not None)]


def digests_of(display: Display) -> dict[str, str]:
    """Return the SHA-256 of a display's input files by path; of a file that can't be read the reason."""
    return {path: _digest(path) for path in dict.fromkeys(input_paths(display))}


def _digest(path: str) -> str:
    try:
        if not os.path.isfile(path):
            return "missing"
        return sha256_of(path)
    except (OSError, ValueError):
        return "unreadable"


def key_of(display: Display, digests: dict[str, str]) -> str:
    """Return the key of a display's inputs: the same key, the same result.

    It covers the bytes of photos, pattern, still and meter table, the settings, the label, the names of the photos,
    and the version of blurscope; not where the files lie.
    """
    settings = asdict(display)
    for name in ("lines", "photos", "pattern", "still", "meter"):
        settings.pop(name)
    content = {
        "version": __version__,
        "settings": settings,
        "photos": [[show_path(Path(p).name), digests[p]] for p in display.photos],
        "pattern": digests[pattern_file(display.pattern)],
        "still": None if display.still is None else digests[display.still],
        "meter": None if display.meter is None else digests[display.meter],
    }
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def run_task(task: Task) -> Outcome:
    """Measure one display; never raises, whatever is in the files."""
    if task.version != __version__:
        text = f"this process runs blurscope {__version__}, the batch {task.version}; install the same on all machines"
        return Outcome(number=task.number, reason=text)
    try:
        if task.files is None:
            return _measured(task, task.display, lambda text: text)
        with tempfile.TemporaryDirectory(prefix="blurscope-") as folder:
            display, back = _unpacked(task.display, task.files, folder)
            return _measured(task, display, back)
    except BlurscopeError as exc:
        return Outcome(number=task.number, reason=str(exc))
    except MemoryError:
        text = "there was not enough memory to measure it; use fewer jobs or a smaller photo"
        return Outcome(number=task.number, reason=text)
    except OSError as exc:
        return Outcome(number=task.number, reason=f"its files can't be read ({exc.strerror or exc}); check them")
    except Exception as exc:  # one display must never end the batch
        text = f"measuring it failed unexpectedly ({type(exc).__name__}: {exc})"[:300].replace("\n", " ")
        return Outcome(number=task.number, reason=text + "; please report this with the photo")


def _measured(task: Task, display: Display, back: Callable[[str], str]) -> Outcome:
    from blurscope._cv import cv2
    from blurscope.tables import read_meter
    from blurscope.takes import measure

    cv2.setNumThreads(1)  # each process has its own display
    digests = digests_of(display)
    key = key_of(display, digests)
    try:
        result = measure(
            display.photos[0] if len(display.photos) == 1 else list(display.photos),
            pattern=display.pattern,
            refresh_hz=display.refresh_hz,
            exposure_refreshes=display.exposure_refreshes,
            still=display.still,
            display_gamma=display.display_gamma,
            contrast=display.contrast,
            meter=None if display.meter is None else read_meter(display.meter),
            fixed_camera=bool(display.fixed_camera),
            frame_rate=display.frame_rate,
            frame_exposure_ms=display.frame_exposure_ms,
            frames=display.frames,
            notes=dict(display.notes),
            label=display.label,
        )
    except BlurscopeError as exc:
        return Outcome(number=task.number, key=key, reason=back(str(exc)))
    document = to_jsonable(result.as_json())
    if document["photo"]["kind"] == "video":  # of frames it is their own pixels that are hashed
        changed = digests_of(display) != digests
    else:
        seen = [document["photo"], *(p["photo"] for p in document.get("photos", []))]
        changed = any(p["sha256"] not in digests.values() for p in seen if "sha256" in p)
    if changed:
        raise PhotoError(f"a photo of {display.label} changed while it was measured; run the batch again")
    document = _each_text(document, back)
    document["batch"] = {"inputs_sha256": key}
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    return Outcome(number=task.number, key=key, result=text.encode("utf-8", "backslashreplace") + b"\n")


def packed(task: Task) -> Task:
    """Return a task with its files' bytes, to be sent to another machine.

    Raises
    ------
    BlurscopeError
        A pattern, still or meter table can't be read. A missing photo is left out and refused where it is measured.
    """
    files = {}
    for path in input_paths(task.display):
        try:
            if os.path.isfile(path):
                files[path] = Path(path).read_bytes()
        except OSError as exc:
            raise SettingsError(f"{show_path(path)} can't be read ({exc.strerror})") from None
    # a pattern's folder is known here only
    display = replace(task.display, pattern=pattern_file(task.display.pattern))
    return replace(task, display=display, files=files)


def _unpacked(display: Display, files: dict[str, bytes], folder: str) -> tuple[Display, Callable[[str], str]]:
    """Write the files into a folder; return the display there, and what turns its paths in a text back."""
    moved: dict[str, str] = {}
    for number, path in enumerate(dict.fromkeys(input_paths(display))):
        home = os.path.join(folder, str(number))
        os.mkdir(home)
        moved[path] = os.path.join(home, os.path.basename(path) or "file")
        if path in files:
            Path(moved[path]).write_bytes(files[path])
    there = replace(
        display,
        photos=tuple(moved[p] for p in display.photos),
        pattern=moved[pattern_file(display.pattern)],
        still=None if display.still is None else moved[display.still],
        meter=None if display.meter is None else moved[display.meter],
    )
    names = [(show_path(new), show_path(old)) for old, new in moved.items()]
    names.sort(key=lambda pair: -len(pair[0]))

    def back(text: str) -> str:
        for new, old in names:
            text = text.replace(new, old)
        return text

    return there, back


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return change(value)
    if isinstance(value, dict):
        return {k: _each_text(v, change) for k, v in value.items()}
    if isinstance(value, list):
        return [_each_text(v, change) for v in value]
    return value
