"""When a display emits within one refresh: sample-and-hold, strobe, locked PWM, and what an exposure sees of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """Light weight over one refresh, piecewise constant and periodic; 0 is the moment the row switches.

    Attributes
    ----------
    pieces : tuple of (start, end, weight)
        Fractions of a refresh with 0 <= start < end <= 1, increasing and not overlapping; dark where there is none.
    """

    pieces: tuple[tuple[float, float, float], ...] = ((0.0, 1.0, 1.0),)

    def __post_init__(self) -> None:
        at = 0.0
        for start, end, weight in self.pieces:
            if not (at - 1e-12 <= start < end <= 1 + 1e-12 and weight > 0):
                raise ValueError("pieces of an emission must be ordered, inside one refresh and lit")
            at = end
        if not self.pieces:
            raise ValueError("an emission needs light")

    @property
    def mean_weight(self) -> float:
        """Mean of the weight over a refresh."""
        return math.fsum((end - start) * weight for start, end, weight in self.pieces)

    @property
    def steady(self) -> bool:
        """Whether this is plain sample-and-hold."""
        return len(self.pieces) == 1 and self.pieces[0][0] == 0.0 and self.pieces[0][1] == 1.0


HOLD = Emission()


def strobe(duty: float, phase: float | None = None, flashes: int = 1) -> Emission:
    """Return ``flashes`` equal flashes a refresh, lit for the share ``duty``.

    Parameters
    ----------
    duty : float
        Lit share of the refresh, 0 < duty <= 1; 1 is sample-and-hold.
    phase : float, optional
        Start of the first flash after the row's switch, as a share of the refresh (wrapped into it). Left out, the
        flash ends with the refresh, when the pixel has had most time to settle.
    flashes : int
        Flashes per refresh, evenly spaced; more than one is a PWM locked to the refresh.
    """
    if not 0 < duty <= 1 or flashes < 1:
        raise ValueError("a strobe needs a duty in (0, 1] and at least one flash")
    if duty == 1:
        return HOLD
    start = (1.0 - duty) / flashes if phase is None else phase
    pieces: list[tuple[float, float, float]] = []
    for k in range(flashes):
        begin = round((start + k / flashes) % 1.0, 15) % 1.0
        end = begin + duty / flashes
        pieces.append((begin, min(end, 1.0), 1.0))
        if end > 1.0 + 1e-12:
            pieces.append((0.0, end - 1.0, 1.0))
    return Emission(pieces=tuple(sorted(pieces)))


def pwm(duty: float, frequency_hz: float, refresh_hz: float, phase: float | None = None) -> Emission:
    """Return a PWM's emission: flashes where it is locked to the refresh, plain hold where it runs freely.

    A free PWM meets every phase of the refresh in turn, so its average is the hold.
    """
    flashes = round(frequency_hz / refresh_hz)
    locked = flashes >= 1 and abs(frequency_hz / refresh_hz - flashes) < 1e-3
    return strobe(duty, phase, flashes) if locked else HOLD


def exposed(emission: Emission, exposure_refreshes: float, shutter_phase: float = 0.0) -> Emission:
    """Return the emission as an exposure weights it: a part refresh counts its phases once more than the others.

    Parameters
    ----------
    exposure_refreshes : float
        At least one refresh; a whole number changes nothing.
    shutter_phase : float
        When the shutter opens after the row's switch, as a share of a refresh.
    """
    if exposure_refreshes < 1:
        raise ValueError("an exposure shorter than a refresh does not show every part of the hold")
    whole = math.floor(exposure_refreshes + 1e-9)
    part = exposure_refreshes - whole
    if part < 1e-9:
        return emission
    begin = shutter_phase % 1.0
    cuts = {0.0, 1.0, begin, (begin + part) % 1.0}
    cuts |= {x for start, end, _ in emission.pieces for x in (start, end)}
    edges = sorted(cuts)
    pieces = []
    for start, end in zip(edges, edges[1:], strict=False):
        middle = 0.5 * (start + end)
        weight = next((w for a, b, w in emission.pieces if a <= middle <= b), 0.0)
        if weight > 0 and end - start > 1e-12:
            twice = (middle - begin) % 1.0 < part
            pieces.append((start, end, weight * (whole + (1 if twice else 0))))
    return Emission(pieces=tuple(pieces))


def lit_integral(step_integral, emission: Emission, hold: float, t: np.ndarray, start: float) -> np.ndarray:
    """Integral of ``emission * step`` up to ``t``, exact.

    Parameters
    ----------
    step_integral : callable
        Running integral of the step, constant before ``start``.
    hold : float
        Refresh period, in the unit of ``t``.
    t : (n,) float
    start : float
        Time before which the step is 0.
    """
    t = np.asarray(t, dtype=float)
    if emission.steady:
        return emission.pieces[0][2] * step_integral(t)
    first = math.floor(min(start, float(t.min())) / hold) - 1
    last = math.ceil(float(t.max()) / hold) + 1
    refresh = np.arange(first, last + 1)[:, None]
    pieces = np.array(emission.pieces)
    begin = ((refresh + pieces[:, 0]) * hold).ravel()
    end = ((refresh + pieces[:, 1]) * hold).ravel()
    weight = np.broadcast_to(pieces[:, 2], (refresh.size, len(pieces))).ravel()
    at_begin = step_integral(begin)
    done = np.concatenate([[0.0], np.cumsum(weight * (step_integral(end) - at_begin))])
    i = np.clip(np.searchsorted(begin, t, side="right") - 1, 0, begin.size - 1)
    inside = step_integral(np.clip(t, begin[i], end[i])) - at_begin[i]
    return done[i] + weight[i] * inside


def weight_at(emission: Emission, hold: float, t: np.ndarray) -> np.ndarray:
    """Return the emission's weight at times ``t``."""
    phase = (np.asarray(t, dtype=float) / hold) % 1.0
    out = np.zeros_like(phase)
    for start, end, weight in emission.pieces:
        out[(phase >= start) & (phase < end)] = weight
    return out
