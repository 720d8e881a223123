"""The blur along the motion: what stripes show across it, unless streaks show clearly that it is another one.

Astigmatism, coma, a shaking hand and a camera's own denoising blur one way more than the other. Stripes tell the blur
across the motion to a hundredth of a pixel; streaks tell the one along it, less well.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from blurscope.light.lens import LEAST_SD_PX
from blurscope.tracking import Motion
from blurscope.uncertainty import LENS_SD_PX, LENS_SHARE

UNEVEN_SHARE, UNEVEN_SD = 0.3, 0.35  # of lenses that blur one way more than the other, and by how much of the blur
STREAK_SDS, STREAK_SD_PX = 2.0, 0.009  # how well streaks tell a blur: their own standard uncertainties; px, at 1 px
BAD_CHI2 = 2.0  # of streaks, above which they tell less
UNEVEN_SHAPE = 0.12  # of the difference: what uneven blurs, which are no Gaussians, leave
CLEARLY = 0.3  # probability of an even lens below which the blur is said to be uneven


class AlongBlur(NamedTuple):
    """Blur along the motion, its standard uncertainty, px, and whether it clearly differs from that across it."""

    sigma_px: float
    sd_px: float
    uneven: bool = False


def even_blur(across_px: float, across_sd: float) -> AlongBlur:
    """Return the blur along the motion of a lens that blurs both ways alike, so far as lenses do."""
    return AlongBlur(across_px, float(np.hypot(across_sd, LENS_SD_PX + LENS_SHARE * across_px)))


def blur_along(motion: Motion | None, across_px: float, across_sd: float) -> AlongBlur:
    """Return the blur along the motion, from that across it and from the streaks.

    Most lenses blur both ways about alike, a few do not: the prior of the difference is a mixture of two normals. Given
    what the streaks say it is one of two normals again; returned are their mean and standard deviation.

    Parameters
    ----------
    motion : Motion or None
        Fitted with a blur of its own.
    across_px, across_sd : float
        The blur across the motion, and its standard uncertainty.
    """
    if motion is None:
        return even_blur(across_px, across_sd)
    return _weighed(motion.sigma, motion.sd("sigma"), motion.chi2_ratio, across_px, across_sd)


def expected_sd(across_px: float) -> float:
    """Return the standard uncertainty of the blur along the motion, px, where clear streaks tell the same blur."""
    return _weighed(across_px, 0.0, 1.0, across_px, LEAST_SD_PX).sd_px


def _weighed(streak_px: float, streak_sd: float, chi2_ratio: float, across_px: float, across_sd: float) -> AlongBlur:
    blind = STREAK_SDS * streak_sd + STREAK_SD_PX * (1 + 1 / max(streak_px, 0.1))
    noise2 = across_sd**2 + (blind * max(1.0, chi2_ratio / BAD_CHI2)) ** 2
    prior2 = np.array([(LENS_SD_PX + LENS_SHARE * across_px) ** 2, (UNEVEN_SD * across_px) ** 2])
    share = np.array([1 - UNEVEN_SHARE, UNEVEN_SHARE])
    apart = streak_px - across_px
    log_weight = np.log(share) - 0.5 * (np.log(prior2 + noise2) + apart**2 / (prior2 + noise2))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    means, variances = apart * prior2 / (prior2 + noise2), prior2 * noise2 / (prior2 + noise2)
    mean = float(weight @ means)
    shape2 = weight[1] * (UNEVEN_SHAPE * apart) ** 2
    variance = float(weight @ (variances + (means - mean) ** 2)) + across_sd**2 + shape2
    return AlongBlur(max(across_px + mean, 0.05), float(np.sqrt(variance)), bool(weight[0] < CLEARLY))
