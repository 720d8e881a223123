"""How long traces take: 110 records of 100,000 samples, and one of 5 million.

Run: python benchmarks/trace_speed.py [FOLDER]   (writes about 300 MB of records there or into a temporary folder)
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from blurscope.photodiode import Detector, Emission, record_csv, square_wave, watch
from blurscope.trace import Listed, Settings, gamma_law, reduce_records

LN9 = float(np.log(9.0))
LEVELS = [int(255 * i / 10 + 0.5) for i in range(11)]


def make_records(folder: Path) -> list[Listed]:
    """110 records of 1 s at 100 kHz, each with one switch."""
    listed = []
    for number, (a, b) in enumerate((a, b) for a in LEVELS for b in LEVELS if a != b):
        rng = np.random.default_rng(number)
        tr = float(rng.uniform(3, 30))
        low, high = sorted(((a / 255) ** 2.2, (b / 255) ** 2.2))
        light = square_wave(
            lambda t, tr=tr: -np.expm1(-np.maximum(t, 0) * LN9 / tr),
            lambda t, tr=tr: -np.expm1(-np.maximum(t, 0) * LN9 / tr),
            low,
            high,
            [0.4 + 0.1 * float(rng.uniform())],
            up_first=b > a,
        )
        emission = Emission(kind=("hold", "pwm", "sine")[number % 3], frequency_hz=240.7 + number)
        t, y = watch(light, 1.0, emission, Detector(sample_rate_hz=100_000.0), rng, noise_rms=0.01 * (high - low))
        path = folder / f"record_{a:03d}_{b:03d}.csv"
        path.write_bytes(record_csv(t, y))
        listed.append(Listed(path=str(path), from_level=a, to_level=b))
    return listed


def make_long(folder: Path) -> tuple[Path, Path]:
    """One record of 5 million samples: 50 s at 100 kHz, 0 to white and back every half second."""
    rng = np.random.default_rng(5)

    def step(t: np.ndarray) -> np.ndarray:
        return -np.expm1(-np.maximum(t, 0) * LN9 / 8.0)

    light = square_wave(step, step, 0.001, 1.0, [0.5 + 0.5 * k for k in range(99)])
    emission = Emission(kind="pwm", frequency_hz=311.3)
    t, y = watch(light, 50.0, emission, Detector(sample_rate_hz=100_000.0), rng, noise_rms=0.01)
    text, binary = folder / "long.csv", folder / "long.npz"
    text.write_bytes(record_csv(t, y))
    np.savez(binary, time_s=t, signal=y)
    return text, binary


def timed(label: str, listed: list[Listed], settings: Settings, jobs: int | None) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    found = reduce_records(listed, settings, jobs=jobs)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    good = sum(t.figures is not None for t in found.transitions)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{label}: {wall:.2f} s wall, {cpu:.2f} s here, {children.ru_utime + children.ru_stime:.1f} s in processes "
          f"so far; {good} of {len(found.transitions)} reduced; peak {peak:.0f} MB")  # fmt: skip


def main(folder: Path) -> None:
    settings = Settings(law=gamma_law(2.2, black=0.001), refresh_hz=60.0)
    listed = make_records(folder)
    timed("warming up, 4 records", listed[:4], settings, 1)
    timed("110 records of 100,000 samples", listed, settings, None)
    text, binary = make_long(folder)
    pair = [(0.0, 255.0), (255.0, 0.0)]
    for path in (binary, text):
        timed(f"5 million samples, {path.suffix}", [Listed(path=str(path), from_level=a, to_level=b) for a, b in pair],
              settings, 1)  # fmt: skip


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as name:
            main(Path(name))
