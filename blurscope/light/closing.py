"""Which halftones and dithers the camera's curve is fitted to, from which base, and with what noise cut off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from blurscope.light.curve import base_curve, power_like, powered
from blurscope.light.cut import Cut
from blurscope.light.dark import cut_of, may_be_cut
from blurscope.light.fit import Fit, Stripes, closure_of, fit_stripes

GOOD_CLOSURE = 0.008
CUT_ROUNDS, SAME_NOISE = 4, 0.03  # of curve and noise in turn; change of its variance at which it is found
PLAIN = 1.5e-3  # bend of a curve, share of full scale, up to which it is left as it is
LESS_BENT = 0.6  # share of that bend, with which a power is taken for the camera's curve instead
POWER_ROUNDS = 3


class Closed(NamedTuple):
    """A fit, how well halftones and dithers close with it, the base of its curve and the noise cut off."""

    fit: Fit
    closure: float
    base: Callable[[np.ndarray], np.ndarray]
    cut: Cut | None


def close(stripes: Stripes, tries: Sequence[tuple[str, ...]], base: Callable, *, linear: bool) -> Closed:
    """Return the fit that closes, with the noise cut off at no light, which bends the curve it shows in.

    Parameters
    ----------
    stripes : Stripes
    tries : sequence of tuple of str
        Kinds of patches that may take part, the most trusted first.
    base : callable
        Curve that is bent.
    linear : bool
        Codes are proportional to light.
    """
    closed = partial(_first_closed, stripes, tries, base, linear=linear)
    noise = partial(cut_of, stripes.patches)
    fit, closure = closed()
    cut = noise(fit.decode)
    if cut is None and may_be_cut(stripes.patches):  # what is cut off has bent the curve too far to be told by it
        cut = noise(closed(free_black=True)[0].decode)
    if cut is None:
        return Closed(fit, closure, base, None)
    cut = noise(base_curve(stripes.full, True) if linear else base(np.arange(stripes.full + 1) / stripes.full)) or cut
    for _ in range(CUT_ROUNDS):
        fit, closure = closed(cut=cut)
        found = noise(fit.decode)
        if found is None or abs(found.read2 / cut.read2 - 1) < SAME_NOISE:
            break
        cut = found
    return Closed(fit, closure, base, cut)


def close_plainest(stripes: Stripes, tries: Sequence[tuple[str, ...]], base: Callable) -> Closed:
    """Return the same for codes that are not linear, from a power where a base has to be bent less that way."""
    found = close(stripes, tries, base, linear=False)
    for _ in range(POWER_ROUNDS):
        if found.fit.bent < PLAIN:
            break
        exponent = power_like(found.fit.decode / np.exp(found.fit.flat[0]), stripes.full)
        other = close(stripes, tries, partial(powered, exponent), linear=False)
        good = other.closure < max(2 * found.closure, GOOD_CLOSURE)
        if not (good and other.fit.bent < LESS_BENT * found.fit.bent):
            break
        found = other
    return found


def _first_closed(stripes: Stripes, tries, base, **options) -> tuple[Fit, float]:
    """Fit to one choice of halftones and dithers after the other; return the first that closes well, or the best."""
    best = None
    for mixed in tries:
        fit = fit_stripes(stripes, base, known=None, mixed=mixed, **options)
        closure = closure_of(stripes, fit, mixed)
        if best is None or closure < best[1]:
            best = (fit, closure)
        if closure < GOOD_CLOSURE:
            break
    return best
