"""The photos and videos that paths, folders and patterns with wildcards stand for."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable

from blurscope.errors import SettingsError
from blurscope.files import show_path
from blurscope.photo.sniff import RAW_SUFFIXES

PHOTO_SUFFIXES = frozenset([*".jpg .jpeg .png .tif .tiff .heic .heif .hif .avif".split(), *RAW_SUFFIXES])
VIDEO_SUFFIXES = frozenset(".mp4 .mov .m4v .mkv .webm .avi .mts .m2ts .mpg .mpeg .wmv .3gp".split())
MAX_PHOTOS_PER_CELL = 10_000


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
            kinds = VIDEO_SUFFIXES if may_be_video(path) else PHOTO_SUFFIXES
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


def may_be_video(path: str) -> bool:
    """Whether a file is a video, by its name only; what it is shows when it is read."""
    return os.path.splitext(path)[1].lower() in VIDEO_SUFFIXES
