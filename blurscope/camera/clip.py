"""A clip: a camera that stands still and takes many short exposures of the moving plate."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from blurscope.camera.camera import Camera
from blurscope.camera.display import Display
from blurscope.camera.exposure import Histories, Scene, lit_between
from blurscope.camera.film import fall_off, still_layer, stripe_shifts
from blurscope.camera.optics import make_view, render
from blurscope.camera.scene import stimulus_of_layout
from blurscope.camera.sensor import develop
from blurscope.errors import SettingsError

FRAMES_AT_ONCE = 32


def film_clip(
    layout: Any,
    display: Display,
    camera: Camera,
    *,
    frame_refreshes: float,
    count: int,
    start_refresh: int = 0,
    seed: int = 0,
) -> Iterator[np.ndarray]:
    """Film the moving plate with a camera at rest and yield the codes of each frame.

    Parameters
    ----------
    layout : blurscope.pattern.layout.Layout
    display : Display
    camera : Camera
        ``exposure_refreshes`` is that of one frame, ``start_phase`` when the first one starts; what it says of tracking
        is left aside.
    frame_refreshes : float
        From the start of a frame to that of the next.
    count : int
        Frames.
    start_refresh : int
        Refresh in which the clip starts.
    seed : int
        Of the noise.

    Yields
    ------
    (height, width) or, where the display has stripes, (height, width, 3) uint8 or uint16
    """
    if not 0 < camera.exposure_refreshes <= frame_refreshes * (1 + 1e-9):
        raise SettingsError("a frame can't be exposed for longer than the time from frame to frame")
    rng = np.random.default_rng([seed, 15485863])
    hz = float(display.refresh_hz or layout.refresh_hz)
    view = make_view(camera, layout.width_px, layout.height_px)
    starts = camera.start_phase + frame_refreshes * np.arange(count)
    times = np.stack([starts, starts + camera.exposure_refreshes], axis=1)
    first = math.floor(starts[0] - abs(display.scan_out_refreshes)) - 1
    scene = Scene(
        stimulus=stimulus_of_layout(layout),
        display=display,
        refresh_hz=hz,
        start_refresh=start_refresh,
        sign=layout.sign,
    )
    histories = Histories(scene, first, math.ceil(times[-1, 1]) + 1)
    for k in range(0, count, FRAMES_AT_ONCE):
        part = times[k : k + FRAMES_AT_ONCE]
        light = lit_between(scene, histories, part, layout.height_px) / np.float32(camera.exposure_refreshes)
        for frame in light:

            def finish(samples: np.ndarray) -> np.ndarray:
                return samples + np.float32(camera.reflected_light)

            layer = [still_layer(frame, camera)]
            pictures = [fall_off(render(layer, view, camera, finish, s), camera) for s in stripe_shifts(display)]
            yield develop(pictures, camera, rng)
