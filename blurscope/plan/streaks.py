"""The streaks of a planned photo: which motion of the camera they would show, and how well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blurscope.following import STREAK_SHARE, fit_streaks
from blurscope.light import Lens, Tone
from blurscope.pattern.layout import Layout
from blurscope.plan.shooting import BLACK, Seen, Shooting, line_noise
from blurscope.plan.stripes import law
from blurscope.shapes import exponential_integral
from blurscope.tracking import (
    Lane,
    Motion,
    bin_of_lanes,
    cut_streaks,
    dark_of,
    first_guess,
    rows_of_lane,
    slit_waveform,
)
from blurscope.tracking.model import STEPS, StreakBatch

UPRIGHT_ROWS = 4  # of the photo, that are averaged first at most where the screen stands upright in it


def see_streaks(
    layout: Layout,
    shooting: Shooting,
    tone: Tone,
    seen: Seen,
    lens: Lens,
    phase: float,
    error: float,
    tau: float,
    rng: np.random.Generator,
) -> Motion | None:
    """Draw the streaks of a capture and fit the camera's motion to them; None where they show none.

    Parameters
    ----------
    layout : Layout
    shooting : Shooting
    tone : Tone
    seen : Seen
    lens : Lens
        Blur across the motion that the stripes show.
    phase : float
        When the shutter opens, refreshes.
    error : float
        Of the camera's speed, px per refresh.
    tau : float
        Time constant of the pixels, refreshes.
    rng : Generator
    """
    scale, exposure = shooting.campx_per_px, shooting.exposure_refreshes
    shift = layout.sign * layout.px_per_refresh * (phase + exposure / 2)
    lanes = _dark_lanes(layout, shooting, shift)
    streaks = cut_streaks(lanes, layout, shift, exposure)
    step = _cells(layout, tau)
    waves = [slit_waveform(s.slit, lambda a, b: step, law) for s in streaks]
    known = [i for i, wave in enumerate(waves) if wave is not None]
    if not known:
        return None
    truth = first_guess(phase, exposure, shooting.blur_px)
    truth[2] = error
    batch = StreakBatch([streaks[i] for i in known], [waves[i] for i in known], layout, 1 / scale)
    parts = np.split(batch.model(truth), np.cumsum(batch.counts)[:-1])
    for i, light in zip(known, parts, strict=True):
        lane = lanes[streaks[i].lane]
        first = int(np.searchsorted(lane.u_px, streaks[i].u_px[0]))
        lane.light[first : first + len(light)] += light
    shown = [_shown(lane, shooting, seen, layout, rng) for lane in lanes]
    steps = dict.fromkeys(layout.transitions(), step)
    known_blur = lens.sigma_px, max(lens.sd_px, STREAK_SHARE * lens.sigma_px)
    return fit_streaks(steps, shown, layout, tone, shift, exposure, 1 / scale, *known_blur, truth.copy())[0]


def _cells(layout: Layout, tau: float) -> np.ndarray:
    """Return the step response in cells, from a refresh before its switch."""
    edges = np.arange(-STEPS, (layout.field_refreshes + 2) * STEPS + 1) / STEPS
    return np.diff(exponential_integral(np.maximum(edges, 0.0), tau)) * STEPS


def _dark_lanes(layout: Layout, shooting: Shooting, shift: float) -> list[Lane]:
    scale, v = shooting.campx_per_px, layout.px_per_refresh
    half = v * shooting.exposure_refreshes / 2
    reach = layout.max_exposure_refreshes * v - half
    step = bin_of_lanes(layout, scale) / scale
    u = np.arange(-shift - reach, layout.width_px - shift + reach, step)
    return [
        Lane(block=b, u_px=u, light=np.zeros(len(u)), noise=0.0, v_row=rows_of_lane(b, scale, UPRIGHT_ROWS)[0])
        for b in layout.blocks
        if b.kind == "lane"
    ]


def _shown(lane: Lane, shooting: Shooting, seen: Seen, layout: Layout, rng: np.random.Generator) -> Lane:
    """Return a lane as the photo shows it, relative to white and without its black."""
    _, _, rows, count = rows_of_lane(lane.block, shooting.campx_per_px, UPRIGHT_ROWS)
    per_bin = bin_of_lanes(layout, shooting.campx_per_px)
    noise = line_noise(len(lane.u_px), per_bin, shooting.bayer, rng)[0] / np.sqrt(rows * count)
    light = BLACK + (1 - BLACK) * lane.light
    light = seen.means(light) + seen.noise(light) * noise
    dark, sd = dark_of(light)
    return replace(lane, light=(light - dark) / (1 - dark), noise=sd)
