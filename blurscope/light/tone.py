"""The camera's curve, the flat field and the display's level-to-light law, fitted together.

Greys of the display alone can't tell the camera's curve from the display's law. The row halftones and the dithers
can: their light is ``black + k/n (white - black)`` whatever that law is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from blurscope._cv import cv2
from blurscope.light.closing import GOOD_CLOSURE, close, close_plainest
from blurscope.light.curve import srgb_to_light
from blurscope.light.cut import Cut
from blurscope.light.dark import black_bias, ends, lifted, looks_linear
from blurscope.light.fit import HAZE_TERMS, Stripes, closure_of, fit_stripes
from blurscope.light.flat import flat_basis, flat_terms
from blurscope.light.greysteps import Step, find_steps
from blurscope.light.patches import Patch, gather, settled_whites
from blurscope.light.stripes import unmixed
from blurscope.pattern.layout import Layout
from blurscope.records import StatedCurve
from blurscope.uncertainty import CUT_LEFT

CLOSURE_LIMIT = 0.03
MOST_MIXED = 4.0  # codes of 255, of a patch in which a step is looked for
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
    mixing_px2 : float
        Variance along the motion by which the luma of a JPEG mixes the display's stripes.
    coder_steps : (8,) float, or None
        Steps in which the coder of a JPEG keeps what changes along the motion in a block, codes of 255.
    haze : (HAZE_TERMS,) float
        Light that the lens spreads unevenly over the photo, share of white: coefficients of the flat field's terms.
    area_sd : float
        Standard deviation by which the codes of even areas are off as a whole, share of full scale.
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
    mixing_px2: float = 0.0
    coder_steps: np.ndarray | None = None
    haze: np.ndarray = field(default_factory=lambda: np.zeros(HAZE_TERMS))
    area_sd: float = 0.0

    def even(self, mean: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return light at campx positions, from means of many pixels there, as it were in the middle of the photo.

        Taken off are what cutting off noise adds to means, the flat field and the haze.
        """
        seen = mean if self.cut is None else self.cut.light(mean)
        terms = flat_terms(x, y, self.centre, self.radius)[:HAZE_TERMS]
        haze = sum(term * share for term, share in zip(terms, self.haze.tolist(), strict=True))
        return seen / self.gain(x, y) - haze * float(np.exp(self.flat[0]))

    def even_line(self, mean: np.ndarray, x: np.ndarray, y: np.ndarray, step_px: float) -> np.ndarray:
        """Return the same of lines along the motion, (..., m), with the display's stripes mixed as light.

        ``step_px`` is the distance of their samples.
        """
        return unmixed(self.even(mean, x, y), step_px, self.mixing_px2, self.decode)

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
        mean = self.light[: count * rows : rows] + self.light[1 : count * rows : rows]
        for k in range(2, rows):
            mean += self.light[k : count * rows : rows]
        mean /= np.float32(rows)
        return Window(self.codes, mean, self.left, self.top + (rows - 1) / 2, rows)


def law_at(level: np.ndarray, levels: np.ndarray, light: np.ndarray, gamma: float) -> np.ndarray:
    """Interpolate a measured law smoothly: ratio to a power law, linear in level."""
    black = light[0]
    power = np.maximum((levels / 255) ** gamma, 1e-9)
    ratio = (light - black) / power
    ratio[0] = ratio[1]
    return black + np.interp(level, levels, ratio) * (level / 255) ** gamma


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
    stated: StatedCurve | Callable[[np.ndarray], np.ndarray] | None = None,
    area_sd: np.ndarray | None = None,
    whole_rows: bool = False,
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
        Near black a power law is far from sRGB, and too steep for what the stripes can tell apart. A `StatedCurve` says
        as well what ``area_sd`` does.
    area_sd : (h, w) uint16, optional
        Standard deviation by which the codes of an even area are off as a whole, of a full scale of 65535. All
        halftones and dithers take part then, and the curve bends no further than stripes with such an error can tell.
    whole_rows : bool
        The photo shows the dark gaps between the display's rows.
    """
    base = stated or srgb_to_light
    full = 65535 if codes.dtype == np.uint16 else 255
    patches = gather(codes, pose, layout, lit, blur_at=blur_at, whole_rows=whole_rows)
    patches += settled_whites(codes, pose, layout, lit, blur_at)
    off_sd = stated.area_sd if isinstance(stated, StatedCurve) else 0.0
    if area_sd is not None:
        greys = [p for p in gather(area_sd, pose, layout, lit, blur_at=blur_at) if p.kind == "grey"]
        off_sd = float(np.sqrt(np.mean([(p.codes @ p.weights) ** 2 for p in greys]))) / 65535
    h, w = codes.shape
    centre, radius = ((w - 1) / 2, (h - 1) / 2), float(np.hypot(h, w) / 2)
    clipped, crushed = ends(patches, full)
    levels = np.array(sorted({p.level for p in patches if p.kind == "grey"}))
    known = None
    if meter is not None:
        known = np.interp(levels, meter[0], np.asarray(meter[1]) / meter[1][-1])
    elif assumed_gamma is not None:
        black = 1 / contrast if contrast else 0.001
        known = black + (1 - black) * (levels / 255) ** assumed_gamma
    warnings: list[tuple[str, str]] = []
    # the smeared columns of the dithers are even areas, whatever demosaicing or sharpening does to alternating rows
    tries = [("dither",)] if len({p.block for p in patches if p.kind == "dither"}) >= MIN_DITHERS else []
    both = ("dither", "halftone")
    tries = [both, *tries, ("halftone",)] if off_sd > 0 else [*tries, both, ("halftone",)]
    stripes = Stripes(patches=patches, levels=levels, full=full, centre=centre, radius=radius, off_sd=off_sd)
    method = "linear_file" if linear else "row_halftones"
    if linear or looks_linear(patches):  # a linear file need not say so
        found = close(stripes, tries, base, linear=True)
        linear = linear or found.closure < GOOD_CLOSURE
    if not linear:
        found = close_plainest(stripes, tries, base)
    fit, closure, base, cut = found
    if not linear and closure > CLOSURE_LIMIT:
        warnings.append(("halftone_inconsistent", f"they miss by {100 * closure:.1f} % of white"))
        if known is None:
            known = 0.001 + 0.999 * (levels / 255) ** 2.2
            warnings.append(("tone_assumed", "a display gamma of 2.2 was assumed"))
        fit = fit_stripes(stripes, base, linear=False, known=known, mixed=(), cut=cut)
        method = "meter" if meter is not None else "assumed_gamma"
    elif (rows := closure_of(stripes, fit, ("halftone",))) > CLOSURE_LIMIT:
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
            (1.0 if cut is None else CUT_LEFT) * black_bias(patches, decode, crushed, levels) / float(np.exp(flat[0])),
            0.0 if linear else lifted(levels, law, gamma),
        ),
        linear=linear,
        warnings=tuple(warnings),
        shown=shown,
        steps=_steps(patches, dict(zip(levels, law, strict=True)), decode, flat, (centre, radius)),
        cut=cut,
        haze=haze,
        area_sd=off_sd,
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
