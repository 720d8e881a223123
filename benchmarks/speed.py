"""How long a 24-megapixel JPEG takes, against decoding it: run ``python benchmarks/speed.py``.

A warm process: the same photo is measured once before the clock runs. ``cv2.imread`` of the same file is timed in the
same process between the runs, so that both see the same machine; on a busy one the ratio of processor times tells more.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

import blurscope as bs
from blurscope._cv import cv2
from blurscope.camera import Camera, Display, Response, film
from blurscope.pattern.budget import make_layouts


def peak_mb() -> float:
    """Return the largest resident size of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print the ratio and the memory."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    layout = make_layouts(1280, 720, px_per_refresh=8)[0][0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        make(layout, path)
        start = peak_mb()
        bs.measure(path, pattern=layout)
        peak = peak_mb()  # of measuring alone: `cv2.imread` below takes more
        reads, measures = [], []
        for _ in range(runs):
            begun = now()
            picture = cv2.imread(str(path))
            between = now()
            result = bs.measure(path, pattern=layout)
            reads.append(between - begun)
            measures.append(now() - between)
    height, width = picture.shape[:2]
    (read, read_busy), (measured, measured_busy) = np.min(reads, axis=0), np.min(measures, axis=0)
    print(f"{width}x{height} campx, {width * height / 1e6:.1f} megapixels, {result.summary['edges_ok']} edges usable")
    print(f"cv2.imread {1000 * read:.0f} ms, measure {1000 * measured:.0f} ms: {measured / read:.1f} times (aim: 1.5)")
    busy = f"{1000 * read_busy:.0f} ms, {1000 * measured_busy:.0f} ms: {measured_busy / read_busy:.1f} times"
    print(f"of processors, of all threads: {busy}")
    photo = picture.nbytes / 2**20
    print(f"peak memory {peak:.0f} MB, {peak / photo:.1f} times the photo in 8-bit colour; {start:.0f} MB before it")


def now() -> np.ndarray:
    """Return the time on the clock and that of processors, s."""
    return np.array([time.perf_counter(), time.process_time()])


def make(layout, path: Path) -> None:
    """Write the photo from another process, so that its memory doesn't count."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        pool.submit(_film, layout, path).result()


def _film(layout, path: Path) -> None:
    camera = Camera(
        campx_per_px=4.4, width_campx=6000, height_campx=4000, file_format="jpeg", tracking_error_px_per_refresh=0.1
    )
    response = Response(shape="exponential", time_ms=9.0)
    path.write_bytes(film(layout, Display(label="Birch", response=response), camera, seed=1).data)


if __name__ == "__main__":
    main()
