"""Light and lens blur together: out of focus, stripes reach into each other, and what they show bends the curve."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from blurscope.light import Lens, Tone, base_curve, measure_lens, measure_tone
from blurscope.pattern.layout import Layout
from blurscope.target import Registration

MIXING_BLUR_PX = 0.45  # blur across the motion from which stripes are no longer separate
MIXING_ROUNDS = 4
SAME_BLUR_PX = 0.01
APERTURE = 0.35  # of a camera pixel: the blur that it adds with the reading between two of them


def measure_light(
    codes: np.ndarray, reg: Registration, layout: Layout, *, linear: bool, **known: Any
) -> tuple[Tone, Lens]:
    """Return the photo's curve, flat field and law, and the lens blur across the motion.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
    reg : Registration
    layout : Layout
    linear : bool
        Codes are proportional to light.
    **known
        As for `blurscope.light.measure_tone`.
    """
    place = (codes, reg.pose, layout, reg.lit_u_px)
    tone = measure_tone(*place, linear=linear, **known)
    lens = measure_lens(*place, tone)
    aperture_px = APERTURE / reg.campx_per_px

    def mixing(lens: Lens) -> bool:
        return bool(np.hypot(lens.sigma_px, aperture_px) > MIXING_BLUR_PX)

    if lens.gaps:
        known["whole_rows"] = True
        tone = measure_tone(*place, linear=linear, **known)
        lens = measure_lens(*place, tone)
    if not mixing(lens):
        return tone, lens
    # the curve found without regard to it may be badly bent, and so the blur: begin with an ordinary curve
    lens = measure_lens(*place, replace(tone, decode=base_curve(len(tone.decode) - 1, linear).astype(np.float32)))
    for _ in range(MIXING_ROUNDS):
        before = lens
        if not mixing(before):
            break
        blur_at = partial(_blur_at, before, aperture_px)
        tone = measure_tone(*place, linear=linear, blur_at=blur_at, **known)
        lens = measure_lens(*place, tone)
        if abs(lens.sigma_px - before.sigma_px) < SAME_BLUR_PX:
            break
    return tone, lens


def _blur_at(lens: Lens, aperture_px: float, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Return the blur across the motion at places of the plate, the camera pixel's aperture included."""
    return np.sqrt(np.maximum(lens.sigma_px**2 + lens.extra_px2(u, v), 0.0) + aperture_px**2)
