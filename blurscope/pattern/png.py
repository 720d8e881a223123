"""Lossless grey PNG files through OpenCV."""

from __future__ import annotations

import numpy as np

from blurscope._cv import cv2
from blurscope.errors import OutputError


def encode_png(codes: np.ndarray, level: int = 1) -> bytes:
    """Return an 8-bit grey PNG of ``codes`` ((height, width) uint8); ``level`` is the compression, 0 to 9."""
    done, data = cv2.imencode(".png", codes, [cv2.IMWRITE_PNG_COMPRESSION, level])
    if not done:
        raise OutputError(f"a frame of {codes.shape[1]}x{codes.shape[0]} can't be written as PNG")
    return data.tobytes()
