"""What the greys' own pixels show: clipped and crushed codes, noise cut off at no light, codes linear in light."""

from __future__ import annotations

import numpy as np

from blurscope.light.cut import LEAST_CUT, MOST_CUT, Cut, find_cut
from blurscope.light.patches import Patch
from blurscope.uncertainty import CUT_MEAN, CUT_MEAN_SEEN, loudness

LOOKS_LINEAR = 0.04  # share of white


def pooled(patches: list[Patch], level: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the codes of all patches of a grey level and their weights, sum 1."""
    mine = [p for p in patches if p.kind == "grey" and p.level == level]
    weights = np.concatenate([p.weights for p in mine] or [np.ones(1)])
    return np.concatenate([p.codes for p in mine] or [np.ones(1, int)]), weights / weights.sum()


def ends(patches: list[Patch], full: int) -> tuple[float, float]:
    """Return the share of white's pixels at the upper end of the codes, and of black's at the lower."""
    top, top_weight = pooled(patches, 255)
    low, low_weight = pooled(patches, 0)
    return float(top_weight @ (top >= full - max(1, full // 256))), float(low_weight @ (low <= 0))


def black_bias(patches: list[Patch], decode: np.ndarray, crushed: float, levels: np.ndarray) -> float:
    """What cutting off noise at 0 may add to the mean of black.

    Half a normal noise gains 0.4 of its spread, as far as codes are seen to be cut off. Averages of pixels, of a mosaic
    or in a JPEG, hide the cut: in a photo whose greys are loud, a black that is skewed has it too, and has lost more of
    its spread than of its mean.
    """
    codes, weights = pooled(patches, 0)
    light = decode[codes]
    off = light - float(weights @ light)
    spread = float(np.sqrt(weights @ off**2))
    cut = min(1.0, crushed / 0.3)
    seen = CUT_MEAN * spread * cut
    if spread <= 0:
        return seen
    skew = float(weights @ off**3) / spread**3
    white = float(_moments(patches, decode, 255)[0])
    shot = min(s / np.sqrt(m * white) for m, s in (_moments(patches, decode, x) for x in levels[1:]) if m > 0)
    loud = loudness(shot) * float(np.clip(skew, 0.0, 1.0))
    return max(seen, loud * spread * (1 - (1 - CUT_MEAN_SEEN) * cut))


def may_be_cut(patches: list[Patch]) -> bool:
    """Whether as many of black's pixels are without light as noise that is cut off leaves."""
    codes, weights = pooled(patches, 0)
    return LEAST_CUT < float(weights @ (codes <= 0)) < MOST_CUT


def cut_of(patches: list[Patch], decode: np.ndarray) -> Cut | None:
    """Return the noise that is cut off at no light, where black's pixels show it."""
    whites = [p for p in patches if p.kind == "grey" and p.level == 255]
    codes, weights = pooled(patches, 0)
    if not whites:
        return None
    means = [float(p.weights @ decode[p.codes]) for p in whites]
    variances = [float(p.weights @ decode[p.codes] ** 2) - m * m for p, m in zip(whites, means, strict=True)]
    first = 0.5 * float(decode[0] + decode[1])
    return find_cut(decode[codes], weights, first, float(np.median(means)), float(np.median(variances)))


def _moments(patches: list[Patch], decode: np.ndarray, level: int) -> tuple[float, float]:
    """Return mean and spread of the light of a grey's pixels."""
    codes, weights = pooled(patches, level)
    light = decode[codes]
    mean = float(weights @ light)
    return mean, float(np.sqrt(max(weights @ (light - mean) ** 2, 0.0)))


def lifted(levels: np.ndarray, law: np.ndarray, gamma: float) -> float:
    """How much too near to black the darkest grey lies for a power law: what noise cut off at 0 in the camera does."""
    darkest = int(np.argmax(levels > 0))
    expected = law[0] + (1 - law[0]) * (levels[darkest] / 255) ** gamma
    return float(np.clip(expected - law[darkest], 0.0, 0.008))


def looks_linear(patches: list[Patch]) -> bool:
    """Whether the codes of halftones and dithers themselves lie about where their shares of white are."""
    white, black = (codes @ weights for codes, weights in (pooled(patches, 255), pooled(patches, 0)))
    off = [(p.codes @ p.weights - black) / max(white - black, 1) - p.share for p in patches if p.share >= 0]
    return bool(off) and float(np.mean(np.abs(off))) < LOOKS_LINEAR
