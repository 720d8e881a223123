"""Step responses from what there is: a response file, a measurement's streaks and edges, or a time and a shape."""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.errors import SettingsError
from blurscope.files import check_ordinary, read_json, show_path
from blurscope.flags import FLAGS, warning
from blurscope.model.streak import has_gap, unblurred_streak
from blurscope.records import Q, Transition
from blurscope.shapes.steps import SHAPES, family_step, overshoot_share, rise_ms, sampled_step
from blurscope.uncertainty import K95

ABSURD = 1e9  # ms, px or %: beyond any display's figures
LONGEST_MS = 10_000.0  # of a response; slower than any display by far
LONGEST_CURVE_MS = 100_000.0
RESPONSE_SCHEMA = "blurscope.response/1"
MEASUREMENT_SCHEMA = "blurscope.measurement/1"
SAMPLES_PER_RESPONSE = 400
RECURSION_TOLERANCE = 0.08  # of the response time, beside its own u95


@dataclass(frozen=True, slots=True, kw_only=True)
class Responses:
    """Responses of several transitions, and what is known about how they were taken.

    Attributes
    ----------
    label : str
    source : str
        Schema of the file, or ``assumed``.
    transitions : tuple of Transition
    backlight : dict or None
        The file's own ``backlight`` block.
    refresh_hz : float or None
        At which the display ran while the response was taken.
    display_gamma : float or None
    light : dict or None
        The file's own ``light`` block.
    warnings : tuple of dict
    """

    label: str
    source: str
    transitions: tuple[Transition, ...]
    backlight: dict[str, Any] | None = None
    refresh_hz: float | None = None
    display_gamma: float | None = None
    light: dict[str, Any] | None = None
    warnings: tuple[dict[str, str], ...] = ()


def assumed_response(response_ms: float, shape: str = "exponential", u95_ms: float = 0.0) -> Responses:
    """Return one response that stands for every transition.

    Raises
    ------
    SettingsError
        A time or shape that can't be.
    """
    if shape not in SHAPES:
        raise SettingsError(f"the shape {shape!r:.40} is unknown; take one of {', '.join(SHAPES)}")
    if not (math.isfinite(response_ms) and 0 <= response_ms <= LONGEST_MS and 0 <= u95_ms <= LONGEST_MS):
        raise SettingsError(
            f"a response of {response_ms} ms can't be used; give 0 to {LONGEST_MS:.0f} ms (and its u95 likewise)"
        )
    if shape == "instant" and response_ms > 0:
        raise SettingsError(
            f"an instant response takes no time, so {response_ms:g} ms can't belong to it; leave one of both out, "
            "or take another shape"
        )
    one = Transition(
        from_level=None,
        to_level=None,
        step=family_step(shape, response_ms),
        response_ms=Q(value=response_ms, u95=u95_ms),
        response_signal_ms=Q.missing("signal_unknown"),
        overshoot_pct=Q(value=0.0, u95=0.0),
        origin="record",
    )
    text = "instant response" if response_ms == 0 else f"{shape} response of {response_ms:g} ms"
    return Responses(label=text, source="assumed", transitions=(one,))


def read_responses(path: str | os.PathLike[str], shape: str | None = None) -> Responses:
    """Read a response file, or the responses that a measurement found in its own photo.

    Parameters
    ----------
    path : path-like
        ``blurscope.response/1`` or ``blurscope.measurement/1``.
    shape : str, optional
        Shape for transitions that have a response time but no curve; exponential when left out.

    Raises
    ------
    SettingsError
        Not such a file, or nothing in it that can be used.
    """
    schema = MEASUREMENT_SCHEMA if _schema_of(path) == MEASUREMENT_SCHEMA else RESPONSE_SCHEMA
    return responses_of(read_json(path, schema), show_path(path), shape)


def _schema_of(path: str | os.PathLike[str]) -> Any:
    check_ordinary(path)
    try:
        with open(path, "rb") as stream:
            data = json.loads(stream.read(256 * 2**20))
    except (OSError, ValueError, RecursionError):
        return None
    return data.get("schema") if isinstance(data, dict) else None


def responses_of(data: dict[str, Any], name: str, shape: str | None = None, *, streaks_only: bool = False) -> Responses:
    """Return the responses in the content of a response or measurement file.

    Parameters
    ----------
    data : dict
    name : str
        For refusals.
    shape : str, optional
        As in `read_responses`.
    streaks_only : bool
        Leave out what a measurement inferred from its edges (to check those against the streaks).
    """
    if shape is not None and shape not in SHAPES:
        raise SettingsError(f"the shape {shape!r:.40} is unknown; take one of {', '.join(SHAPES)}")
    if data.get("schema") == MEASUREMENT_SCHEMA:
        found = _from_measurement(data, name, shape, streaks_only)
        capture = data.get("capture") if isinstance(data.get("capture"), dict) else {}
        refresh = _number(capture.get("refresh_hz"))
    else:
        found = [_from_entry(e, name, shape, "record") for e in entries(data, "transitions", name)]
        refresh = _number(data.get("refresh_hz"))
    if not found:
        what = "streaks of switching slits" if streaks_only else "transitions"
        raise SettingsError(f"{name} holds no {what}; give a response file made by 'blurscope trace'")
    pairs = [t.pair for t in found]
    if len(set(pairs)) < len(pairs):
        twice = next(p for p in pairs if pairs.count(p) > 1)
        raise SettingsError(f"{name} has the transition {twice[0]} to {twice[1]} twice; keep one of them")
    timed = [t for t in found if t.origin == "family" and t.step is not None and (t.response_ms.value or 0) > 0]
    if shape == "instant" and timed:
        slow = timed[0]
        raise SettingsError(
            f"{name} states {slow.response_ms.value:.4g} ms from {slow.from_level} to {slow.to_level} and no curve, "
            "which the shape 'instant' would ignore; take exponential or s-shaped"
        )
    backlight, light = data.get("backlight"), data.get("light")
    return Responses(
        label=str(data.get("label", "")),
        source=data["schema"],
        transitions=tuple(found),
        backlight=backlight if isinstance(backlight, dict) else None,
        refresh_hz=refresh if refresh and refresh > 0 else None,
        display_gamma=gamma_of(light),
        light=light if isinstance(light, dict) else None,
        warnings=(warning("shape_assumed", shape or "exponential"),) if timed else (),
    )


def gamma_of(light: Any) -> float | None:
    """Return the display gamma that a ``light`` block states, if it states one."""
    if not isinstance(light, dict):
        return None
    gamma = light.get("display_gamma")
    if isinstance(gamma, dict):
        gamma = gamma.get("value")
    value = _number(gamma)
    return value if value and 0.5 <= value <= 5 else None


def _from_measurement(data: dict[str, Any], name: str, shape: str | None, streaks_only: bool) -> list[Transition]:
    capture = data.get("capture")
    hold = _number(capture.get("hold_ms")) if isinstance(capture, dict) else None
    hold = hold if hold and hold > 0 else 0.0
    streaks = [_from_entry(e, name, shape, "streak", hold) for e in entries(data, "streaks", name, needed=False)]
    found = {t.pair: t for t in streaks if t.step is not None}
    if streaks_only:
        return list(found.values())
    for entry in entries(data, "edges", name):
        edge = _from_edge(entry, data, name, shape)
        if edge.step is not None or edge.pair not in found:
            found.setdefault(edge.pair, edge)
    return list(found.values())


def entries(data: dict[str, Any], key: str, name: str, needed: bool = True) -> list[dict[str, Any]]:
    """Return a list of objects from a file's content, or refuse it.

    Raises
    ------
    SettingsError
    """
    value = data.get(key)
    if value is None and not needed:
        return []
    if not isinstance(value, list) or not all(isinstance(e, dict) for e in value):
        raise SettingsError(f"{name} has no list '{key}'; make the file again")
    return value


def levels_of(entry: dict[str, Any], name: str) -> tuple[int, int]:
    """Return ``(from_level, to_level)`` of an entry, or refuse it.

    Raises
    ------
    SettingsError
    """
    pair = entry.get("from_level"), entry.get("to_level")
    if not all(isinstance(v, int) and not isinstance(v, bool) and 0 <= v <= 255 for v in pair) or pair[0] == pair[1]:
        raise SettingsError(f"{name} has an entry from {pair[0]!r:.20} to {pair[1]!r:.20}; levels are two of 0 to 255")
    return pair


def quantity_of(entry: dict[str, Any], key: str, name: str, *flags: str) -> Q:
    """Return a quantity of an entry; missing ones carry ``flags``.

    Raises
    ------
    SettingsError
        Something else than a number or nothing, or a number that no display has.
    """
    found = entry.get(key)
    value, u95 = (found.get("value"), found.get("u95")) if isinstance(found, dict) else (found, None)
    if value is None:
        return Q.missing(*(flags or ("response_missing",)))
    number, spread = _number(value), _number(u95)
    if number is None or (u95 is not None and (spread is None or spread < 0)):
        raise SettingsError(f"{name} has a '{key}' that is no number with an uncertainty; make the file again")
    # a step is made of a response, and takes memory by its length
    most = LONGEST_MS if key == "response_ms" else ABSURD
    if abs(number) > most or (spread or 0.0) > most:
        raise SettingsError(
            f"{name} has a '{key}' of {number:.3g} ± {spread or 0:.3g}, which no display has; make it again"
        )
    return Q(value=number, u95=spread)


def _number(value: Any) -> float | None:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    return None


def _known_flags(entry: dict[str, Any]) -> tuple[str, ...]:
    quality = entry.get("quality")
    flags = quality.get("flags", []) if isinstance(quality, dict) else []
    return tuple(f for f in flags if isinstance(f, str) and f in FLAGS)


def _from_entry(entry: dict[str, Any], name: str, shape: str | None, origin: str, hold_ms: float = 0.0) -> Transition:
    """One entry of ``transitions`` or ``streaks``: a curve where there is one, else a time and a shape."""
    pair = levels_of(entry, name)
    flags = _known_flags(entry)
    reason = flags or ("response_missing",)
    response = quantity_of(entry, "response_ms", name, *reason)
    curve = entry.get("step") if origin == "record" else entry
    step, noise, spacing, alternatives, ends = None, 0.0, 0.0, (), ()
    if isinstance(curve, dict) and curve.get("t_ms") and curve.get("light") and response.value is not None:
        step, noise, spacing = _curve(curve, response.value, f"{name}, {pair[0]} to {pair[1]}")
        if origin == "streak" and hold_ms > 0 and has_gap(step.kinks_ms, step.value(step.kinks_ms), hold_ms):
            step, flags = None, (*flags, "streak_incomplete")
        elif origin == "streak":
            seen = unblurred_streak(step, response.value, response.u95 or 0.0, hold_ms)
            step, alternatives, ends, noise = seen.step, seen.alternatives, seen.ends, seen.noise
    elif response.value is not None:
        step, origin = family_step(shape or "exponential", max(response.value, 0.0)), "family"
        alternatives = _both_shapes(response.value)
    overshoot = quantity_of(entry, "overshoot_pct", name, *reason)
    if overshoot.value is None and step is not None:
        overshoot = Q(value=100 * overshoot_share(step))
    return Transition(
        from_level=pair[0],
        to_level=pair[1],
        step=step,
        response_ms=response,
        response_signal_ms=quantity_of(entry, "response_signal_ms", name, "signal_unknown"),
        overshoot_pct=overshoot,
        origin=origin,
        noise_share=noise,
        spacing_ms=spacing,
        level_share=_settled_share(curve) if origin == "record" else None,
        alternatives=alternatives,
        ends=ends,
        flags=flags,
    )


def _curve(curve: dict[str, Any], response_ms: float, where: str) -> tuple[Any, float, float]:
    """Return the step of a sampled curve, its noise and sample spacing."""
    try:
        t = np.array(curve["t_ms"], dtype=float)
        light = np.array(curve["light"], dtype=float)
    except (TypeError, ValueError):
        raise SettingsError(f"{where}: 't_ms' and 'light' must be lists of numbers; make the file again") from None
    if t.ndim != 1 or t.shape != light.shape or t.size < 4:
        raise SettingsError(f"{where}: 't_ms' and 'light' need the same length of at least 4; make the file again")
    if not (np.isfinite(t).all() and np.isfinite(light).all() and (np.diff(t) > 0).all()):
        raise SettingsError(f"{where}: 't_ms' must increase and hold no gaps; make the file again")
    if np.abs(t).max() > LONGEST_CURVE_MS:
        raise SettingsError(
            f"{where}: 't_ms' reaches to {np.abs(t).max():.3g} ms, longer than any display takes; make the file again"
        )
    if np.abs(light).max() > 5 or abs(float(np.median(light[-max(3, t.size // 20) :])) - 1) > 0.3:
        raise SettingsError(f"{where}: 'light' does not run from 0 to 1; normalise it to the two settled levels")
    spacing = float(np.median(np.diff(t)))
    bend = light[2:] - 2 * light[1:-1] + light[:-2]
    noise = float(np.median(np.abs(bend)) / 0.6745 / math.sqrt(6)) if bend.size >= 20 else 0.0
    block = max(1, int(max(response_ms, 1.0) / SAMPLES_PER_RESPONSE / spacing))
    if block > 1 and t.size // block >= 50:
        t, light = _thinned(t, light, block)
    return sampled_step(t, light), noise, spacing


def _settled_share(curve: Any) -> float | None:
    """Return the standard uncertainty of the settled level, where a curve states the u95 of its samples."""
    stated = curve.get("u95") if isinstance(curve, dict) else None
    last = _number(stated[-1]) if isinstance(stated, list) and stated else None
    return None if last is None or last < 0 else last / K95


def _thinned(t: np.ndarray, light: np.ndarray, block: int) -> tuple[np.ndarray, np.ndarray]:
    """Average blocks of samples far finer than the response (the hold's average keeps the same area)."""
    n = t.size // block * block
    mean_t, mean = t[:n].reshape(-1, block).mean(1), light[:n].reshape(-1, block).mean(1)
    return mean_t, mean


def _from_edge(entry: dict[str, Any], data: dict[str, Any], name: str, shape: str | None) -> Transition:
    """The pixel's own step behind a measured edge: read back from its fitted ESF where that is consistent.

    ``R(t) = R(t - T) + T·ESF'(t)``; it is used where its 10-90 % time agrees with the edge's own ``response_ms``
    and there is no flashing backlight; else the time and a shape.
    """
    pair = levels_of(entry, name)
    flags = _known_flags(entry)
    reason = flags or ("response_missing",)
    response = quantity_of(entry, "response_ms", name, *reason)
    step, origin = None, "family"
    if response.value is not None:
        step = family_step(shape or "exponential", max(response.value, 0.0))
        if shape is None and (curve := _fitted_step(entry) or read_back(entry, data)) is not None:
            allowed = RECURSION_TOLERANCE * response.value + (response.u95 or 0.0)
            if abs(rise_ms(curve) - response.value) <= allowed:
                step, origin = curve, "edge"
    return Transition(
        from_level=pair[0],
        to_level=pair[1],
        step=step,
        response_ms=response,
        response_signal_ms=quantity_of(entry, "response_signal_ms", name, "signal_unknown"),
        overshoot_pct=quantity_of(entry, "response_overshoot_pct", name, *reason),
        origin=origin,
        flags=flags,
    )


def _both_shapes(response_ms: float) -> tuple[Any, Any]:
    return family_step("exponential", max(response_ms, 0.0)), family_step("s-shaped", max(response_ms, 0.0))


def _fitted_step(entry: dict[str, Any]) -> Any:
    """Return the step that the measurement fitted to an edge, if the file holds it."""
    curve = entry.get("step")
    try:
        t = np.array(curve["t_ms"], dtype=float)
        if t.size and not np.abs(t).max() <= LONGEST_CURVE_MS:
            return None
        return sampled_step(t, np.array(curve["light"], dtype=float))
    except (TypeError, KeyError, ValueError):
        return None


def read_back(entry: dict[str, Any], data: dict[str, Any], points_per_hold: int = 64) -> Any:
    """Return the step that the fitted ESF of an edge implies, or ``None`` where it can't be read."""
    capture, profile = data.get("capture"), entry.get("profile")
    backlight = data.get("backlight")
    if not isinstance(capture, dict) or not isinstance(profile, dict):
        return None
    if isinstance(backlight, dict) and backlight.get("kind") == "strobe":
        return None
    hold, travel = _number(capture.get("hold_ms")), _number(capture.get("px_per_refresh"))
    try:
        lag = np.array(profile.get("lag_px"), dtype=float)
        esf = np.array(profile.get("esf_fit"), dtype=float)
    except (TypeError, ValueError):
        return None
    if not hold or not travel or lag.ndim != 1 or lag.shape != esf.shape or lag.size < 16:
        return None
    if not (np.isfinite(lag).all() and np.isfinite(esf).all() and (np.diff(lag) > 0).all()):
        return None
    if not abs(lag[-1] / travel * hold) <= LONGEST_CURVE_MS:
        return None
    t = np.arange(-points_per_hold // 2, int(lag[-1] / travel * points_per_hold) + 1) / points_per_hold
    curve = np.interp(t * travel, lag, esf, left=0.0, right=float(esf[-1]))
    slope = np.gradient(curve, t)
    out = slope.copy()
    for i in range(points_per_hold, t.size):
        out[i] += out[i - points_per_hold]
    if t.size < 3 * points_per_hold // 2 or not np.isfinite(out).all() or abs(out[-1] - 1) > 0.2:
        return None
    return sampled_step(t * hold, out)
