"""What a shot is not sure of beyond its noise: shared effects on all its edges, and laws that may be the display's."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from blurscope.blur.operator import Capture, capture_operator
from blurscope.blur.profiles import Nuisance
from blurscope.light import MODE_LIGHT, Tone, law_at
from blurscope.uncertainty import CUT_MEAN, mean_of_cut_noise

LEAST_CURVE_SD = 1.6e-4  # doubt of the tone curve at best, share of white
SHARP_PX = 0.7  # blur across the motion up to which the stripes fix pose and curve to that
MIXED_CURVE_SD = 0.15  # doubt of the curve per px of blur beyond
LEAST_LAW_SD, MIXED_LAW_SD = 1e-4, 0.05  # the same of the display's law
OTHER_LAWS = 8
TOES = (0.8, 3.5)  # exponents that a display's law may have near black
TOE_SD, TOE_SHARE = 0.1, 0.7  # doubt of it there: at least, and share of the bend that the darkest greys show


def shared_doubts(
    cells, lag, starts, pairs, capture, motion, tone, *, across_px, lens_sd, phase_sd, ages
) -> list[Nuisance]:
    """How each shared uncertainty moves the profiles by one standard deviation.

    ``lens_sd`` is that of the blur, ``phase_sd`` that of when the pixels switch on the pose's clock, refreshes.
    """

    def seen(c: Capture, stretch: float = 1.0) -> np.ndarray:
        return cells @ capture_operator(lag * stretch, ages, c, starts).T

    plain = capture
    if motion is not None:
        plain = capture.opened(motion.start)
    reference = seen(plain)
    out = []
    sigma = capture.blur_sigma_px
    out.append(Nuisance(name="lens", shift=seen(plain.changed(blur_sigma_px=sigma + lens_sd)) - reference))
    if motion is not None:
        e = motion.sd("error")
        moved = plain.changed(error_px_per_refresh=plain.error_px_per_refresh + e)
        out.append(Nuisance(name="tracking", shift=seen(moved) - reference))
        x = motion.sd("exposure")
        longer = plain.changed(exposure_refreshes=plain.exposure_refreshes + x)
        out.append(Nuisance(name="exposure", shift=seen(longer) - reference))
        later = plain.changed(start_phase=plain.start_phase + phase_sd)
        out.append(Nuisance(name="phase", shift=seen(later) - reference))
    else:
        wide = plain.changed(error_px_per_refresh=plain.error_px_per_refresh + 0.3)
        out.append(Nuisance(name="tracking", shift=seen(wide) - reference))
    relative = 0.0007
    out.append(Nuisance(name="scale", shift=seen(plain, 1 + relative) - reference))
    law = tone.law(np.array([[a, b] for a, b in pairs], float))
    a, b = law[:, :1], law[:, 1:]
    level = np.maximum(a + (b - a) * np.clip(reference, -0.6, 1.6), 0.0)  # overshoots included

    def changed(bend: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Change of the normalised profiles when light x is read as x + bend(x)."""
        return (bend(level) - bend(a) - (bend(b) - bend(a)) * (level - a) / (b - a)) / (b - a)

    def least(x: np.ndarray) -> np.ndarray:
        x = np.clip(x, 1e-5, 1.5)
        return 2.7 * (LEAST_CURVE_SD + MIXED_CURVE_SD * max(across_px - SHARP_PX, 0.0)) * x * np.log(x)

    out.append(Nuisance(name="tone", shift=changed(least)))
    for mode in tone.curve_modes:
        out.append(Nuisance(name="tone", shift=changed(lambda x, mode=mode: np.interp(x, MODE_LIGHT, mode))))
    if tone.black_bias > 2e-5:
        spread = tone.black_bias / CUT_MEAN
        lift = partial(mean_of_cut_noise, spread=spread)
        out.append(Nuisance(name="black", shift=changed(lambda x: lift(x - tone.black))))
    return out


def signal_shares(pairs, tone: Tone, light: np.ndarray | None = None, toe: float = 0.0) -> np.ndarray:
    """Shares of each step in light at which 10 % and 90 % of the step in signal are reached, (pairs, 2).

    By the display's own law, or by one with other ``light`` at the greys. Between black and the darkest grey nothing is
    measured: the law goes on as a power, with the exponent that the two darkest greys have, and ``toe`` more.
    """
    light = tone.light if light is None else light
    codes = np.linspace(0, 330, 1321)
    law = law_at(codes, tone.level, light, tone.display_gamma)
    first = float(tone.level[1])
    below = codes < first
    exponent = np.clip(_toe(tone.level, light, tone.display_gamma) + toe, *TOES)
    at_first, black = float(np.interp(first, codes, law)), float(light[0])
    law[below] = black + (at_first - black) * (codes[below] / first) ** exponent
    law = np.maximum.accumulate(law)
    a, b = np.array(pairs, float).reshape(-1, 2).T[:, :, None]
    la, lb, at = (np.interp(x, codes, law) for x in (a, b, a + (b - a) * np.array([0.1, 0.9])))
    return (at - la) / np.where(lb != la, lb - la, np.nan)


def _toe(level: np.ndarray, light: np.ndarray, gamma: float) -> float:
    """Return the exponent between the two darkest greys above black."""
    low, high = light[1] - light[0], light[2] - light[0]
    if low <= 0 or high <= low:
        return gamma
    return float(np.clip(np.log(high / low) / np.log(level[2] / level[1]), *TOES))


def other_laws(pairs, tone: Tone, across_px: float, rng: np.random.Generator) -> np.ndarray:
    """Return the same by laws that the greys allow for as well, (pairs, laws, 2)."""
    mixed = MIXED_LAW_SD * max(across_px - SHARP_PX, 0.0) * np.sqrt(np.maximum(tone.light, 0))
    doubt = tone.light_sigma + LEAST_LAW_SD + mixed
    bent = TOE_SD + TOE_SHARE * abs(tone.display_gamma - _toe(tone.level, tone.light, tone.display_gamma))
    draws = rng.standard_normal((OTHER_LAWS, len(doubt) + 1))
    return np.stack([signal_shares(pairs, tone, tone.light + doubt * z[1:], bent * z[0]) for z in draws], axis=1)
