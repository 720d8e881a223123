"""Capitals and figures on a 5 x 7 grid, so that lettering stands on whole display pixels."""

from __future__ import annotations

import numpy as np

ADVANCE_PX = 6

# One letter is seven rows of five bits, each row a hexadecimal number from 00 to 1f, leftmost bit first.
_ROWS = {
    "A": "0e 11 11 1f 11 11 11",
    "B": "1e 11 11 1e 11 11 1e",
    "C": "0e 11 10 10 10 11 0e",
    "D": "1c 12 11 11 11 12 1c",
    "E": "1f 10 10 1e 10 10 1f",
    "F": "1f 10 10 1e 10 10 10",
    "G": "0e 11 10 17 11 11 0f",
    "H": "11 11 11 1f 11 11 11",
    "I": "0e 04 04 04 04 04 0e",
    "J": "07 02 02 02 02 12 0c",
    "K": "11 12 14 18 14 12 11",
    "L": "10 10 10 10 10 10 1f",
    "M": "11 1b 15 15 11 11 11",
    "N": "11 19 15 15 13 11 11",
    "O": "0e 11 11 11 11 11 0e",
    "P": "1e 11 11 1e 10 10 10",
    "Q": "0e 11 11 11 15 12 0d",
    "R": "1e 11 11 1e 14 12 11",
    "S": "0f 10 10 0e 01 01 1e",
    "T": "1f 04 04 04 04 04 04",
    "U": "11 11 11 11 11 11 0e",
    "V": "11 11 11 11 0a 0a 04",
    "W": "11 11 11 15 15 1b 11",
    "X": "11 11 0a 04 0a 11 11",
    "Y": "11 11 0a 04 04 04 04",
    "Z": "1f 01 02 04 08 10 1f",
    "0": "0e 11 13 15 19 11 0e",
    "1": "04 0c 04 04 04 04 0e",
    "2": "0e 11 01 06 08 10 1f",
    "3": "1e 01 01 0e 01 01 1e",
    "4": "02 06 0a 12 1f 02 02",
    "5": "1f 10 1e 01 01 11 0e",
    "6": "06 08 10 1e 11 11 0e",
    "7": "1f 01 02 04 04 08 08",
    "8": "0e 11 11 0e 11 11 0e",
    "9": "0e 11 11 0f 01 02 0c",
    ":": "00 04 04 00 04 04 00",
    "-": "00 00 00 1f 00 00 00",
    " ": "00 00 00 00 00 00 00",
}
_GLYPHS = {
    char: np.array([[int(row, 16) >> (4 - k) & 1 for k in range(5)] for row in rows.split()], np.uint8)
    for char, rows in _ROWS.items()
}


def text_width_px(text: str, scale: int = 1) -> int:
    """Return the width of a line of lettering without the gap behind its last letter."""
    return max(0, len(text) * ADVANCE_PX - 1) * scale


def draw_text(sheet: np.ndarray, text: str, x_px: int, top_px: int, level: int, scale: int = 1) -> None:
    """Set a line of capitals and figures into ``sheet`` (in place), cut off at its borders."""
    for char in text:
        glyph = np.kron(_GLYPHS[char], np.ones((scale, scale), np.uint8)).astype(bool)
        height, width = glyph.shape
        top, left = max(0, -top_px), max(0, -x_px)
        part = sheet[max(0, top_px) : max(0, top_px + height), max(0, x_px) : max(0, x_px + width)]
        cut = glyph[top : top + part.shape[0], left : left + part.shape[1]]
        part[cut] = level
        x_px += ADVANCE_PX * scale
