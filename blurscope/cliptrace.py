"""A response trace without a photodiode: the light of pixels against time, from a clip, as ``blurscope.response/1``."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from blurscope import __version__
from blurscope.blur.measure import BlurFit, measure_profiles
from blurscope.blur.operator import age_edges
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.doubts import signal_shares
from blurscope.errors import FitError
from blurscope.files import show_path
from blurscope.flags import warning
from blurscope.light import MODE_LIGHT, Tone
from blurscope.pattern.layout import Layout
from blurscope.records import Q
from blurscope.shot import ShotFit
from blurscope.uncertainty import K95
from blurscope.video import VirtualCamera
from blurscope.video.allowance import RESPONSE_FACTOR, coding_allowance
from blurscope.video.trace import PixelPool, PooledStep

SCHEMA = "blurscope.response/1"
MIN_BINS = 24
FLOOR = 2e-3  # of the step: what interpolation and flat field leave of a pooled sample
LENS_SD_PX = 0.03
CURVE_SD = 5e-4  # of white: what halftones leave of any tone curve
QUANTUM_SHARE = 0.3  # of the first code: what rounding and clipping at black leave of a mean
LEVEL_SD = 4e-3  # of the step, of the plateaus
TELL_EVERY = 50  # frames
MEANS = ("response_ms", "response_signal_ms")


def read_steps(
    scene: Any,
    camera: VirtualCamera,
    shot: ShotFit,
    share: tuple[float, float, float],
    hz: float,
    label: str,
    say: Callable[[str], None] = lambda _: None,
) -> dict[str, Any]:
    """Read each transition's step response off the pixels of the bands.

    Parameters
    ----------
    scene : blurscope.clip.Scene
    camera : VirtualCamera
        That took ``shot``.
    shot : ShotFit
        Where the plate is, and the refresh clock all over the screen.
    share : (float, float, float)
        Exposure of a frame over the frame spacing: likely, least, most.
    hz : float
    label : str

    Returns
    -------
    dict
        ``blurscope.response/1``.

    Raises
    ------
    FitError
        The clock or the pixels can't be read.
    """
    pooled = pool_steps(scene, camera, shot, say)
    if not pooled:
        raise FitError("no pixel of the bands was seen before and after a switch; film more refreshes of the display")
    fits = fit_steps(pooled, scene, shot, share)
    hold_ms = 1000 / hz
    clip = scene.clip
    coding = coding_allowance(clip.bits_per_pixel, clip.codec)
    entries = [
        _entry(p, f, scene, hold_ms, RESPONSE_FACTOR * coding, show_path(clip.path))
        for p, f in zip(pooled, fits, strict=True)
    ]
    if shot.backlight.emission is not None:  # a flash shows the pixel at moments only, and not at those of the frames
        for entry in entries:
            entry.update({name: {"value": None, "u95": None} for name in (*MEANS, "overshoot_pct")})
            entry["quality"] = {"ok": False, "flags": [*entry["quality"]["flags"], "pwm_unresolved"]}
    warnings = list(scene.warnings)
    if share[1] != share[2]:
        warnings.append(warning("frame_exposure_unknown"))
    if coding > 0:
        warnings.append(warning("clip_compressed", f"{clip.bits_per_pixel:.2g} bits per pixel"))
    nothing = {"value": None, "u95": None}
    return {
        "schema": SCHEMA,
        "version": __version__,
        "label": label,
        "refresh_hz": hz,
        "light": {"method": None, "display_gamma": None},
        "backlight": {"kind": "hold", "duty": {"value": 1.0, "u95": None}, "frequency_hz": nothing, "phase": None},
        "transitions": entries,
        "summary": _summary(entries),
        "refused": [],
        "warnings": warnings,
    }


def pool_steps(
    scene: Any, camera: VirtualCamera, shot: ShotFit, say: Callable[[str], None] = lambda _: None
) -> list[PooledStep]:
    """Collect the light of the bands' pixels by the age of their last switch, over all frames."""
    m, layout, reg = shot.motion, scene.layout, scene.registration
    if m is None:
        raise FitError("the streaks do not give the refresh clock, so the pixels' light can't be timed")
    travel = layout.sign * layout.px_per_refresh
    away = travel * (camera.middle - scene.pose_index * scene.spacing)

    def place(x: np.ndarray, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        # the pose leans with the edges, which a scanned-out display shows later in lower rows
        shift = travel * (m.start_at(x, row, layout) + m.exposure / 2)
        u, v = camera.to_plate(*shot.registration.pose.to_photo(x - shift, row))
        return reg.pose.to_photo(u + away, v)

    def clock_at(x: np.ndarray, row: np.ndarray) -> np.ndarray:
        return m.start_at(x, row, layout) - camera.start

    h, w = scene.clip.height_campx, scene.clip.width_campx
    shape = (w, h) if reg.turned else (h, w)
    pool = PixelPool(layout, place, clock_at, scene.spacing, scene.tone.gain, shape)
    for frame in scene.frames():
        if frame.index % TELL_EVERY == 0:
            say(f"reading the pixels, frame {frame.index} of {scene.count}")
        pool.add(frame.index, scene.light(frame.codes))
    return [p for p in pool.steps() if len(p.age) >= MIN_BINS]


def fit_steps(pooled: list[PooledStep], scene: Any, shot: ShotFit, share: tuple[float, float, float]) -> list[BlurFit]:
    """Fit the response families to the pooled samples, seen through the exposure of a frame."""
    layout: Layout = scene.layout
    ages = age_edges(layout.field_refreshes + 1)
    count = max(len(p.age) for p in pooled)
    n = len(pooled)
    esf, sigma = np.zeros((n, count)), np.full((n, count), 1e3)
    lens_sd = max(shot.lens_sd_px, LENS_SD_PX)
    # as it is likely; exposed for the least and the most; the lens softer by one standard deviation
    kinds = [(share[0], 0.0), (share[1], 0.0), (share[2], 0.0), (share[0], lens_sd)]
    operators = np.zeros((len(kinds), n, count, len(ages) - 1))
    for i, p in enumerate(pooled):
        k = len(p.age)
        esf[i, :k], sigma[i, :k] = p.light, np.hypot(p.sd, FLOOR)
        age = np.concatenate([p.age, np.full(count - k, p.age[-1])])
        for operator, (length, softer) in zip(operators, kinds, strict=True):
            mixed = leak(p.border_px, shot, softer)
            for j, weight in ((0, 1 - 2 * mixed), (-1, mixed), (1, mixed)):
                operator[i] += weight * exposure_operator(age + j, ages, length * scene.spacing)
    levels = np.tile([0.0, 1.0, LEVEL_SD, LEVEL_SD], (n, 1))
    profiles = Profiles(
        lag_px=np.arange(count, dtype=float),
        esf=esf,
        sigma=sigma,
        operator=operators[0],
        ages=ages,
        correlation=1.0,
        length=float(layout.field_refreshes + 2),
        levels=levels,
    )

    def nuisances_of(cells: np.ndarray) -> list[Nuisance]:
        seen = np.einsum("jimk,ik->jim", operators, cells)
        return [
            Nuisance(name="frames", shift=0.5 * (seen[2] - seen[1])),
            Nuisance(name="lens", shift=seen[3] - seen[0]),
            *_tone_effects(seen[0], pooled, scene.tone, float(scene.decode[1] - scene.decode[0])),
        ]

    shares = signal_shares([(p.from_level, p.to_level) for p in pooled], shot.tone)
    return measure_profiles(profiles, nuisances_of, shares, np.random.default_rng(20240501))


def _tone_effects(seen: np.ndarray, pooled: list[PooledStep], tone: Tone, quantum: float) -> list[Nuisance]:
    """How the doubt of the tone curve changes each step, mode by mode; ``quantum`` is the light of the first code."""
    a, b = np.array([p.levels for p in pooled]).T[:, :, None]
    level = a + (b - a) * np.clip(seen, 0, 1)

    def changed(bend: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        return (bend(level) - bend(a) - (bend(b) - bend(a)) * (level - a) / (b - a)) / (b - a)

    def least(x: np.ndarray) -> np.ndarray:
        x = np.clip(x, 1e-5, 1.5)
        return np.e * CURVE_SD * x * np.log(x)

    out = [Nuisance(name="tone", shift=changed(least))]
    for mode in tone.curve_modes:
        out.append(Nuisance(name="tone", shift=changed(lambda x, mode=mode: np.interp(x, MODE_LIGHT, mode))))
    bias = float(np.hypot(tone.black_bias, QUANTUM_SHARE * quantum))
    if bias > 0:
        reach = 4 * bias

        def lift(x: np.ndarray) -> np.ndarray:
            return bias * np.exp(-np.maximum(x - tone.black, 0) / reach)

        out.append(Nuisance(name="black", shift=changed(lift)))
    return out


def leak(border_px: np.ndarray, shot: ShotFit, softer_px: float = 0.0) -> float:
    """Return how much light a sample takes from pixels that switch a refresh earlier, and as much from later ones.

    Parameters
    ----------
    border_px : (n,) float
        Distance of the samples from the next border of pixels that switch together.
    shot : ShotFit
        Has the lens and the scale.
    softer_px : float
        Blur added to the lens.
    """
    from scipy.special import ndtr

    pixel = 1 / shot.registration.campx_per_px
    sigma = np.sqrt(shot.lens_px**2 + softer_px**2 + pixel**2 * (1 / 12 + 1 / 6))  # its area, and reading between two
    far = shot.layout.px_per_refresh - border_px
    return float(0.5 * np.mean(ndtr(-border_px / sigma) + ndtr(-far / sigma)))


def exposure_operator(age: np.ndarray, ages: np.ndarray, length: float) -> np.ndarray:
    """Return the matrix from mean response per age bin to its mean over ``length`` around each age."""
    half = max(0.5 * length, 1e-4)
    low = np.clip(age - half, ages[0], ages[-1])[:, None]
    high = np.clip(age + half, ages[0], ages[-1])[:, None]
    part = np.minimum(high, ages[None, 1:]) - np.maximum(low, ages[None, :-1])
    part = np.maximum(part, 0.0)
    total = part.sum(axis=1, keepdims=True)
    out = part / np.where(total > 0, total, 1.0)
    # within a bin that is only partly covered the response has its slope: weigh neighbours so that means agree
    centre = 0.5 * (ages[1:] + ages[:-1])
    want = 0.5 * (low + high)[:, 0]
    lean = want - out @ centre
    inner = np.clip(np.searchsorted(centre, want), 1, len(centre) - 2)
    rows = np.arange(len(age))
    slope = lean / (centre[inner + 1] - centre[inner - 1])
    good = total[:, 0] > 0
    out[rows, inner + 1] += np.where(good, slope, 0.0)
    out[rows, inner - 1] -= np.where(good, slope, 0.0)
    return out


def _entry(p: PooledStep, fit: BlurFit, scene: Any, hold_ms: float, extra: float, file: str) -> dict[str, Any]:
    timing = 0.5 / 64 / np.sqrt(12)  # of a refresh: samples are pooled by the bin

    def figure(name: str, factor: float, more: float = 0.0) -> Q:
        value, u95 = fit.value[name], fit.u95[name]
        if not (np.isfinite(value) and np.isfinite(u95)):
            return Q.missing("signal_unknown" if name == "response_signal" else "not_settled")
        return Q(value=float(value) * factor, u95=float(np.hypot(u95, K95 * more)) * factor)

    response = figure("response", hold_ms, np.hypot(extra, timing))
    signal = figure("response_signal", hold_ms, np.hypot(extra, timing))
    overshoot = figure("response_overshoot", 100.0, extra)
    edges = age_edges(scene.layout.field_refreshes + 1)
    t = 0.5 * (edges[1:] + edges[:-1]) - fit.onset
    light = fit.cells
    sd = np.interp(t + fit.onset, p.age, np.hypot(p.sd, LEVEL_SD))
    keep = t > -0.25
    outside = np.nonzero(np.abs(light - 1) > 0.05)[0]
    settle = float(t[min(outside[-1] + 1, len(t) - 1)]) if len(outside) else 0.0
    tenth = float(np.interp(0.1, np.maximum.accumulate(light), t))
    flags = ["poor_fit"] if fit.chi2_ratio > 6 else []
    if response.value is None:
        flags.append("not_settled")
    none = {"value": None, "u95": None}
    return {
        "from_level": p.from_level,
        "to_level": p.to_level,
        "response_ms": response.as_json(),
        "response_signal_ms": signal.as_json(),
        "overshoot_pct": overshoot.as_json(),
        "undershoot_pct": none,
        "settle_ms": {"value": settle * hold_ms, "u95": K95 * float(np.hypot(0.05, extra)) * hold_ms},
        "settles_within_refresh": bool(settle <= 1.0),
        "latency_ms": {"value": tenth * hold_ms, "u95": K95 * float(np.hypot(0.05, extra)) * hold_ms},
        "fractions": {},
        "step": {
            "t_ms": np.round(t[keep] * hold_ms, 5).tolist(),
            "light": np.round(light[keep], 5).tolist(),
            "u95": np.round(K95 * sd[keep], 5).tolist(),
        },
        "raw_light": {
            "t_ms": np.round((p.age - fit.onset) * hold_ms, 5).tolist(),
            "light": np.round(p.light, 5).tolist(),
        },
        "backlight": None,
        "files": [file],
        "repeats": p.count,
        "repeats_dropped": 0,
        "switch_times_s": [],
        "settled_levels": list(p.levels),
        "step_over_noise": float(1 / np.median(np.hypot(p.sd, FLOOR))),
        "quality": {"ok": not flags, "flags": flags},
    }


def _summary(entries: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the summary block: means, rising and falling apart, and the slowest."""
    usable = [e for e in entries if e["quality"]["ok"]]

    def mean(name: str, part: list[dict[str, Any]]) -> dict[str, float | None]:
        have = [e[name] for e in part if e[name]["value"] is not None]
        if not have:
            return {"value": None, "u95": None}
        # one clip, one camera: what is uncertain is shared
        return {"value": float(np.mean([q["value"] for q in have])), "u95": float(np.mean([q["u95"] for q in have]))}

    out: dict[str, Any] = {"transitions": len(entries), "transitions_ok": len(usable)}
    for name in MEANS:
        out[f"{name}_mean"] = mean(name, usable)
        out[f"{name}_mean_rising"] = mean(name, [e for e in usable if e["to_level"] > e["from_level"]])
        out[f"{name}_mean_falling"] = mean(name, [e for e in usable if e["to_level"] < e["from_level"]])
        have = [e for e in usable if e[name]["value"] is not None]
        worst = max(have, key=lambda e: e[name]["value"]) if have else None
        out[f"{name}_max"] = worst[name] if worst else {"value": None, "u95": None}
        out[f"{name}_max_at"] = {k: worst[k] for k in ("from_level", "to_level")} if worst else None
    shots = [e["overshoot_pct"] for e in usable if e["overshoot_pct"]["value"] is not None]
    none = {"value": None, "u95": None}
    out["overshoot_pct_max"] = max(shots, key=lambda q: q["value"]) if shots else none
    settled = [e["settles_within_refresh"] for e in usable]
    out["in_refresh_share"] = {"value": float(np.mean(settled)), "u95": None} if settled else none
    return out
