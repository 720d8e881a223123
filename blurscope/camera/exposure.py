"""From pixel histories to the picture that the moving sensor collects, on a fine grid along the motion."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.camera.display import Display
from blurscope.camera.motion import Grid, Travel, border_times, gather
from blurscope.camera.scene import (
    DRAWING_STEPS_PER_REFRESH,
    STEPS_PER_REFRESH,
    Responses,
    Stimulus,
    draw_history,
    history_refreshes,
    light_integral,
)

MAX_BREAKS = 400
ROWS_AT_ONCE = 16
ROLL_PX = 0.5  # travel of the camera while a rolling shutter moves on within a piece of a row


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The exposure of a row: ``[start, end]`` in refreshes; with a rolling shutter one per end of the row."""

    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A stimulus on a display, with everything that filming it needs."""

    stimulus: Stimulus
    display: Display
    refresh_hz: float
    start_refresh: int
    sign: int
    frozen: bool = False

    @property
    def hold_ms(self) -> float:
        """One refresh."""
        return 1000 / self.refresh_hz


class Histories:
    """Distinct pixel histories of a scene and their light."""

    def __init__(self, scene: Scene, first: int, last: int) -> None:
        self.scene, self.first, self.last = scene, first, last
        display = scene.display
        before = 1
        if not scene.frozen:
            before = history_refreshes(display, scene.hold_ms)
        levels = draw_history(
            scene.stimulus, display, scene.start_refresh, range(first - before, last), frozen=scene.frozen
        )
        self.levels = levels[:, :, ::-1] if scene.sign < 0 else levels
        self.law = display.law.light(np.arange(256))
        self.responses = Responses(display, scene.hold_ms, before + last - first + 1)
        plain = np.flatnonzero(~scene.stimulus.drawing_kinds)
        self.history_of: dict[int, np.ndarray] = {}
        unique, index = _unique_histories(self.levels[:, plain])
        for row, kind in enumerate(plain.tolist()):
            self.history_of[kind] = index[row]
        self.responses.learn(unique, drawing=False)
        drawn = self.levels[:, scene.stimulus.drawing_kinds]
        if drawn.size:
            self.responses.learn(drawn.reshape(len(drawn), -1), drawing=True)
        self.table = light_integral(unique, first, last, self.responses, self.law, STEPS_PER_REFRESH)

    def of_kind(self, kind: int) -> tuple[np.ndarray, np.ndarray, int, bool]:
        """Return ``(table, history of each pixel, steps per refresh, still)`` of a row kind.

        The table holds only the histories of this kind; ``still`` says that none of them changes.
        """
        if kind in self.history_of:
            used, local = np.unique(self.history_of[kind], return_inverse=True)
            table, steps = self.table[used], STEPS_PER_REFRESH
        else:
            unique, index = _unique_histories(self.levels[:, kind][:, None])
            steps = DRAWING_STEPS_PER_REFRESH
            table = light_integral(unique, self.first, self.last, self.responses, self.law, steps)
            local = index[0]
        slopes = table[:, 1] - table[:, 0]
        still = bool(np.allclose(table[:, -1], slopes * (table.shape[1] - 1), rtol=0, atol=1e-9))
        if still:
            middle = np.arange(table.shape[1])
            still = bool(np.abs(table - slopes[:, None] * middle).max() < 1e-9)
        return table, local, steps, still


def _unique_histories(levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct columns ``(refreshes, n)`` of ``(refreshes, kinds, width)`` and their index."""
    rng = np.random.default_rng(411)
    weights = rng.integers(1, 2**63, size=levels.shape[0], dtype=np.uint64) | np.uint64(1)
    key = np.zeros(levels.shape[1:], np.uint64)
    for w, frame in zip(weights, levels, strict=True):
        key += w * frame
    _, where, index = np.unique(key, return_index=True, return_inverse=True)
    flat = levels.reshape(levels.shape[0], -1)
    return np.ascontiguousarray(flat[:, where]), index.reshape(levels.shape[1:])


def _at(table: np.ndarray, clock: np.ndarray, first: int, steps: int) -> np.ndarray:
    """Read tables (n, length) at pixel-clock times: one set (k,) for all, or (n, k) one set each."""
    place = (clock - first) * steps
    left = np.clip(np.floor(place).astype(np.int64), 0, table.shape[1] - 2)
    share = place - left
    if clock.ndim == 1:
        return table[:, left] * (1 - share) + table[:, left + 1] * share
    rows = np.arange(table.shape[0])[:, None]
    return table[rows, left] * (1 - share) + table[rows, left + 1] * share


def _lit(
    scene: Scene, table: np.ndarray, first: int, steps: int, times: np.ndarray, delay: np.ndarray | float
) -> np.ndarray:
    """Return the light integrated with the backlight up to rising ``times`` (k,): (n, k)."""
    backlight, hz = scene.display.backlight, scene.refresh_hz
    delay = np.asarray(delay, float)
    if backlight.steady():
        return _at(table, times - delay[..., None] if delay.ndim else times - delay, first, steps)
    if delay.ndim and backlight.follows_scan:
        return np.concatenate(
            [_lit(scene, table[i : i + 1], first, steps, times, float(d)) for i, d in enumerate(delay)]
        )
    shift = float(delay) if backlight.follows_scan else 0.0
    breaks = backlight.breaks(times[0] - shift, times[-1] - shift, hz) + shift
    if len(breaks) > MAX_BREAKS:
        breaks = breaks[:0]
    every = np.concatenate([times, breaks])
    order = np.argsort(every, kind="stable")
    every = every[order]
    light = _at(table, every - delay[..., None] if delay.ndim else every - delay, first, steps)
    spans = np.diff(every)
    emission = np.diff(backlight.total(every - shift, hz)) / np.where(spans > 0, spans, 1)
    running = np.zeros_like(light)
    np.cumsum(np.diff(light, axis=1) * emission, axis=1, out=running[:, 1:])
    back = np.empty(len(every), np.int64)
    back[order] = np.arange(len(every))
    return running[:, back[: len(times)]]


def film_rows(
    scene: Scene,
    histories: Histories,
    travel: Travel,
    grid: Grid,
    windows: Callable[[int], tuple[Window, Window]],
    height_px: int,
) -> np.ndarray:
    """Return what each row of the sensor collects: (height, grid.count_px, grid.steps) float32, light x refreshes.

    ``windows(row)`` gives the exposure at the first and the last pixel of a row along the motion.
    """
    display, stimulus = scene.display, scene.stimulus
    by_rows = display.scan_axis == "rows"
    row_delay = display.delay(np.arange(height_px), height_px) if by_rows else np.zeros(height_px)
    column_delay = None
    if not by_rows and display.scan_out_refreshes:
        column_delay = display.delay(np.arange(stimulus.width_px), stimulus.width_px)
        if scene.sign < 0:
            column_delay = column_delay[::-1]
    out = np.zeros((height_px, grid.count_px, grid.steps), np.float32)
    rows_of_kind: dict[int, list[int]] = {}
    for row, kind in enumerate(stimulus.kind_of_row.tolist()):
        rows_of_kind.setdefault(kind, []).append(row)
    row_matters_always = display.backlight.follows_scan and not display.backlight.steady()
    for kind, rows in rows_of_kind.items():
        table, local, steps, still = histories.of_kind(kind)
        if column_delay is not None and (not still or row_matters_always):
            delays: np.ndarray | None = column_delay
            table, local = table[local], np.arange(len(local))
        else:
            delays = None
        jobs: dict[tuple, list[int]] = {}
        for row in rows:
            d = float(row_delay[row]) if (not still or row_matters_always) else 0.0
            jobs.setdefault((d, *windows(row)), []).append(row)
        keys = list(jobs)
        for chunk in range(0, len(keys), ROWS_AT_ONCE):
            part = keys[chunk : chunk + ROWS_AT_ONCE]
            got = _film_jobs(scene, table, local, histories.first, steps, travel, grid, part, delays)
            for key, line in zip(part, got, strict=True):
                out[jobs[key]] = line
    return out


def _film_jobs(scene, table, local, first, steps, travel, grid, jobs, delays) -> np.ndarray:
    """Film rows of one kind: ``jobs`` are (delay, window at the row's start, window at its end)."""
    if any(a != b for _, a, b in jobs):
        return _film_rolling(scene, table, local, first, steps, travel, grid, jobs, delays)
    out = np.zeros((len(jobs), grid.count_px, grid.steps), np.float32)
    groups: dict[Window, list[int]] = {}
    for j, (_, window, _) in enumerate(jobs):
        groups.setdefault(window, []).append(j)
    for window, members in groups.items():
        low, high, times = border_times(travel, grid, window.start, window.end)
        rising = times[:, ::-1].ravel()
        count = high - low + 2
        lam = np.empty((len(members), table.shape[0], count, grid.steps))
        for k, j in enumerate(members):
            lit = _lit(scene, table, first, steps, rising, delays if delays is not None else jobs[j][0])
            lit -= lit[:, :1]  # the first border passes no later than the exposure starts
            lam[k] = lit.reshape(table.shape[0], count, grid.steps)[:, :, ::-1]
        part = np.zeros((len(members), grid.count_px, grid.steps), np.float32)
        out[members] = gather(lam, low, local, grid, part)
    return out


def _film_rolling(scene, table, local, first, steps, travel, grid, jobs, delays) -> np.ndarray:
    """Film rows whose exposure moves on along the row: piece by piece, between the exposures at a piece's ends."""
    out = np.empty((len(jobs), grid.count_px, grid.steps), np.float32)
    share = np.clip((np.arange(grid.count_px) + grid.first_px + 0.5) / len(local), -0.5, 1.5)
    roll = max(abs(float(travel.position(b.start) - travel.position(a.start))) for _, a, b in jobs)
    ends = np.linspace(-0.5, 1.5, math.ceil(2 * roll / ROLL_PX) + 1)
    piece = np.clip(np.searchsorted(ends, share, side="right") - 1, 0, len(ends) - 2)
    for k in range(len(ends) - 1):
        columns = np.flatnonzero(piece == k)
        if len(columns) == 0:
            continue
        part = Grid(first_px=grid.first_px + int(columns[0]), count_px=len(columns), steps=grid.steps)
        left, right = (
            _film_jobs(scene, table, local, first, steps, travel, part, [_rolled(*j, ends[i]) for j in jobs], delays)
            for i in (k, k + 1)
        )
        along = ((share[columns] - ends[k]) / (ends[k + 1] - ends[k])).astype(np.float32)[None, :, None]
        out[:, columns] = left * (1 - along) + right * along
    return out


def _rolled(delay: float, first: Window, last: Window, share: float) -> tuple[float, Window, Window]:
    """Return a job whose window is that at a share of the way from the row's first pixel to its last."""
    start, end = ((1 - share) * a + share * b for a, b in ((first.start, last.start), (first.end, last.end)))
    window = Window(start=start, end=end)
    return delay, window, window


def film_still_rows(scene: Scene, histories: Histories, window: Window, height_px: int) -> np.ndarray:
    """Return what a camera at rest collects: (height, width) float32, light x refreshes, on whole screen pixels."""
    display, stimulus = scene.display, scene.stimulus
    by_rows = display.scan_axis == "rows"
    delay = display.delay(np.arange(height_px), height_px) if by_rows else np.zeros(height_px)
    times = np.array([window.start, window.end])
    out = np.zeros((height_px, stimulus.width_px), np.float32)
    for row, kind in enumerate(stimulus.kind_of_row.tolist()):
        table, local, steps, _ = histories.of_kind(kind)
        lit = _lit(scene, table, histories.first, steps, times, float(delay[row]))
        out[row] = (lit[:, 1] - lit[:, 0])[local]
    return out


def lit_between(scene: Scene, histories: Histories, times: np.ndarray, height_px: int) -> np.ndarray:
    """Return what a camera at rest collects from the moving plate in each of several exposures.

    Parameters
    ----------
    times : (n, 2) float
        Start and end of each, rising.

    Returns
    -------
    (n, height, width) float32
        Light x refreshes, on whole screen pixels.
    """
    display, stimulus = scene.display, scene.stimulus
    by_rows = display.scan_axis == "rows"
    row_delay = display.delay(np.arange(height_px), height_px) if by_rows else np.zeros(height_px)
    column_delay = (
        np.zeros(stimulus.width_px) if by_rows else display.delay(np.arange(stimulus.width_px), stimulus.width_px)
    )
    if scene.sign < 0:  # columns are counted along the motion
        column_delay = column_delay[::-1]
    out = np.empty((len(times), height_px, stimulus.width_px), np.float32)
    kinds = stimulus.kind_of_row
    for kind in np.unique(kinds).tolist():
        table, local, steps, _ = histories.of_kind(kind)
        if column_delay.any():
            table, local = table[local], np.arange(len(local))
        done: dict[float, np.ndarray] = {}
        for row in np.flatnonzero(kinds == kind).tolist():
            late = float(row_delay[row])
            if late not in done:
                delay = column_delay if column_delay.any() else late
                lit = _lit(scene, table, histories.first, steps, times.ravel(), delay)
                done = {late: (lit[:, 1::2] - lit[:, ::2]).T[:, local].astype(np.float32)}
            out[:, row] = done[late]
    return out[:, :, ::-1] if scene.sign < 0 else out
