"""Pattern folders: made whole in a staging folder beside the target, then moved into place."""

from __future__ import annotations

import html
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from blurscope._av import require_av
from blurscope.errors import OutputError, PatternError
from blurscope.files import show_path, write_bytes, write_json
from blurscope.pattern.layout import Layout
from blurscope.pattern.player import render_player
from blurscope.pattern.png import encode_png
from blurscope.pattern.render import FrameMaker
from blurscope.pattern.video import DEVICE_NAME, LOSSLESS_NAME, write_videos

PLATES_SCHEMA = "blurscope.plates/1"
MAX_FRAMES = 100_000
_OWN_FILE = re.compile(
    rf"(index\.html|pattern\.json|plates\.json|video\.json|{re.escape(LOSSLESS_NAME)}|{re.escape(DEVICE_NAME)}"
    r"|frame_\d{4,}\.png)"
)
_OWN_FOLDER = re.compile(r"plate_\d+")
Say = Callable[[str], None]


def write_pattern(
    out: str | os.PathLike[str],
    layouts: list[Layout],
    *,
    as_plates: bool | None = None,
    frames: int = 0,
    video: bool = False,
    video_refreshes: int | None = None,
    overwrite: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Write a pattern folder and return the paths of its ``pattern.json`` files, ``plates.json`` first if there is one.

    Parameters
    ----------
    out : path-like
        The folder; its parent must exist. Other files in it are left alone.
    layouts : list of Layout
        The plates.
    as_plates : bool, optional
        Write ``plate_1/``, ``plate_2/`` … and ``plates.json``; by default if there is more than one plate.
    frames : int
        How many consecutive refreshes from refresh 0 are written as ``frame_0000.png`` …
    video : bool
        Write the two videos and ``video.json``.
    video_refreshes : int, optional
        Length of the videos behind the caution; one full loop by default.
    overwrite : bool
        Replace an earlier pattern in the folder.
    say : callable, optional
        Told about the progress.

    Raises
    ------
    OutputError, PatternError, SettingsError
        Nothing has been written then.
    """
    target = Path(out)
    several = len(layouts) > 1 if as_plates is None else as_plates
    if not 0 <= frames <= MAX_FRAMES:
        raise PatternError(f"{frames} frames asked for; give --frames from 0 to {MAX_FRAMES}")
    if video_refreshes is not None and not 1 <= video_refreshes <= MAX_FRAMES:
        raise PatternError(f"{video_refreshes} refreshes of video asked for; give 1 to {MAX_FRAMES}")
    if len(layouts) > 1 and not several:
        raise ValueError("several plates need a folder each")
    if video:
        require_av()
    _check_target(target, overwrite)
    try:
        staging = Path(tempfile.mkdtemp(dir=target.resolve().parent, prefix=".blurscope-", suffix=".part"))
    except OSError as exc:
        raise OutputError(f"the folder {show_path(target.parent)} can't be written to ({exc.strerror})") from None
    umask = os.umask(0)
    os.umask(umask)
    try:
        for number, layout in enumerate(layouts, start=1):
            folder = staging / f"plate_{number}" if several else staging
            folder.mkdir(exist_ok=True)
            _fill(folder, layout, frames, video, video_refreshes, say)
        if several:
            write_json(staging / "plates.json", plates_index(layouts))
            write_bytes(staging / "index.html", _plates_page(layouts).encode())
        os.chmod(staging, 0o777 & ~umask)
        _install(staging, target)
    except OutputError as exc:  # of a file in there: by the name that it was to have
        raise OutputError(str(exc).replace(show_path(staging), show_path(target))) from None
    except OSError as exc:
        raise OutputError(f"{show_path(target)} can't be written ({exc.strerror})") from None
    finally:
        shutil.rmtree(staging, ignore_errors=True)
    if several:
        made = [target / f"plate_{n}" / "pattern.json" for n in range(1, len(layouts) + 1)]
        return [target / "plates.json", *made]
    return [target / "pattern.json"]


def plates_index(layouts: list[Layout]) -> dict[str, Any]:
    """Return the content of ``plates.json``."""
    first = layouts[0]
    every = {pair for layout in layouts for pair in layout.transitions()}
    return {
        "schema": PLATES_SCHEMA,
        "width_px": first.width_px,
        "height_px": first.height_px,
        "px_per_refresh": first.px_per_refresh,
        "direction": first.direction,
        "refresh_hz": first.refresh_hz,
        "levels": list(first.levels),
        "transitions": len(every),
        "plates": [
            {
                "plate": n,
                "folder": f"plate_{n}",
                "pattern": f"plate_{n}/pattern.json",
                "repeats": layout.repeats,
                "transitions": [{"from_level": a, "to_level": b} for a, b in layout.transitions()],
            }
            for n, layout in enumerate(layouts, start=1)
        ],
    }


def _fill(folder: Path, layout: Layout, frames: int, video: bool, refreshes: int | None, say: Say | None) -> None:
    write_bytes(folder / "index.html", render_player(layout).encode())
    maker = FrameMaker(layout) if frames else None
    for n in range(frames):
        assert maker is not None
        (folder / f"frame_{n:04d}.png").write_bytes(encode_png(maker.draw(n)))
        if say:
            say(f"frame {n + 1} of {frames}")
    if video:
        write_json(folder / "video.json", write_videos(folder, layout, refreshes=refreshes, say=say))
    write_json(folder / "pattern.json", layout.as_json())


def _plates_page(layouts: list[Layout]) -> str:
    """A page that leads to the plates' own pages."""
    first = layouts[0]
    items = "".join(
        f'<li><a href="plate_{n}/index.html">Plate {n}</a> <span>{len(layout.transitions())} transitions</span></li>'
        for n, layout in enumerate(layouts, start=1)
    )
    what = html.escape(
        f"{first.width_px} × {first.height_px} px, {first.px_per_refresh} px per refresh to the {first.direction}, "
        f"{first.refresh_hz:g} Hz. Run and photograph every plate."
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Moving plates</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,">'
        "<style>body{margin:0 auto;max-width:40rem;padding:2rem 1.25rem;background:#0c1821;color:#eaf0f2;"
        "font:16px/1.5 system-ui,sans-serif}h1{font-size:1.7rem;margin:0 0 .4rem}p,span{color:#a9bcc6}"
        "ul{list-style:none;padding:0}li{background:#142531;border:1px solid #2c4352;border-radius:.6rem;"
        "padding:1rem 1.25rem;margin:.7rem 0}a{color:#f2c66d;font-weight:650;margin-right:1rem}"
        "a:focus-visible{outline:3px solid #f2c66d;outline-offset:3px}</style></head>"
        f"<body><h1>Moving plates</h1><p>{what}</p><ul>{items}</ul></body></html>\n"
    )


def _own_paths(folder: Path) -> list[Path]:
    """What an earlier run left in the folder: files first, then the plates' folders."""
    found = [p for p in sorted(folder.iterdir()) if _OWN_FILE.fullmatch(p.name) and not _is_folder(p)]
    for sub in sorted(folder.iterdir()):
        if _OWN_FOLDER.fullmatch(sub.name) and _is_folder(sub):
            found += [p for p in sorted(sub.iterdir()) if _OWN_FILE.fullmatch(p.name) and not _is_folder(p)]
            found.append(sub)
    return found


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _check_target(target: Path, overwrite: bool) -> None:
    name = show_path(target)
    if target.exists() and not target.is_dir():
        raise OutputError(f"{name} is a file; give a folder")
    if not target.exists():
        if target.is_symlink():
            raise OutputError(f"{name} is a link to nothing; give a folder")
        if not target.resolve().parent.is_dir():
            raise OutputError(f"the folder {show_path(target.parent)} does not exist; make it first")
        return
    try:
        own = _own_paths(target)
    except OSError as exc:
        raise OutputError(f"{name} can't be read ({exc.strerror})") from None
    if own and not overwrite:
        shown = show_path(own[0].relative_to(target))
        raise OutputError(f"{name} holds {shown} already; choose another folder or add --overwrite")
    if not os.access(target, os.W_OK):
        raise OutputError(f"the folder {name} can't be written to")


def _install(staging: Path, target: Path) -> None:
    """Move the staged files into place; the pattern file goes last, so a folder with one is complete."""
    if not target.exists():
        os.rename(staging, target)
        return
    for path in _own_paths(target):
        if not _is_folder(path):
            path.unlink()
        elif not any(path.iterdir()):
            path.rmdir()
    staged = [p for p in sorted(staging.rglob("*")) if p.is_file()]
    staged.sort(key=lambda p: (p.name in ("pattern.json", "plates.json"), p.name == "plates.json"))
    for path in staged:
        place = target / path.relative_to(staging)
        place.parent.mkdir(exist_ok=True)
        os.replace(path, place)
