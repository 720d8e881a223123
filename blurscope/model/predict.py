"""Predicted figures of every transition, with the uncertainty that the response and the refresh rate bring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope._threads import one_blas_thread
from blurscope.errors import SettingsError
from blurscope.flags import warning
from blurscope.model.sources import Responses
from blurscope.records import EDGE_QUANTITIES, PredictedEdge, Q, Transition
from blurscope.shapes.bank import EdgeBank, make_bank, settled_after
from blurscope.shapes.blurred import BlurredEdge, instant_tail
from blurscope.shapes.emission import HOLD, Emission, exposed, pwm, strobe
from blurscope.shapes.steps import exponential, instant_step
from blurscope.uncertainty import K95, combine

BANK_FIGURES = ("bet_ms", "get_ms", "ghost_ms", "overshoot_pct", "undershoot_pct")
REFRESH_U95_SHARE = 1e-3  # 59.94 against 60 Hz: nominal rates are no better known than this
LEVEL_SHARE = 1e-3  # standard uncertainty of a settled level where nothing better is known
PROFILE_POINTS = 240
PROFILE_SETTLED = 0.006  # the drawn profile ends where the pixel is this close to its level, share


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewing:
    """How the display shows the plate and how long the camera looks.

    Attributes
    ----------
    refresh_hz, px_per_refresh : float
    refresh_u95_share : float
        Expanded uncertainty of the refresh rate, as a share of it.
    emission : Emission
    exposure_refreshes : float or None
        Whole refreshes change nothing; a part refresh weights the phases of the hold.
    shutter_phase : float
        When the shutter opens after the row's switch, refreshes; matters for a part refresh only.
    settle_band : float
        Half-width of the band that ends the ghost, share of the transition.
    """

    refresh_hz: float
    px_per_refresh: float
    refresh_u95_share: float = REFRESH_U95_SHARE
    emission: Emission = HOLD
    exposure_refreshes: float | None = None
    shutter_phase: float = 0.0
    settle_band: float = 0.05

    def __post_init__(self) -> None:
        if not (math.isfinite(self.refresh_hz) and 1 <= self.refresh_hz <= 10_000):
            raise SettingsError(f"a refresh rate of {self.refresh_hz} Hz can't be used; give 1 to 10000 Hz")
        if not (math.isfinite(self.px_per_refresh) and 0 < self.px_per_refresh <= 10_000):
            raise SettingsError(f"a speed of {self.px_per_refresh} px per refresh can't be used; give more than 0")
        if not 0 <= self.refresh_u95_share < 0.5:
            raise SettingsError("the uncertainty of the refresh rate must be less than half of it")
        if not 0.001 <= self.settle_band <= 0.5:
            raise SettingsError("the settling band must lie between 0.1 % and 50 % of the transition")
        if self.exposure_refreshes is not None and not 1 <= self.exposure_refreshes <= 10_000:
            raise SettingsError(
                f"an exposure of {self.exposure_refreshes:g} refreshes can't show the whole hold; give at least 1"
            )

    @property
    def hold_ms(self) -> float:
        """Refresh period, ms."""
        return 1000.0 / self.refresh_hz

    @property
    def seen(self) -> Emission:
        """The emission as the exposure weights it."""
        if self.exposure_refreshes is None:
            return self.emission
        return exposed(self.emission, self.exposure_refreshes, self.shutter_phase)


def backlight_emission(backlight: dict[str, Any] | None, refresh_hz: float, phase: float | None = None) -> Emission:
    """Return the emission that a file's ``backlight`` block describes; hold where it says nothing usable."""
    if not backlight or backlight.get("kind") not in ("strobe", "pwm"):
        return HOLD
    duty, frequency = (_value(backlight.get(k)) for k in ("duty", "frequency_hz"))
    if phase is None:
        phase = _value(backlight.get("phase"))
    if duty is None or not 0 < duty < 1:
        return HOLD
    if backlight["kind"] == "pwm":
        return pwm(duty, frequency, refresh_hz, phase) if frequency and frequency > 0 else HOLD
    return strobe(duty, phase)


def _value(found: Any) -> float | None:
    value = found.get("value") if isinstance(found, dict) else found
    ok = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if ok else None


@one_blas_thread()
def predict_edges(transitions: Sequence[Transition], viewing: Viewing) -> list[PredictedEdge]:
    """Return the predicted edge of every transition.

    Notes
    -----
    Values come from the exact curve. Each input is moved by its expanded uncertainty both ways, the larger change of
    a figure is that input's contribution, and contributions are combined as independent: where a figure jumps
    between branches within an input's interval (a settling band just grazed), u95 spans the branches.
    Inputs: the response time (the step is stretched), the settled level, the refresh rate, and, where only a time is
    known, the shape of the response.
    """
    known = [t for t in transitions if t.step is not None]
    spreads = iter(_spreads(known, viewing)) if known else iter(())
    return [_missing(t) if t.step is None else _predict_one(t, viewing, next(spreads)) for t in transitions]


def _missing(transition: Transition) -> PredictedEdge:
    flags = transition.flags or ("response_missing",)
    return PredictedEdge(
        transition=transition,
        figures={n: Q.missing(*flags) for n in EDGE_QUANTITIES},
        effects={},
        lag_px=np.zeros(0),
        esf=np.zeros(0),
    )


def _predict_one(transition: Transition, viewing: Viewing, spread: dict[str, dict[str, tuple[float, float]]]):
    hold, travel = viewing.hold_ms, viewing.px_per_refresh
    edge = BlurredEdge(step=transition.step, hold=hold, emission=viewing.seen)
    exact = edge.figures(viewing.settle_band)
    base = {
        "bet_ms": exact.bet,
        "get_ms": exact.get,
        "ghost_ms": exact.ghost,
        "overshoot_pct": _not_rounding(100 * exact.overshoot),
        "undershoot_pct": _not_rounding(100 * exact.undershoot),
    }
    figures = {}
    for name, value in base.items():
        parts = {source: change[name][1] for source, change in spread.items()}
        ok = math.isfinite(value) and all(math.isfinite(p) for p in parts.values())
        figures[name] = (
            Q(value=float(value), u95=K95 * combine(parts), parts=parts) if ok else Q.missing("threshold_grazed")
        )
    figures["ebet_ms"] = figures["bet_ms"].scaled(1 / 0.8)
    share = viewing.refresh_u95_share / K95
    for target, source, factor in (
        ("bew_px", "bet_ms", travel / hold),
        ("ghost_px", "ghost_ms", travel / hold),
        ("ghost_refreshes", "ghost_ms", 1 / hold),
    ):
        effect = spread.get("refresh", {}).get(source, (0.0, 0.0))[0]
        figures[target] = _in_px(figures[source], factor, effect, share)
    figures["response_ms"] = transition.response_ms
    figures["response_signal_ms"] = transition.response_signal_ms
    figures["response_overshoot_pct"] = transition.overshoot_pct
    effects = {source: {n: pair[0] for n, pair in change.items()} for source, change in spread.items()}
    for source, change in effects.items():
        change["response_ms"] = (transition.response_ms.u95 or 0.0) / K95 if source == "response" else 0.0
        value, u95 = transition.response_signal_ms.value, transition.response_signal_ms.u95
        change["response_signal_ms"] = (u95 or 0.0) / K95 if source == "response" and value is not None else 0.0
    span = max(settled_after(transition.step, PROFILE_SETTLED), 0.0) + 1.2 * hold
    lag = np.linspace(-0.4 * hold, span, PROFILE_POINTS)
    return PredictedEdge(
        transition=transition, figures=figures, effects=effects, lag_px=lag * travel / hold, esf=edge.esf(lag)
    )


def _not_rounding(value: float) -> float:
    """Turn what only the arithmetic left over into 0."""
    return value if value > 1e-9 else 0.0


def _in_px(q: Q, factor: float, refresh_effect: float, refresh_share: float) -> Q:
    """Turn ms into px or refreshes (``factor`` of them per ms).

    The factor goes with the refresh rate itself, so that part of the budget is worked out anew: a plain hold is a
    whole number of px whatever the rate, while a slow pixel's trail in px goes with the rate.
    """
    if q.value is None:
        return q
    parts = q.parts | {"refresh": abs(refresh_effect - q.value * refresh_share)} if "refresh" in q.parts else q.parts
    return Q(value=q.value, u95=K95 * combine(parts), parts=parts).scaled(factor)


def _spreads(transitions: Sequence[Transition], viewing: Viewing) -> list[dict[str, dict[str, tuple[float, float]]]]:
    """Per transition and input: signed and largest change of each figure, by one standard uncertainty."""
    hold, emission = viewing.hold_ms, viewing.seen
    steps = [t.step for t in transitions]
    reach = np.array([settled_after(s) for s in steps])

    def figures(bank: EdgeBank, period: float) -> dict[str, np.ndarray]:
        return bank.figures(instant_tail(period, emission, viewing.settle_band), viewing.settle_band)

    base_bank = make_bank(steps, hold, emission, reach=reach)
    base = figures(base_bank, hold)
    moved: dict[str, tuple[dict[str, np.ndarray], dict[str, np.ndarray]]] = {}
    low, high = zip(*(_stretched(t) for t in transitions), strict=True)
    moved["response"] = tuple(figures(make_bank(s, hold, emission), hold) for s in (low, high))
    level = np.array([K95 * _level_share(t, hold) for t in transitions])[:, None]
    lifted = [
        EdgeBank(esf=base_bank.esf / (1 + s * level), start=base_bank.start, step=base_bank.step) for s in (1, -1)
    ]
    moved["level"] = tuple(figures(b, hold) for b in lifted)
    share = viewing.refresh_u95_share
    if share > 0:
        holds = [hold * (1 - share), hold * (1 + share)]
        moved["refresh"] = tuple(figures(make_bank(steps, h, emission, reach=reach), h) for h in holds)
    if any(t.alternatives for t in transitions):
        others = [[t.alternatives[k] if t.alternatives else t.step for t in transitions] for k in (0, 1)]
        moved["shape"] = tuple(figures(make_bank(s, hold, emission), hold) for s in others)
    out = []
    for i in range(len(transitions)):
        row = {}
        for source, (below, above) in moved.items():
            row[source] = {}
            for name in BANK_FIGURES:
                down, up = below[name][i] - base[name][i], above[name][i] - base[name][i]
                row[source][name] = (float(up - down) / 2 / K95, float(max(abs(up), abs(down))) / K95)
        out.append(row)
    return out


def _stretched(transition: Transition) -> tuple[Any, Any]:
    """The step at both ends of its response's interval."""
    if transition.ends:
        return transition.ends
    value, u95 = transition.response_ms.value, transition.response_ms.u95 or 0.0
    if value <= 0:
        return instant_step(), exponential(u95)
    return transition.step.scaled(max(0.0, 1 - u95 / value)), transition.step.scaled(1 + u95 / value)


def _level_share(transition: Transition, hold: float) -> float:
    """Standard uncertainty of the settled level under the hold's average, share of the transition."""
    if transition.level_share is not None:
        return transition.level_share
    if transition.origin == "family" or transition.noise_share == 0.0:
        return 0.0
    return combine([LEVEL_SHARE, transition.noise_share * math.sqrt(min(1.0, transition.spacing_ms / hold))])


def mean_of(values: Sequence[Q], shared: Sequence[float] = ()) -> Q:
    """Return the mean of figures whose errors are independent but for the part in ``shared`` (standard, each)."""
    known = [(q, shared[i] if shared else 0.0) for i, q in enumerate(values) if q.value is not None]
    if not known:
        return Q.missing("response_missing")
    n = len(known)
    alone = math.fsum(max((q.u95 or 0.0) ** 2 - (K95 * s) ** 2, 0.0) for q, s in known)
    common = K95 * math.fsum(s for _, s in known)
    return Q(value=math.fsum(q.value for q, _ in known) / n, u95=math.sqrt(alone + common**2) / n)


def prediction_json(responses: Responses, viewing: Viewing, edges: Sequence[PredictedEdge]) -> dict[str, Any]:
    """Return the content of a ``blurscope.prediction/1`` file."""
    from blurscope import __version__

    warnings = list(responses.warnings)
    if responses.refresh_hz and abs(responses.refresh_hz / viewing.refresh_hz - 1) > 0.01:
        warnings.append(warning("refresh_differs", f"{responses.refresh_hz:g} Hz there"))
    if viewing.exposure_refreshes is not None and viewing.seen is not viewing.emission:
        warnings.append(warning("exposure_part", f"{viewing.exposure_refreshes:g} refreshes"))
    emission = viewing.emission
    instant = BlurredEdge(step=instant_step(), hold=viewing.hold_ms, emission=viewing.seen).figures(viewing.settle_band)
    speed = viewing.px_per_refresh * viewing.refresh_hz
    return {
        "schema": "blurscope.prediction/1",
        "version": __version__,
        "label": responses.label,
        "source": responses.source,
        "capture": {
            "refresh_hz": viewing.refresh_hz,
            "px_per_refresh": viewing.px_per_refresh,
            "speed_px_per_s": speed,
            "hold_ms": viewing.hold_ms,
            "exposure_refreshes": viewing.exposure_refreshes,
        },
        "backlight": {
            "kind": "hold" if emission.steady else "strobe" if len(emission.pieces) == 1 else "pwm",
            "duty": {"value": math.fsum(e - s for s, e, _ in emission.pieces), "u95": 0.0},
            "lit": [[s, e] for s, e, _ in emission.pieces],
        },
        "reference": {
            "bew_px": instant.bet * speed / 1000,
            "bet_ms": instant.bet,
            "ebet_ms": instant.ebet,
            "get_ms": float(instant.get),
        },
        "edges": [_edge_json(e) for e in edges],
        "summary": _summary(edges),
        "warnings": warnings,
    }


def _edge_json(edge: PredictedEdge) -> dict[str, Any]:
    t = edge.transition
    flags = sorted(
        {f for q in edge.figures.values() if q.value is None for f in q.flags} - {"signal_unknown"}
        | ({"shape_assumed"} if t.origin == "family" else set())
    )
    out: dict[str, Any] = {"from_level": t.from_level, "to_level": t.to_level, "response_origin": t.origin}
    out |= {name: q.as_json() for name, q in edge.figures.items()}
    out["quality"] = {"ok": edge.figures["bet_ms"].value is not None, "flags": flags}
    out["profile"] = {"lag_px": edge.lag_px.tolist(), "esf": edge.esf.tolist()}
    return out


def _summary(edges: Sequence[PredictedEdge]) -> dict[str, Any]:
    out: dict[str, Any] = {"edges": len(edges), "edges_ok": sum(e.figures["bet_ms"].value is not None for e in edges)}
    for name in ("bet_ms", "get_ms", "ghost_ms"):
        figures = [e.figures[name] for e in edges]
        shared = [abs(e.effects.get("refresh", {}).get(name, 0.0)) for e in edges]
        out[f"{name}_mean"] = mean_of(figures, shared).as_json()
        known = [q for q in figures if q.value is not None]
        worst = max(known, key=lambda q: q.value) if known else Q.missing("response_missing")
        out[f"{name}_max"] = worst.as_json()
    out["response_ms_mean"] = mean_of([e.transition.response_ms for e in edges]).as_json()
    return out
