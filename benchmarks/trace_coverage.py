"""How often the truth lies within u95: step responses from simulated photodiode records.

Run: python benchmarks/trace_coverage.py [RECORDS [FIRST [CASE]]]   (300 from seed 0 by default, under a minute)

CASE is `plain` or `in-step`: PWM whose period is a whole number (8 to 200) of samples, or up to 30 Hz beside that.

Each record has its own seed, shape, response, backlight (PWM or sine ripple of 50 %, 120 to 2000 Hz, free-running),
noise of 1 % of the step, 8 bits. The truth is read off the shape's closed form on a fine grid.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from blurscope.photodiode import Detector, Emission, square_wave, watch
from blurscope.trace.law import gamma_law
from blurscope.trace.prepare import Settings, prepare
from blurscope.trace.reading import Record
from blurscope.trace.transition import reduce_transition

LN9 = float(np.log(9.0))
HOLD_MS = 1000 / 60
FIGURES = ("response_ms", "response_signal_ms", "overshoot_pct", "settle_ms")


def exponential(tr: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda t: -np.expm1(-np.maximum(t, 0) * LN9 / tr)


def raised_cosine(tr: float) -> Callable[[np.ndarray], np.ndarray]:
    # 10-90 % of 1/2 (1 - cos(pi t / D)) is 0.590334470601733 D.
    return lambda t: 0.5 - 0.5 * np.cos(np.pi * np.clip(t * 0.590334470601733 / tr, 0, 1))


def overshooting(tr: float) -> Callable[[np.ndarray], np.ndarray]:
    # Peaks at 1.5 tr with 11.111 %; its own 10-90 % is 0.533491287353 tr.
    def step(t: np.ndarray) -> np.ndarray:
        u = np.maximum(t, 0) * LN9 / tr
        return 1 - 1.5 * np.exp(-u) + 0.5 * np.exp(-u / 3)

    return step


def two_stage(tr: float) -> Callable[[np.ndarray], np.ndarray]:
    def step(t: np.ndarray) -> np.ndarray:
        first = -np.expm1(-np.maximum(t, 0) * LN9 / tr)
        return 0.7 * first + 0.3 * -np.expm1(-np.maximum(t - HOLD_MS, 0) * LN9 / tr)

    return step


SHAPES = {"exponential": exponential, "raised cosine": raised_cosine, "overshoot": overshooting, "two-stage": two_stage}


def truth(step: Callable[[np.ndarray], np.ndarray], law_share: tuple[float, float]) -> dict[str, float]:
    t = np.linspace(0, 250, 1_000_001)
    s = step(t)

    def first(p: float) -> float:
        k = int(np.argmax(s >= p))
        return float(t[k - 1] + (p - s[k - 1]) / (s[k] - s[k - 1]) * (t[k] - t[k - 1]))

    outside = np.flatnonzero(np.abs(s - 1) > 0.05)
    return {
        "response_ms": first(0.9) - first(0.1),
        "response_signal_ms": first(law_share[1]) - first(law_share[0]),
        "overshoot_pct": 100 * max(float(s.max()) - 1, 0.0),
        "settle_ms": float(t[outside[-1]]),
    }


def in_step(emission: Emission, rate_hz: float, seed: int) -> Emission:
    """Return a PWM whose period is nearly a whole number of samples."""
    rng = np.random.default_rng([78, seed])
    samples = int(np.exp(rng.uniform(np.log(8), np.log(200))))
    beat_hz = 0.0 if seed % 4 == 0 else float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(0.01), np.log(30.0))))
    return replace(emission, kind="pwm", frequency_hz=(rate_hz - beat_hz) / samples)


def one_record(seed: int, case: str = "plain") -> dict[str, object]:
    rng = np.random.default_rng([77, seed])
    shape = list(SHAPES)[seed % len(SHAPES)]
    tr = float(np.exp(rng.uniform(np.log(2.0), np.log(25.0))))
    step = SHAPES[shape](tr)
    hz = float(np.exp(rng.uniform(np.log(120), np.log(2000))))
    kind = ("pwm", "sine", "hold")[int(rng.integers(0, 3))]
    emission = Emission(
        kind=kind, frequency_hz=hz, duty=float(rng.uniform(0.3, 0.7)), depth=0.5, phase=float(rng.uniform())
    )
    rate = float(rng.choice([25_000.0, 50_000.0, 100_000.0]))
    if case == "in-step":
        emission = in_step(emission, rate, seed)
    repeats = int(rng.integers(1, 5))
    dwell = 0.3
    start = 0.3 + float(rng.uniform(0, 0.02))
    low, high = (0.05, 0.6) if rng.uniform() < 0.5 else (0.3, 1.0)
    switches = [start + k * dwell for k in range(2 * repeats)]
    known = bool(rng.uniform() < 0.3)
    t, y = watch(
        square_wave(step, step, low, high, switches),
        switches[-1] + dwell,
        emission,
        Detector(sample_rate_hz=rate),
        rng,
        noise_rms=0.01 * (high - low),
    )
    law = gamma_law(2.2, black=0.001)
    levels = (64.0, 192.0)
    settings = Settings(law=law, refresh_hz=60.0)
    record = Record(name="record", time_s=t, signal=y, dt_s=1 / rate)
    given = [(s, k % 2 == 0) for k, s in enumerate(switches)] if known else None
    prepared = prepare(record, settings, given)
    up = [i for i, s in enumerate(prepared.switches) if s.rising]
    found = reduce_transition(levels, [(prepared, up)], settings, rng)
    out: dict[str, object] = {
        "shape": shape,
        "kind": emission.kind,
        "hz": emission.frequency_hz,
        "flags": found.flags,
        "seed": seed,
        "known": known,
    }
    true = truth(step, (law.step_at(0.1, *levels), law.step_at(0.9, *levels)))
    for name in FIGURES:
        q = getattr(found.figures, name) if found.figures is not None else None
        if name == "settle_ms" and not known:
            continue  # counted from the onset, which a smooth start does not define
        if q is not None and q.value is not None:
            out[name] = (q.value, q.u95, true[name])
    return out


def table(records: list[dict[str, object]]) -> dict[str, dict[str, float]]:
    """Return coverage, bias and spread per figure."""
    out = {}
    for name in FIGURES:
        rows = np.array([r[name] for r in records if name in r])
        if not len(rows):
            continue
        error = rows[:, 0] - rows[:, 2]
        z = error / (rows[:, 1] / 1.959964)
        out[name] = {
            "records": len(rows),
            "coverage_pct": 100 * float(np.mean(np.abs(error) <= rows[:, 1])),
            "z_rms": float(np.sqrt(np.mean(z**2))),
            "z_mean": float(np.mean(z)),
            "median_error": float(np.median(np.abs(error))),
            "worst_error": float(np.abs(error).max()),
        }
        if name.startswith("response"):
            out[name]["within_pct"] = 100 * float(np.mean(np.abs(error) <= np.maximum(0.02 * rows[:, 2], 0.1)))
        if name == "overshoot_pct":
            out[name]["within_pct"] = 100 * float(np.mean(np.abs(error) <= 0.5))
    return out


def main(count: int, first: int, case: str) -> None:
    with ProcessPoolExecutor() as pool:
        records = list(pool.map(partial(one_record, case=case), range(first, first + count), chunksize=4))
    missing = [r for r in records if "response_ms" not in r]
    named = [(r["seed"], r["flags"]) for r in missing][:8]
    print(f"{count} records from seed {first}, {len(missing)} without a response: {named}")
    print(
        f"{'figure':20}{'n':>5}{'inside u95 %':>14}{'z rms':>8}{'z mean':>8}{'|error| median':>16}{'worst':>9}"
        "  within tolerance %"
    )
    for name, row in table(records).items():
        print(
            f"{name:20}{row['records']:5d}{row['coverage_pct']:14.1f}{row['z_rms']:8.2f}{row['z_mean']:8.2f}"
            f"{row['median_error']:16.4f}{row['worst_error']:9.3f}  {row.get('within_pct', float('nan')):.1f}"
        )
    for kind in ("hold", "pwm", "sine", *SHAPES):
        part = [r for r in records if kind in (r["kind"], r["shape"])]
        rows = table(part).get("response_ms")
        if rows:
            print(f"  {kind:18} response {rows['coverage_pct']:.0f} % inside, z rms {rows['z_rms']:.2f}, "
                  f"{rows['within_pct']:.0f} % within tolerance")  # fmt: skip
    worst = sorted(
        (r for r in records if "response_ms" in r),
        key=lambda r: -abs(r["response_ms"][0] - r["response_ms"][2]) / r["response_ms"][1],
    )
    for r in worst[:5]:
        print("  farthest:", r["seed"], r["shape"], r["kind"], f"{r['hz']:.0f} Hz", r["response_ms"], r["flags"])


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 300,
        int(sys.argv[2]) if len(sys.argv) > 2 else 0,
        sys.argv[3] if len(sys.argv) > 3 else "plain",
    )
