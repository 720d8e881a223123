"""Other edges of the same moving picture: those in the rows of one edge, along the motion, in the whole photo."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from blurscope.errors import FitError
from blurscope.freeedge.find import MIN_ROWS, WEAK, Line, find_lines
from blurscope.freeedge.profile import FreeProfile, cut_profile, window_of
from blurscope.freeedge.region import MIN_SIDE_CAMPX, Region, cut_region

MARGIN = 0.1  # of the rows, above and below, that are left out: the lean of a short edge is not known that well
OUTER = 2  # edges at either end: where the picture or the screen ends, and what ends it has not been whole all the time
APART = 0.8  # refreshes of travel between two edges
SAME_CAMPX = 4.0  # between the places of an edge found twice
CLIPPED, CRUSHED = 0.02, 0.3  # share of a plateau's samples


def edges_beside(
    photo: Any, region: Region, known: list[FreeProfile], travel: float, most: int
) -> list[tuple[FreeProfile, Region]]:
    """Return profiles of other edges in the rows of the first known one.

    Parameters
    ----------
    photo : Photo
    region : Region
    known : list of FreeProfile
        Edges of the region; the first says where to look, and how far a profile has to reach.
    travel : float
        campx per refresh.
    most : int
        How many, the strongest first.

    Returns
    -------
    list of (FreeProfile, Region)
        Each with the strip that it was cut from.
    """
    first = known[0]
    strip, start = _strip(photo, region, first.line)
    if strip is None:
        return []
    try:
        lines = find_lines(strip.light, travel)
        weak = find_lines(strip.code, travel, least=WEAK)  # near black, light hardly shows an edge
    except FitError:
        return []
    marks: list[float] = []
    for x in sorted(line.x for line in (*lines, *weak)):
        if not marks or x - marks[-1] > APART * travel:
            marks.append(x)
    taken = [p.line.x + start for p in known]
    out: list[tuple[FreeProfile, Region]] = []
    for line in lines:
        behind = [x for x in marks if x < line.x - APART * travel]
        ahead = [x for x in marks if x > line.x + APART * travel]
        if min(len(behind), len(ahead)) < OUTER or any(abs(line.x - x) < SAME_CAMPX for x in taken):
            continue
        so = replace(line, ahead=min(ahead[0], line.ahead), behind=max(behind[-1], line.behind),
                     ahead_cut=True, behind_cut=True)  # fmt: skip
        window = window_of(so, travel)
        if window.front_short or window.back_short:
            continue
        window = replace(window, front=max(window.front, first.window.front), back=min(window.back, first.window.back))
        p = cut_profile(strip, so, window, travel)
        if max(p.clipped_from, p.clipped_to) <= CLIPPED and max(p.crushed_from, p.crushed_to) <= CRUSHED:
            out.append((p, strip))
        if len(out) == most:
            break
    return out


def _strip(photo: Any, region: Region, line: Line) -> tuple[Region | None, int]:
    """Return the rows of an edge through the whole photo, level, and which column of it is the region's first."""
    high, wide = photo.pixels.shape[:2]
    x, y, w, h = region.roi
    keep = int(MARGIN * (line.bottom - line.top))
    rows = np.arange(line.top + keep, line.bottom - keep)
    if len(rows) < max(MIN_ROWS, MIN_SIDE_CAMPX):
        return None, 0
    lying = region.direction in ("right", "left")
    long, across, offset = (wide, high, y) if lying else (high, wide, x)
    ahead = {"right": x, "left": wide - x - w, "down": y, "up": high - y - h}[region.direction]
    columns = np.arange(long)
    shift = np.round(-line.lean * (columns - ahead - line.x)).astype(int)
    inside = (offset + rows[0] + shift >= 0) & (offset + rows[-1] + shift < across)
    at = int(np.clip(ahead + line.x, 0, long - 1))
    if not inside[at]:
        return None, 0
    outside = np.nonzero(~inside)[0]
    begin = int(max(outside[outside < at], default=-1)) + 1
    end = int(min(outside[outside > at], default=long))
    columns, shift = columns[begin:end], shift[begin:end]
    low, top = offset + rows[0] + int(shift.min()), offset + rows[-1] + int(shift.max()) + 1
    roi = (0, low, wide, top - low) if lying else (low, 0, top - low, high)
    whole = cut_region(photo, roi, region.direction)
    take = rows[:, None] + offset - low + shift[None, :], columns[None, :]
    level = replace(
        whole,
        code=whole.code[take],
        light=whole.light[take],
        clipped=whole.clipped[take],
        crushed=whole.crushed[take],
        centre=(whole.centre[0] - begin, whole.centre[1] - (rows[0] + offset - low)),
    )
    return level, ahead - begin
