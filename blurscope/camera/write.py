"""Write a simulated capture: ``photo.*``, ``still.*`` and ``truth.json`` in a folder."""

from __future__ import annotations

import os
from pathlib import Path

from blurscope.camera.film import Shot
from blurscope.errors import OutputError
from blurscope.files import check_output, show_path, write_bytes, write_json

SUFFIXES = (".jpg", ".png", ".tif")


def own_files(out: Path) -> list[Path]:
    """Return the files of an earlier capture in a folder."""
    names = [f"{stem}{suffix}" for stem in ("photo", "still") for suffix in SUFFIXES]
    return [p for p in (out / name for name in (*names, "truth.json")) if p.exists()]


def check_folder(out: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Refuse early a folder that could not be written, or one that holds a capture already."""
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{show_path(folder)} is a file; give a folder")
    if not folder.exists():
        check_output(folder)
        return folder
    found = own_files(folder)
    if found and not overwrite:
        raise OutputError(f"{show_path(found[0])} exists already; choose another folder or add --overwrite")
    check_output(folder / "truth.json", overwrite=overwrite)
    return folder


def write_capture(
    out: str | os.PathLike[str], photo: Shot, still: Shot | None = None, *, overwrite: bool = False
) -> list[Path]:
    """Write the photo, the still if there is one, and the truth; return their paths.

    Parameters
    ----------
    out : path-like
        The folder; made if its parent exists.
    photo, still : Shot
    overwrite : bool
        Replace an earlier capture, whatever its file format was.

    Raises
    ------
    OutputError
    """
    folder = check_folder(out, overwrite=overwrite)
    truth = photo.truth
    if still is not None:
        truth = {
            **truth,
            "still_pose": still.truth["pose"],
            "still_start_refresh": still.truth["capture"]["start_refresh"],
        }
    folder.mkdir(exist_ok=True)
    paths = [folder / f"photo{photo.suffix}"]
    if still is not None:
        paths.append(folder / f"still{still.suffix}")
    stale = [p for p in own_files(folder) if p not in paths and p.name != "truth.json"]
    for path, shot in zip(paths, (photo, still), strict=False):
        assert shot is not None
        write_bytes(path, shot.data, overwrite=overwrite)
    paths.append(folder / "truth.json")
    write_json(paths[-1], truth, overwrite=overwrite)
    for path in stale:
        path.unlink()
    return paths
