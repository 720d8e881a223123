"""How often the cross-check is right: verdicts and causes over seeded made-up displays, some with a planted fault.

Run ``python benchmarks/made_up.py [--displays 50] [--first 0]``. Every display is simulated here by brute force (time
steps of the exposure, straight sums), without the product's own model, and turned into a measurement and a response
file with noise as large as the uncertainties they state. Planted faults: refresh 120 for 60 Hz, gamma 1.8 for 2.2,
tracking off by 1 px per refresh, a strobe of 50 %, a plate a fifth faster than stated, a camera's blur left in (sigma
0.15 of a refresh's travel; the file says that the lens is assumed), responses 1.35 times as long in the photo, pixels
that had a refresh and 1.2 ordinary responses on the from level, and records through a low-pass of 3 ms.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from typing import Any

import numpy as np

LEVELS = (0, 64, 128, 191, 255)
FAULTS = {
    "none": None, "refresh": "refresh_rate", "gamma": "display_gamma", "tracking": "tracking", "strobe": "strobe",
    "speed": "speed", "lens": "lens_blur", "factor": "common_factor", "unsettled": "unsettled_from",
    "filtered": "trace_filtered",
}  # fmt: skip
FASTER, LENS_SHARE, LONGER, STAYS, LOW_PASS_MS = 1.2, 0.15, 1.35, 1.2, 3.0
K95 = 1.959963984540054
STEP_MS = 0.02
PHASES = 48  # time steps of a refresh
BLACK = 1e-3
COMMON_SHARE = 0.3  # of the measured variance, shared by all edges of a photo
CORRELATION = 0.6  # between figures of one edge


def make_step(rng: np.random.Generator, time_ms: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times and light of one pixel's step: a single pole, three poles, or overdriven."""
    t = np.arange(0, 14 * time_ms + 60, STEP_MS)
    kind = rng.choice(["pole", "poles", "overdriven"], p=[0.45, 0.35, 0.2])
    tau = time_ms / math.log(9)
    if kind == "pole":
        light = 1 - np.exp(-t / tau)
    elif kind == "poles":
        x = t / (time_ms / 4.220254983)
        light = 1 - np.exp(-x) * (1 + x + x * x / 2)
    else:
        past = rng.uniform(0.1, 0.35)
        light = 1 - (1 + past) * np.exp(-t / tau) + past * np.exp(-t / (2.5 * tau))
    delay = rng.uniform(0.2, 2.0)
    return np.concatenate([[0.0], t + delay]), np.concatenate([[0.0], light])


def step_at(step: tuple[np.ndarray, np.ndarray], age: np.ndarray) -> np.ndarray:
    """Light of the step at an age; 0 before the switch."""
    return np.interp(age, *step, left=0.0, right=1.0)


def photographed(
    step: tuple[np.ndarray, np.ndarray],
    lag_ms: np.ndarray,
    hold: float,
    *,
    refreshes: int,
    error: float = 0.0,
    lit: tuple[float, float] = (0.0, 1.0),
    rng: np.random.Generator | None = None,
) -> np.ndarray:
    """Mean light at lags behind the edge: the exposure in time steps, rows switching at different times.

    ``error`` is the camera's speed error as a share of the plate's; ``lit`` the share of the refresh with light on.
    """
    phases = PHASES
    rows = np.array([0.0]) if error == 0 else (np.arange(4) + 0.37) / 4
    total = np.zeros_like(lag_ms)
    count = 0
    for delay in rows:
        for k in range(phases * (refreshes if error else 1)):
            moment = (k + 0.5) / phases
            part = (moment - delay) % 1.0
            if not lit[0] <= part < lit[1]:
                continue
            offset = error * hold * (moment - refreshes / 2) if error else 0.0
            age = hold * (part + np.floor((lag_ms - offset) / hold - part))
            total += step_at(step, age)
            count += 1
    return total / count


def crossing(x: np.ndarray, y: np.ndarray, level: float) -> float:
    """Upward crossing, searched outward from the first one of one half."""
    half = int(np.argmax(y >= 0.5))
    if level < 0.5:
        below = np.flatnonzero(y[:half] < level)
        i = int(below[-1]) + 1 if below.size else 0
    else:
        i = half + int(np.argmax(y[half:] >= level))
    return float(x[i - 1] + (level - y[i - 1]) * (x[i] - x[i - 1]) / (y[i] - y[i - 1])) if i else float(x[0])


def figures(lag: np.ndarray, esf: np.ndarray, hold: float) -> dict[str, float]:
    """Blur figures of an ESF on a fine grid, by the definitions."""
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    t10, t90 = crossing(lag, esf, 0.1), crossing(lag, esf, 0.9)
    out = np.nonzero(np.abs(esf - 1) > 0.05)[0]
    settle = float(lag[min(int(out[-1]) + 1, lag.size - 1)])
    pad = np.arange(lag[0] - 4 * hold, lag[-1] + 4 * hold, 0.2)
    y = np.interp(pad, lag, esf, left=esf[0], right=1.0)
    width = (t90 - t10) / 2.5631
    fit = least_squares(lambda p: ndtr((pad - p[0]) / p[1]) - y, [(t10 + t90) / 2, width])
    return {
        "bet_ms": t90 - t10,
        "get_ms": 2.563103131089201 * abs(float(fit.x[1])),
        "ghost_ms": settle - t10 - 0.85 * hold,
        "overshoot_pct": 100 * max(0.0, float(esf.max()) - 1),
    }


def apparent_response(lag: np.ndarray, esf: np.ndarray, hold: float) -> float:
    """10-90 % time of the delayed pole that fits an ESF best under a plain hold."""
    from scipy.optimize import least_squares

    def model(p: np.ndarray) -> np.ndarray:
        tau, t = max(p[0], 1e-3), lag - p[1]

        def area(x: np.ndarray) -> np.ndarray:
            x = np.maximum(x, 0.0)
            return x + tau * np.expm1(-x / tau)

        return (area(t) - area(t - hold)) / hold

    fit = least_squares(lambda p: model(p) - esf, [4.0, 1.0], bounds=([1e-3, -20], [400, 40]))
    return float(fit.x[0]) * math.log(9)


def law(level: float, gamma: float) -> float:
    """Light of a level."""
    return BLACK + (1 - BLACK) * (level / 255) ** gamma


def signal_time(step: tuple[np.ndarray, np.ndarray], pair: tuple[int, int], gamma: float) -> float:
    """10-90 % time in signal."""
    low, high = law(pair[0], gamma), law(pair[1], gamma)
    light = np.clip(low + (high - low) * step[1], BLACK, None)
    signal = ((light - BLACK) / (1 - BLACK)) ** (1 / gamma) * 255
    share = (signal - pair[0]) / (pair[1] - pair[0])
    return crossing(step[0], share, 0.9) - crossing(step[0], share, 0.1)


def unsharp(lag: np.ndarray, esf: np.ndarray, sigma: float) -> np.ndarray:
    """Return an ESF through a Gaussian blur, by a straight sum."""
    spacing = float(lag[1] - lag[0])
    reach = np.arange(-math.ceil(5 * sigma / spacing), math.ceil(5 * sigma / spacing) + 1) * spacing
    weight = np.exp(-0.5 * (reach / sigma) ** 2)
    padded = np.pad(esf, len(reach) // 2, mode="edge")
    return np.convolve(padded, weight / weight.sum(), mode="valid")


def low_passed(step: tuple[np.ndarray, np.ndarray], tau: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a step through a first-order low-pass, stepped in time."""
    t = np.arange(0.0, step[0][-1] + 12 * tau, STEP_MS)
    light = step_at(step, t)
    out = np.zeros_like(light)
    keep = math.exp(-STEP_MS / tau)
    for i in range(1, len(t)):
        out[i] = keep * out[i - 1] + (1 - keep) * 0.5 * (light[i] + light[i - 1])
    return t, out


def make_pair(
    seed: int, fault: str = "none", *, quality: float = 1.0, levels: tuple[int, ...] = LEVELS
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the content of a measurement and of a response file of one made-up display.

    Parameters
    ----------
    seed : int
    fault : str
        A key of `FAULTS`.
    quality : float
        Factor on all stated uncertainties and the noise that goes with them.
    levels : tuple of int
        All ordered pairs of them are shown.
    """
    rng = np.random.default_rng([seed, 5])
    true_hz = 60.0 if fault == "refresh" else float(rng.choice([60.0, 60.0, 90.0, 120.0]))
    stated_hz = 120.0 if fault == "refresh" else true_hz
    travel = int(rng.choice([8, 12, 16]))
    refreshes = int(rng.choice([4, 6, 8]))
    hold, nominal = 1000 / true_hz, 1000 / stated_hz
    used_gamma = 1.8 if fault == "gamma" else 2.2
    lit = (0.0, 1.0)
    if fault == "strobe":
        start = round(float(rng.uniform(0.0, 0.5)) * PHASES) / PHASES
        lit = (start, start + 0.5)
    base_ms = float(rng.uniform(4, 22))
    ratio_of_speed = FASTER if fault == "speed" else 1.0
    edges, transitions = [], []
    shared = rng.standard_normal()
    for a in levels:
        for b in levels:
            if a == b:
                continue
            step = make_step(rng, base_ms * float(rng.lognormal(0, 0.35)))
            fine = np.arange(-hold, step[0][-1] + 1.5 * hold, 0.05)
            shown = (step[0] * LONGER, step[1]) if fault == "factor" else step
            esf = photographed(shown, fine, hold, refreshes=refreshes, lit=lit,
                               error=1.0 / travel if fault == "tracking" else 0.0)  # fmt: skip
            clean = photographed(step, fine, hold, refreshes=refreshes)
            if fault == "lens":
                esf = unsharp(fine, esf, LENS_SHARE * hold)
            elif fault == "unsettled":  # it had come from the to level, by the same step, and not all the way
                esf = esf + 1 - photographed(step, fine + hold + STAYS * base_ms, hold, refreshes=refreshes)
                fine, esf, clean = (x[fine >= -0.2 * hold] for x in (fine, esf, clean))
                if esf.min() > 0.08:  # hardly a step any more: no figures
                    continue
            response = crossing(*step, 0.9) - crossing(*step, 0.1)
            overshoot = 100 * max(0.0, float(step[1].max()) - 1)
            signal = signal_time(step, (a, b), 2.2)
            if fault == "gamma":
                low, high = law(a, 2.2), law(b, 2.2)
                seen = [law(255 * ((v - BLACK) / (1 - BLACK)) ** (1 / 2.2), 1.8)
                        for v in np.clip(low + (high - low) * esf, BLACK, None)]  # fmt: skip
                esf = (np.array(seen) - law(a, 1.8)) / (law(b, 1.8) - law(a, 1.8))
            stretch = nominal / hold * ratio_of_speed  # what a wrong rate or speed makes of times
            measured = figures(fine * stretch, esf, nominal)
            if fault in ("tracking", "gamma", "strobe", "speed", "lens", "unsettled"):
                ratio = apparent_response(fine * ratio_of_speed, esf, hold) / apparent_response(fine, clean, hold)
            elif fault == "factor":
                ratio = LONGER
            else:
                ratio = stretch
            measured["response_ms"] = response * ratio
            measured["response_signal_ms"] = signal * (1.0 if fault == "gamma" else ratio)
            edges.append(_edge(rng, (a, b), measured, fine * stretch, esf, travel, nominal, shared, quality))
            if fault == "filtered":
                step = low_passed(step, LOW_PASS_MS)
                response = crossing(*step, 0.9) - crossing(*step, 0.1)
                overshoot = 100 * max(0.0, float(step[1].max()) - 1)
                signal = signal_time(step, (a, b), 2.2)
            transitions.append(_transition(rng, (a, b), step, response, signal, overshoot, quality))
    measurement = {
        "schema": "blurscope.measurement/1", "version": "0", "label": f"Alder {seed}",
        "capture": {"refresh_hz": stated_hz, "px_per_refresh": travel, "speed_px_per_s": travel * stated_hz,
                    "direction": "right", "exposure_refreshes": refreshes, "campx_per_px": 3.1, "hold_ms": nominal},
        "tracking": {"error_px_per_refresh": {"value": 0.0, "u95": 0.02},
                     "exposure_refreshes": {"value": refreshes, "u95": 0.02}},
        "backlight": {"kind": "hold", "duty": {"value": None, "u95": None}},
        "streaks": [], "light": {"domain": "light", "method": "assumed_gamma", "display_gamma": used_gamma},
        "edges": edges, "summary": {},
        "warnings": [{"code": "lens_assumed", "message": ""}] if fault == "lens" else [],  # no still, too few stripes
    }  # fmt: skip
    response_file = {"schema": "blurscope.response/1", "label": f"Alder {seed} traces", "transitions": transitions,
                     "summary": {}, "warnings": []}  # fmt: skip
    return measurement, response_file


def _edge(rng, pair, measured, lag_ms, esf, travel, hold, shared, quality) -> dict[str, Any]:
    own = rng.standard_normal()
    out: dict[str, Any] = {"id": f"{pair[0]}-{pair[1]}", "from_level": pair[0], "to_level": pair[1], "instances": 2}
    sigma = {
        "bet_ms": 0.008 * measured["bet_ms"] + 0.05,
        "get_ms": 0.008 * measured["get_ms"] + 0.05,
        "ghost_ms": 0.03 * abs(measured["ghost_ms"]) + 0.25,
        "overshoot_pct": 0.4,
        "response_ms": 0.025 * measured["response_ms"] + 0.2,
        "response_signal_ms": 0.04 * measured["response_signal_ms"] + 0.3,
    }
    for name, value in measured.items():
        u = quality * sigma[name]
        alone = math.sqrt(CORRELATION) * own + math.sqrt(1 - CORRELATION) * rng.standard_normal()
        if name == "overshoot_pct":
            noise = rng.standard_normal()
        else:
            noise = math.sqrt(COMMON_SHARE) * shared + math.sqrt(1 - COMMON_SHARE) * alone
        value = value + u * noise
        if name in ("overshoot_pct", "response_ms", "response_signal_ms"):
            value = max(0.0, value)
        out[name] = {"value": value, "u95": K95 * u}
    out["bew_px"] = {k: v * travel / hold for k, v in out["bet_ms"].items()}
    out["ebet_ms"] = {k: v / 0.8 for k, v in out["bet_ms"].items()}
    out["ghost_px"] = {k: v * travel / hold for k, v in out["ghost_ms"].items()}
    out["ghost_refreshes"] = {k: v / hold for k, v in out["ghost_ms"].items()}
    out["undershoot_pct"] = {"value": 0.0, "u95": 0.8}
    out["response_overshoot_pct"] = {"value": None, "u95": None}
    lag = np.linspace(lag_ms[0], min(lag_ms[-1], crossing(lag_ms, esf, 0.9) + 2 * hold), 160)
    middle = crossing(lag_ms, esf, 0.5)
    scale = out["bet_ms"]["value"] / measured["bet_ms"]  # the profile carries the error of its own width
    fit = np.interp(middle + (lag - middle) / scale, lag_ms, esf, left=0.0, right=1.0)
    noisy = fit + 0.006 * rng.standard_normal(lag.size)
    out["profile"] = {"lag_px": (lag * travel / hold).tolist(), "esf": noisy.tolist(), "esf_fit": fit.tolist()}
    out["quality"] = {"ok": True, "flags": []}
    return out


def _transition(rng, pair, step, response, signal, overshoot, quality) -> dict[str, Any]:
    u = quality * (0.008 * response + 0.03)
    error = (response + u * rng.standard_normal()) / response
    spacing = max(0.05, response / 200)
    t = np.arange(-5.0, step[0][-1] * error, spacing)
    light = step_at(step, t / error) + 0.003 * rng.standard_normal(t.size)
    return {
        "from_level": pair[0], "to_level": pair[1], "response_ms": {"value": response * error, "u95": K95 * u},
        "response_signal_ms": {"value": signal * error, "u95": K95 * u * signal / response},
        "overshoot_pct": {"value": overshoot, "u95": 0.4}, "latency_ms": None,
        "step": {"t_ms": t.tolist(), "light": light.tolist()}, "quality": {"ok": True, "flags": []},
    }  # fmt: skip


def judge(seed: int, fault: str, quality: float = 1.0) -> dict[str, Any]:
    """Return the agreement of one made-up display."""
    from blurscope.crosscheck import cross_check_data
    from blurscope.model import responses_of

    measurement, response = make_pair(seed, fault, quality=quality)
    return cross_check_data(measurement, responses_of(response, "response"))[0]


def main() -> None:
    """Print the table of verdicts and causes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--displays", type=int, default=50)
    parser.add_argument("--first", type=int, default=0, help="seed of the first display")
    parser.add_argument("--each", action="store_true", help="also a line for each display")
    parser.add_argument("--faults", nargs="*", default=list(FAULTS), choices=list(FAULTS))
    args = parser.parse_args()
    print(f"{'planted':9} {'agree':>6} {'disagree':>9} {'undecided':>10} {'figures ok':>11} {'pairs ok':>9} "
          f"{'first cause right':>18}  first causes")  # fmt: skip
    for fault in args.faults:
        start = time.perf_counter()
        verdicts: Counter[str] = Counter()
        firsts: Counter[str] = Counter()
        ok = np.zeros(4)
        for seed in range(args.first, args.first + args.displays):
            report = judge(seed, fault)
            s = report["summary"]
            verdicts[s["verdict"]] += 1
            firsts[report["causes"][0]["cause"] if report["causes"] else "-"] += 1
            if args.each:
                causes = [f"{c['cause']} {c['estimate']['value']:.3g}" for c in report["causes"]]
                print(f"  {seed} {s['verdict']} p {s['p']:.2g} chi2/dof {s['chi2'] / s['dof']:.1f} {', '.join(causes)}")
            ok += [s["agreeing"], s["compared"], s["transitions_agreeing"], s["transitions_compared"]]
        right = "–" if FAULTS[fault] is None else f"{100 * firsts[FAULTS[fault]] / args.displays:.0f} %"
        print(f"{fault:9} {verdicts['agree']:6d} {verdicts['disagree']:9d} {verdicts['undecided']:10d} "
              f"{100 * ok[0] / ok[1]:9.1f} % {100 * ok[2] / ok[3]:7.1f} % {right:>18}  {dict(firsts)}  "
              f"({time.perf_counter() - start:.0f} s)", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
