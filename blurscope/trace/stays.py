"""A record, its switches, and its stays at each level between them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from blurscope.trace import ripple as rp
from blurscope.trace import segment as sg
from blurscope.trace.record import Record

_LEAST_SLIDING = 8.0  # samples per period of a hard-edged ripple that they slide along


@dataclass(slots=True, kw_only=True, eq=False)
class Visit:
    """One stay at a level: from a switch (or the record's start) to the next (or its end)."""

    start: int
    stop: int
    plateau: slice = field(default_factory=lambda: slice(0, 0))
    mean: float = math.nan
    mean_sd: float = math.nan
    key: object = None
    problem: str | None = None
    drift: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """Waveforms and noise of one level; ``floor`` is the least noise that is believed."""

    waves: tuple[rp.Waveform, ...]
    noise: float
    floor: float

    def ripple(self, time_s: np.ndarray) -> np.ndarray | float:
        return sum((w.at(time_s) for w in self.waves), start=0.0)

    def variance(self, time_s: np.ndarray) -> np.ndarray | float:
        if not self.waves:
            return max(self.noise, self.floor) ** 2
        flanks = sum((w.flank_variance_at(time_s) for w in self.waves), start=0.0)
        return np.maximum(self.waves[-1].variance_at(time_s), self.floor**2) + flanks


@dataclass(slots=True, kw_only=True, eq=False)
class Prepared:
    """A record ready for its steps to be read off.

    ``stops`` says where it may be clipped, ``drift`` how far a level moves in a stay, as a share of the largest step.
    """

    record: Record
    signal: np.ndarray
    switches: list[sg.Switch]
    visits: list[Visit]
    levels: dict[object, Level]
    hz: tuple[tuple[float, float], ...]
    lsb: float
    correlation: np.ndarray
    noise: float
    stops: str | None = None
    drift: float = 0.0

    @property
    def stretch(self) -> float:
        """How many times as large the correlation of its noise makes the variance of a mean."""
        return max(1.0 + 2 * float(np.sum(self.correlation)), 0.05)

    @property
    def patchy(self) -> bool:
        """Whether stays see a hard-edged ripple on few phases only, as its sampling is nearly in step with it."""
        return any(w.patchy and bool(w.flanks.any()) for lv in self.levels.values() for w in lv.waves)

    @property
    def slides(self) -> bool:
        """Whether too few samples per period of such a ripple slide along it during the record."""
        if not (self.hz and self.patchy):
            return False
        hz, rate = self.hz[0][0], 1 / self.record.dt_s
        beat = abs(rate - hz * round(rate / hz))
        span = float(self.record.time_s[-1] - self.record.time_s[0])
        return rate / hz < _LEAST_SLIDING and beat * span > 0.15
