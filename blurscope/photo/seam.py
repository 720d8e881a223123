"""Seams that damage leaves in a JPEG that can still be decoded to its end.

A block's mean is coded as the difference from the block before (ITU-T T.81, F.1.1.5.1), so a wrong bit shifts every
block after it, to the end of the picture. The border of what is shifted is a stair: up to some column it lies one row
of blocks lower than right of it. Nothing that a lens draws is such a stair, and a bar that software adds has no step.

This looks at blocks as they were coded, where the picture is even, and knows nothing of what it shows. A shift that it
can't tell may still show in the plate's greys (`blurscope.light.greysteps`), whose levels are known.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

SMALLEST_STEP = 2.5  # codes
EVEN = 3.0  # change over two pixels above and two below, codes, up to which a place counts as even
SHARPNESS = 2.0  # least step across the border over the changes beside it: a lens draws no sharper edge
FEWEST_BLOCKS = 2  # on each side of the stair
MOST_AGAINST = 0.1  # share of even places that may show no step at all
LUMA = (0.299, 0.587, 0.114)  # ITU-R BT.601, as in JFIF
LANES = np.uint64(0x00FF00FF00FF00FF)  # every other byte of eight
LANE_SUM = np.uint64(0x0001000100010001)  # times it, the sum of four 16-bit lanes stands in the highest


def find_seam(pixels: np.ndarray, block: tuple[int, int], quantum: float = 0.0) -> tuple[int, float] | None:
    """Return the row and the height, in codes, of the first stair of shifted blocks; None if there is none.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) uint8
        As stored: not turned.
    block : (int, int)
        Width and height of a coded unit, pixels.
    quantum : float
        Step in which a block's mean is rounded, codes.
    """
    wide, high = block
    columns, rows = pixels.shape[1] // wide, (pixels.shape[0] - 2) // high
    if columns < 2 * FEWEST_BLOCKS or rows < 2:
        return None
    lines = pixels[: (rows + 1) * high, : columns * wide]
    half = rows // 2
    with ThreadPoolExecutor(max_workers=1) as pool:  # long rows of numbers let go of the interpreter
        lower = pool.submit(_first_stair, lines[half * high :], block, rows - half, quantum)
        found = _first_stair(lines, block, half + 1, quantum)
        below = lower.result()
    return found or below and (below[0] + half * high, below[1])


def _first_stair(lines: np.ndarray, block: tuple[int, int], rows: int, quantum: float) -> tuple[int, float] | None:
    """Return the same of the first ``rows`` borders between rows of blocks, whole ones."""
    wide, high = block
    above2, above, below, below2 = (_means(lines[high + k :: high][:rows], wide) for k in (-2, -1, 0, 1))
    before, after = above - above2, below2 - below
    change = np.abs(before) + np.abs(after)
    step = below - above - (before + after) / 2
    least, size = SMALLEST_STEP + quantum, np.abs(step)
    stepped = np.sign(step) * (size >= least + SHARPNESS * change)
    even = (size < least) & (change < EVEN)
    lates, earlies = even[:-1] * stepped[1:], even[1:] * stepped[:-1]
    for n in np.flatnonzero(lates.any(axis=1) & earlies.any(axis=1)).tolist():
        late, early = lates[n], earlies[n]
        sign = 1 if (late + early).sum() > 0 else -1
        left, right = np.flatnonzero(late == sign), np.flatnonzero(early == sign)
        if min(len(left), len(right)) < FEWEST_BLOCKS or left[-1] > right[0]:
            continue
        against = np.count_nonzero((even[n] & even[n + 1]) | (late == -sign) | (early == -sign))
        if against <= MOST_AGAINST * (len(left) + len(right)):
            height = np.median(np.concatenate([step[n + 1, left], step[n, right]]))
            return (n + 1) * high, float(height)
    return None


def _means(lines: np.ndarray, wide: int) -> np.ndarray:
    """Return the mean luma of each block's part of some rows of pixels."""
    grey = lines if lines.ndim == 2 else np.rint(lines @ np.array(LUMA, np.float32)).astype(np.uint8)
    eights = grey.view(np.uint64)  # eight pixels each, added side by side
    sums = eights >> np.uint64(8)
    sums &= LANES
    sums += eights & LANES
    if wide > 8:
        sums = sum(sums[:, k :: wide // 8] for k in range(wide // 8))
    sums *= LANE_SUM
    sums >>= np.uint64(48)
    means = sums.astype(np.float32)
    means /= np.float32(wide)
    return means
