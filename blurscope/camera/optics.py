"""Where the lens puts each point of the screen, and the light that falls on each pixel of the sensor."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.camera.camera import Camera
from blurscope.camera.motion import Grid

COARSE = 8  # campx between exactly computed points of the map
STRIP_SAMPLES = 1_500_000
GROWTH_CAMPX = 0.2  # of a growing lens blur within a strip


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The geometry of a photo.

    Screen coordinates (x, row) are at mid-exposure, integers at the borders of display px; campx coordinates have
    integers at pixel centres.
    """

    homography: np.ndarray  # screen (x, row, 1) -> ideal campx
    width_campx: int
    height_campx: int
    k1: float
    k2: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre of the distortion."""
        return (self.width_campx - 1) / 2, (self.height_campx - 1) / 2

    @property
    def radius(self) -> float:
        """The radius that counts as 1: half the diagonal."""
        return math.hypot(self.width_campx, self.height_campx) / 2

    def project(self, x: np.ndarray, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the campx of screen points, distortion included."""
        h = self.homography
        x, row = np.asarray(x, float), np.asarray(row, float)
        w = h[2, 0] * x + h[2, 1] * row + h[2, 2]
        px = (h[0, 0] * x + h[0, 1] * row + h[0, 2]) / w
        py = (h[1, 0] * x + h[1, 1] * row + h[1, 2]) / w
        cx, cy = self.centre
        dx, dy = (px - cx) / self.radius, (py - cy) / self.radius
        r2 = dx * dx + dy * dy
        stretch = 1 + self.k1 * r2 + self.k2 * r2 * r2
        return cx + dx * stretch * self.radius, cy + dy * stretch * self.radius

    def unproject(self, px: np.ndarray, py: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the screen points seen at campx."""
        cx, cy = self.centre
        dx, dy = (np.asarray(px, float) - cx) / self.radius, (np.asarray(py, float) - cy) / self.radius
        if self.k1 or self.k2:
            goal = np.hypot(dx, dy)
            r = goal.copy()
            for _ in range(12):
                r2 = r * r
                value = r * (1 + self.k1 * r2 + self.k2 * r2 * r2) - goal
                r -= value / (1 + 3 * self.k1 * r2 + 5 * self.k2 * r2 * r2)
            shrink = np.where(goal > 0, r / np.maximum(goal, 1e-12), 1.0)
            dx, dy = dx * shrink, dy * shrink
        x, y = cx + dx * self.radius, cy + dy * self.radius
        g = np.linalg.inv(self.homography)
        w = g[2, 0] * x + g[2, 1] * y + g[2, 2]
        return (g[0, 0] * x + g[0, 1] * y + g[0, 2]) / w, (g[1, 0] * x + g[1, 1] * y + g[1, 2]) / w


def make_view(camera: Camera, width_px: int, height_px: int) -> View:
    """Return the view of a screen of this size."""
    yaw, pitch, roll = (math.radians(a) for a in (camera.yaw_deg, camera.pitch_deg, camera.roll_deg + camera.turn_deg))
    about_y = np.array([[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]])
    about_x = np.array([[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]])
    about_z = np.array([[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]])
    turn = about_z @ about_x @ about_y
    distance = width_px / 2 / math.tan(math.radians(camera.view_angle_deg) / 2)
    plane = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, distance]])
    plane = plane @ np.array([[1, 0, -width_px / 2], [0, 1, -height_px / 2], [0, 0, 1.0]])
    focal = camera.campx_per_px * distance
    flip = -1.0 if camera.mirrored else 1.0
    lens = np.array([[flip * focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    at_zero = lens @ plane
    corners = np.array([[0, width_px, 0, width_px], [0, 0, height_px, height_px], [1, 1, 1, 1]], float)
    seen = at_zero @ corners
    across = np.abs(seen[:2] / seen[2]).max(axis=1) * 2 * (1 + 2 * camera.margin)
    width = camera.width_campx or int(round(across[0]))
    height = camera.height_campx or int(round(across[1]))
    place = np.array(
        [
            [1, 0, (width - 1) / 2 + camera.shift_x_campx],
            [0, 1, (height - 1) / 2 + camera.shift_y_campx],
            [0, 0, 1.0],
        ]
    )
    h = place @ at_zero
    return View(homography=h / h[2, 2], width_campx=width, height_campx=height, k1=camera.k1, k2=camera.k2)


def supersampling(camera: Camera) -> int:
    """Return the samples per campx and axis: at least 4 per display px, and 2 unless the lens is very soft."""
    sigmas = (camera.lens_sigma_campx, camera.lens_sigma_x_campx, camera.lens_sigma_bottom_campx)
    softest = min(s for s in sigmas if s is not None)
    return max(1 if softest >= 2 else 2, math.ceil(4 / camera.campx_per_px - 0.01))


@dataclass(frozen=True, slots=True, kw_only=True)
class Softness:
    """How lens and pixel are shared out between soft borders of the display px and a Gaussian, in samples.

    A hard border sampled as it is would alias with the samples. So borders are drawn as wide as a camera pixel to
    either side (a triangle), and the Gaussian gets what is left of the variance of lens and camera pixel; the mean over
    the samples of a pixel does the rest.
    """

    border: float  # half-width of a border's triangle; 0 draws it as wide as a sample
    sigma: float


def share_blur(
    sigma_campx: float, ss: int, scale: float, kink: float | None = None, border: float | None = None
) -> Softness:
    """Return the softness along one axis.

    Parameters
    ----------
    sigma_campx : float
        The lens.
    ss : int
        Samples per campx.
    scale : float
        campx per px.
    kink : float or None
        Distance of the points between which the layer is straight, in samples, instead of hard borders.
    border : float or None
        Borders as they have been drawn already.
    """
    variance = (sigma_campx * ss) ** 2 + 1 / 12
    if sigma_campx <= 0:
        return Softness(border=0.0, sigma=0.0)
    if kink is not None:  # straight lines between points are as soft as a triangle
        return Softness(border=0.0, sigma=math.sqrt(max(variance - kink**2 / 6, 0.0)))
    if border is None:
        border = min(float(ss), 0.5 * ss * scale)
    if variance - border**2 / 6 < 0.25:
        return Softness(border=0.0, sigma=sigma_campx * ss)
    return Softness(border=border, sigma=math.sqrt(variance - border**2 / 6))


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """What the sensor collects on the screen plane: rows x fine columns, and where the columns lie.

    Attributes
    ----------
    light : (rows, columns) float32
    grid : Grid
        Columns; ``steps = 0`` in a layer means whole screen pixels with hard borders (camera at rest).
    first_row : int
        Screen row of the first row.
    shift_row, spread_row : float
        Vertical offset of the layer and the vertical travel within it (a drifting camera).
    """

    light: np.ndarray
    grid: Grid
    first_row: int
    hard: bool = False
    shift_row: float = 0.0
    spread_row: float = 0.0


def render(
    layers: list[Layer], view: View, camera: Camera, finish: Callable[[np.ndarray], np.ndarray], shift_px: float = 0.0
) -> np.ndarray:
    """Return the light on each campx: (height, width) float32.

    Parameters
    ----------
    layers : list of Layer
        Added up.
    finish : callable
        Given the samples before the lens blur, returns those to blur (adds reflections, say).
    shift_px : float
        The picture is moved by this along the screen's rows (sub-pixel stripes).
    """
    from blurscope._cv import cv2

    ss = supersampling(camera)
    scale = camera.campx_per_px
    sy = camera.lens_sigma_campx
    sx = sy if camera.lens_sigma_x_campx is None else camera.lens_sigma_x_campx
    sy_end = sy if camera.lens_sigma_bottom_campx is None else camera.lens_sigma_bottom_campx
    sx_end = sx if camera.lens_sigma_bottom_campx is None else sy_end
    hard = all(layer.hard for layer in layers)
    on_side = camera.turn_deg in (90, 270)  # the screen's columns lie along the photo's
    kinks = [() if hard else (ss * scale / layers[0].grid.steps,), ()][:: -1 if on_side else 1]
    halo = math.ceil(4.5 * max(sy, sy_end)) + 1
    width, height = view.width_campx, view.height_campx
    rows_at_once = max(32, STRIP_SAMPLES // (width * ss * ss))
    growing = (sx_end, sy_end) != (sx, sy)
    if growing:
        growth = max(abs(sx_end - sx), abs(sy_end - sy))
        rows_at_once = min(rows_at_once, max(16, int(GROWTH_CAMPX / growth * height)))
    out = np.empty((height, width), np.float32)
    for top in range(0, height, rows_at_once):
        end = min(top + rows_at_once, height)
        lo, hi = top - halo, end + halo
        place = (top + end) / 2 / height
        along_x = share_blur(sx + (sx_end - sx) * place, ss, scale, *kinks[0])
        along_y = share_blur(sy + (sy_end - sy) * place, ss, scale, *kinks[1])
        columns, rows = (along_y, along_x) if on_side else (along_x, along_y)
        x_map, row_map = _maps(view, lo, hi, ss)
        x_map -= np.float32(shift_px)
        strip = np.zeros(x_map.shape, np.float32)
        for layer in layers:
            mx = (x_map - np.float32(layer.grid.first_px)) * np.float32(layer.grid.steps) - np.float32(0.5)
            if layer.hard:
                mx = _hard(mx, ss * scale, columns.border)
            my = row_map + np.float32(layer.shift_row - layer.first_row - 0.5)
            my = _hard(my, ss * scale, rows.border, layer.spread_row)
            strip += cv2.remap(layer.light, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        strip = finish(strip)
        if growing:
            ends = [
                [
                    share_blur(a + (b - a) * y / height, ss, scale, *(k or (None, soft.border))).sigma
                    for a, b, k, soft in ((sx, sx_end, kinks[0], along_x), (sy, sy_end, kinks[1], along_y))
                ]
                for y in (lo, hi)
            ]
            strip = _blur_growing(strip, *ends)
        elif along_x.sigma > 0 or along_y.sigma > 0:
            strip = _blur(strip, along_x.sigma, along_y.sigma)
        if ss > 1:
            strip = cv2.resize(strip, (width, hi - lo), interpolation=cv2.INTER_AREA)
        out[top:end] = strip[halo : halo + end - top]
    return out


def _hard(place: np.ndarray, samples_per_px: float, border: float, spread_px: float = 0.0) -> np.ndarray:
    """Move sample places so that linear interpolation between them shows pixels with borders.

    Without ``border`` a border is as wide as a sample, which is the exact mean over the sample; with it, it is the
    integral of a triangle of that half-width. ``spread_px`` widens it further.
    """
    whole = np.floor(place)
    part = place - whole
    part -= np.float32(0.5)
    if border <= 0:
        part *= np.float32(max(1 / math.hypot(1 / samples_per_px, spread_px), 1.0))
        part += np.float32(0.5)
        np.clip(part, 0, 1, out=part)
        whole += part
        return whole
    half_px = min(math.sqrt((border / samples_per_px) ** 2 + spread_px**2 / 2), 0.5)
    part *= np.float32(1 / half_px)
    np.clip(part, -1, 1, out=part)
    whole += part
    whole += np.float32(0.5)
    bend = np.abs(part)
    bend *= part
    bend *= np.float32(0.5)
    whole -= bend
    return whole


def _blur(picture: np.ndarray, sigma_x: float, sigma_y: float) -> np.ndarray:
    from blurscope._cv import cv2

    def kernel(sigma: float) -> np.ndarray:
        if sigma <= 0:
            return np.ones(1, np.float32)
        half = math.ceil(4.5 * sigma)
        k = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
        return (k / k.sum()).astype(np.float32)

    return cv2.sepFilter2D(picture, cv2.CV_32F, kernel(sigma_x), kernel(sigma_y), borderType=cv2.BORDER_REPLICATE)


def _blur_growing(picture: np.ndarray, top: list[float], bottom: list[float]) -> np.ndarray:
    """Blur a strip evenly more from its first row to its last: ``(sigma_x, sigma_y)`` at both."""
    ends = [_blur(picture, *sigma) for sigma in (top, bottom)]
    share = ((np.arange(picture.shape[0]) + 0.5) / picture.shape[0]).astype(np.float32)[:, None]
    return ends[0] * (1 - share) + ends[1] * share


def _maps(view: View, low: int, high: int, ss: int) -> tuple[np.ndarray, np.ndarray]:
    """Return screen (x, row) of every sample of campx rows ``low`` to ``high``: exact every 8 campx, linear between."""
    from blurscope._cv import cv2

    step = COARSE * ss
    columns = math.ceil(view.width_campx / COARSE) + 2
    rows = math.ceil((high - low) / COARSE) + 2
    # coarse sample k covers fine samples [(k - 1) step, k step): its centre, in campx
    cx = -0.5 + (np.arange(columns) - 1 + 0.5) * COARSE
    cy = low - 0.5 + (np.arange(rows) - 1 + 0.5) * COARSE
    gx, gy = np.meshgrid(cx, cy)
    maps = []
    for coarse in view.unproject(gx, gy):
        middle = float(coarse[rows // 2, columns // 2])
        fine = cv2.resize(
            (coarse - middle).astype(np.float32), (columns * step, rows * step), interpolation=cv2.INTER_LINEAR
        )
        part = fine[step : step + (high - low) * ss, step : step + view.width_campx * ss]
        maps.append(part + np.float32(middle))
    return maps[0], maps[1]
