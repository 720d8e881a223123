"""How right measure is on simulated photos: bias and coverage by response family, tracking and exposure errors.

Run ``python benchmarks/accuracy.py [--photos 12] [--part clean|ordinary]``. Two tables:

- noise-free 16-bit photos at 4 campx per px, by family, at 60 and 120 Hz;
- ordinary photos: noise, JPEG quality 90, 3 campx per px, tracking errors within 0.3 px per refresh, random responses.

Each line says what was expected of it and what came out; nothing is left out. A figure on a threshold that is ``null``
with its flag counts as not given, in the column ``given``.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

import blurscope as bs
from blurscope.camera import Camera, Display, Response, film
from blurscope.pattern.budget import make_layouts

SIZE = (800, 480)
FAMILIES = {
    "instant": {"shape": "instant", "time_ms": 0.0},
    "exponential 1": {"shape": "exponential", "time_ms": 1.0},
    "exponential 6": {"shape": "exponential", "time_ms": 6.0},
    "exponential 21": {"shape": "exponential", "time_ms": 21.0},
    "exponential 33": {"shape": "exponential", "time_ms": 33.0},
    "s-shaped 10": {"shape": "s-shaped", "time_ms": 10.0},
    "overdriven 8, 12 %": {"shape": "overdriven", "time_ms": 8.0, "overshoot_pct": 12.0},
    "two-stage 12": {"shape": "two-stage", "time_ms": 12.0},
}


def measure_shot(layout, response: Response, camera: Camera, seed: int):
    """Film and measure through a file; return the measurement, the truth by transition, and the whole truth."""
    shot = film(layout, Display(label="Alder", response=response), camera, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"photo{shot.suffix}"
        path.write_bytes(shot.data)
        result = bs.measure(path, pattern=layout)
    return result, {(t["from_level"], t["to_level"]): t for t in shot.truth["transitions"]}, shot.truth


def compare(result, true, name: str) -> np.ndarray:
    """Return value, u95 and truth of every transition that has the figure, shape (3, n)."""
    rows = [
        (e.figures[name].value, e.figures[name].u95, true[e.from_level, e.to_level][name])
        for e in result.edges
        if e.figures[name].value is not None
    ]
    return np.array(rows, float).reshape(-1, 3).T


def clean() -> None:
    """Noise-free photos by family."""
    print("noise-free, 4 campx per px; limits: BET 0.5 %, ghost 0.15 ms, overshoot 0.5 points (mean and worst edge)")
    print(f"{'family':20}{'Hz':>5}{'given':>7}{'BET %':>16}{'ghost ms':>16}{'overshoot':>16}{'resp. ms':>16}")
    for hz in (60.0, 120.0):
        layout = make_layouts(*SIZE, px_per_refresh=8, refresh_hz=hz)[0][0]
        for name, response in FAMILIES.items():
            camera = Camera(campx_per_px=4.0, noise=False, file_format="png", bits=16)
            try:
                result, true, _ = measure_shot(layout, Response(**response), camera, seed=1)
            except bs.BlurscopeError as exc:
                print(f"{name:20}{hz:5.0f}  refused: {exc}")
                continue
            cells = []
            for figure in ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms"):
                value, _, truth = compare(result, true, figure)
                off = 100 * (value / truth - 1) if figure == "bet_ms" else value - truth
                worst = off[np.argmax(np.abs(off))] if off.size else np.nan
                cells.append(f"{np.mean(off):+.3f} ({worst:+.2f})" if off.size else "–")
            given = compare(result, true, "bet_ms").shape[1]
            line = "".join(f"{c:>16}" for c in cells)
            print(f"{name:20}{hz:5.0f}{given:4d}/{len(true)}{line}", flush=True)


def random_response(rng: np.random.Generator) -> Response:
    """Return an ordinary panel's response."""
    shape = str(rng.choice(["exponential", "s-shaped", "overdriven", "two-stage"], p=[0.45, 0.2, 0.25, 0.1]))
    over = float(rng.uniform(6, 18)) if shape == "overdriven" else 0.0
    return Response(shape=shape, time_ms=float(np.exp(rng.uniform(np.log(1.5), np.log(30)))), overshoot_pct=over)


def ordinary(photos: int) -> None:
    """Ordinary photos: coverage, and the errors of tracking and exposure."""
    rng = np.random.default_rng(20240501)
    seen: dict[str, list[np.ndarray]] = {k: [] for k in ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")}
    tracking, exposure, missing, expected = [], [], 0, 0
    for k in range(photos):
        layout = make_layouts(*SIZE, px_per_refresh=8, direction=str(rng.choice(["right", "left"])))[0][0]
        error = float(rng.uniform(-0.3, 0.3))
        camera = Camera(
            campx_per_px=3.0, file_format="jpeg", tracking_error_px_per_refresh=error, start_phase=float(rng.uniform()),
            roll_deg=float(rng.uniform(-2, 2)), exposure_refreshes=float(rng.integers(3, 7)), vignetting=0.1,
            reflected_light=0.002,
        )  # fmt: skip
        result, true, truth = measure_shot(layout, random_response(rng), camera, seed=k)
        expected += len(true)
        missing += sum(e.bet_ms.value is None for e in result.edges)
        for name in seen:
            seen[name].append(compare(result, true, name))
        t = result.tracking
        if t["error_px_per_refresh"].value is not None:
            tracking.append(t["error_px_per_refresh"].value - error)
            exposure.append(t["exposure_refreshes"].value - truth["capture"]["exposure_refreshes"])
        print(f"\rphoto {k + 1} of {photos}", end="", flush=True)
    print(f"\n{photos} ordinary photos, {expected} transitions, {missing} without a BET")
    print(f"{'figure':16}{'n':>6}{'within limit':>14}{'inside u95':>12}{'z rms':>8}{'median u95':>12}")
    limits = {
        "bet_ms": lambda off, true: np.abs(off) < 0.02 * true,
        "response_ms": lambda off, true: np.abs(off) < np.maximum(0.7, 0.05 * true),
    }
    for name, parts in seen.items():
        value, u95, true = np.concatenate(parts, axis=1)
        off = value - true
        within = f"{100 * np.mean(limits[name](off, true)):.1f} %" if name in limits else "–"
        z = off / np.maximum(u95 / 1.96, 1e-9)
        inside = 100 * np.mean(np.abs(off) <= u95)
        rms = np.sqrt(np.mean(np.clip(z, -6, 6) ** 2))
        print(f"{name:16}{off.size:6d}{within:>14}{inside:10.1f} %{rms:8.2f}{np.median(u95):12.3f}")
    print(f"tracking error: largest miss {np.abs(tracking).max():.4f} px per refresh (limit 0.03)")
    print(f"exposure: largest miss {np.abs(exposure).max():.4f} refreshes (limit 0.05)")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--photos", type=int, default=12)
    parser.add_argument("--part", choices=("clean", "ordinary", "all"), default="all")
    options = parser.parse_args()
    begun = time.monotonic()
    if options.part != "ordinary":
        clean()
    if options.part != "clean":
        ordinary(options.photos)
    print(f"{time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
