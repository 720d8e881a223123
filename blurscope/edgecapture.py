"""What is known of the capture of a free edge, and what each thing that is not known does to its profile."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.freeedge import FreeProfile

DRAWS = 16
KEPT = 3  # principal directions of what the draws do to the profile
UNKNOWN_EXPOSURE = (2.0, 6.0)  # refreshes
USUAL_EXPOSURE = 4.0
VIGNETTING_SD = 0.08  # loss of light in the photo's corners
UNEVEN_SD = 0.003  # of the screen's own light over the profile
EARLY, EARLY_AT = 0.1, 0.6  # of the step, and refreshes after the switch when about that much of it is seen
WHOLE = 0.03  # refreshes from a whole number
ERRORS, PHASES = (-0.92, -0.7, -0.47, -0.23, 0.23, 0.47, 0.7, 0.92), 4
# how the camera may have followed: tracking error as a share of its interval, and phase of the shutter
TRACKS = ((0.0, 0.0), *((error, k / PHASES) for error in ERRORS for k in range(PHASES)))
TRACK_PRIOR = np.array([1.0] + [1 / PHASES] * (len(TRACKS) - 1)) / (len(ERRORS) + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What is known of the capture; lengths in campx.

    Attributes
    ----------
    travel : float
        Of the picture per refresh.
    exposure_refreshes, exposure_sd : float or None
        None where nothing is known.
    tracking_u : float
        Half-width of the interval of the tracking error, campx per refresh.
    scale_sd : float
        Relative standard uncertainty of the scale.
    lens_sigma, lens_sd : float
        Blur of the lens along the motion.
    """

    travel: float
    exposure_refreshes: float | None
    exposure_sd: float
    tracking_u: float
    scale_sd: float
    lens_sigma: float
    lens_sd: float

    @property
    def exposure(self) -> float:
        """Exposure that the model takes."""
        return USUAL_EXPOSURE if self.exposure_refreshes is None else self.exposure_refreshes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeEdge:
    """A profile and the model of its capture.

    Attributes
    ----------
    profile : FreeProfile
    setup : Setup
    capture : Capture
        As far as it is known: no tracking error, every phase of the shutter.
    lag_fine : (f,) float
        Of the profile's fine grid from where responses are looked for, campx.
    shift : float
        By how much that is later than the profile's own lags.
    ages : (k + 1,) float
    made : Profiles
        The profile by the curve that the file states.
    shading : (m,) float
        What one standard deviation of a straight slope of the light (vignetting, an uneven screen) does to it.
    """

    profile: FreeProfile
    setup: Setup
    capture: Capture
    lag_fine: np.ndarray
    shift: float
    ages: np.ndarray
    made: Profiles
    shading: np.ndarray

    def bent(self, curve: Any, instead_of: Any) -> np.ndarray:
        """Return by how much the normalised profile changes with another curve, (m,)."""
        p = self.profile
        codes = np.concatenate([p.code, self.plateau_codes()])
        return _normalised(curve(codes)) - _normalised(instead_of(codes))

    def plateau_codes(self) -> np.ndarray:
        """Return the codes of both plateaus, (2,), from the profile itself."""
        p = self.profile
        order = np.argsort(p.light)
        return np.interp([p.from_light, p.to_light], p.light[order], p.code[order])

    def nuisances(self, cells: np.ndarray, seed: int) -> list[Nuisance]:
        """Return how each thing that is not known of the capture moves the profile by one standard deviation."""
        out = _nuisances(
            cells, self.ages, self.lag_fine, self.profile.weight, self.capture, self.setup, self.profile.lean_sd, seed
        )
        return [*out, Nuisance(name="shading", shift=self.shading[None, :])]

    def tracked(self, cells: np.ndarray) -> np.ndarray:
        """Return what each of `TRACKS` does to the profile, (tracks, m)."""
        coarse = self.lag_fine[::2]

        def seen(c: Capture) -> np.ndarray:
            curve = capture_operator(coarse, self.ages, c) @ cells
            return self.profile.weight @ np.interp(self.lag_fine, coarse, curve)

        length = max(1.0, round(self.setup.exposure))
        even = seen(self.capture) if is_whole(self.setup.exposure) else None
        out = [np.zeros(len(self.profile.lag))]
        for error, phase in TRACKS[1:]:
            still = self.capture.changed(phase_known=True, start_phase=phase, exposure_refreshes=length)
            moved = seen(still.changed(error_px_per_refresh=error * self.setup.tracking_u))
            out.append(moved - (seen(still) if even is None else even))
        return np.array(out)


def free_edge(profile: FreeProfile, region: Any, setup: Setup) -> FreeEdge:
    """Return a profile with the model of its capture.

    Parameters
    ----------
    profile : FreeProfile
    region : Region
        Where it was cut from.
    setup : Setup
    """
    v = setup.travel
    shift = _shift(profile, v)
    lag_fine = profile.lag_fine + shift
    length = float(np.clip(np.ceil((profile.lag[-1] + shift) / v) + 2, 4, 14))
    ages = age_edges(length)
    capture = Capture(
        px_per_refresh=v,
        exposure_refreshes=setup.exposure,
        blur_sigma_px=setup.lens_sigma,
        boxes_px=(profile.lean_factor, abs(profile.line.lean)),
        phase_known=is_whole(setup.exposure),
    )
    made = Profiles(
        lag_px=profile.lag + shift,
        esf=profile.esf[None, :],
        sigma=np.maximum(profile.sigma / abs(profile.step), 1e-4)[None, :],
        operator=profile.weight @ capture_operator(lag_fine, ages, capture),
        ages=ages,
        correlation=profile.correlation,
        length=length,
        levels=np.array([[0.0, 1.0, 0.03, 0.3]]),
    )
    return FreeEdge(profile=profile, setup=setup, capture=capture, lag_fine=lag_fine, shift=shift, ages=ages,
                    made=made, shading=_shading(profile, region))  # fmt: skip


def is_whole(exposure: float) -> bool:
    """Whether an exposure covers whole refreshes, so that the phase of the shutter doesn't matter."""
    return abs(exposure - round(exposure)) < WHOLE


def principal(name: str, shifts: np.ndarray) -> list[Nuisance]:
    """Return the main directions of shifts, (n, m), about no shift at all: their mean counts as uncertainty too."""
    _, size, direction = np.linalg.svd(shifts, full_matrices=False)
    return [
        Nuisance(name=f"{name} {j}", shift=(size[j] * direction[j])[None, :])
        for j in range(min(KEPT, len(size)))
        if size[j] > 1e-6
    ]


def _shift(profile: FreeProfile, travel: float) -> float:
    """Return what is added to lags so that the switch lies near 0, where responses are looked for.

    Slow responses are steepest, where the edge seems drawn, more than a refresh after the switch.
    """
    esf = profile.esf
    middle = int(np.argmax(esf >= 0.5))
    early = np.nonzero(esf[:middle] < EARLY)[0]
    begin = profile.lag[early[-1]] if early.size else profile.lag[0]
    return EARLY_AT * travel - float(begin)


def _nuisances(cells, ages, lag_fine, weight, capture, setup, lean_sd, seed) -> list[Nuisance]:
    """How each thing that is not known moves the profile by one standard deviation."""

    coarse = lag_fine[::2]  # what is not known changes the edge smoothly

    def whole_edge(c: Capture, stretch: float = 1.0) -> np.ndarray:
        curve = capture_operator(coarse * stretch, ages, c) @ cells
        return (weight @ np.interp(lag_fine, coarse, curve))[None, :]

    reference = whole_edge(capture)

    def seen(c: Capture, stretch: float = 1.0) -> np.ndarray:
        return whole_edge(c, stretch) - reference

    out = [
        Nuisance(
            name="lens",
            shift=seen(capture.changed(blur_sigma_px=float(np.hypot(capture.blur_sigma_px, setup.lens_sd)))),
        ),
        Nuisance(name="scale", shift=seen(capture, 1 + float(np.hypot(setup.scale_sd, lean_sd)))),
    ]
    rng = np.random.default_rng([seed, 7])
    tracked, exposed = [], []
    spread = (rng.permuted(np.tile(np.arange(DRAWS), (3, 1)), axis=1) + rng.random((3, DRAWS))) / DRAWS
    for phase, place, part in spread.T.tolist():  # evenly spread over each interval
        error = (2 * place - 1) * setup.tracking_u
        if setup.exposure_refreshes is None:
            length = UNKNOWN_EXPOSURE[0] + part * (UNKNOWN_EXPOSURE[1] - UNKNOWN_EXPOSURE[0])
        else:
            length = max(0.5, setup.exposure + math.sqrt(12) * (part - 0.5) * setup.exposure_sd)
        known = capture.changed(phase_known=True, start_phase=phase)
        whole = known.changed(exposure_refreshes=max(1.0, round(length)))
        tracked.append(
            seen(whole.changed(error_px_per_refresh=error)) - (0 if is_whole(setup.exposure) else seen(whole))
        )
        exposed.append(seen(known.changed(exposure_refreshes=length)))
    out += principal("tracking", np.concatenate(tracked) / math.sqrt(DRAWS))
    out += principal("exposure", np.concatenate(exposed) / math.sqrt(DRAWS))
    return out


def _shading(profile: FreeProfile, region: Any) -> np.ndarray:
    span = float(np.ptp(profile.column))
    x, y = np.mean(profile.column) - region.centre[0], profile.line.middle - region.centre[1]
    fading = VIGNETTING_SD / region.radius**2
    per_span = 2 * fading * abs(x) * span / max(1 - fading * (x * x + y * y), 0.5)
    sd = float(np.hypot(UNEVEN_SD, per_span))
    place = (profile.column - profile.column.mean()) / span
    shift = sd * place * profile.light / profile.step
    return shift - shift[profile.lag <= max(0.0, profile.lag[1])].mean()


def _normalised(light: np.ndarray) -> np.ndarray:
    start, end = light[-2], light[-1]
    return (light[:-2] - start) / (end - start)
