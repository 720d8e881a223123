"""Steps in the codes of the plate's greys along one direction of the photo, as a damaged JPEG has them.

A JPEG stores the mean of each block as the difference from the block before. One wrong difference makes all that
follows brighter or darker by the same number of codes, to the end of the picture, and the decoder says nothing of it.

Here the plate's patches show it: their levels are known, so that a regression tells a step from the curve and the
fall-off, whatever lies between the patches. Reading a JPEG looks for another sign, the border of shifted blocks in the
stored pixels (`blurscope.photo.seam`), which needs places that are even and no plate.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

ORDER = 4  # of the polynomial that codes follow over the levels
DARKEST = 40  # level from which they do: near black reflections and the camera's curve bend them
CLIPPED = 252  # code
LEAST_LEVELS = 13  # with fewer, polynomial and steps together follow anything
MOST_STEPS = 2
LEAST_SHARE = 0.05  # of the patches on either side of a step
LEAST_SQUARE = 5e-3  # per patch, of a step of one code: less is nearly a smooth change
APART = 0.12  # share of the patches between two steps; of nearer ones that go up and down it is a stripe that is odd


class Step(NamedTuple):
    """The largest step found: its size, and how much of the greys' misfit such steps explain.

    ``codes`` are in 1/255 of full scale; ``ratio`` is that of the squares explained to the squares left.
    """

    codes: float
    ratio: float


def find_steps(level: np.ndarray, codes: np.ndarray, at: np.ndarray, field: np.ndarray) -> Step:
    """Look for steps that patches of grey have in common.

    Parameters
    ----------
    level, codes : (n,) float
        Level and code of each patch; NaN for a code that isn't known.
    at : (n,) float
        Its place along the direction in which a step is looked for.
    field : (n, k) float
        Smooth changes of the light over the photo; each changes a code in proportion to it.
    """
    use = (level >= DARKEST) & (codes < CLIPPED)  # false for codes that are not known
    level, codes, at, field = level[use] / 255, codes[use], at[use], field[use]
    if len(np.unique(level)) < LEAST_LEVELS:
        return Step(0.0, 0.0)
    smooth = np.concatenate([level[:, None] ** np.arange(ORDER + 1), codes[:, None] * field], axis=1)
    base = np.linalg.qr(smooth)[0]
    left = codes - base @ (base.T @ codes)
    before = float(left @ left)
    places = np.unique(np.round(at))
    steps = (at[:, None] > (places[1:] + places[:-1]) / 2).astype(float)
    share = steps.mean(axis=0)
    inside = (share > LEAST_SHARE) & (share < 1 - LEAST_SHARE)
    steps, share = steps[:, inside], share[inside]
    steps = steps - base @ (base.T @ steps)
    sizes: list[float] = []
    near = np.zeros(len(share), bool)
    for _ in range(MOST_STEPS if steps.size else 0):
        square = (steps**2).sum(axis=0)
        size = np.where(square > LEAST_SQUARE * len(codes), left @ steps / np.maximum(square, 1e-9), 0.0)
        if sizes:
            size[near & (size * sizes[0] < 0)] = 0.0
        found = int(np.argmax(size**2 * square))
        left = left - size[found] * steps[:, found]
        sizes.append(float(size[found]))
        near = np.abs(share - share[found]) < APART
        steps = steps - np.outer(steps[:, found], steps[:, found] @ steps) / max(square[found], 1e-9)
    after = float(left @ left)
    return Step(max(sizes, key=abs, default=0.0), (before - after) / max(after, 1e-4 * len(codes)))
