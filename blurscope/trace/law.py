"""The display's own law from level to light, and lists of what a record shows."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from blurscope.errors import SettingsError, TraceError
from blurscope.files import show_path
from blurscope.tables import find_level_columns, number_of, read_rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelLaw:
    """Light against level, monotone.

    Attributes
    ----------
    method : {"meter", "gamma"}
    level, light : (n,) float, increasing
        Nodes; for ``gamma`` every level from 0 to 255 is a node.
    gamma : float
        Exponent of the law (given, or fitted to the table and used only to interpolate it).
    gamma_u95 : float
        Expanded uncertainty of the given exponent.

    Notes
    -----
    ``light = black + (1 - black) * signal**gamma``. Between meter readings ``((light - black) / range)**(1/gamma)`` is
    interpolated monotonically, which is exact for a power law and close for any real display.
    """

    method: str
    level: np.ndarray
    light: np.ndarray
    gamma: float
    gamma_u95: float = 0.0

    def covers(self, *levels: float) -> bool:
        """Whether the levels lie within the table."""
        return all(self.level[0] <= v <= self.level[-1] for v in levels)

    def light_of(self, level: np.ndarray | float) -> np.ndarray:
        """Return the light of levels within the table."""
        from scipy.interpolate import PchipInterpolator

        flat = PchipInterpolator(self.level, self._flat(self.light))(level)
        low, high = self.light[0], self.light[-1]
        return low + (high - low) * np.clip(flat, 0.0, None) ** self.gamma

    def _flat(self, light: np.ndarray) -> np.ndarray:
        low, high = self.light[0], self.light[-1]
        return np.clip((light - low) / (high - low), 0.0, None) ** (1.0 / self.gamma)

    def step_at(self, share: float, from_level: float, to_level: float) -> float:
        """Return how much of the light step is done when ``share`` of the signal step is done."""
        ends = self.light_of(np.array([from_level, to_level, from_level + share * (to_level - from_level)]))
        return float((ends[2] - ends[0]) / (ends[1] - ends[0]))

    def with_gamma(self, gamma: float) -> LevelLaw:
        """Return the same law with another exponent (only for ``gamma`` laws)."""
        return gamma_law(gamma, black=float(self.light[0]), gamma_u95=0.0)


def gamma_law(gamma: float, *, black: float = 0.0, gamma_u95: float = 0.0) -> LevelLaw:
    """Return ``light = black + (1 - black) * (level / 255)**gamma``.

    Raises
    ------
    SettingsError
        A gamma outside 0.5 to 5, or a black that is not from 0 to below 1.
    """
    if not (math.isfinite(gamma) and 0.5 <= gamma <= 5):
        raise SettingsError(f"a display gamma of {gamma:g} is not of this world; give 0.5 to 5, most displays have 2.2")
    if not 0 <= black < 1:
        raise SettingsError(f"black is {black:g} of white; the contrast must be over 1, such as --contrast 1000")
    level = np.arange(256.0)
    light = black + (1 - black) * (level / 255.0) ** gamma
    return LevelLaw(method="gamma", level=level, light=light, gamma=gamma, gamma_u95=gamma_u95)


def read_meter(path: str | os.PathLike[str]) -> LevelLaw:
    """Read a table ``level,light`` (light in any unit, its black included).

    Raises
    ------
    TraceError
        Columns missing, fewer than three levels, light that does not rise with the level.
    """
    name = show_path(path)
    rows = read_rows(path, TraceError)
    columns = find_level_columns(rows[0])
    if columns is None:
        raise TraceError(f"{name} has no columns level,light; give the meter readings under these two names")
    ci, li = columns
    pairs: dict[float, list[float]] = {}
    for number, row in enumerate(rows[1:], 2):
        try:
            pairs.setdefault(number_of(row[ci]), []).append(number_of(row[li]))
        except (ValueError, IndexError):
            raise TraceError(f"{name}, line {number}: {','.join(row)[:60]!r} is not a level and its light") from None
    level = np.array(sorted(pairs))
    light = np.array([float(np.mean(pairs[v])) for v in level])
    if len(level) < 3:
        raise TraceError(f"{name} has {len(level)} levels; a law needs at least three, black and white among them")
    if level[0] < 0 or level[-1] > 255:
        raise TraceError(f"{name} has levels outside 0 to 255; give 8-bit levels")
    falls = np.flatnonzero(np.diff(light) <= 0)
    if falls.size:
        a = int(falls[0])
        raise TraceError(
            f"{name}: the light does not rise from level {level[a]:g} to {level[a + 1]:g}; "
            "correct or leave out a reading"
        )
    return LevelLaw(method="meter", level=level, light=light, gamma=_fitted_gamma(level, light))


def _fitted_gamma(level: np.ndarray, light: np.ndarray) -> float:
    """Exponent that makes the table straightest; it only shapes the interpolation between readings."""
    x = (level - level[0]) / (level[-1] - level[0])
    y = (light - light[0]) / (light[-1] - light[0])
    inner = (x > 0) & (x < 1) & (y > 0)
    if not inner.any():
        return 2.2
    weight = x[inner]
    ratio = np.log(y[inner]) / np.log(x[inner])
    return float(np.clip(np.sum(weight * ratio) / np.sum(weight), 0.5, 5.0))


def level_fault(from_level: float, to_level: float) -> str:
    """Return in words why two numbers are no levels of a transition; empty where they are."""
    pair = from_level, to_level
    seen = " and ".join(f"{x:.7g}" for x in pair)
    if not all(0 <= x <= 255 for x in pair):
        return f"levels go from 0 to 255, not {seen}"
    if from_level == to_level:
        return f"from and to are the same level {from_level:g}; list transitions only"
    if max(pair) <= 1:
        return f"levels are whole numbers from 0 to 255, and {seen} look like shares of white; 1 of white is level 255"
    if any(x != int(x) for x in pair):
        sent = " and ".join(f"{round(x)}" for x in pair)
        return (
            f"levels are the whole numbers from 0 to 255 that the display was sent, not {seen}; write {sent} if it was"
        )
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One line of a list of transitions; levels are whole numbers from 0 to 255.

    Raises
    ------
    TraceError
        Levels that are no levels.
    """

    path: str
    from_level: float
    to_level: float
    switch_time_s: float | None = None

    def __post_init__(self) -> None:
        fault = level_fault(self.from_level, self.to_level)
        if fault:
            raise TraceError(fault)


def read_transitions(path: str | os.PathLike[str]) -> list[Listed]:
    """Read ``file,from_level,to_level[,switch_time_s]``; files are taken relative to the list's own folder.

    Raises
    ------
    TraceError
        Columns missing, levels that are no levels, no line at all.
    """
    name = show_path(path)
    rows = read_rows(path, TraceError)
    header = [c.lower() for c in rows[0]]
    missing = [c for c in ("file", "from_level", "to_level") if c not in header]
    if missing:
        raise TraceError(
            f"{name} has no column {' and '.join(missing)}; its first line must be "
            "file,from_level,to_level or file,from_level,to_level,switch_time_s"
        )
    at = {c: header.index(c) for c in header}
    folder = Path(path).parent
    out = []
    for number, row in enumerate(rows[1:], 2):
        row = row + [""] * (len(header) - len(row))
        try:
            a, b = number_of(row[at["from_level"]]), number_of(row[at["to_level"]])
            cell = row[at["switch_time_s"]] if "switch_time_s" in at else ""
            switch = number_of(cell) if cell else None
        except ValueError:
            raise TraceError(f"{name}, line {number}: {','.join(row)[:80]!r} has something that is no number") from None
        fault = level_fault(a, b)
        if fault:
            raise TraceError(f"{name}, line {number}: {fault}")
        if not row[at["file"]]:
            raise TraceError(f"{name}, line {number}: no file is named")
        out.append(Listed(path=str(folder / row[at["file"]]), from_level=a, to_level=b, switch_time_s=switch))
    if not out:
        raise TraceError(f"{name} lists no transition; add one line per record")
    return out
