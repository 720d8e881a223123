"""A figure with its alternative text, and writing it."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blurscope.files import check_output, make_folder, write_bytes

BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "#666666"  # told apart by every kind of colour vision, and in grey
FORMATS = ("png", "svg")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """A drawn figure.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
    alt : str
        What it shows, for those who can't see it.
    """

    figure: Any
    alt: str

    def as_bytes(self, kind: str) -> bytes:
        """Return the picture as ``png`` or ``svg``; the same input gives the same bytes."""
        import matplotlib

        stream = io.BytesIO()
        with matplotlib.rc_context({"svg.hashsalt": "blurscope", "svg.fonttype": "path"}):
            if kind == "svg":
                self.figure.savefig(stream, format="svg", metadata={"Date": None, "Description": self.alt})
            else:
                self.figure.savefig(stream, format="png", dpi=150, metadata={"Software": None, "Description": self.alt})
        return stream.getvalue()


def new_figure(width_in: float, height_in: float) -> Any:
    """Return an empty figure that needs no screen."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def save_figure(
    picture: Picture, folder: str | os.PathLike[str], stem: str, *, overwrite: bool = False
) -> tuple[Path, Path]:
    """Write ``stem.png`` and ``stem.svg`` into a folder (made if missing) and return their paths.

    Raises
    ------
    OutputError
        One exists and ``overwrite`` is false, or the folder can't be written.
    """
    target = make_folder(folder)
    paths = tuple(target / f"{stem}.{kind}" for kind in FORMATS)
    for path in paths:
        check_output(path, overwrite=overwrite)
    for path, kind in zip(paths, FORMATS, strict=True):
        write_bytes(path, picture.as_bytes(kind), overwrite=overwrite)
    return paths
