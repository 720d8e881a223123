"""The virtual pursuit: frames of a camera at rest, moved along with the plate and summed in light.

A frame shows what the fixed pixels of the screen did during its exposure. Between the frames the light of each pixel is
continued by the parabola that has the frames' own means, which takes the length of their exposures out to second order;
a camera that follows the plate sees that light at the place where it is at each moment. Both are linear, so the frames
are first summed, each moved to where the plate stands at its middle, and what happens within a frame is one filter
along the motion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope._cv import cv2

SURROUND_PX = 12
GAUSS_POINTS = 16
MAX_SCALE = 4.0  # campx per px of the photo that is made


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameClock:
    """When the frames were exposed, in refreshes from the middle of frame 0.

    Attributes
    ----------
    spacing : float
        From frame to frame.
    share : float
        Exposure of a frame over ``spacing``.
    """

    spacing: float
    share: float = 1.0


class VirtualCamera:
    """Sums frames into the photo that a camera following the plate would have taken.

    Parameters
    ----------
    pose : object with ``to_photo(u, v_row)``
        Of the plate in the frames at the middle of frame ``pose_index``.
    pose_index : int
    clock : FrameClock
    motion_px : float
        Travel of the plate per refresh, with its sign along ``u``.
    start, refreshes : float
        The exposure, on the clock.
    u_px : (float, float)
        Range of the screen in the pose's ``u``.
    height_px : int
    scale : float
        campx per px of the photo that is made.
    """

    def __init__(
        self,
        pose: Any,
        pose_index: int,
        clock: FrameClock,
        motion_px: float,
        *,
        start: float,
        refreshes: float,
        u_px: tuple[float, float],
        height_px: int,
        scale: float,
    ) -> None:
        self.clock, self.motion_px, self.scale = clock, motion_px, min(scale, MAX_SCALE)
        self.start, self.refreshes = start, refreshes
        self.middle = start + refreshes / 2
        d = clock.spacing
        self.first = int(np.floor(start / d - 0.5 + 1e-9))
        self.last = int(np.ceil((start + refreshes) / d + 0.5 - 1e-9)) + 1
        reach = abs(motion_px) * (refreshes / 2 + 2 * d)
        # where the plate stands at the middle of the exposure, in the pose's u
        away = motion_px * (self.middle - pose_index * d)
        low, high = u_px[0] - away - reach - SURROUND_PX, u_px[1] - away + reach + SURROUND_PX
        self.u0, self.v0 = low, -float(SURROUND_PX)
        self.width = int(np.ceil((high - low) * self.scale))
        self.height = int(np.ceil((height_px + 2 * SURROUND_PX) * self.scale))
        self._pad = int(np.ceil(reach * self.scale)) + 2
        u = low + away + (np.arange(-self._pad, self.width + self._pad) + 0.5) / self.scale
        v = self.v0 + (np.arange(self.height) + 0.5) / self.scale
        x, y = pose.to_photo(*np.meshgrid(u, v))
        self._map = x.astype(np.float32), y.astype(np.float32)
        self._inner = np.zeros((self.height, self.width), np.float32)
        self._ends: list[tuple[list, np.ndarray]] = []

    def to_plate(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the plate coordinates, in the middle of the exposure, of campx of the photo that is made."""
        return self.u0 + (np.asarray(x) + 0.5) / self.scale, self.v0 + (np.asarray(y) + 0.5) / self.scale

    def add(self, index: int, light: np.ndarray) -> None:
        """Add a frame: its light, (h, w) float32."""
        pieces = self._window(index)
        if not pieces:
            return
        shift = self.motion_px * (index * self.clock.spacing - self.middle) * self.scale
        whole = int(np.floor(shift))
        part = np.float32(shift - whole)
        first = self._pad + whole
        maps = []
        for m in self._map:
            here = m[:, first : first + self.width]
            maps.append(here + part * (m[:, first + 1 : first + 1 + self.width] - here))
        moved = cv2.remap(light, *maps, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
        if pieces == self._whole():
            self._inner += moved
        else:
            self._ends.append((pieces, moved))

    def _whole(self) -> list[tuple[float, float, int]]:
        d = self.clock.spacing
        return [((c - 0.5) * d, (c + 0.5) * d, c) for c in (-1, 0, 1)]

    def _window(self, index: int) -> list[tuple[float, float, int]]:
        """Return the parts of the exposure that a frame speaks for, on its own clock."""
        d = self.clock.spacing
        low, high = self.start - index * d, self.start + self.refreshes - index * d
        out = []
        for a, b, cell in self._whole():
            left, right = max(a, low), min(b, high)
            if right - left > 1e-9:
                out.append((a if left - a < 1e-9 else left, b if b - right < 1e-9 else right, cell))
        return out

    def photo(self) -> np.ndarray:
        """Return the light of the virtual photo, (height, width) float32."""
        total = self._filtered(self._inner, self._whole())
        for pieces, moved in self._ends:
            total += self._filtered(moved, pieces)
        return total / np.float32(self.refreshes)

    def _filtered(self, picture: np.ndarray, pieces: list[tuple[float, float, int]]) -> np.ndarray:
        side = int(np.ceil(2 * abs(self.motion_px) * self.clock.spacing * self.scale)) + 8
        padded = np.pad(picture, ((0, 0), (side, side)), mode="edge")
        size = cv2.getOptimalDFTSize(padded.shape[1])
        padded = np.pad(padded, ((0, 0), (0, size - padded.shape[1])), mode="edge")
        response = self._response(np.fft.rfftfreq(size) * self.scale, pieces)
        out = np.fft.irfft(np.fft.rfft(padded, axis=1) * response, size, axis=1)
        return out[:, side : side + picture.shape[1]].astype(np.float32)

    def _response(self, cycles_per_px: np.ndarray, pieces: list[tuple[float, float, int]]) -> np.ndarray:
        """Return what a frame contributes to the exposure, per spatial frequency along ``u``."""
        d, share = self.clock.spacing, self.clock.share
        out = np.zeros(len(cycles_per_px), complex)
        turns = 2j * np.pi * cycles_per_px * self.motion_px
        count = GAUSS_POINTS + int(8 * abs(self.motion_px) * d * self.scale)
        nodes, weights = np.polynomial.legendre.leggauss(count)
        for a, b, cell in pieces:
            t = 0.5 * (a + b) + 0.5 * (b - a) * nodes
            w = 0.5 * (b - a) * weights * frame_weight(t / d, cell, share)
            for k in range(len(t)):
                out += w[k] * np.exp(turns * t[k])
        return out


def frame_weight(at: np.ndarray, cell: int, share: float) -> np.ndarray:
    """Return the weight of a frame in the light at a time.

    Parameters
    ----------
    at : array of float
        Time from the frame's middle, in frame spacings.
    cell : {-1, 0, 1}
        Whose spacing that time lies in: of the frame before, of this one, of the one after.
    share : float
        Exposure over spacing.

    Notes
    -----
    In the spacing of frame k, ``light = F_k + s (F_{k+1} - F_{k-1})/2 + (s^2/2 - share^2/24) (F_{k+1} - 2 F_k +
    F_{k-1})`` with s the time from its middle: the parabola whose means over the three exposures are the frames.
    """
    s = np.asarray(at, float) - cell
    bend = 0.5 * s * s - share * share / 24
    if cell == 0:
        return 1 - 2 * bend
    return (0.5 * s if cell < 0 else -0.5 * s) + bend
