"""The mean of a clip's frames, how much each pixel scatters about it, and how coarse the coder left it."""

from __future__ import annotations

import numpy as np

SPAN = 219.0  # codes of 8 bits from black to white in the limited range, Rec. ITU-R BT.709
# of a step between codes: noise of this size carries 2/3 of the fractions that rounding takes; found on H.264 of the
# simulated plate, where noise that the coder lets through carries less than normal noise would; no source
CARRYING = 0.4


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
        off = seen - self._first
        self._total += off
        self._squares += off * off
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
        to half a step. Where noise is seen from frame to frame, the fractions are seen too.
        """
        mean = self._total / np.float32(self._count)
        scatter = np.sqrt(np.maximum(self._squares / np.float32(self._count) - mean * mean, 0))
        step = self._full / (SPAN * 2.0 ** (bit_depth - 8))
        left = np.exp(-((scatter / np.float32(CARRYING * step)) ** 2))
        return (65535 / self._full * step / np.sqrt(12) * left + 0.5).astype(np.uint16)
