"""What every screen pixel is told, refresh by refresh, and the light it gives: histories, not shapes of edges.

A *row kind* is a row of the screen that looks the same in several places (all rows of a band, say). Times are counted
in refreshes from the refresh in which the exposure starts; a pixel with delay ``d`` switches to frame ``n`` at
``n + d``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope.camera.display import Display
from blurscope.errors import SettingsError

MAX_HISTORY_REFRESHES = 600
STEPS_PER_REFRESH = 256
DRAWING_STEPS_PER_REFRESH = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """Row kinds and where they stand.

    Attributes
    ----------
    draw : callable
        ``draw(refresh) -> (kinds, width) uint8``, one row per kind.
    kind_of_row : (height,) int array
        Row kind of each screen row.
    drawing_kinds : (kinds,) bool array
        Kinds that belong to the drawing: many different histories, looked at and not measured.
    """

    draw: Callable[[int], np.ndarray]
    kind_of_row: np.ndarray
    drawing_kinds: np.ndarray
    width_px: int


def stimulus_of_layout(layout: Any) -> Stimulus:
    """Return the stimulus of a pattern: each block is drawn with as few rows as it has kinds."""
    from blurscope.pattern.render import FrameMaker

    small, kinds, drawing, top = [], [], [], 0
    for block in layout.blocks:
        height = block.height_px
        if block.kind in ("grey", "black", "band"):
            rows, index = 1, np.zeros(height, int)
        elif block.kind == "halftone":
            rows = min(block.period_px, height)
            index = np.arange(height) % rows
        elif block.kind == "lane" and height > block.surround_px:
            rows = block.surround_px + 1
            index = np.minimum(np.arange(height), block.surround_px)
        else:
            rows, index = height, np.arange(height)
        small.append(replace(block, top_row=top, height_px=rows))
        kinds.append(top + index)
        drawing += [block.kind == "picture"] * rows
        top += rows
    maker = FrameMaker(replace(layout, blocks=tuple(small), height_px=top))
    return Stimulus(
        draw=maker.draw,
        kind_of_row=np.concatenate(kinds),
        drawing_kinds=np.array(drawing),
        width_px=layout.width_px,
    )


def stimulus_of_frames(frames: Callable[[int], np.ndarray], refreshes: range) -> Stimulus:
    """Return the stimulus of whole frames: rows equal in all ``refreshes`` become one kind.

    Parameters
    ----------
    frames : callable
        ``frames(refresh) -> (height, width) uint8``.
    refreshes : range
        Those that will be asked for.
    """
    rng = np.random.default_rng(20240917)
    first = frames(refreshes[0])
    weights = rng.integers(1, 2**63, size=first.shape[1], dtype=np.uint64) | np.uint64(1)
    key = np.zeros(first.shape[0], np.uint64)
    for n in refreshes:
        key = key * np.uint64(0x9E3779B97F4A7C15) + frames(n).astype(np.uint64) @ weights
    _, rows, index = np.unique(key, return_index=True, return_inverse=True)
    return Stimulus(
        draw=lambda n: np.ascontiguousarray(frames(n)[rows]),
        kind_of_row=index.ravel(),
        drawing_kinds=np.zeros(len(rows), bool),
        width_px=first.shape[1],
    )


def history_refreshes(display: Display, hold_ms: float) -> int:
    """Return how many refreshes before the exposure still matter."""
    levels = (0, 64, 128, 191, 255)
    pairs = {(a, b) for a in levels for b in levels if a != b} | set(display.transitions)
    settle = max(display.response_for(*p).settle_ms() for p in pairs)
    return min(max(2, math.ceil(settle / hold_ms) + 1), MAX_HISTORY_REFRESHES)


class Responses:
    """The step and its integral for every transition asked for, tabulated by age."""

    def __init__(self, display: Display, hold_ms: float, ages: int) -> None:
        self.display, self.hold_ms, self.ages = display, hold_ms, ages
        self._of_pair = np.full((256, 256), -1, np.int32)
        self._known: dict[Any, int] = {}
        self._list: list[Any] = []
        self._tables: dict[int, tuple[np.ndarray, np.ndarray]] = {}

    def learn(self, sequences: np.ndarray, drawing: bool) -> None:
        """Look up the responses of all transitions in ``(refreshes, n)`` histories.

        Those of a drawing, which may hold any grey, share the responses of transitions between nine levels.
        """
        pairs = sequences[:-1].astype(np.int32) * 256 + sequences[1:]
        seen = np.flatnonzero(np.bincount(pairs.ravel(), minlength=65536))
        for p in seen.tolist():
            a, b = p >> 8, p & 255
            if a == b or self._of_pair[a, b] >= 0:
                continue
            if drawing:
                near = [round(round(x / 255 * 8) * 255 / 8) for x in (a, b)]
                if near[0] == near[1]:
                    near = [0, 255] if a < b else [255, 0]
                a_near, b_near = near
                if self._of_pair[a_near, b_near] >= 0:
                    self._of_pair[a, b] = self._of_pair[a_near, b_near]
                    continue
                response = self.display.response_for(a_near, b_near)
            else:
                response = self.display.response_for(a, b)
            if response not in self._known:
                self._known[response] = len(self._list)
                self._list.append(response)
                self._tables.clear()
            self._of_pair[a, b] = self._known[response]
            if drawing:
                self._of_pair[a_near, b_near] = self._known[response]

    def index(self, from_level: np.ndarray, to_level: np.ndarray) -> np.ndarray:
        """Return the index of the response of each (learnt) transition."""
        return self._of_pair[from_level, to_level]

    def tables(self, steps: int) -> tuple[np.ndarray, np.ndarray]:
        """Return ``(integral, step)``: the integral on the grid of ``steps`` per refresh, the step once per refresh."""
        if steps not in self._tables:
            fine = np.arange(self.ages * steps + 1) * (self.hold_ms / steps)
            whole = np.arange(self.ages + 1) * self.hold_ms
            if not self._list:
                self._tables[steps] = (np.zeros((1, len(fine))), np.zeros((1, len(whole))))
            else:
                self._tables[steps] = (
                    np.array([r.integral(fine) / self.hold_ms for r in self._list]),
                    np.array([r.value(whole) for r in self._list]),
                )
        return self._tables[steps]


def light_integral(
    sequences: np.ndarray, first: int, last: int, responses: Responses, law: np.ndarray, steps: int
) -> np.ndarray:
    """Return the running integral of each pixel's light over the window, without the backlight's modulation.

    Parameters
    ----------
    sequences : (refreshes, n) uint8
        Levels from the beginning of the history to refresh ``last - 1``; row ``i`` is refresh ``i + first_row`` where
        ``first_row = last - refreshes``.
    first, last : int
        The window, in refreshes of the pixel's own clock (its delay taken off).
    law : (256,) float
        Light of each level.

    Returns
    -------
    (n, (last - first) * steps + 1) float
        Integral from ``first`` on, light x refreshes, at ``steps`` per refresh.

    Notes
    -----
    From a switch on, light runs from where it is, not from where it should have been:
    ``y(t) = to + (y(0) - to) (1 - s(t))``. Unsettled from-levels and chains of switches follow from that.
    """
    refreshes, n = sequences.shape
    first_row = last - refreshes
    target = law[sequences[0]]
    start = target.copy()
    age = np.zeros(n, np.int64)
    which = np.zeros(n, np.int64)
    integral, step = responses.tables(steps)
    out = np.zeros((n, (last - first) * steps + 1))
    ramp = np.arange(1, steps + 1) / steps
    for i in range(refreshes):
        if i:
            age += 1
            changed = np.flatnonzero(sequences[i] != sequences[i - 1])
            if len(changed):
                a, b = sequences[i - 1][changed], sequences[i][changed]
                left = (start[changed] - target[changed]) * (1 - step[which[changed], age[changed]])
                start[changed] = target[changed] + left
                target[changed] = law[b]
                which[changed] = responses.index(a, b)
                age[changed] = 0
        j = first_row + i - first
        if j < 0:
            continue
        gap = start - target
        moving = np.flatnonzero(gap)
        lo = j * steps
        out[:, lo + 1 : lo + steps + 1] = out[:, lo : lo + 1] + target[:, None] * ramp
        if len(moving):
            columns = age[moving, None] * steps + np.arange(1, steps + 1)
            rows = which[moving, None]
            done = integral[rows, columns] - integral[rows, age[moving, None] * steps]
            out[moving, lo + 1 : lo + steps + 1] += gap[moving, None] * (ramp - done)
    return out


def draw_history(
    stimulus: Stimulus, display: Display, start_refresh: int, refreshes: range, *, frozen: bool = False
) -> np.ndarray:
    """Return the levels of all kinds at ``refreshes`` (counted from ``start_refresh``): (refreshes, kinds, width)."""
    if start_refresh + refreshes[0] < -(10**9):
        raise SettingsError("the exposure starts too early")
    if frozen:
        one = stimulus.draw(start_refresh)
        return np.broadcast_to(one, (len(refreshes), *one.shape))
    shown = [display.shown(n) for n in refreshes]
    frames = {f: stimulus.draw(start_refresh + f) for f in set(shown)}
    return np.stack([frames[f] for f in shown])
