"""Displays to be measured, with their photos and settings, and what gave no result."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blurscope.batch.photos import may_be_video
from blurscope.files import show_path

OF_VIDEOS = ("fixed_camera", "frame_rate", "frame_exposure_ms", "frames")  # settings


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


def pattern_file(path: str) -> str:
    """Return the pattern's file, of a folder the one in it."""
    inner = os.path.join(path, "pattern.json")
    return inner if os.path.isdir(path) and os.path.exists(inner) else path


def displays_of_photos(photos: Sequence[str | os.PathLike[str]], **settings: Any) -> list[Display]:
    """Return one display per photo, labelled by its file name."""
    of_photos = {k: v for k, v in settings.items() if k not in OF_VIDEOS}
    return [
        Display(
            label=show_path(Path(os.fsdecode(p)).stem),
            photos=(os.fsdecode(p),),
            **(settings if may_be_video(os.fsdecode(p)) else of_photos),
        )
        for p in photos
    ]
