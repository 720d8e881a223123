"""How much faster a batch is on two cores than on one: run ``python benchmarks/batch.py`` on an idle machine."""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

import blurscope as bs
from blurscope.batch import displays_of_photos
from blurscope.camera import Camera, Display, Response, film
from blurscope.files import write_json
from blurscope.pattern.budget import make_layouts


def make_photos(folder: Path, count: int, size: tuple[int, int], megapixels: float) -> Path:
    """Write photos of made-up displays and their pattern."""
    layout = make_layouts(*size, px_per_refresh=8)[0][0]
    write_json(folder / "pattern.json", layout.as_json())
    scale = (megapixels * 1e6 / (size[0] * size[1] * 1.2)) ** 0.5
    first = []
    for n in range(count):
        if n < 4:  # four different ones, the rest with their bytes: filming takes longer than measuring
            camera = Camera(campx_per_px=scale, file_format="jpeg", tracking_error_px_per_refresh=0.05 * n)
            display = Display(response=Response(shape="exponential", time_ms=4.0 + 3 * n))
            first.append(film(layout, display, camera, seed=n).data)
        (folder / f"shot_{n:02d}.jpg").write_bytes(first[n % 4])
    return folder / "pattern.json"


def main() -> None:
    """Print the times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--size", default="1280x720")
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--runs", type=int, default=2)
    options = parser.parse_args()
    size = tuple(int(x) for x in options.size.split("x"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pattern = make_photos(folder, options.photos, size, options.megapixels)
        displays = displays_of_photos(sorted(folder.glob("*.jpg")), pattern=str(pattern))
        times: dict[int, list[float]] = {1: [], 2: []}
        for run in range(options.runs):
            for jobs in times:
                begun = time.perf_counter()
                done = bs.measure_batch(displays, out=folder / f"out_{run}_{jobs}", jobs=jobs)
                times[jobs].append(time.perf_counter() - begun)
                assert done.ok and done.measured == options.photos
                print(f"{jobs} process{'es' * (jobs > 1)}: {times[jobs][-1]:.1f} s (load {os.getloadavg()[0]:.1f})")
    one, two = min(times[1]), min(times[2])
    print(f"{options.photos} photos: {one:.1f} s on one core, {two:.1f} s on two: {one / two:.2f} times (limit 1.8)")


if __name__ == "__main__":
    main()
