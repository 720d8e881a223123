"""Small plates for the simulator's tests, and a pursuit photo made the slow way, by stepping through time."""

from __future__ import annotations

import numpy as np

from blurscope.pattern.layout import Block, Layout, Slit


def plate(
    *blocks: Block,
    width_px: int = 400,
    px_per_refresh: int = 16,
    direction: str = "right",
    circuit: tuple[int, ...] = (0, 255),
    field_refreshes: int = 8,
    refresh_hz: float = 60.0,
) -> Layout:
    """Return a layout of these blocks, stacked."""
    row, placed = 0, []
    for b in blocks:
        parts = {k: getattr(b, k) for k in b.__dataclass_fields__} | {"top_row": row}
        placed.append(Block(**parts))
        row += b.height_px
    return Layout(
        width_px=width_px,
        height_px=row,
        px_per_refresh=px_per_refresh,
        direction=direction,
        refresh_hz=refresh_hz,
        levels=tuple(sorted(set(circuit))),
        circuit=circuit,
        field_refreshes=field_refreshes,
        slowest_ms=40.0,
        max_exposure_refreshes=8,
        loop_refreshes=len(circuit) * field_refreshes * 4,
        repeats=1,
        blocks=tuple(placed),
    )


def band(rows: int = 8, offset_px: int = 0) -> Block:
    """A band of edges."""
    return Block(kind="band", top_row=0, height_px=rows, offset_px=offset_px)


def grey(level: int, rows: int = 8) -> Block:
    """A stripe."""
    return Block(kind="grey", top_row=0, height_px=rows, level=level)


def lane(*slits: Slit, rows: int = 8) -> Block:
    """A lane without surround."""
    return Block(kind="lane", top_row=0, height_px=rows, slits=slits)


def slit(x_px: int, width_px: int = 4, *, low: int = 0, high: int = 255, period: int = 1, on: int = 1, phase: int = 0):
    """A slit, always lit unless a period is given."""
    return Slit(
        x_px=x_px,
        width_px=width_px,
        kind="lit" if period == 1 else "clock",
        low_level=low,
        high_level=high,
        period_refreshes=period,
        on_refreshes=on,
        phase_refreshes=phase,
    )


def step_through_time(
    level_at,
    *,
    width_px: int,
    position,
    start: float,
    end: float,
    tau_refreshes: float,
    delay,
    points_px: np.ndarray,
    light,
    emission=lambda t: np.ones_like(t),
    history: int = 40,
    steps: int = 600,
) -> np.ndarray:
    """Return the light at points of a moving sensor, averaged over the exposure, for exponential pixels.

    Parameters
    ----------
    level_at : callable
        ``level_at(refresh) -> (width,) levels``.
    position : callable
        ``position(t)`` of the camera in screen px.
    tau_refreshes : float
        Time constant; 0 is an instant panel.
    delay : (width,) array
        Switch delay of each column in refreshes.
    points_px : array
        Positions on the sensor, in screen px at camera position 0.
    """
    dt = 1 / steps
    first = int(np.floor(start)) - history
    decay = np.exp(-dt / tau_refreshes) if tau_refreshes else 0.0
    frames = {n: light[level_at(n)] for n in range(first - 2, int(np.ceil(end)) + 2)}
    y = frames[first].copy()
    total = np.zeros(len(points_px))
    weight = 0
    whole = np.floor(delay).astype(int)
    assert (whole == 0).all()
    for i in range(round((end - first) / dt)):
        t = first + (i + 0.5) * dt
        n = int(np.floor(t))
        target = np.where(t - n >= delay, frames[n], frames[n - 1])
        y_end = target + (y - target) * decay
        if t >= start:
            mean = target + (y - target) * ((1 - decay) / (dt / tau_refreshes)) if tau_refreshes else target
            x = np.floor(points_px + position(t)).astype(int)
            seen = (x >= 0) & (x < width_px)
            total[seen] += mean[x[seen]] * float(emission(np.array(t)))
            weight += 1
        y = y_end
    return total / weight
