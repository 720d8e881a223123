"""The camera's curve, the flat field and the display's level-to-light law, fitted together.

Greys of the display alone can't tell the camera's curve from the display's law. The row halftones and the dithers
can: their light is ``black + k/n (white - black)`` whatever that law is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np

from blurscope._cv import cv2
from blurscope.light.cut import Cut, find_cut
from blurscope.light.patches import Patch, gather
from blurscope.light.seams import Step, find_steps
from blurscope.pattern.layout import Layout
from blurscope.uncertainty import CUT_LEFT, CUT_MEAN, CUT_MEAN_SEEN, loudness

KNOTS = 7
TOPS = 32  # steps in which the place of white in the range of codes is counted
SMALL_STEP = 1e-6  # of the fit, at its end
BEND_ROUNDS = 6
SPREADS = 0.02, 0.1  # misfit of patches in units of their weights that noise may have
LARGE_BEND = 0.25  # of any curve, in units of the weights
FIRST_BEND = 0.02  # the same at first, before flat field and law are about right: a bend that cuts off codes stays so
HAZE_TERMS = 5  # of light that the lens spreads over the photo: linear and square, its mean is the law's
HAZE = 3e-4  # size of it to expect if nothing is known, share of full scale
BEND = 1.5e-4  # size of bends to expect if nothing is known, share of full scale
PLAIN = 1.5e-3  # bend of a curve, share of full scale, up to which it is left as it is
LESS_BENT = 0.6  # share of that bend, with which a power is taken for the camera's curve instead
POWER_ROUNDS = 3
POWER_LIGHT, POWERS = (0.1, 0.95), (1.5, 3.0)  # light, share of white, where its exponent shows, and what it may be
CLOSURE_LIMIT = 0.03
GOOD_CLOSURE = 0.008
LOOKS_LINEAR = 0.04  # share of white
MOST_LOG_GAIN = 60.0  # beyond which a fit has run away
MODES = 3
MODE_LIGHT = np.concatenate([np.linspace(0.0, 1.0, 65) ** 2, np.linspace(1.0, 1.6, 13)[1:]])  # relative to white
BEYOND = 0.3  # of how far the curve goes on straight beyond white from where it would without what bends it below
MOST_MIXED = 4.0  # codes of 255, of a patch in which a step is looked for
CUT_ROUNDS, SAME_NOISE = 4, 0.03  # of curve and noise in turn; change of its variance at which it is found
MIN_DITHERS = 3  # from which the row halftones only check the curve


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """How codes become light.

    Attributes
    ----------
    decode : (full_scale + 1,) float32
        Relative light of each code.
    flat : (8,) float
        Coefficients of the log flat field in ``1, x, y, x2, xy, y2, r4, ...`` of normalised photo coordinates.
    centre, radius : float
        Normalisation of those coordinates.
    method : str
        ``linear_file``, ``row_halftones``, ``meter`` or ``assumed_gamma``.
    level, light : (n,) float
        The display's law: light of each grey, 1 at level 255, reflected light included.
    light_sigma : (n,) float
    display_gamma, display_gamma_sigma : float
        Exponent of ``light = black + (1 - black) signal^gamma`` fitted to the law.
    black : float
        Light at level 0 relative to white.
    closure : float
        Largest misfit of the halftones, share of white.
    curve_sigma : float
        Standard uncertainty of the curve between black and white, share of white.
    curve_modes : (k, len(MODE_LIGHT)) float
        Independent changes of the curve by one standard deviation each, at the lights `MODE_LIGHT`.
    black_bias : float
        What clipping of the noise at code 0 may add to the mean of black, share of white.
    linear : bool
        Codes are proportional to light.
    clipped_share, crushed_share : float
        Share of pixels of the white / black stripes at the ends of the code range.
    shown : (light, sigma) arrays, or None
        The law that the plate shows, where ``light`` may be a declared one.
    steps : tuple of Step
        Steps in the codes of the greys along x and along y.
    cut : Cut, or None
        The noise that is cut off at no light, where that shows.
    haze : (HAZE_TERMS,) float
        Light that the lens spreads unevenly over the photo, share of white: coefficients of the flat field's terms.
    """

    decode: np.ndarray
    flat: np.ndarray
    centre: tuple[float, float]
    radius: float
    method: str
    level: np.ndarray
    light: np.ndarray
    light_sigma: np.ndarray
    display_gamma: float
    display_gamma_sigma: float
    black: float
    closure: float
    curve_sigma: float
    curve_modes: np.ndarray
    clipped_share: float
    crushed_share: float
    black_bias: float = 0.0
    linear: bool = False
    warnings: tuple[tuple[str, str], ...] = ()
    shown: tuple[np.ndarray, np.ndarray] | None = None
    steps: tuple[Step, Step] = (Step(0.0, 0.0), Step(0.0, 0.0))
    cut: Cut | None = None
    haze: np.ndarray = field(default_factory=lambda: np.zeros(HAZE_TERMS))

    def even(self, mean: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return light at campx positions, from means of many pixels there, as it were in the middle of the photo.

        Taken off are what cutting off noise adds to means, the flat field and the haze.
        """
        seen = mean if self.cut is None else self.cut.light(mean)
        terms = flat_terms(x, y, self.centre, self.radius)[:HAZE_TERMS]
        haze = sum(term * share for term, share in zip(terms, self.haze.tolist(), strict=True))
        return seen / self.gain(x, y) - haze * float(np.exp(self.flat[0]))

    def gain(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the flat field (1 at the centre) at campx positions."""
        terms = flat_terms(x, y, self.centre, self.radius)
        return np.exp(sum(term * share for term, share in zip(terms, self.flat[1:].tolist(), strict=True)))

    def window(
        self, codes: np.ndarray, x: np.ndarray, y: np.ndarray, margin: int = 1, keep_off: float | None = None
    ) -> Window | None:
        """Return the light of the part of the photo around grids of campx positions (float32, 2-D).

        With ``keep_off`` there is None where a position is nearer than that to the photo's outermost pixels.
        """
        (left, right), (top, bottom) = (cv2.minMaxLoc(z)[:2] for z in (x, y))
        height, width = codes.shape
        if keep_off is not None and (
            min(left, top) < keep_off or right > width - 1 - keep_off or bottom > height - 1 - keep_off
        ):
            return None
        left, right = max(0, int(left) - margin), min(width, int(right) + margin + 2)
        top, bottom = max(0, int(top) - margin), min(height, int(bottom) + margin + 2)
        part = codes[top:bottom, left:right]
        return Window(part, cv2.LUT(part, self.decode), left, top)

    def sample(self, codes: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the photo's light at campx positions (float32, 2-D), linear between pixels as light, not as codes."""
        (left, right), (top, bottom) = (cv2.minMaxLoc(z)[:2] for z in (x, y))
        if (right - left + 4) * (bottom - top + 4) < 8 * x.size:
            return self.window(codes, x, y).at(x, y)
        # few points far apart: their four neighbours only
        left = np.clip(np.floor(x), 0, codes.shape[1] - 2).astype(np.intp)
        top = np.clip(np.floor(y), 0, codes.shape[0] - 2).astype(np.intp)
        right, low = np.clip(x - left, 0, 1), np.clip(y - top, 0, 1)
        upper = self.decode[codes[top, left]] * (1 - right) + self.decode[codes[top, left + 1]] * right
        lower = self.decode[codes[top + 1, left]] * (1 - right) + self.decode[codes[top + 1, left + 1]] * right
        return upper * (1 - low) + lower * low

    def law(self, level: np.ndarray) -> np.ndarray:
        """Return the display's light at levels: power law with the measured points' residuals interpolated."""
        return law_at(np.asarray(level, float), self.level, self.light, self.display_gamma)


class Window(NamedTuple):
    """Part of a photo as codes and as light: campx of its first column and row, how many of its rows a row is of."""

    codes: np.ndarray
    light: np.ndarray
    left: float
    top: float
    rows: int = 1

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the light at campx positions (2-D), linear between pixels."""
        return cv2.remap(
            self.light, x - self.left, (y - self.top) / self.rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )

    def joined(self, rows: int) -> Window:
        """Return the same with every so many rows averaged into one."""
        if rows == 1:
            return self
        count = len(self.light) // rows
        mean = self.light[: count * rows].reshape(count, rows, -1).sum(axis=1)
        mean /= np.float32(rows)
        return Window(self.codes, mean, self.left, self.top + (rows - 1) / 2, rows)


def law_at(level: np.ndarray, levels: np.ndarray, light: np.ndarray, gamma: float) -> np.ndarray:
    """Interpolate a measured law smoothly: ratio to a power law, linear in level."""
    black = light[0]
    power = np.maximum((levels / 255) ** gamma, 1e-9)
    ratio = (light - black) / power
    ratio[0] = ratio[1]
    return black + np.interp(level, levels, ratio) * (level / 255) ** gamma


def flat_basis(x: np.ndarray, y: np.ndarray, centre: tuple[float, float], radius: float) -> np.ndarray:
    """Return the terms of the log flat field at campx positions, (..., 8), the constant one first."""
    terms = flat_terms(x, y, centre, radius)
    return np.stack([np.ones_like(terms[0]), *terms], axis=-1)


def flat_terms(x: np.ndarray, y: np.ndarray, centre: tuple[float, float], radius: float) -> tuple[np.ndarray, ...]:
    """Return the terms of the log flat field that change over the photo."""
    a = (np.asarray(x, float) - centre[0]) / radius
    b = (np.asarray(y, float) - centre[1]) / radius
    aa, bb = a * a, b * b
    r2 = aa + bb
    r4 = r2 * r2
    return a, b, aa, a * b, bb, r4, r4 * r2


def base_curve(full_scale: int, linear: bool) -> np.ndarray:
    """Return the starting curve: identity for linear files, else the inverse sRGB curve (IEC 61966-2-1)."""
    c = np.arange(full_scale + 1) / full_scale
    return c if linear else srgb_to_light(c)


def srgb_to_light(c: np.ndarray) -> np.ndarray:
    """Return the light of an sRGB code value in 0..1, continued as a power beyond 1 (IEC 61966-2-1)."""
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.04045) + 0.055) / 1.055) ** 2.4)


def _hats(c: np.ndarray) -> np.ndarray:
    """Smooth warp terms that vanish at 0 and 1: (n, KNOTS - 2) Bernstein polynomials, straight on beyond 1."""
    from math import comb

    order = KNOTS - 1
    inside, beyond = np.minimum(c, 1.0), np.maximum(c - 1.0, 0.0)
    terms = [comb(order, k) * inside**k * (1 - inside) ** (order - k) for k in range(1, order)]
    terms[-1] = terms[-1] - order * beyond
    return np.stack(terms, axis=-1)


@lru_cache(maxsize=4)
def _table(full_scale: int, top: int) -> tuple[np.ndarray, np.ndarray]:
    """Return all codes as a share of full scale and the warp terms there; of 16 bits they are dear."""
    c = np.arange(full_scale + 1) / full_scale
    return c, _hats(c * TOPS / top)


def curve(theta: np.ndarray, full_scale: int, base: Callable[[np.ndarray], np.ndarray], top: int = TOPS) -> np.ndarray:
    """Return the decode table for warp coefficients ``theta`` on top of a base curve.

    The warp ends at ``top`` / `TOPS` of full scale, where white is: a bend that only scales light can't be told from
    the exposure.
    """
    c, hats = _table(full_scale, top)
    warped = c + hats @ theta
    return base(np.maximum.accumulate(np.clip(warped, 0, 1.2)))


def measure_tone(
    codes: np.ndarray,
    pose: Any,
    layout: Layout,
    lit: tuple[float, float],
    *,
    linear: bool = False,
    assumed_gamma: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    contrast: float | None = None,
    blur_at: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
    stated: Callable[[np.ndarray], np.ndarray] | None = None,
    area_sd: np.ndarray | None = None,
) -> Tone:
    """Fit curve, flat field and law to the plate's static stripes.

    Parameters
    ----------
    codes : (h, w) uint8 or uint16
    pose : object with ``to_plate`` and ``to_photo``
    layout : Layout
    lit : (float, float)
    linear : bool
        The file is linear in light: only flat field and law are fitted.
    assumed_gamma : float, optional
        ``light = black + (1 - black) signal^gamma`` is given, not measured.
    meter : (level, light) arrays, optional
        A light-meter table of the display.
    contrast : float, optional
        White over black, used with ``assumed_gamma``.
    blur_at : callable, optional
        Blur across the motion, display px, at places ``(u, row)`` of the plate: neighbouring stripes mix.
    stated : callable, optional
        Light of a code (0 to 1.2) as the file's profile states it: where the curve is looked for, instead of sRGB's.
        Near black a power law is far from sRGB, and too steep for what the stripes can tell apart.
    area_sd : (h, w) uint16, optional
        Standard deviation by which the codes of an even area are off as a whole, of a full scale of 65535. All
        halftones and dithers take part then, and the curve bends no further than stripes with such an error can tell.
    """
    base = stated or srgb_to_light
    full = 65535 if codes.dtype == np.uint16 else 255
    patches = gather(codes, pose, layout, lit, blur_at=blur_at)
    off_sd = 0.0
    if area_sd is not None:
        greys = [p for p in gather(area_sd, pose, layout, lit, blur_at=blur_at) if p.kind == "grey"]
        off_sd = float(np.sqrt(np.mean([(p.codes @ p.weights) ** 2 for p in greys]))) / 65535
    h, w = codes.shape
    centre, radius = ((w - 1) / 2, (h - 1) / 2), float(np.hypot(h, w) / 2)
    clipped, crushed = _ends(patches, full)
    levels = np.array(sorted({p.level for p in patches if p.kind == "grey"}))
    known = None
    if meter is not None:
        known = np.interp(levels, meter[0], np.asarray(meter[1]) / meter[1][-1])
    elif assumed_gamma is not None:
        black = 1 / contrast if contrast else 0.001
        known = black + (1 - black) * (levels / 255) ** assumed_gamma
    warnings: list[tuple[str, str]] = []
    frame = (centre, radius)
    # the smeared columns of the dithers are even areas, whatever demosaicing or sharpening does to alternating rows
    tries = [("dither",)] if len({p.block for p in patches if p.kind == "dither"}) >= MIN_DITHERS else []
    both = ("dither", "halftone")
    tries = [both, *tries, ("halftone",)] if off_sd > 0 else [*tries, both, ("halftone",)]
    method = "linear_file" if linear else "row_halftones"
    closed = partial(_closed_uncut, patches, levels, full, frame, tries, off_sd=off_sd)
    if linear or _looks_linear(patches):  # a linear file need not say so
        fit, closure, cut = closed(base, linear=True)
        linear = linear or closure < GOOD_CLOSURE
    if not linear:
        fit, closure, cut = closed(base, linear=False)
        for _ in range(POWER_ROUNDS):
            if fit.bent < PLAIN:
                break
            power = _power(fit, full)
            other = closed(partial(_powered, power), linear=False)
            if not (other[1] < max(2 * closure, GOOD_CLOSURE) and other[0].bent < LESS_BENT * fit.bent):
                break
            base = partial(_powered, power)
            fit, closure, cut = other
    if not linear and closure > CLOSURE_LIMIT:
        warnings.append(("halftone_inconsistent", f"they miss by {100 * closure:.1f} % of white"))
        if known is None:
            known = 0.001 + 0.999 * (levels / 255) ** 2.2
            warnings.append(("tone_assumed", "a display gamma of 2.2 was assumed"))
        fit = _fit(patches, levels, full, *frame, base, linear=False, known=known, mixed=(), off_sd=off_sd)
        method = "meter" if meter is not None else "assumed_gamma"
    elif (rows := _closure(patches, fit, frame, ("halftone",))) > CLOSURE_LIMIT:
        warnings.append(
            ("halftone_inconsistent", f"alternating rows miss by {100 * rows:.1f} % of white; the dithers were used")
        )
    decode, flat, law, law_sigma, sigma, modes, haze, _ = fit
    shown = (law, law_sigma) if method in ("linear_file", "row_halftones") else None
    if known is not None:  # a law given beats one measured, for the signal domain
        law, law_sigma = known, np.full(len(levels), 0.002)
    gamma, gamma_sigma = _gamma(levels, law, law_sigma)
    return Tone(
        decode=decode.astype(np.float32),
        flat=flat,
        centre=centre,
        radius=radius,
        method=method,
        level=levels.astype(float),
        light=law,
        light_sigma=law_sigma,
        display_gamma=gamma,
        display_gamma_sigma=gamma_sigma,
        black=float(law[0]),
        closure=closure,
        curve_sigma=sigma,
        curve_modes=modes,
        clipped_share=clipped,
        crushed_share=crushed,
        black_bias=max(
            (1.0 if cut is None else CUT_LEFT) * _black_bias(patches, decode, crushed, levels) / float(np.exp(flat[0])),
            0.0 if linear else _lifted(levels, law, gamma),
        ),
        linear=linear,
        warnings=tuple(warnings),
        shown=shown,
        steps=_steps(patches, dict(zip(levels, law, strict=True)), decode, flat, frame),
        cut=cut,
        haze=haze,
    )


def _steps(patches: list[Patch], law: dict[int, float], decode: np.ndarray, flat: np.ndarray, frame) -> tuple:
    """Look for steps in the greys' codes along x and y; what the lens mixes into a patch is taken off first."""
    greys = [p for p in patches if p.kind == "grey"]
    place = np.array([(p.x, p.y) for p in greys])
    basis = flat_basis(*place.T, *frame)
    gain = np.exp(basis @ flat)
    scale = 255 / (len(decode) - 1)
    rising = np.maximum.accumulate(decode) + 1e-12 * np.arange(len(decode))

    def code(light: np.ndarray) -> np.ndarray:
        return scale * np.interp(light, rising, np.arange(len(decode)))

    seen = scale * np.array([p.codes @ p.weights for p in greys])
    mixed = gain * [sum(part * law[level] for level, part in p.mix.items()) for p in greys]
    level = np.array([p.level for p in greys])
    taken_off = code(gain * [law[p.level] for p in greys]) - code(mixed)
    pure = np.where(np.abs(taken_off) < MOST_MIXED, seen + taken_off, np.nan)
    return tuple(find_steps(level, pure, at, basis[:, 1:6]) for at in place.T)


def _looks_linear(patches: list[Patch]) -> bool:
    """Whether the codes of halftones and dithers themselves lie about where their shares of white are."""
    white, black = (codes @ weights for codes, weights in (_pooled(patches, 255), _pooled(patches, 0)))
    off = [(p.codes @ p.weights - black) / max(white - black, 1) - p.share for p in patches if p.kind != "grey"]
    return bool(off) and float(np.mean(np.abs(off))) < LOOKS_LINEAR


def _lifted(levels: np.ndarray, law: np.ndarray, gamma: float) -> float:
    """How much too near to black the darkest grey lies for a power law: what noise cut off at 0 in the camera does."""
    darkest = int(np.argmax(levels > 0))
    expected = law[0] + (1 - law[0]) * (levels[darkest] / 255) ** gamma
    return float(np.clip(expected - law[darkest], 0.0, 0.008))


class _Fit(NamedTuple):
    """Decode table, flat field, law and its sigma, curve sigma and modes, haze, and how far the base curve is bent."""

    decode: np.ndarray
    flat: np.ndarray
    law: np.ndarray
    law_sigma: np.ndarray
    sigma: float
    modes: np.ndarray
    haze: np.ndarray
    bent: float


def _powered(exponent: float, c: np.ndarray) -> np.ndarray:
    """Return the light of a code value in 0..1 as a power."""
    return np.maximum(c, 0.0) ** exponent


def _power(fit: _Fit, full: int) -> float:
    """Return the exponent of the power that is most like a curve where halftones show it."""
    at = fit.decode / np.exp(fit.flat[0])
    code = np.nonzero((at > POWER_LIGHT[0]) & (at < POWER_LIGHT[1]))[0]
    if len(code) < 3:
        return 2.2
    return float(np.clip(np.polyfit(np.log(code / full), np.log(at[code]), 1)[0], *POWERS))


def _closed_uncut(patches, levels, full, frame, tries, base, *, linear, off_sd):
    """Return the fit that closes, its closure, and the noise cut off at no light, which bends the curve it shows in."""
    closed = partial(_first_closed, patches, levels, full, frame, tries, base, linear=linear, off_sd=off_sd)
    fit, closure = closed()
    noise = partial(_cut, patches)
    cut = noise(fit.decode)
    if cut is None:
        return fit, closure, None
    cut = noise(base_curve(full, True) if linear else base(np.arange(full + 1) / full)) or cut
    for _ in range(CUT_ROUNDS):
        fit, closure = closed(cut=cut)
        found = noise(fit.decode)
        if found is None or abs(found.read2 / cut.read2 - 1) < SAME_NOISE:
            break
        cut = found
    return fit, closure, cut


def _first_closed(patches, levels, full, frame, tries, base, *, linear, off_sd, cut=None):
    """Fit to one choice of halftones and dithers after the other; return the first that closes well, or the best."""
    best = None
    for mixed in tries:
        fit = _fit(patches, levels, full, *frame, base, linear=linear, known=None, mixed=mixed, off_sd=off_sd, cut=cut)
        closure = _closure(patches, fit, frame, mixed)
        if best is None or closure < best[1]:
            best = (fit, closure)
        if closure < GOOD_CLOSURE:
            break
    return best


def _pooled(patches: list[Patch], level: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the codes of all patches of a grey level and their weights, sum 1."""
    mine = [p for p in patches if p.kind == "grey" and p.level == level]
    weights = np.concatenate([p.weights for p in mine] or [np.ones(1)])
    return np.concatenate([p.codes for p in mine] or [np.ones(1, int)]), weights / weights.sum()


def _ends(patches: list[Patch], full: int) -> tuple[float, float]:
    top, top_weight = _pooled(patches, 255)
    low, low_weight = _pooled(patches, 0)
    return float(top_weight @ (top >= full - max(1, full // 256))), float(low_weight @ (low <= 0))


def _black_bias(patches: list[Patch], decode: np.ndarray, crushed: float, levels: np.ndarray) -> float:
    """What cutting off noise at 0 may add to the mean of black.

    Half a normal noise gains 0.4 of its spread, as far as codes are seen to be cut off. Averages of pixels, of a mosaic
    or in a JPEG, hide the cut: in a photo whose greys are loud, a black that is skewed has it too, and has lost more of
    its spread than of its mean.
    """
    codes, weights = _pooled(patches, 0)
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


def _cut(patches: list[Patch], decode: np.ndarray) -> Cut | None:
    """Return the noise that is cut off at no light, where black's pixels show it."""
    whites = [p for p in patches if p.kind == "grey" and p.level == 255]
    codes, weights = _pooled(patches, 0)
    if not whites:
        return None
    means = [float(p.weights @ decode[p.codes]) for p in whites]
    variances = [float(p.weights @ decode[p.codes] ** 2) - m * m for p, m in zip(whites, means, strict=True)]
    first = 0.5 * float(decode[0] + decode[1])
    return find_cut(decode[codes], weights, first, float(np.median(means)), float(np.median(variances)))


def _moments(patches: list[Patch], decode: np.ndarray, level: int) -> tuple[float, float]:
    """Return mean and spread of the light of a grey's pixels."""
    codes, weights = _pooled(patches, level)
    light = decode[codes]
    mean = float(weights @ light)
    return mean, float(np.sqrt(max(weights @ (light - mean) ** 2, 0.0)))


def _fit(patches, levels, full, centre, radius, base, *, linear, known, mixed, off_sd, cut=None):
    """Gauss-Newton over flat field, law and curve.

    ``mixed`` names the kinds of patches of known share that take part, besides the greys; ``off_sd`` is the standard
    deviation of an error that the codes of a block have in common, share of full scale; ``cut`` is noise cut off.
    """
    use = [p for p in patches if p.kind == "grey" or p.kind in mixed]
    basis = flat_basis(*np.array([(p.x, p.y) for p in use]).T, centre, radius)
    haze = basis[:, 1 : 1 + HAZE_TERMS]
    n_flat, n_law, n_theta = basis.shape[1], len(levels), 0 if linear else KNOTS - 2
    index = {int(level): i for i, level in enumerate(levels)}
    grey = np.array([p.kind == "grey" for p in use])
    which = np.array([index.get(p.level, 0) for p in use])
    mixing = np.zeros((len(use), n_law))
    for i, p in enumerate(use):
        for level, part in p.mix.items():
            mixing[i, index.get(level, 0)] += part
    starts = np.cumsum([0] + [len(p.codes) for p in use[:-1]])
    all_codes = np.concatenate([p.codes for p in use])
    all_weights = np.concatenate([p.weights for p in use])
    block = np.unique([p.block for p in use], return_inverse=True)[1]
    rows = np.array([p.kind == "halftone" for p in use])  # pixels of which are black or white
    dark = np.array([p.mix.get(0, 0.0) for p in use])
    theta = np.zeros(n_theta)
    whites = np.concatenate([p.codes for p in use if p.kind == "grey" and p.level == 255] or [np.array([full])])
    top = min(TOPS, int(np.ceil(TOPS * float(np.percentile(whites, 99)) / full)))
    flat = np.zeros(n_flat)
    law = (levels / 255.0) ** 2.2 if known is None else known.copy()

    def seen(th: np.ndarray) -> np.ndarray:
        table = base_curve(full, True) if linear else curve(th, full, base, top)
        light = np.add.reduceat(table[all_codes] * all_weights, starts)
        return light if cut is None else np.where(rows, light - dark * cut.mean(0.0), cut.light(light))

    last = index[255]
    count = n_flat + n_law + HAZE_TERMS + n_theta
    of_law, of_haze = slice(n_flat, n_flat + n_law), slice(n_flat + n_law, count - n_theta)
    light = seen(theta)
    flat[0] = np.log(max(float(light[(which == last) & grey].mean()), 1e-6))
    prior_flat = np.array([0, 1e-3, 1e-3, 1e-2, 1e-2, 1e-2, 0.1, 0.3])
    # what is known beforehand, a row each: which parameter, its value, how strongly
    ties = [(n_flat + last, 1.0, 1e4)]  # white is 1
    if known is not None:
        ties += [(n_flat + i, known[i], 1 / (0.002 + 0.01 * known[i])) for i in range(n_law)]
    ties += [(k, 0.0, prior_flat[k] * 30) for k in range(1, n_flat)]
    ties += [(n_flat + n_law + k, 0.0, 1 / FIRST_BEND) for k in range(HAZE_TERMS)]
    ties += [(count - n_theta + k, 0.0, 1 / FIRST_BEND) for k in range(n_theta)]
    tied, goal, strength = (np.array(x) for x in zip(*ties, strict=True))

    def residuals(q: np.ndarray) -> tuple[np.ndarray, ...]:
        """Return light, gain, model, weights, and all weighted residuals."""
        light = seen(q[count - n_theta :])
        gain = np.exp(np.clip(basis @ q[:n_flat], -MOST_LOG_GAIN, MOST_LOG_GAIN))
        model = gain * (mixing @ q[of_law] + haze @ q[of_haze])
        weight = 1 / (0.004 * model + 0.0015 * gain.mean())
        return light, gain, model, weight, np.concatenate([(light - model) * weight, (goal - q[tied]) * strength])

    def descend(q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where the steps end, and the covariance there in units of the weights."""
        light, gain, model, weight, rest = residuals(q)
        for _ in range(20):
            jac = np.zeros((len(use) + len(tied), count))
            jac[: len(use), :n_flat] = model[:, None] * basis
            jac[: len(use), of_law] = gain[:, None] * mixing
            jac[: len(use), of_haze] = gain[:, None] * haze
            for k in range(count - n_theta, count):
                trial = q[count - n_theta :].copy()
                trial[k - count] += 1e-4
                jac[: len(use), k] = -(seen(trial) - light) / 1e-4
            jac[: len(use)] *= weight[:, None]
            jac[len(use) + np.arange(len(tied)), tied] = strength
            delta, *_ = np.linalg.lstsq(jac, rest, rcond=None)
            cost, length = float(rest @ rest), 1.0
            while length > 0.01:
                step = length * delta
                step[count - n_theta :] = np.clip(step[count - n_theta :], -0.1, 0.1)
                found = residuals(q + step)
                # the weights move with the model: compare with those of the step's start
                after = np.concatenate([(found[0] - found[2]) * weight, found[4][len(use) :]])
                if float(after @ after) <= cost and np.isfinite(found[3]).all():
                    break
                length /= 3
            else:
                break
            q = q + step
            light, gain, model, weight, rest = found
            if np.abs(step).max() < SMALL_STEP:
                break
        return q, np.linalg.pinv(jac.T @ jac)

    def common(q: np.ndarray) -> float:
        """Return what ``off_sd`` makes of the residuals; a block's patches share it, so it counts as often."""
        if not off_sd:
            return 0.0
        table = base_curve(full, True) if linear else curve(q[count - n_theta :], full, base, top)
        slope = np.add.reduceat((np.gradient(table) * full)[all_codes] * all_weights, starts)
        alike = len(use) / len(np.unique(block))
        return float(off_sd * np.sqrt(alike * np.mean((slope * residuals(q)[3]) ** 2)))

    q, cov = descend(np.concatenate([flat, law, np.zeros(HAZE_TERMS), theta]))
    groups = [(of_haze, HAZE), (slice(count - n_theta, count), BEND)][: 2 if n_theta else 1]
    for _ in range(BEND_ROUNDS):
        # bends of the curve and haze are expected to be as large as they are found: what is less is noise (evidence)
        rest = residuals(q)[4][: len(use)]
        spread = max(float(np.clip(np.sqrt(np.mean(rest**2)), *SPREADS)), _noise(rest, block), common(q))
        before = strength.copy()
        for which_of, least in groups:
            mine = (tied >= which_of.start) & (tied < which_of.stop)
            number = which_of.stop - which_of.start
            free = number - float(np.trace(cov[which_of, which_of])) * before[mine][0] ** 2
            size = np.sqrt((float((q[which_of] ** 2).sum()) + least**2) / (max(free, 0.0) + 1))
            strength[mine] = max(spread / size, 1 / LARGE_BEND)
        if ((0.8 < before / strength) & (before / strength < 1.25)).all():
            break
        q, cov = descend(q)
    light, _, model, weight, _ = residuals(q)
    flat, law, theta = q[:n_flat], q[of_law], q[count - n_theta :]
    res = (light - model) * weight
    spread = max(float(np.sqrt(np.mean(res**2))), common(q))
    law_sigma = np.sqrt(np.maximum(np.diag(cov)[of_law], 0)) * max(spread, 0.2)
    decode = base_curve(full, True) if linear else curve(theta, full, base, top)
    sigma, modes = 0.0, np.zeros((0, len(MODE_LIGHT)))
    if n_theta:
        # the curve's own uncertainty, as shapes: what each independent part of it does to light
        value, vector = np.linalg.eigh(cov[-n_theta:, -n_theta:])
        c = np.linspace(0.0, 1.0, 257)
        at = decode[np.round(c * full).astype(int)] / np.exp(flat[0])
        hats = _hats(c * TOPS / top)
        slope = np.gradient(at, np.maximum.accumulate(c + hats @ theta) + 1e-9 * np.arange(len(c)))
        shifts = (hats @ vector * np.sqrt(np.maximum(value, 0.0))).T * slope * max(spread, 0.04)
        order = np.argsort(-np.abs(shifts).max(axis=1))[:MODES]
        modes = np.array([np.interp(MODE_LIGHT, at, shift) for shift in shifts[order]])
        modes -= modes[:, MODE_LIGHT == 1] * MODE_LIGHT  # white is 1
        below = MODE_LIGHT <= 1
        sigma = float(np.sqrt((modes[:, below] ** 2).sum(axis=0)).max())
        unbent = base(np.clip(c + _hats(np.minimum(c * TOPS / top, 1.0)) @ theta, 0, 1.2)) / np.exp(flat[0])
        beyond = BEYOND * np.interp(MODE_LIGHT, at, at - unbent)
        modes = np.vstack([modes, np.where(below, 0.0, beyond)])
    bent = float(np.sqrt((theta**2).sum()))
    return _Fit(decode, flat, law, law_sigma, sigma, modes, q[of_haze], bent)


def _noise(rest: np.ndarray, block: np.ndarray) -> float:
    """Return the scatter of residuals about the mean of their stripe, which no curve explains."""
    count = np.bincount(block)
    off = rest - (np.bincount(block, rest) / count)[block]
    return float(np.sqrt((off**2).sum() / max(len(rest) - len(count), 1)))


def _closure(patches: list[Patch], fit, frame: tuple, kinds: tuple[str, ...]) -> float:
    """Largest misfit of a halftone's or dither's mean light from its share, share of white."""
    decode, flat, law = fit.decode, fit.flat, fit.law
    centre, radius = frame
    worst = 0.0
    levels = sorted({p.level for p in patches if p.kind == "grey"})
    light = dict(zip(levels, law, strict=True))
    span = law[-1] - law[0]
    for block in {p.block for p in patches if p.kind in kinds}:
        mine = [p for p in patches if p.block == block]
        gain = np.exp(flat_basis(*np.array([(p.x, p.y) for p in mine]).T, centre, radius) @ flat)
        got = np.mean([(decode[p.codes] @ p.weights) / g for p, g in zip(mine, gain, strict=True)])
        expected = np.mean([sum(part * light[level] for level, part in p.mix.items()) for p in mine])
        worst = max(worst, abs(float(got - expected)) / span)
    return worst


def _gamma(levels: np.ndarray, law: np.ndarray, sigma: np.ndarray) -> tuple[float, float]:
    """Fit ``light = black + (1 - black) signal^gamma`` through the greys; returns gamma and its sigma."""
    s = levels / 255
    black = law[0]
    net = (law - black) / (1 - black)
    use = (s > 0.1) & (s < 0.97) & (net > 0)
    if use.sum() < 3:
        return 2.2, 0.2
    weight = (net[use] / np.maximum(sigma[use], 1e-4)) ** 2
    lx, ly = np.log(s[use]), np.log(net[use])
    gamma = float(np.sum(weight * lx * ly) / np.sum(weight * lx * lx))
    spread = float(np.sqrt(np.sum(weight * (ly - gamma * lx) ** 2) / np.sum(weight) / np.mean(lx**2)))
    return gamma, max(spread / np.sqrt(use.sum()), 0.002)
