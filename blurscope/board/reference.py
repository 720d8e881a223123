"""Computed panels: what a display with the measured responses would show under another refresh, a strobe, or at once.

Nothing here is a photo. The measured step of every transition (or an instant one) is held for the refresh in
question and averaged by a camera that keeps the plate's speed, with the lens blur and pixel of the display's photo.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.errors import SettingsError
from blurscope.shapes.blurred import BlurredEdge
from blurscope.shapes.emission import HOLD, Emission, strobe
from blurscope.shapes.steps import Step, instant_step, sampled_step

PHASES = 24  # moments of a refresh that are averaged
SETTLED = 3e-3
WIDEST_LENS_PX = 20.0  # sigma; `measure` refuses photos long before
QUANTITIES = ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What is asked for.

    Attributes
    ----------
    title : str
    refresh_hz : float or None
        None keeps the display's own.
    duty : float or None
        Lit share of a refresh, for a strobe at its end.
    scale : float
        Factor on the response; 0 is an instant panel.
    """

    title: str
    refresh_hz: float | None = None
    duty: float | None = None
    scale: float = 1.0


INSTANT = Reference(title="instant panel", scale=0.0)


def read_reference(text: str) -> Reference:
    """Read ``120hz``, ``strobe=0.2``, ``response*0.5``, ``instant``, or several joined by ``+``.

    Raises
    ------
    SettingsError
        It is none of these or out of range.
    """
    hz = duty = None
    scale, words = 1.0, []
    for part in re.sub(r"\s", "", text.lower()).split("+"):
        if found := re.fullmatch(r"(\d+(?:\.\d+)?)hz", part):
            hz = float(found[1])
            words.append(f"{hz:g} Hz")
        elif found := re.fullmatch(r"strobe=?(\d*\.?\d+)(%?)", part):
            duty = float(found[1]) / (100 if found[2] else 1)
            words.append(f"strobe lit {100 * duty:g} % of a refresh")
        elif found := re.fullmatch(r"response[*x](\d*\.?\d+)", part):
            scale = float(found[1])
            words.append(f"response × {scale:g}")
        elif part == "instant":
            scale = 0.0
            words.append("instant panel")
        else:
            raise SettingsError(
                f"--what-if {text[:40]!r} is not understood; say 120hz, strobe=0.2, response*0.5 or instant"
            )
    if (hz is not None and not 1 <= hz <= 2000) or (duty is not None and not 0 < duty <= 1) or not 0 <= scale <= 100:
        raise SettingsError(
            f"--what-if {text[:40]!r} is out of range (1 to 2000 Hz, a duty up to 1, a factor up to 100)"
        )
    return Reference(title=", ".join(words), refresh_hz=hz, duty=duty, scale=scale)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ComputedPanel:
    """A panel with measured or instant steps under a refresh and an emission."""

    reference: Reference
    measurement: Mapping[str, Any]
    steps: dict[tuple[int, int], Step]
    hold_ms: float
    px_per_refresh: float
    emission: Emission

    @property
    def refresh_hz(self) -> float:
        """Refreshes per second."""
        return 1000 / self.hold_ms


def has_step(edge: Mapping[str, Any]) -> bool:
    """Return whether an edge's step may be used: a flashing backlight shows too little of it."""
    quality = edge["quality"]
    return bool(quality["ok"] and edge.get("step") and "pwm_unresolved" not in quality.get("flags", ()))


def compute_panel(measurement: Mapping[str, Any], reference: Reference) -> ComputedPanel:
    """Return the panel of a reference; the plate keeps its speed in px per second."""
    capture = measurement["capture"]
    hz = reference.refresh_hz or capture["refresh_hz"]
    speed, own = capture["speed_px_per_s"], capture["px_per_refresh"] * capture["refresh_hz"]
    if not (own > 0 and hz > 0 and math.isclose(speed, own, rel_tol=1e-6)):
        raise SettingsError(
            f"a measurement contradicts itself: {capture['px_per_refresh']:g} px per refresh at "
            f"{capture['refresh_hz']:g} Hz are not {speed:g} px per second; measure its photo again"
        )
    steps = {}
    for e in measurement["edges"]:
        if reference.scale == 0:
            steps[e["from_level"], e["to_level"]] = instant_step()
        elif has_step(e):
            step = sampled_step(np.array(e["step"]["t_ms"]), np.array(e["step"]["light"]))
            steps[e["from_level"], e["to_level"]] = step if reference.scale == 1 else step.scaled(reference.scale)
    if not steps:
        raise SettingsError(
            "a measurement has no usable response to compute a reference from (a flashing backlight hides it); measure "
            "with the strobe off, or leave out --what-if"
        )
    return ComputedPanel(
        reference=reference,
        measurement=measurement,
        steps=steps,
        hold_ms=1000 / hz,
        px_per_refresh=capture["speed_px_per_s"] / hz,
        emission=HOLD if reference.duty is None else strobe(reference.duty),
    )


def switch_offset_px(measurement: Mapping[str, Any]) -> float:
    """Return how far behind the drawn edges the photo's profiles stand, px against the motion.

    Notes
    -----
    The photo tells where smeared edges lie, not where they were drawn: a slow panel's edges all lie a little late, and
    the place of the plate absorbs it. The fitted steps know when the pixels switched, so the median shift between the
    profiles and the steps held for the measured refresh says where the plate really was. 0 where nothing was fitted.
    """
    try:
        panel = compute_panel(measurement, Reference(title=""))
    except SettingsError:
        return 0.0
    px_per_ms = measurement["capture"]["speed_px_per_s"] / 1000
    shifts = []
    for e in measurement["edges"]:
        pair = e["from_level"], e["to_level"]
        lag, fit = np.array(e["profile"]["lag_px"], float), np.array(e["profile"]["esf_fit"], float)
        above = np.nonzero(fit >= 0.5)[0]
        if pair not in panel.steps or not e["quality"]["ok"] or not above.size or above[0] == 0:
            continue
        k = int(above[0])
        seen = float(np.interp(0.5, fit[k - 1 : k + 1], lag[k - 1 : k + 1]))
        due = BlurredEdge(step=panel.steps[pair], hold=panel.hold_ms, emission=panel.emission).crossing(0.5)
        shifts.append(seen - due * px_per_ms)
    return float(np.median(shifts)) if shifts else 0.0


def computed_edges(panel: ComputedPanel) -> dict[tuple[int, int], dict[str, dict[str, float]]]:
    """Return the figures of every transition with u95.

    Notes
    -----
    u95: the step is stretched by its response's expanded uncertainty both ways, and the blurred edge's own misfit
    (measured less computed at the measured refresh is not used: it is the same photo) is covered by the measured
    figure's u95 scaled to the new width; the larger counts.
    """
    measured = {(e["from_level"], e["to_level"]): e for e in panel.measurement["edges"]}
    out = {}
    for pair, step in panel.steps.items():
        mid = BlurredEdge(step=step, hold=panel.hold_ms, emission=panel.emission).figures()
        response = measured[pair]["response_ms"]
        found = {
            "bet_ms": [mid.bet, 0.0],
            "ghost_ms": [mid.ghost, 0.0],
            "overshoot_pct": [100 * mid.overshoot, 0.0],
        }
        scale = panel.reference.scale
        if scale and response["value"] and response["u95"]:
            share = min(response["u95"] / response["value"], 0.9)
            for s in (step.scaled(1 - share), step.scaled(1 + share)):
                moved = BlurredEdge(step=s, hold=panel.hold_ms, emission=panel.emission).figures()
                for name, value in (
                    ("bet_ms", moved.bet),
                    ("ghost_ms", moved.ghost),
                    ("overshoot_pct", 100 * moved.overshoot),
                ):
                    found[name][1] = max(found[name][1], abs(value - found[name][0]))
        if scale:
            for name in found:
                found[name][1] = max(found[name][1], measured[pair][name]["u95"] or 0.0)
        found["response_ms"] = [scale * (response["value"] or 0.0), scale * (response["u95"] or 0.0)]
        out[pair] = {k: {"value": float(v), "u95": float(u)} for k, (v, u) in found.items() if math.isfinite(v)}
    return out


def mean_figures(edges: Mapping[tuple[int, int], Mapping[str, Mapping[str, float]]]) -> dict[str, dict[str, Any]]:
    """Return means over the transitions; u95 is that of fully shared errors, which the photo's mostly are."""
    out = {}
    for name in QUANTITIES:
        known = [f[name] for f in edges.values() if name in f]
        mean = (
            {k: float(np.mean([q[k] for q in known])) for k in ("value", "u95")}
            if known
            else {"value": None, "u95": None}
        )
        out[name] = mean
    return out


def render(panel: ComputedPanel, levels: np.ndarray, columns: int, samples_per_px: float) -> np.ndarray:
    """Return the computed crop in light, motion to the right, 0 black and 1 white.

    Parameters
    ----------
    panel : ComputedPanel
    levels : (rows, n) uint8
        The plate from the window's left border on, one column per display px, motion to the right; what lies beyond
        ``columns`` is what the pixels showed before, the more the better.
    columns : int
        Length of the window, display px.
    samples_per_px : float

    Returns
    -------
    (rows, columns) float32, samples
    """
    from scipy.ndimage import gaussian_filter

    known = sorted({level for pair in panel.steps for level in pair})
    travel, hold = panel.px_per_refresh, panel.hold_ms
    light = law_of(panel.measurement)
    index = np.abs(np.arange(256)[:, None] - np.array(known)).argmin(axis=1)
    reach = max(float(_settle(s)) for s in panel.steps.values())
    history = min(int(math.ceil(reach / hold)) + 1, int((levels.shape[1] - columns) / travel) - 1)
    samples = round(columns * samples_per_px)
    place = (np.arange(samples) + 0.5) / samples_per_px
    total, weights = np.zeros((levels.shape[0], samples)), 0.0
    for s, weight in _lit_moments(panel.emission):
        cells = [np.floor(place + travel * s + travel * k + 1e-9).astype(int) for k in range(max(history, 1) + 1)]
        seen = levels[:, np.clip(cells[-1], 0, levels.shape[1] - 1)]
        out = light[seen]
        for k in range(len(cells) - 2, -1, -1):
            then = levels[:, np.clip(cells[k], 0, levels.shape[1] - 1)]
            out = out + (light[then] - light[seen]) * _responses(panel, known, index, seen, then, (k + s) * hold)
            seen = then
        total += weight * out
        weights += weight
    picture = np.repeat(total / weights, max(1, round(samples_per_px)), axis=0)
    if picture.shape[0] != round(levels.shape[0] * samples_per_px):
        rows = ((np.arange(round(levels.shape[0] * samples_per_px)) + 0.5) / samples_per_px).astype(int)
        picture = (total / weights)[np.clip(rows, 0, levels.shape[0] - 1)]
    lens = ((panel.measurement.get("lens") or {}).get("sigma_px") or {}).get("value") or 0.0
    if not 0 <= lens <= WIDEST_LENS_PX:
        raise SettingsError(
            f"a measurement says that its lens blurs by {lens:g} px, where 0 to {WIDEST_LENS_PX:g} can be: measure its "
            "photo again"
        )
    pixel = 1 / max(panel.measurement["capture"].get("campx_per_px") or 3.0, 0.5)
    sigma = math.hypot(lens, pixel / math.sqrt(12)) * samples_per_px
    return gaussian_filter(picture, sigma, mode="nearest").astype(np.float32)


def _lit_moments(emission: Emission) -> list[tuple[float, float]]:
    """Return moments of the lit parts of a refresh, as shares of it, and what each weighs; short flashes have some."""
    out = []
    for start, end, weight in emission.pieces:
        count = math.ceil(PHASES * (end - start) - 1e-9)
        length = (end - start) / count
        out += [(start + (k + 0.5) * length, weight * length) for k in range(count)]
    return out


def law_of(measurement: Mapping[str, Any]) -> np.ndarray:
    """Return the display's light of all 256 levels, 0 black and 1 white, interpolated in the signal domain."""
    law, gamma = measurement["light"]["law"], measurement["light"].get("display_gamma") or 2.2
    light = np.array(law["light"], float)
    if not (light[-1] > light[0] and gamma > 0):
        raise SettingsError("a measurement's light does not rise with the display's levels: measure its photo again")
    share = np.clip((light - light[0]) / (light[-1] - light[0]), 0, None) ** (1 / gamma)
    return np.interp(np.arange(256), law["level"], share) ** gamma


def _settle(step: Step) -> float:
    t = np.linspace(float(step.kinks_ms[0]), step.end_ms, 400)
    late = np.nonzero(np.abs(step.value(t) - 1) > SETTLED)[0]
    return float(t[late[-1]]) if late.size else 0.0


def _responses(panel, known, index, seen, then, age_ms) -> np.ndarray:
    """Share of the transition done after ``age_ms``; levels that weren't measured take the nearest pair's step."""
    n = len(known)
    table = np.ones((n, n))
    for (a, b), step in panel.steps.items():
        table[known.index(a), known.index(b)] = float(step.value(np.array([age_ms]))[0])
    i, j = index[seen], index[then]
    same = (i == j) & (seen != then)
    shifted = np.where(then > seen, np.where(j > 0, j - 1, j + 1), np.where(j < n - 1, j + 1, j - 1))
    return table[np.where(same, shifted, i), j]
