"""Single faults, each with one or two parameters, and what each would make of the predicted edges.

A hypothesis turns the undisturbed prediction into what the measurement would then have shown *in its own nominal
units*: with the refresh rate, speed and tone curve that it believed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from blurscope.records import Q, Transition
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hypothesis:
    """A fault to try.

    Attributes
    ----------
    cause : str
    starts : sequence of tuple
        Parameter values to begin with, a coarse scan.
    bounds : tuple of (low, high)
    outcome : callable
        Parameters -> Outcome.
    estimate : callable
        Parameters -> the number to report.
    unit : str
    prior : callable
        Parameters -> log prior.
    twin : str
        A fault tried before that does the same to every figure, parameter for parameter: only priors tell them apart.
    known : Q, optional
        The number to report where the measurement itself shows it.
    """

    cause: str
    starts: Sequence[tuple[float, ...]]
    bounds: tuple[tuple[float, float], ...]
    outcome: Callable[..., Outcome]
    estimate: Callable[..., float]
    unit: str
    prior: Callable[..., float]
    twin: str = ""
    known: Q | None = None


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


RATE_TOLERANCE = 0.04  # of a rate: errors that all figures share move the estimate by a few per cent
OF_THE_WHOLE_PHOTO = ("speed", "lens_blur", "display_gamma", "strobe")  # its edges and its streaks share them
STANDARD_RATES_HZ = (24, 25, 30, 48, 50, 60, 72, 75, 85, 90, 100, 120, 144, 160, 165, 180, 200, 240, 280, 300, 360, 480)


def hypotheses(
    scene: Scene,
    measurement: dict[str, Any],
    *,
    same_photo: bool,
    has_signal: bool,
    response_gamma: float | None = None,
) -> list[Hypothesis]:
    """Return the faults worth trying on this measurement.

    Parameters
    ----------
    measurement : dict
        Its warnings, flags and light block shift the priors: hints, never proofs.
    same_photo : bool
        Response and edges come from one photo, so a wrong refresh rate would stretch both alike.
    has_signal : bool
        Whether any signal-domain response is compared.
    response_gamma : float, optional
        The gamma that the response side states.
    """
    codes = {w.get("code") for w in measurement.get("warnings") or [] if isinstance(w, dict)}
    light = measurement.get("light") if isinstance(measurement.get("light"), dict) else {}
    method = light.get("method")
    travel, rate = scene.px_per_refresh, scene.refresh_hz
    ratios = tuple((r,) for r in np.geomspace(0.2, 5, 27) if abs(math.log(r)) > 0.02)
    factors = tuple((r,) for r in np.geomspace(0.3, 3.4, 21) if abs(math.log(r)) > 0.02)
    smears = tuple((x * travel,) for x in (0.01, 0.025, 0.05, 0.08, 0.12, 0.2, 0.3))
    out = [Hypothesis(
        cause="common_factor", starts=ratios, bounds=((0.15, 7),), outcome=scene.common_factor,
        estimate=lambda a: a, unit="times", prior=lambda a: -0.5 * (math.log(a) / 0.35) ** 2,
    )]  # fmt: skip
    if not same_photo:

        def rate_prior(ratio: float) -> float:
            whole = max(ratio, 1 / ratio)
            hint = 2.0 if "refresh_overridden" in codes else 0.0
            if whole > 1.5 and abs(whole / round(whole) - 1) < RATE_TOLERANCE:
                return hint + 1.5
            near = min(abs(ratio * rate / r - 1) for r in STANDARD_RATES_HZ)
            return hint + (-1.0 if near < RATE_TOLERANCE / 2 else -4.0)

        out.append(Hypothesis(
            cause="refresh_rate", starts=ratios, bounds=((0.15, 7),), outcome=scene.refresh_rate,
            estimate=lambda r: r * rate, unit="Hz", prior=rate_prior, twin="common_factor",
        ))  # fmt: skip
    recognised = bool(stated(measurement.get("registration"), "marks_found"))  # scale and speed are the plate's own
    out.append(Hypothesis(
        cause="speed", starts=factors, bounds=((0.2, 5),), outcome=scene.speed,
        estimate=lambda k: k * travel * rate, unit="px/s", prior=lambda k: -2.0 if recognised else 0.0,
    ))  # fmt: skip
    tracked = 0.5 if codes & {"tracking_large", "tracking_unknown"} else 0.0
    stated_error = stated(measurement.get("tracking"), "error_px_per_refresh")

    def tracking_prior(error: float) -> float:
        told = stated_error is not None and abs(stated_error) > 0.03 and 0.6 < abs(error / stated_error) < 1.6
        return tracked + (2.0 if told else 1.0 if stated_error is None else 0.0)

    scan = stated(measurement.get("tracking"), "scan_out_ms")
    scanned = None if scan is None else abs(scan) > 0.4 * scene.hold  # rows in every phase of the shutter, or in one
    out.append(Hypothesis(
        cause="tracking", starts=tuple((x * travel,) for x in (0.01, 0.03, 0.06, 0.1, 0.16)),
        bounds=((0.0, 0.4 * travel),), outcome=scene.tracking_averaged, estimate=lambda e: e, unit="px per refresh",
        prior=lambda e: tracking_prior(e) - (0.0 if scanned in (None, True) else 1.0),
    ))  # fmt: skip
    if not scanned and scene.emission.steady:
        out.append(Hypothesis(
            cause="tracking",
            starts=tuple((s * x * travel, f) for x in (0.03, 0.09, 0.16) for s in (1, -1) for f in (0.0, 0.35, 0.7)),
            bounds=((-0.3 * travel, 0.3 * travel), (-1.0, 2.0)), outcome=scene.tracking_in_phase,
            estimate=lambda e, _: e, unit="px per refresh", prior=lambda e, _: tracking_prior(e),
        ))  # fmt: skip
    # a lens blur seen on the photo's own structure across the motion, or on a still, leaves little to be wrong about
    lens = stated(measurement.get("lens"), "sigma_px")
    lens_prior = 1.0 if "lens_assumed" in codes else -1.0 if lens is None else -3.0
    out.append(Hypothesis(
        cause="lens_blur", starts=smears, bounds=((0.0, 0.6 * travel),), outcome=scene.lens_blur,
        estimate=lambda s: s, unit="px (sigma)", prior=lambda s: lens_prior,
    ))  # fmt: skip
    seen = measurement.get("backlight") if isinstance(measurement.get("backlight"), dict) else {}
    lit = stated(seen, "duty")
    shown = seen.get("kind") == "strobe" and lit is not None and 0.03 <= lit < 1
    steady = seen.get("kind") == "hold"
    if scene.emission.steady and shown:  # the photo's own streaks show the flashes: only their phase is open
        u95 = seen["duty"].get("u95") if isinstance(seen["duty"], dict) else None
        out.append(Hypothesis(
            cause="strobe", starts=tuple((p,) for p in np.arange(0, 1, 1 / 24).tolist()), bounds=((-0.05, 1.05),),
            outcome=lambda p: scene.strobed(lit, p, known=True), estimate=lambda p: lit, unit="lit share",
            prior=lambda p: 3.0, known=Q(value=lit, u95=float(u95 or 0.0)),
        ))  # fmt: skip
    elif scene.emission.steady:
        out.append(Hypothesis(
            cause="strobe",
            starts=tuple((d, p) for d in (0.12, 0.25, 0.5, 0.75) for p in np.arange(0, 1, 0.1).tolist()),
            bounds=((0.03, 1.0), (-1.0, 2.0)), outcome=lambda d, p: scene.strobed(d, p, exact=steady),
            estimate=lambda d, p: d, unit="lit share", prior=lambda d, p: -3.0 if steady else 0.0,
        ))  # fmt: skip
    trusted = method in ("linear_file", "row_halftones", "meter")
    declared = stated(light, "display_gamma")
    gamma = declared if declared is not None and 0.5 <= declared <= 5 else 2.2
    other = response_gamma or 2.2
    if any(t.from_level is not None for t in scene.transitions):
        out.append(Hypothesis(
            cause="display_gamma", starts=tuple((k,) for k in (0.55, 0.7, 0.82, 0.92, 1.09, 1.22, 1.4, 1.8)),
            bounds=((0.3, 3),), outcome=lambda k: scene.light_distorted(k, gamma),
            estimate=lambda k: gamma / k, unit="gamma",
            prior=lambda k: -3.0 if trusted else 0.0,
        ))  # fmt: skip
        if has_signal:
            out.append(Hypothesis(
                cause="display_gamma", starts=tuple((g * other,) for g in (0.55, 0.7, 0.82, 0.92, 1.09, 1.22, 1.4)),
                bounds=((0.6, 5),), outcome=lambda g: scene.signal_gamma(g, other),
                estimate=lambda g: other * gamma / g, unit="gamma", prior=lambda g: 0.0,
            ))  # fmt: skip
    unsettled = any(
        "from_not_settled" in ((e.get("quality") or {}).get("flags") or []) for e in measurement.get("edges") or []
    )
    times = tuple((t,) for t in np.geomspace(0.3, 6, 10) * max(float(np.median(scene.reach)) / 4, scene.hold / 2))
    for sign in (1.0, -1.0):
        out.append(Hypothesis(
            cause="unsettled_from", starts=times, bounds=((0.05 * times[0][0], 3 * times[-1][0]),),
            outcome=lambda t, sign=sign: scene.unsettled(t, sign), estimate=lambda t: t, unit="ms on the from level",
            prior=lambda t: 1.0 if unsettled else -1.0,
        ))  # fmt: skip
    if not same_photo and any(t.origin == "record" for t in scene.transitions):
        out.append(Hypothesis(
            cause="trace_filtered", starts=tuple((x * scene.hold,) for x in (0.03, 0.05, 0.1, 0.2, 0.4, 0.8)),
            bounds=((0.025 * scene.hold, 3 * scene.hold),), outcome=scene.unfiltered,
            estimate=lambda t: t, unit="ms (time constant)", prior=lambda t: 0.0,
        ))  # fmt: skip
    return [h for h in out if not (same_photo and h.cause in OF_THE_WHOLE_PHOTO)]


def stated(block: Any, key: str) -> float | None:
    """Return a number or a quantity's value in a block of a file; ``None`` where there is none."""
    found = block.get(key) if isinstance(block, dict) else None
    value = found.get("value") if isinstance(found, dict) else found
    ok = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if ok else None
