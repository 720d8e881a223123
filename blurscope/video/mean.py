"""The mean of a clip's frames, how much each pixel scatters about it, and how coarse the coder left it."""

from __future__ import annotations

import numpy as np

from blurscope._cv import cv2

SPAN = 219.0  # codes of 8 bits from black to white in the limited range, Rec. ITU-R BT.709
# of a step between codes: noise of this size carries 2/3 of the fractions that rounding takes; found on H.264 of the
# simulated plate, where noise that the coder lets through carries less than normal noise would; no source
CARRYING = 0.4
BLOCK = 8  # campx: coders that transform a picture round the mean of a block too, ITU-T T.81 (JPEG) and its kind


class FrameMean:
    """Sums frames, and their squares about the first one."""

    def __init__(self) -> None:
        self._first: np.ndarray | None = None
        self._full, self._count = 255.0, 0

    def add(self, codes: np.ndarray) -> None:
        """Add a frame of uint8 or uint16."""
        seen = codes.astype(np.float32)
        if self._first is None:
            self._first, self._full = seen, float(np.iinfo(codes.dtype).max)
            self._total, self._squares = np.zeros_like(seen), np.zeros_like(seen)
            self._means, self._mean_squares = np.zeros_like(_blocks(seen)), np.zeros_like(_blocks(seen))
        off = seen - self._first
        self._total += off
        self._squares += off * off
        means = _blocks(off)
        self._means += means
        self._mean_squares += means * means
        self._count += 1

    @property
    def full_scale(self) -> int:
        """Largest code of the frames."""
        return int(self._full)

    def codes(self) -> np.ndarray:
        """Return the mean frame, of a full scale of 65535, uint16."""
        assert self._first is not None
        mean = self._first + self._total / np.float32(self._count)
        return (mean * np.float32(65535 / self._full) + 0.5).astype(np.uint16)

    def rounding_sd(self, bit_depth: int) -> np.ndarray:
        """Return by how much even areas are off as a whole, standard deviation, of a full scale of 65535, uint16.

        A coder smooths away the noise that would carry fractions of a code; what is left of an even area is off by up
        to half a step. Where noise is seen from frame to frame, the fractions are seen too: in the mean of a block,
        which hardly has any noise, as much as in single pixels.
        """
        step = self._full / (SPAN * 2.0 ** (bit_depth - 8))
        pixels = _carried(self._total, self._squares, self._count, step)
        blocks = _carried(self._means, self._mean_squares, self._count, step)
        left = np.maximum(pixels, _spread(blocks, pixels.shape))
        return (65535 / self._full * step / np.sqrt(12) * left + 0.5).astype(np.uint16)


def _carried(total: np.ndarray, squares: np.ndarray, count: int, step: float) -> np.ndarray:
    """Return the share of rounding that noise leaves."""
    mean = total / np.float32(count)
    scatter = np.sqrt(np.maximum(squares / np.float32(count) - mean * mean, 0))
    return np.exp(-((scatter / np.float32(CARRYING * step)) ** 2))


def _blocks(picture: np.ndarray) -> np.ndarray:
    """Return the means of blocks; those that the border cuts are left out."""
    rows, columns = (max(n // BLOCK, 1) for n in picture.shape)
    whole = picture[: rows * BLOCK, : columns * BLOCK]
    return cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)


def _spread(blocks: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return for each pixel the value of its block, or of the next one."""
    rows, columns = (np.minimum(np.arange(n) // BLOCK, m - 1) for n, m in zip(shape, blocks.shape, strict=True))
    return blocks[rows[:, None], columns[None, :]]
