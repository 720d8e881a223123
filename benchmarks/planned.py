"""The u95 that `blurscope plan` predicts over that which `blurscope measure` states, on randomly drawn requests.

Run: python benchmarks/planned.py [--requests 12] [--seed 1] [--surround 0.02]

Each request is another plate (speed, refresh rate, grey levels), camera (noise, mosaic, lens blur, distance), response,
exposure (whole or fractional) and tracking error, and one photo or five that are combined. The photos are filmed by
`blurscope.camera`. Each has a moment of release, a place in the frame, a roll and a tracking error of its own, which a
plan doesn't know, nor the light beside the screen, behind a bezel, of ``--surround`` shares of white. Printed are the
ratios of all edges of a request: their median, the lowest and the highest; then those of all requests. A request whose
photos are refused is drawn again, and counted.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse  # noqa: E402
import tempfile  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402

import blurscope as bs  # noqa: E402
from blurscope.camera import Camera, Display, Response, film  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402
from blurscope.pattern.layout import Layout  # noqa: E402
from blurscope.plan import Shooting, expected_precision  # noqa: E402

SPEEDS, RATES_HZ, LEVELS = (4, 6, 8, 12, 16), (60.0, 120.0, 144.0, 240.0), (3, 4)
HEIGHT_PX, LEAST_WIDTH_PX = 480, 640
WHITE = 0.8  # of full scale
FIGURES = ("bet_ms", "response_ms")


@dataclass(frozen=True, kw_only=True)
class Request:
    """A plate, how it is taken, and in how many photos."""

    layout: Layout
    shooting: Shooting
    photos: int
    seed: int


def draw_request(rng: np.random.Generator) -> Request:
    """Draw a request."""
    v, hz, levels = int(rng.choice(SPEEDS)), float(rng.choice(RATES_HZ)), int(rng.choice(LEVELS))
    whole = bool(rng.integers(2))
    shooting = Shooting(
        campx_per_px=float(rng.uniform(2.3, 4.0)),
        white_snr=float(np.exp(rng.uniform(np.log(35), np.log(200)))),
        bayer=bool(rng.integers(2)),
        lens_sigma_campx=float(rng.uniform(0.7, 1.4)),
        exposure_refreshes=float(rng.integers(2, 7)) if whole else float(rng.uniform(1.7, 6.0)),
        tracking_px_per_refresh=float(rng.choice([0.05, 0.2, 0.4])),
        response_ms=float(np.exp(rng.uniform(np.log(2.5), np.log(16)))),
    )
    width = LEAST_WIDTH_PX
    while True:
        try:
            layout = make_layouts(width, HEIGHT_PX, px_per_refresh=v, levels=levels, refresh_hz=hz)[0][0]
            break
        except bs.BlurscopeError:
            width += 320
    return Request(layout=layout, shooting=shooting, photos=int(rng.choice([1, 5])), seed=int(rng.integers(1 << 30)))


def measured(request: Request, folder: Path, surround: float = 0.02) -> bs.Measurement:
    """Film the photos of a request before so much light, and measure them."""
    s, rng = request.shooting, np.random.default_rng(request.seed)
    paths = []
    for k in range(request.photos):
        camera = Camera(
            exposure_refreshes=s.exposure_refreshes,
            start_phase=float(rng.uniform()),
            campx_per_px=s.campx_per_px,
            full_well_e=s.white_snr**2 / WHITE,
            white_share=WHITE,
            bayer=s.bayer,
            lens_sigma_campx=s.lens_sigma_campx,
            tracking_error_px_per_refresh=s.tracking_px_per_refresh * float(rng.choice([-1, 1])),
            surround_light=surround,
            roll_deg=float(rng.uniform(-1, 1)),
            shift_x_campx=float(rng.uniform(-3, 3)),
            shift_y_campx=float(rng.uniform(-3, 3)),
        )
        display = Display(response=Response(time_ms=s.response_ms))
        shot = film(request.layout, display, camera, seed=int(rng.integers(1 << 30)))
        paths.append(folder / f"photo{k}{shot.suffix}")
        paths[-1].write_bytes(shot.data)
    return bs.measure(paths if len(paths) > 1 else paths[0], pattern=request.layout)


def ratios(request: Request, result: bs.Measurement) -> dict[str, np.ndarray]:
    """Return predicted over measured u95 of every edge that has the figure."""
    expected = expected_precision(request.layout, request.shooting, photos=request.photos)
    out: dict[str, list[float]] = {name: [] for name in FIGURES}
    for e in result.edges:
        for name, q in zip(FIGURES, expected[e.from_level, e.to_level], strict=True):
            if e.figures[name].u95 and q.u95:
                out[name].append(q.u95 / e.figures[name].u95)
    return {name: np.array(x) for name, x in out.items()}


def main() -> None:
    """Print a line for each request and the whole."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--surround", type=float, default=0.02)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    print(f"seed {options.seed}; predicted over measured u95: median over edges (lowest to highest)")
    head = f"{'px':>3}{'Hz':>5}{'SNR':>5} {'mosaic':6}{'campx':>6}{'exposure':>9}{'error':>6}{'photos':>7}{'ms':>6}"
    print(f"{head}{'edges':>6}  {'BET':18}{'response':18}")
    found: dict[str, list[np.ndarray]] = {name: [] for name in FIGURES}
    refused = 0
    while len(found["bet_ms"]) < options.requests:
        request = draw_request(rng)
        with tempfile.TemporaryDirectory() as folder:
            try:
                result = measured(request, Path(folder), options.surround)
            except bs.BlurscopeError:
                refused += 1
                continue
        s, both = request.shooting, ratios(request, result)
        for name, x in both.items():
            found[name].append(x)
        cells = "".join(f"{np.median(x):.2f} ({x.min():.2f}-{x.max():.2f})".ljust(18) for x in both.values())
        print(
            f"{request.layout.px_per_refresh:3d}{request.layout.refresh_hz:5.0f}{s.white_snr:5.0f} "
            f"{'yes' if s.bayer else 'no':6}{s.campx_per_px:6.2f}{s.exposure_refreshes:9.2f}"
            f"{s.tracking_px_per_refresh:6.2f}{request.photos:7d}{s.response_ms:6.1f}{len(both['bet_ms']):6d}  {cells}",
            flush=True,
        )
    print(f"{options.requests} requests; {refused} more were refused by measure")
    for name, every in found.items():
        medians, edges = np.array([np.median(x) for x in every]), np.concatenate(every)
        near = np.mean(np.abs(medians - 1) <= 0.3)
        low, middle, high = np.quantile(edges, [0.05, 0.5, 0.95])
        print(
            f"{name:12s} medians of requests {medians.min():.2f} to {medians.max():.2f}, "
            f"{100 * near:.0f} % of them within 30 %; "
            f"of all {len(edges)} edges 5 % below {low:.2f}, half below {middle:.2f}, 95 % below {high:.2f}"
        )


if __name__ == "__main__":
    main()
