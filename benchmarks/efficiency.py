"""Scatter of BET over repeated noise, over the Cramér-Rao bound of the same samples, at low, middle and high noise.

Run: python benchmarks/efficiency.py [--repeats 12]

One capture is filmed again and again; only the noise differs, so the scatter of BET over the
repeats is what noise does. The bound is that of the noise-free profile: an exponential pixel with unknown
time constant, place and plateaus, photon noise, every campx of the rows and instances measured (`bound.py`).
Rounding to 8 bits and JPEG are left out: 16-bit files.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse  # noqa: E402
import tempfile  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402
from bound import cramer_rao  # noqa: E402

from blurscope.camera import Camera, Display, Response, film  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402
from blurscope.pipeline import measure  # noqa: E402
from blurscope.shapes import LN9  # noqa: E402

WELLS = {"low": 100_000.0, "middle": 10_000.0, "high": 1_000.0}
TIME_MS, SCALE, LENS_CAMPX, WHITE = 8.0, 3.0, 1.05, 0.8


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    layout = make_layouts(480, 320, px_per_refresh=6, levels=3)[0][0]
    display = Display(response=Response(time_ms=TIME_MS))
    hold_ms = 1000 / layout.refresh_hz
    print(f"{options.repeats} repeats, seed {options.seed}; BET, ms, root mean square over transitions")
    print(f"{'noise':8s} {'white SNR':>9s} {'scatter':>9s} {'bound':>9s} {'ratio':>6s} {'claimed':>9s} {'bias %':>7s}")
    for name, well in WELLS.items():
        values, claims, instances, truth = [], [], {}, {}
        for i in range(options.repeats):
            camera = Camera(
                exposure_refreshes=4.0,
                start_phase=0.3,
                campx_per_px=SCALE,
                lens_sigma_campx=LENS_CAMPX,
                full_well_e=well,
                white_share=WHITE,
                file_format="png",
                bits=16,
            )
            shot = film(layout, display, camera, seed=options.seed * 1000 + i, start_refresh=7)
            truth = {(t["from_level"], t["to_level"]): t["bet_ms"] for t in shot.truth["transitions"]}
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / f"photo{shot.suffix}"
                path.write_bytes(shot.data)
                found = measure(path, pattern=layout)
            values.append([np.nan if e.bet_ms.value is None else e.bet_ms.value for e in found.edges])
            claims.append([np.nan if e.bet_ms.value is None else e.bet_ms.parts["noise"] for e in found.edges])
            instances = {(e.from_level, e.to_level): e.instances for e in found.edges}
        bounds = []
        for pair, n in instances.items():
            bet, _ = cramer_rao(
                layout,
                pair,
                n,
                tau=TIME_MS / LN9 / hold_ms,
                campx_per_px=SCALE,
                white_snr=float(np.sqrt(well * WHITE)),
                bayer=False,
                lens_sigma_campx=LENS_CAMPX,
            )
            bounds.append(bet * hold_ms)
        x = np.array(values)
        scatter = float(np.sqrt(np.nanmean(np.nanvar(x, axis=0, ddof=1))))
        bound = float(np.sqrt(np.mean(np.square(bounds))))
        true = np.array([truth[p] for p in instances])
        bias = 100 * float(np.nanmean(np.nanmean(x, axis=0) / true - 1))
        claim = float(np.sqrt(np.nanmean(np.square(claims))))
        print(
            f"{name:8s} {np.sqrt(well * WHITE):9.0f} {scatter:9.5f} {bound:9.5f} {scatter / bound:6.2f} {claim:9.5f} "
            f"{bias:+7.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
