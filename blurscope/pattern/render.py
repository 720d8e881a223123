"""Frames: exactly what the screen shows at a refresh, as 8-bit codes."""

from __future__ import annotations

import numpy as np

from blurscope.pattern.layout import Block, Layout


class FrameMaker:
    """Draws the frames of a layout; the parts that never change are drawn once.

    Parameters
    ----------
    layout : Layout
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self._still = np.zeros((layout.height_px, layout.width_px), np.uint8)
        self._bands: list[tuple[Block, np.ndarray]] = []
        self._pictures: list[tuple[Block, np.ndarray]] = []
        circuit = np.repeat(np.array(layout.circuit, np.uint8), layout.field_px)
        x = np.arange(layout.width_px)
        for block in layout.blocks:
            rows = slice(block.top_row, block.end_row)
            if block.kind == "grey":
                self._still[rows] = block.level
            elif block.kind == "halftone":
                lit = np.isin(np.arange(block.height_px) % block.period_px, block.lit)
                self._still[rows] = np.where(lit, 255, 0).astype(np.uint8)[:, None]
            elif block.kind == "dither":
                shifted = x[None, :] - block.offset_px * np.arange(block.height_px)[:, None]
                self._still[rows] = np.where(np.isin(shifted % block.period_px, block.lit), 255, 0)
            elif block.kind == "band":
                self._bands.append((block, np.roll(circuit, block.offset_px)))
            elif block.kind == "picture":
                from blurscope.pattern.drawing import draw_picture

                self._pictures.append((block, draw_picture(layout, block.height_px)))

    def draw(self, refresh: int) -> np.ndarray:
        """Return the frame at a refresh: (height, width) uint8 codes."""
        layout = self.layout
        frame = self._still.copy()
        u = np.arange(layout.width_px) - layout.sign * layout.px_per_refresh * refresh
        for block, line in self._bands:
            frame[block.top_row : block.end_row] = line[u % len(line)]
        for block, picture in self._pictures:
            frame[block.top_row : block.end_row] = picture[:, u % picture.shape[1]]
        for block in layout.blocks:
            for slit in block.slits:
                rows = slice(block.top_row + block.surround_px, block.end_row)
                frame[rows, slit.x_px : slit.x_px + slit.width_px] = slit.level_at(refresh)
        return frame
