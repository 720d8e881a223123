"""The predicted edges of a measurement, and what single faults would make of them.

A fault turns the undisturbed prediction into what the measurement would then have shown *in its own nominal units*:
with the refresh rate, speed and tone curve that it believed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blurscope.records import Transition
from blurscope.shapes.bank import (
    EdgeBank,
    box_transfer,
    gaussian_transfer,
    make_bank,
    settled_after,
)
from blurscope.shapes.blurred import instant_tail
from blurscope.shapes.emission import Emission, strobe
from blurscope.shapes.steps import crossing_ms, exponential, rise_ms

GRID_POINTS = 512
APPARENT_FACTORS = np.geomspace(0.15, 6.6, 34)
APPARENT_SAMPLES = 160
GET_GROUP = 4
AREA_POINTS = 4096
# A record doesn't tell how long a pixel waits before it moves, and a flash cuts it off at one point of its way: under
# flashes each pixel may switch a little earlier or later (refreshes), as a normal distribution of this width has it.
ONSETS = (-0.08, -0.03, 0.03, 0.08)
ONSET_SD = 0.04


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """What a measurement would have shown.

    Attributes
    ----------
    bank : EdgeBank
        ESFs against nominal time.
    tail_ms : float
        What the measurement subtracts for its ghost.
    response_factor : (n,) float or None
        Measured over true response time; ``None``: what fits the edges best (`Scene.apparent`).
    signal_shift_ms : (n,) float or None
        Change of the signal-domain response, ms, beside ``response_factor``.
    signal_follows : bool
        Whether the signal-domain response changes by the same factor; else it stays.
    variants : tuple of (cost, EdgeBank)
        What each edge may look like instead, whatever the others do, at a price in chi-square.
    """

    bank: EdgeBank
    tail_ms: float
    response_factor: np.ndarray | None = None
    signal_shift_ms: np.ndarray | None = None
    signal_follows: bool = True
    variants: tuple[tuple[float, EdgeBank], ...] = ()


class Scene:
    """The undisturbed edges, and what the measurement says about how it was taken.

    Parameters
    ----------
    transitions : sequence of Transition
        With steps.
    refresh_hz, px_per_refresh : float
    exposure_refreshes : float
    emission : Emission
        Of the prediction.
    tail_ms : float
        What the measurement subtracted for its ghosts.
    """

    def __init__(
        self,
        transitions: Sequence[Transition],
        *,
        refresh_hz: float,
        px_per_refresh: float,
        exposure_refreshes: float,
        emission: Emission,
        tail_ms: float | None = None,
    ) -> None:
        self.transitions = list(transitions)
        self.steps = [t.step for t in transitions]
        self.refresh_hz, self.px_per_refresh = refresh_hz, px_per_refresh
        self.hold = 1000.0 / refresh_hz
        self.exposure_refreshes = exposure_refreshes
        self.emission = emission
        self.tail = instant_tail(self.hold, emission) if tail_ms is None else tail_ms
        self.reach = np.array([settled_after(s) for s in self.steps])

    def bank(self, steps, hold: float, emission: Emission, reach: np.ndarray) -> EdgeBank:
        """Return blurred edges on grids fine enough for differences between explanations."""
        return make_bank(steps, hold, emission, reach=reach, points=GRID_POINTS)

    @cached_property
    def base(self) -> EdgeBank:
        """The edges with nothing wrong."""
        return self.bank(self.steps, self.hold, self.emission, self.reach)

    @cached_property
    def tail_at_hold(self) -> float:
        """Tail of the prediction's own emission."""
        return instant_tail(self.hold, self.emission)

    def undisturbed(self) -> Outcome:
        """Nothing wrong."""
        return Outcome(bank=self.base, tail_ms=self.tail_at_hold, response_factor=np.ones(len(self.steps)))

    @cached_property
    def _scaled(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, dict[str, np.ndarray]]:
        """Edges of responses some factors as long, about their 50 % crossing, their slopes, and their figures."""
        steps = [s if rise_ms(s) > 0.02 * self.hold else exponential(0.02 * self.hold) for s in self.steps]
        at = self._about_middle()
        rows = np.arange(len(steps))
        curves, slopes, figures = [], [], []
        for factor in APPARENT_FACTORS:
            bank = self.bank([s.scaled(factor) for s in steps], self.hold, self.emission, self.reach * factor)
            t = at + bank.crossing(0.5)[:, None]
            curves.append(bank.at(rows, t))
            figures.append(bank.figures(self.tail_at_hold, group=GET_GROUP))
            slopes.append(bank.at(rows, t + bank.step[:, None]) - bank.at(rows, t - bank.step[:, None]))
        curve, slope = np.stack(curves, axis=1), np.stack(slopes, axis=1)
        table = {name: np.stack([f[name] for f in figures], axis=1) for name in figures[0]}
        return curve, slope, np.maximum((slope**2).sum(-1), 1e-12), table

    def _about_middle(self) -> np.ndarray:
        """(n, m) times about the middle of an edge at which apparent responses are compared, ms."""
        after = 1.5 * self.hold + np.clip(self.reach, 0.0, 8 * self.hold)
        return np.linspace(-1.5 * self.hold, after, APPARENT_SAMPLES, axis=-1)

    def apparent(self, bank: EdgeBank) -> np.ndarray:
        """Return (n,) how many times as long each response looks where these edges are taken for undisturbed.

        That is what a measurement does that doesn't know of the fault: it finds the response whose edge, shifted
        freely along the motion, fits best.
        """
        curve, slope, power, _ = self._scaled
        rows = np.arange(len(self.steps))
        middle = bank.crossing(0.5)
        seen = bank.at(rows, self._about_middle() + np.where(np.isfinite(middle), middle, 0.0)[:, None])
        residual = seen[:, None, :] - curve
        chi2 = (residual**2).sum(-1) - (residual * slope).sum(-1) ** 2 / power
        k = np.clip(np.argmin(chi2, axis=1), 1, len(APPARENT_FACTORS) - 2)
        left, here, right = chi2[rows, k - 1], chi2[rows, k], chi2[rows, k + 1]
        bend = left - 2 * here + right
        move = np.where(bend > 0, 0.5 * (left - right) / np.where(bend > 0, bend, 1.0), 0.0)
        log = np.log(APPARENT_FACTORS)
        return np.exp(log[k] + np.clip(move, -1, 1) * (log[1] - log[0]))

    def figures_of(self, factor: np.ndarray) -> dict[str, np.ndarray]:
        """Return (n,) figures of the undisturbed edges of responses ``factor`` times as long."""
        log = np.log(APPARENT_FACTORS)
        place = np.clip((np.log(factor) - log[0]) / (log[1] - log[0]), 0, len(log) - 1.001)
        k, rows = place.astype(int), np.arange(len(place))
        share = place - k
        return {name: (1 - share) * f[rows, k] + share * f[rows, k + 1] for name, f in self._scaled[3].items()}

    @cached_property
    def apparent_base(self) -> np.ndarray:
        """What `apparent` says of the undisturbed edges: 1 but for its grid."""
        return self.apparent(self.base)

    # The faults, one by one.

    def refresh_rate(self, ratio: float) -> Outcome:
        """The display ran at ``ratio`` times the stated rate: times read off the photo are that much too long."""
        bank = self.bank(self.steps, self.hold / ratio, self.emission, self.reach)
        nominal = EdgeBank(esf=bank.esf, start=bank.start * ratio, step=bank.step * ratio)
        return Outcome(bank=nominal, tail_ms=self.tail_at_hold, response_factor=np.full(len(self.steps), ratio))

    def speed(self, ratio: float) -> Outcome:
        """The plate moved ``ratio`` times as fast over the photo as was assumed, at the right refresh rate."""
        nominal = EdgeBank(esf=self.base.esf, start=self.base.start * ratio, step=self.base.step * ratio)
        return Outcome(bank=nominal, tail_ms=self.tail_at_hold)

    def tracking_averaged(self, error_px: float) -> Outcome:
        """Camera speed off by ``error_px`` per refresh, rows in every phase of the shutter: a box more."""
        width = abs(error_px) * self.exposure_refreshes / self.px_per_refresh * self.hold
        return Outcome(bank=self.base.smeared(box_transfer(width)), tail_ms=self.tail_at_hold)

    @cached_property
    def _areas(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Integrals of the steps on uniform grids, one row each: values, start and spacing, ms."""
        begin = np.array([min(float(s.kinks_ms[0]), 0.0) for s in self.steps])
        spacing = (np.maximum(self.reach, 0.0) + 0.2 * self.hold - begin) / (AREA_POINTS - 1)
        t = begin[:, None] + spacing[:, None] * np.arange(AREA_POINTS)
        return np.stack([s.integral(row) for s, row in zip(self.steps, t, strict=True)]), begin, spacing

    def _area(self, t: np.ndarray) -> np.ndarray:
        """Integral of each step up to times ``t`` (n, m), ms."""
        table, begin, spacing = self._areas
        place = (t - begin[:, None]) / spacing[:, None]
        inside = np.clip(place, 0.0, AREA_POINTS - 1.001)
        i = inside.astype(int)
        rows = np.arange(len(table))[:, None]
        low = table[rows, i]
        settled = np.maximum(place - (AREA_POINTS - 1.001), 0.0) * spacing[:, None]
        return low + (inside - i) * (table[rows, i + 1] - low) + settled

    def tracking_in_phase(self, error_px: float, phase: float) -> Outcome:
        """The same with all rows in one phase: the shutter opens ``phase`` of a refresh after their switch.

        At the part ``p`` of a refresh the edge of a steadily lit pixel is a staircase in lag, whose steps are the
        light at ages ``p``, ``1 + p``, ``2 + p`` … refreshes; the camera's motion shifts it. Their mean over the
        exposure is a sum of integrals of the step, exactly.
        """
        share, phase = error_px / self.px_per_refresh, phase % 1.0
        end = phase + max(self.exposure_refreshes, 1.0)
        middle = 0.5 * (phase + end)
        lag = self.base.t / self.hold
        esf = np.zeros_like(lag)
        for k in range(math.ceil(end)):
            first, last = max(phase - k, 0.0), min(end - k, 1.0)
            if last - first < 1e-9:
                continue
            y = lag - share * (k - middle)
            oldest = np.floor(y - first * (1 + share))
            for m in (oldest, oldest - 1, oldest - 2):
                begin = np.clip((y - m - 1) / (1 + share), first, last)
                stop = np.clip((y - m) / (1 + share), first, last)
                esf += (self._area(self.hold * (m + stop)) - self._area(self.hold * (m + begin))) / self.hold
        bank = EdgeBank(esf=esf / (end - phase), start=self.base.start, step=self.base.step)
        return Outcome(bank=bank, tail_ms=self.tail_at_hold)

    def lens_blur(self, sigma_px: float) -> Outcome:
        """A Gaussian blur of the camera was left in."""
        sigma = sigma_px / self.px_per_refresh * self.hold
        return Outcome(bank=self.base.smeared(gaussian_transfer(sigma)), tail_ms=self.tail_at_hold)

    def strobed(self, duty: float, phase: float, *, known: bool = False, exact: bool = False) -> Outcome:
        """The photo was taken under a strobe that the prediction knows nothing of; the measurement may know it.

        ``exact`` leaves out what isn't known of each pixel's switch, which takes five times as long.
        """
        duty = min(max(duty, 0.02), 1.0)

        def bank(later: float) -> EdgeBank:
            return self.bank(self.steps, self.hold, strobe(duty, (phase + later) % 1.0), self.reach)

        tail = instant_tail(self.hold, strobe(duty, phase % 1.0)) if known else self.tail
        variants = tuple(((later / ONSET_SD) ** 2, bank(later)) for later in (() if exact else ONSETS))
        return Outcome(bank=bank(0.0), tail_ms=tail, variants=variants)

    def common_factor(self, factor: float) -> Outcome:
        """Every response took ``factor`` times as long in the photo as in the response file."""
        steps = [s.scaled(factor) for s in self.steps]
        bank = self.bank(steps, self.hold, self.emission, self.reach * factor)
        return Outcome(bank=bank, tail_ms=self.tail_at_hold, response_factor=np.full(len(steps), factor))

    def light_distorted(self, exponent: float, used: float) -> Outcome:
        """The photo's light was formed with the gamma ``used``, ``exponent`` times the display's own."""
        true = used / exponent
        ends = np.array([(0.0, 1.0) if t.from_level is None else t.pair for t in self.transitions], dtype=float)
        ends = np.where(ends > 1, ends / 255, ends)
        low, high = ends[:, :1], ends[:, 1:]

        def law(esf: np.ndarray) -> np.ndarray:
            # Light above black; black itself is seen in the photo and drops out.
            light = np.maximum(low**true + (high**true - low**true) * esf, 0.0)
            return (light**exponent - low**used) / (high**used - low**used)

        # codes were turned into light by the display's own greys: the signal comes out right whatever the gamma
        return Outcome(bank=self.base.mapped(law), tail_ms=self.tail_at_hold, signal_follows=False)

    def signal_gamma(self, gamma: float, nominal: float) -> Outcome:
        """Both sides agree in light, but one turned light into signal with ``gamma`` instead of ``nominal``."""
        shift = np.array([self._signal_ms(t, gamma) - self._signal_ms(t, nominal) for t in self.transitions])
        return Outcome(bank=self.base, tail_ms=self.tail_at_hold, response_factor=np.ones(len(shift)),
                       signal_shift_ms=shift)  # fmt: skip

    def _signal_ms(self, t: Transition, gamma: float) -> float:
        """10-90 % time in signal of a step in light, the display's law being a power above black."""
        if t.from_level is None:
            return 0.0
        start, end = t.from_level / 255, t.to_level / 255
        low, high = start**gamma, end**gamma
        at = [((start + q * (end - start)) ** gamma - low) / (high - low) for q in (0.1, 0.9)]
        times = [crossing_ms(t.step, q) for q in at]
        return times[1] - times[0]

    def unsettled(self, time_ms: float, sign: float) -> Outcome:
        """Pixels had only ``time_ms`` on the from level: what is left of their way is missing (or in excess)."""
        left = np.array([1.0 - float(s.value(np.float64(time_ms))) for s in self.steps])[:, None]
        share = sign * np.clip(left, -0.5, 0.5)
        bank = EdgeBank(esf=share + (1 - share) * self.base.esf, start=self.base.start, step=self.base.step)
        return Outcome(bank=bank, tail_ms=self.tail_at_hold)

    def unfiltered(self, time_constant_ms: float) -> Outcome:
        """The records went through a low-pass filter: ``s = s_f + tau·s_f'`` brings the pixel back, exactly."""
        slope = np.gradient(self.base.esf, axis=1) / self.base.step[:, None]
        esf = self.base.esf + time_constant_ms * slope
        return Outcome(bank=EdgeBank(esf=esf, start=self.base.start, step=self.base.step), tail_ms=self.tail_at_hold)
