"""Reduced records as a ``blurscope.response/1`` object."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.displaylaw import SeenLaw, contradiction, law_of_records
from blurscope.flags import warning
from blurscope.records import Q
from blurscope.trace.prepare import Settings
from blurscope.trace.transition import Transition
from blurscope.uncertainty import K95

SCHEMA = "blurscope.response/1"
_STEP_POINTS = 2000
_FIGURES = ("response_ms", "response_signal_ms", "overshoot_pct", "undershoot_pct", "settle_ms")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Reduced records of one display.

    Attributes
    ----------
    label : str
    transitions : tuple of Transition
        In the order of the list.
    settings : Settings
    shown : SeenLaw or None
        The display's law as the records' settled levels show it.
    refused : tuple of (file, sentence)
    warnings : tuple of dict
    """

    label: str
    transitions: tuple[Transition, ...]
    settings: Settings
    shown: SeenLaw | None
    refused: tuple[tuple[str, str], ...]
    warnings: tuple[dict[str, str], ...]

    def as_json(self) -> dict[str, Any]:
        """Return the ``blurscope.response/1`` object."""
        return {
            "schema": SCHEMA,
            "version": __version__,
            "label": self.label,
            "refresh_hz": self.settings.refresh_hz,
            "light": _law_json(self.settings, self.shown),
            "backlight": _backlight_json(self.transitions, self.settings),
            "transitions": [_transition_json(t, self.settings) for t in self.transitions],
            "summary": summarise(self.transitions, self.settings),
            "refused": [{"file": f, "reason": r} for f, r in self.refused],
            "warnings": list(self.warnings),
        }


def make_response(
    transitions: Sequence[Transition],
    settings: Settings,
    *,
    label: str,
    refused: Sequence[tuple[str, str]],
    notes: Sequence[tuple[str, str]],
) -> Response:
    """Return transitions with what they show together: the display's law, and the warnings.

    Parameters
    ----------
    transitions : sequence of Transition
    settings : Settings
    label : str
    refused : sequence of (file, sentence)
    notes : sequence of (code, text)
        Warnings that the records gave one by one.
    """
    have = [t for t in transitions if t.levels_raw is not None]
    shown = law_of_records([(t.from_level, t.to_level) for t in have], [t.levels_raw for t in have])
    return Response(
        label=label,
        transitions=tuple(transitions),
        settings=settings,
        shown=shown,
        refused=tuple(refused),
        warnings=_warnings(transitions, settings, shown, notes),
    )


def _law_json(settings: Settings, shown: SeenLaw | None) -> dict[str, Any]:
    law = settings.law
    seen = {"shown": None if shown is None else shown.as_json()}
    if law is None:
        return {"method": None, "display_gamma": None, "law": None} | seen
    gamma = {"value": law.gamma, "u95": law.gamma_u95} if law.method == "gamma" else None
    table = {"level": _rounded(law.level, 6), "light": _rounded(law.light, 6)} if law.method == "meter" else None
    method = "meter" if law.method == "meter" else "assumed_gamma"
    return {"method": method, "display_gamma": gamma, "law": table} | seen


def _backlight_json(transitions: Sequence[Transition], settings: Settings) -> dict[str, Any]:
    """The emission of the whole display: hold, a PWM that goes dark between pulses, or one flash per refresh."""
    nothing = {"value": None, "u95": None}
    found = [t.backlight for t in transitions if t.backlight is not None]
    if not found:
        return {"kind": "hold", "duty": {"value": 1.0, "u95": None}, "frequency_hz": nothing, "phase": None}
    # All records see one backlight; the one with the surest frequency speaks.
    b = min(found, key=lambda f: f.hz_sd)
    kind, phase = "hold", None
    if b.depth > 0.9:
        kind = "pwm"
        if settings.refresh_hz is not None and abs(b.hz / settings.refresh_hz - 1) < 0.002:
            kind = "strobe"
        if b.locked:
            wave = np.array(b.wave)
            lit = wave > 0.5 * (wave.min() + wave.max())
            rise = int(np.argmax(lit & ~np.roll(lit, 1)))
            phase = (rise / len(wave) - b.phase) % 1.0
    return {
        "kind": kind,
        "duty": {"value": b.duty, "u95": 2.0 / len(b.wave)},
        "frequency_hz": {"value": b.hz, "u95": K95 * b.hz_sd},
        "phase": phase,
    }


def _settles(t: Transition, settings: Settings) -> bool | None:
    if t.figures is None or settings.refresh_hz is None or t.figures.settle_ms.value is None:
        return None
    return t.figures.settle_ms.value <= 1000.0 / settings.refresh_hz


def figure(t: Transition, name: str) -> Q:
    """Return a figure of a transition, missing with its reasons where there is none."""
    return getattr(t.figures, name) if t.figures is not None else Q.missing(*(t.flags or ("not_settled",)))


def _transition_json(t: Transition, settings: Settings) -> dict[str, Any]:
    out: dict[str, Any] = {"from_level": _whole(t.from_level), "to_level": _whole(t.to_level)}
    for name in _FIGURES:
        out[name] = figure(t, name).as_json()
    out["settles_within_refresh"] = _settles(t, settings)
    out["latency_ms"] = t.latency_ms.as_json() if t.latency_ms is not None else {"value": None, "u95": None}
    out["fractions"] = {k: q.as_json() for k, q in t.figures.fractions.items()} if t.figures else {}
    out["step"] = _step_json(t)
    out["raw_light"] = None
    if t.raw_light is not None:
        out["raw_light"] = {"t_ms": _rounded(t.raw_light[0], 7), "light": _rounded(t.raw_light[1], 5)}
    out["backlight"] = None
    if t.backlight is not None:
        b = t.backlight
        out["backlight"] = {
            "frequency_hz": {"value": b.hz, "u95": K95 * b.hz_sd},
            "depth": b.depth,
            "duty": b.duty,
            "locked": b.locked,
            "phase_at_switch": b.phase,
            "waveform": _rounded(np.array(b.wave), 5),
        }
    out["files"] = list(t.files)
    out["repeats"] = t.repeats
    out["repeats_dropped"] = t.dropped
    out["switch_times_s"] = [round(v, 9) for v in t.switch_times_s]
    out["settled_levels"] = list(t.levels_raw) if t.levels_raw else None
    out["step_over_noise"] = t.step_over_noise
    flags = list(t.flags)
    out["quality"] = {"ok": is_ok(t), "flags": flags}
    return out


def _step_json(t: Transition) -> dict[str, list[float]]:
    """The step on an even grid, from a little before the switch to well after it has settled."""
    if t.curve is None or t.step_u95 is None or t.figures is None:
        return {"t_ms": [], "light": [], "u95": []}
    x, y = t.curve.grid_ms - t.t0_ms, t.curve.light
    response = t.figures.response_ms.value or 1.0
    moving = np.flatnonzero((y > 0.003) & (np.abs(y - 1) > 0.003))
    begin, end = (x[moving[0]], x[moving[-1]]) if moving.size else (0.0, response)
    low = max(float(x[0]), min(-response, float(begin) - 0.2 * response) - 1.0)
    high = min(float(x[-1]), 1.3 * float(end) + 10.0)
    spacing = max(min(response / 60, (high - low) / 400), (high - low) / _STEP_POINTS)
    # The grid has t = 0 as a point.
    grid = np.arange(math.ceil(low / spacing), math.floor(high / spacing) + 1) * spacing
    return {
        "t_ms": _rounded(grid, 7),
        "light": _rounded(np.interp(grid, x, y), 6),
        "u95": _rounded(np.interp(grid, x, t.step_u95), 3),
    }


def _whole(level: float) -> float | int:
    return int(level) if float(level).is_integer() else level


def _rounded(values: np.ndarray, digits: int) -> list[float]:
    return [float(f"{v:.{digits}g}") for v in values.tolist()]


def is_ok(t: Transition) -> bool:
    """Whether the figures may be used as they stand."""
    return (
        t.figures is not None and t.figures.response_ms.value is not None and not (set(t.flags) - {"threshold_grazed"})
    )


def mean_of(quantities: Sequence[Q], *, shared: str | None = None) -> Q:
    """Return the mean; independent parts average out, the part named ``shared`` does not."""
    good = [q for q in quantities if q.value is not None]
    if not good:
        flags = tuple(sorted({f for q in quantities for f in q.flags})) or ("not_settled",)
        return Q.missing(*flags)
    n = len(good)
    common = sum(q.parts.get(shared, 0.0) for q in good) / n if shared else 0.0
    own = math.fsum(((q.u95 or 0.0) / K95) ** 2 - (q.parts.get(shared, 0.0) ** 2 if shared else 0.0) for q in good)
    sd = math.sqrt(max(own, 0.0) / n**2 + common**2)
    return Q(value=math.fsum(q.value for q in good) / n, u95=K95 * sd)  # type: ignore[misc]


def summarise(transitions: Sequence[Transition], settings: Settings) -> dict[str, Any]:
    """Return the averages over rising, falling and all transitions, and the worst, each with u95."""
    ok = [t for t in transitions if is_ok(t)]
    groups = {
        "": ok,
        "_rising": [t for t in ok if t.to_level > t.from_level],
        "_falling": [t for t in ok if t.to_level < t.from_level],
    }
    out: dict[str, Any] = {"transitions": len(transitions), "transitions_ok": len(ok)}
    nothing = {"value": None, "u95": None}
    for name, shared in (("response_ms", None), ("response_signal_ms", "gamma")):
        for suffix, members in groups.items():
            values = [figure(t, name) for t in members]
            out[f"{name}_mean{suffix}"] = mean_of(values, shared=shared).as_json() if values else nothing
        have = [t for t in ok if figure(t, name).value is not None]
        if have:
            worst = max(have, key=lambda t: figure(t, name).value)  # type: ignore[arg-type,return-value]
            out[f"{name}_max"] = figure(worst, name).as_json()
            out[f"{name}_max_at"] = {"from_level": _whole(worst.from_level), "to_level": _whole(worst.to_level)}
        else:
            out[f"{name}_max"], out[f"{name}_max_at"] = nothing, None
    if ok:
        most = max(ok, key=lambda t: figure(t, "overshoot_pct").value or 0.0)
        out["overshoot_pct_max"] = figure(most, "overshoot_pct").as_json()
    else:
        out["overshoot_pct_max"] = nothing
    out["in_refresh_share"] = nothing
    settles = [(t, s) for t in ok if (s := _settles(t, settings)) is not None]
    if settles and settings.refresh_hz is not None:
        hold = 1000.0 / settings.refresh_hz
        chance = [t.figures.settled_in.get(hold, float(s)) for t, s in settles if t.figures is not None]
        spread = math.sqrt(math.fsum(p * (1 - p) for p in chance)) / len(chance)
        out["in_refresh_share"] = {"value": sum(s for _, s in settles) / len(settles), "u95": K95 * spread}
    return out


def _warnings(
    transitions: Sequence[Transition], settings: Settings, shown: SeenLaw | None, notes: Sequence[tuple[str, str]]
) -> tuple[dict[str, str], ...]:
    """Return the warnings about a whole set of records."""
    out: list[dict[str, str]] = [warning(code, text) for code, text in notes]
    good = [t for t in transitions if t.figures is not None]
    hz = sorted(t.backlight.hz for t in good if t.backlight is not None)
    if hz:
        span = f"{hz[0]:.6g} Hz" if hz[-1] - hz[0] < 1e-3 * hz[0] else f"{hz[0]:.5g} to {hz[-1]:.5g} Hz"
        out.append(warning("ripple_removed", f"{span} in {len(hz)} of {len(good)} transitions"))
    if any(t.bandwidth_removed for t in good):
        out.append(warning("bandwidth_removed", f"{settings.bandwidth_hz:g} Hz"))
    dropped = sum(t.dropped for t in transitions)
    if dropped:
        out.append(warning("repeats_dropped", f"{dropped}"))
    if any(t.few_samples for t in good):
        few = ", ".join(f"{t.from_level:g} to {t.to_level:g}" for t in good if t.few_samples)
        out.append(warning("few_samples", few[:200]))
    if settings.law is not None and settings.law.method == "gamma":
        out.append(warning("levels_assumed", f"a power of {settings.law.gamma:g}"))
    if settings.law is not None and shown is not None:
        text = contradiction(shown, settings.law.level, settings.law.light, settings.law.gamma_u95 / settings.law.gamma)
        if text:
            out.append(warning("law_contradicted", text))
    if good and not any(t.given for t in good):
        out.append(warning("switch_times_found"))
    return tuple(out)
