"""Small tables that people hand in: a light meter's levels and light."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np

from blurscope.errors import SettingsError
from blurscope.files import check_ordinary, show_path

MAX_BYTES = 4 * 2**20


def read_meter(path: str | os.PathLike[str]) -> tuple[np.ndarray, np.ndarray]:
    """Read a light-level table ``level,light``.

    Returns
    -------
    level, light : (n,) float
        Sorted by level, light as given.

    Raises
    ------
    SettingsError
        Missing, not a table, levels outside 0 to 255, no level 0 or 255, light that falls with the level.
    """
    name = show_path(path)
    check_ordinary(path)
    try:
        if os.path.getsize(path) > MAX_BYTES:
            raise SettingsError(f"{name} is too large for a light-level table")
        text = Path(path).read_text("utf-8-sig")
    except OSError as exc:
        raise SettingsError(f"{name} can't be read ({exc.strerror}); check --meter") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{name} is not a text file; --meter wants a CSV with the columns level,light") from None
    rows = []
    for row in csv.reader(text.replace(";", ",").splitlines()):
        try:
            rows.append((float(row[0]), float(row[1])))
        except (ValueError, IndexError):
            continue
    table = np.array(sorted(rows))
    if len(table) < 3 or not np.isfinite(table).all():
        raise SettingsError(f"{name} has no columns level,light with three rows or more; check --meter")
    level, light = table[:, 0], table[:, 1]
    if level[0] != 0 or level[-1] != 255 or (np.diff(level) <= 0).any():
        raise SettingsError(f"{name} must hold different levels from 0 to 255, both ends included; check --meter")
    if (np.diff(light) < 0).any() or light[0] < 0 or light[-1] <= light[0]:
        raise SettingsError(f"in {name} light does not rise with the level; check the columns")
    return level, light
