"""What the ripple in a record says about the backlight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.trace.stays import Prepared


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlight:
    """The ripple that was divided out.

    Attributes
    ----------
    hz, hz_sd : float
    depth : float
        (max - min) / (max + min) of the emission.
    duty : float
        Share of the period above the middle between darkest and brightest.
    locked : bool or None
        Whether the switches fall on one phase of it; ``None`` if too few switches tell.
    phase : float
        Phase of the waveform at t = 0 of the step, 0 to 1 (meaningful when locked, or for a single repeat).
    wave : tuple of float
        The emission over one period, mean 1.
    """

    hz: float
    hz_sd: float
    depth: float
    duty: float
    locked: bool | None
    phase: float
    wave: tuple[float, ...]


def describe_backlight(
    sources: Sequence[tuple[Prepared, Sequence[int]]], switches: Sequence[float]
) -> Backlight | None:
    """Return the ripple of the first record that has one; ``switches`` are its times, s."""
    found = [p for p, _ in sources if p.hz]
    if not found:
        return None
    p = found[0]
    hz, hz_sd = p.hz[0]
    ripples = {k: lv.waves[0] for k, lv in p.levels.items() if lv.waves}
    means = {v.key: v.mean for v in p.visits if math.isfinite(v.mean)}
    bright = max(ripples, key=lambda k: means.get(k, -math.inf))
    others = [k for k in ripples if k != bright and k in means]
    table = ripples[bright].table
    # Light on top of whatever offset: the ripple is proportional to the light at both levels.
    offset = min(means.values())
    if others:
        dim = min(others, key=lambda k: means[k])
        share = float(ripples[dim].table @ table) / max(float(table @ table), 1e-300)
        if share < 0.95:
            offset = (means[dim] - share * means[bright]) / (1 - share)
    wave = 1 + table / max(means[bright] - offset, 1e-300)
    wave = np.clip(wave.reshape(256, -1).mean(axis=1), 0.0, None)
    wave /= wave.mean()
    low, high = float(wave.min()), float(wave.max())
    phases = np.array([(t * hz) % 1.0 for t in switches])
    together = abs(np.mean(np.exp(2j * np.pi * phases)))
    locked = None if len(switches) < 3 else bool(together > 0.97)
    phase = float(np.angle(np.mean(np.exp(2j * np.pi * phases))) / (2 * np.pi)) % 1.0
    return Backlight(
        hz=hz,
        hz_sd=hz_sd,
        depth=(high - low) / (high + low),
        duty=float(np.mean(wave > 0.5 * (low + high))),
        locked=locked,
        phase=phase,
        wave=tuple(float(x) for x in wave),
    )
