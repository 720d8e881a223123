"""Film a display: the one place that fixes the order from stimulus to photo and truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from blurscope.camera.camera import Camera
from blurscope.camera.display import Display
from blurscope.camera.exposure import Histories, Scene, Window, film_rows, film_still_rows
from blurscope.camera.motion import Grid, travel_of
from blurscope.camera.optics import Layer, View, make_view, render
from blurscope.camera.scene import history_refreshes, stimulus_of_frames, stimulus_of_layout
from blurscope.camera.sensor import develop, encode_file
from blurscope.errors import SettingsError

STEPS_PER_REFRESH = 48  # points along the travel of a refresh, at least
MAX_COLUMNS = 32_000  # what the resampling can address
SAME_TIME = 2e-3  # refreshes
DRIFT_SLICE_PX = 0.1
BEZEL_PX = 24
MAX_CAMPX = 150_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """A simulated photo: its codes as reading the file gives them, the file itself, the truth."""

    codes: np.ndarray
    data: bytes
    suffix: str
    make_truth: Callable[[], dict[str, Any]]

    @cached_property
    def truth(self) -> dict[str, Any]:
        """The truth, JSON-able (schema ``blurscope.truth/1``), computed when first asked for."""
        return self.make_truth()


def film(
    layout: Any,
    display: Display,
    camera: Camera,
    *,
    start_refresh: int | None = None,
    seed: int = 0,
    frames: Callable[[int], np.ndarray] | None = None,
) -> Shot:
    """Film the moving plate.

    Parameters
    ----------
    layout : blurscope.pattern.layout.Layout
    display : Display
    camera : Camera
    start_refresh : int or None
        Refresh in which the exposure starts; ``None`` draws one from the loop with ``seed``.
    seed : int
        Of the noise.
    frames : callable or None
        ``frames(refresh) -> (height, width) uint8`` instead of the layout's own drawing; asked for every refresh of
        the exposure and for as many before as the slowest response needs to settle.

    Returns
    -------
    Shot
    """
    return _shoot(layout, display, camera, start_refresh, seed, frames, still=False)


def film_still(
    layout: Any,
    display: Display,
    camera: Camera,
    *,
    start_refresh: int | None = None,
    seed: int = 0,
    frames: Callable[[int], np.ndarray] | None = None,
) -> Shot:
    """Photograph the plate standing still with the camera at rest, everything else as in `film`."""
    return _shoot(layout, display, camera, start_refresh, seed, frames, still=True)


def _shoot(layout, display, camera, start_refresh, seed, frames, *, still: bool) -> Shot:
    from blurscope.camera.truth import make_truth

    rng = np.random.default_rng([seed, 7919 if still else 104729])
    if start_refresh is None:
        start_refresh = int(np.random.default_rng([seed, 31]).integers(layout.loop_refreshes))
    refresh_hz = float(display.refresh_hz or layout.refresh_hz)
    exposure = camera.exposure_refreshes
    start = camera.start_phase
    view = make_view(camera, layout.width_px, layout.height_px)
    if view.width_campx * view.height_campx > MAX_CAMPX:
        raise SettingsError(
            f"the photo would have {view.width_campx}x{view.height_campx} campx; take fewer campx per px or a "
            "smaller margin"
        )
    travel = travel_of(camera, layout.px_per_refresh, refresh_hz)
    late = max(0.0, camera.readout_refreshes)
    early = min(0.0, camera.readout_refreshes)
    t_low, t_high = start + early, start + exposure + late
    first = math.floor(t_low - abs(display.scan_out_refreshes)) - 1
    last = math.ceil(t_high) + 1
    if frames is None:
        stimulus = stimulus_of_layout(layout)
    else:
        before = 1 if still else history_refreshes(display, 1000 / refresh_hz)
        before += len(display.dropped) + len(display.doubled)
        reach = range(start_refresh + first - before, start_refresh + last)
        stimulus = stimulus_of_frames(frames, reach)
    scene = Scene(
        stimulus=stimulus,
        display=display,
        refresh_hz=refresh_hz,
        start_refresh=start_refresh,
        sign=layout.sign,
        frozen=still,
    )
    histories = Histories(scene, first, last)
    height = layout.height_px
    if still:
        light = film_still_rows(scene, histories, Window(start=start, end=start + exposure), height) / exposure
        layers = [still_layer(light, camera)]
    else:
        travel.check(t_low, t_high)
        layers = _moving_layers(scene, histories, travel, camera, view, layout, t_low, t_high)

    def finish(samples: np.ndarray) -> np.ndarray:
        if camera.reflected_light:
            samples += np.float32(camera.reflected_light)
        return samples

    pictures = [fall_off(render(layers, view, camera, finish, shift), camera) for shift in stripe_shifts(display)]
    codes = develop(pictures, camera, rng)
    data, codes = encode_file(codes, camera, exposure / refresh_hz)
    return Shot(
        codes=codes,
        data=data,
        suffix={"jpeg": ".jpg", "png": ".png", "tiff": ".tif"}[camera.file_format],
        make_truth=lambda: make_truth(layout, display, camera, view, start_refresh, seed, still=still),
    )


def stripe_shifts(display: Display) -> list[float]:
    """Return where the display's stripes lie, red, green and blue, px; one place where it has none."""
    if display.stripes == "none":
        return [0.0]
    return [-1 / 3, 0.0, 1 / 3] if display.stripes == "rgb" else [1 / 3, 0.0, -1 / 3]


def _moving_layers(scene, histories, travel, camera, view: View, layout, t_low: float, t_high: float) -> list[Layer]:
    exposure, start, sign = camera.exposure_refreshes, camera.start_phase, layout.sign
    width, height = layout.width_px, layout.height_px
    reach_low = math.floor(float(travel.position(t_low))) - 2
    reach_high = math.ceil(float(travel.position(t_high))) + 2
    side = BEZEL_PX + 8
    first = -reach_high - side
    count = width - reach_low + side - first
    if 2 * count > MAX_COLUMNS:
        raise SettingsError(f"a screen {width} px wide and this exposure are too long to film; take a shorter exposure")
    steps = min(max(4, math.ceil(STEPS_PER_REFRESH / layout.px_per_refresh)), 12, MAX_COLUMNS // count)
    grid = Grid(first_px=first, count_px=count, steps=steps)
    delay = _readout_delay(camera, view, width, height, sign)
    drift = camera.drift_px_per_refresh * exposure
    slices = max(1, math.ceil(abs(drift) / DRIFT_SLICE_PX))
    layers = []
    for k in range(slices):
        a = start + exposure * k / slices
        b = start + exposure * (k + 1) / slices

        def windows(row: int, a: float = a, b: float = b) -> tuple[Window, Window]:
            left, right = delay(row)
            return Window(start=a + left, end=b + left), Window(start=a + right, end=b + right)

        light = film_rows(scene, histories, travel, grid, windows, height) / np.float32(exposure)
        share = np.float32(1 / slices)
        light = _surround(light.reshape(height, -1), travel, grid, width, a, b, exposure, camera, share)
        here = grid
        if sign < 0:
            light = np.ascontiguousarray(light[:, ::-1])
            here = Grid(first_px=width - grid.first_px - grid.count_px, count_px=grid.count_px, steps=grid.steps)
        moved = camera.drift_px_per_refresh * ((a + b) / 2 - travel.mid)
        layers.append(Layer(light=light, grid=here, first_row=-side, shift_row=moved, spread_row=abs(drift) / slices))
    return layers


def _readout_delay(camera: Camera, view: View, width: int, height: int, sign: int) -> Callable:
    """Return a function of the row that gives the readout delay at its first and last pixel along the motion."""
    if camera.readout_refreshes == 0:
        return lambda row: (0.0, 0.0)
    rows = np.arange(height) + 0.5
    ends = []
    for x in (0, width):
        _, y = view.project(np.full(height, float(x)), rows)
        ends.append(camera.readout_refreshes * np.clip(y / view.height_campx, 0, 1))
    left, right = ends if sign > 0 else ends[::-1]
    if np.abs(left - right).max() < 1e-4:
        left = right = (left + right) / 2
    else:  # rows that open at nearly the same times are filmed together
        left, right = np.round(left / SAME_TIME) * SAME_TIME, np.round(right / SAME_TIME) * SAME_TIME
    return lambda row: (float(left[row]), float(right[row]))


def _surround(light, travel, grid, width, a, b, exposure, camera, share) -> np.ndarray:
    """Add bezel and surroundings: dark bezel, then ``surround_light``; smeared at its borders like everything else."""
    x = grid.first_px + (np.arange(grid.count_px * grid.steps) + 0.5) / grid.steps
    inner = travel.time(width + BEZEL_PX - x, a, b) - travel.time(-BEZEL_PX - x, a, b)
    outside = (camera.surround_light * ((b - a) - inner) / exposure).astype(np.float32)
    pad = BEZEL_PX + 8
    tall = np.empty((light.shape[0] + 2 * pad, light.shape[1]), np.float32)
    tall[pad:-pad] = light
    tall[:pad] = tall[-pad:] = 0
    tall += outside
    tall[:8] = tall[-8:] = camera.surround_light * share
    return tall


def still_layer(light: np.ndarray, camera: Camera) -> Layer:
    pad = BEZEL_PX + 8
    height, width = light.shape
    tall = np.full((height + 2 * pad, width + 2 * pad), camera.surround_light, np.float32)
    tall[8:-8, 8:-8] = 0
    tall[pad:-pad, pad:-pad] = light
    return Layer(light=tall, grid=Grid(first_px=-pad, count_px=width + 2 * pad, steps=1), first_row=-pad, hard=True)


def fall_off(picture: np.ndarray, camera: Camera) -> np.ndarray:
    """Vignetting and flare."""
    from blurscope._cv import cv2

    height, width = picture.shape
    if camera.flare:
        small = cv2.resize(picture, (64, 64), interpolation=cv2.INTER_AREA)
        haze = cv2.GaussianBlur(small, (0, 0), 16, borderType=cv2.BORDER_REFLECT)
        haze = cv2.resize(haze, (width, height), interpolation=cv2.INTER_LINEAR)
        picture = picture * np.float32(1 - camera.flare) + haze * np.float32(camera.flare)
    if camera.vignetting:
        y = ((np.arange(height) - (height - 1) / 2) ** 2)[:, None]
        x = ((np.arange(width) - (width - 1) / 2) ** 2)[None, :]
        r2 = ((x + y) / ((width**2 + height**2) / 4)).astype(np.float32)
        picture = picture * (1 - np.float32(camera.vignetting) * r2)
    return picture
