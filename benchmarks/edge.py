"""How well `edge` does on photos of the plate, when it isn't told that it is one: random displays, cameras and edges.

Run: python benchmarks/edge.py --edges 40 --seed 1 [--jobs 2] [--csv OUT.csv]

Every photo has its own seed and gives a few edges. The region is a rectangle around an edge and its plateaus, as a
person would draw it; scale, speed and rate are told. Half of the photos have sRGB's curve, the others a power or an S
upon it; cameras roll, track wrongly, fade towards the corners. Printed are error and u95 of every edge, and by figure:
mean and RMS error, coverage of u95, RMS of z = error / (u95 / 1.96), and how many are given.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse  # noqa: E402
import csv  # noqa: E402
import tempfile  # noqa: E402
from concurrent.futures import ProcessPoolExecutor  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402

from blurscope.anyedge import edge  # noqa: E402
from blurscope.camera import Camera, Display, LightLaw, Response, film  # noqa: E402
from blurscope.errors import BlurscopeError  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402

FIGURES = ("bet_ms", "get_ms", "ghost_ms", "overshoot_pct", "response_ms", "response_signal_ms")
PER_PHOTO = 3
FRONT, BACK = 0.28, 0.93  # of a field


def region_of(truth: dict[str, Any], layout: Any, block: int, u_px: float) -> tuple[int, int, int, int] | None:
    """Return x, y, w, h around an edge: the largest upright rectangle inside its band; None if not fully exposed."""
    band, sign, field = layout.blocks[block], layout.sign, layout.field_px
    travel = layout.px_per_refresh * truth["capture"]["exposure_refreshes"] / 2
    shift = truth["pose"]["plate_shift_px"]
    ends = sorted((u_px + sign * FRONT * field, u_px - sign * BACK * field))
    if ends[0] < travel - shift + 2 or ends[1] > layout.width_px - shift - travel - 2:
        return None
    keep = min(3.0, 0.1 * band.height_px)
    top, bottom = band.top_row + keep, band.top_row + band.height_px - keep
    x, y = to_photo(truth, np.array([ends[0], ends[1], ends[0], ends[1]]), np.array([top, top, bottom, bottom]))
    x0, x1 = max(x[0], x[2]), min(x[1], x[3])
    y0, y1 = max(y[0], y[1]), min(y[2], y[3])
    if x1 < x0:  # a mirrored photo
        x0, x1 = max(x[1], x[3]), min(x[0], x[2])
    if x1 - x0 < 20 or y1 - y0 < 12:
        return None
    return int(np.ceil(x0)), int(np.ceil(y0)), int(x1 - x0), int(y1 - y0)


def to_photo(truth: dict[str, Any], u_px: np.ndarray, v_row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return photo coordinates of plate coordinates, by the truth's own pose."""
    pose = truth["pose"]
    x, y, w = np.array(pose["plate_to_campx"]) @ np.stack([u_px, v_row, np.ones_like(u_px)])
    lens = pose["distortion"]
    cx, cy = lens["centre_campx"]
    dx, dy = x / w - cx, y / w - cy
    r2 = (dx * dx + dy * dy) / lens["radius_campx"] ** 2
    stretch = 1 + lens["k1"] * r2 + lens["k2"] * r2 * r2
    return cx + dx * stretch, cy + dy * stretch


def local_scale(truth: dict[str, Any], u_px: float, v_row: float) -> float:
    """Return campx per px along the motion at a place of the plate, as a person finds it with a ruler nearby."""
    x, y = to_photo(truth, np.array([u_px - 10.0, u_px + 10.0]), np.array([v_row, v_row]))
    return float(np.hypot(x[1] - x[0], y[1] - y[0]) / 20)


def random_photo(rng: np.random.Generator) -> tuple[Any, Display, Camera]:
    """Return plate, display and camera of one photo."""
    layout = make_layouts(
        640,
        400,
        px_per_refresh=int(rng.choice([6, 8, 8, 10, 12])),
        levels=int(rng.choice([3, 4])),
        refresh_hz=60,
        direction=str(rng.choice(["right", "left"])),
    )[0][0]
    unit = rng.choice(["alder", "birch", "cedar", ""])
    law = LightLaw(kind="gamma", gamma=float(rng.uniform(2.0, 2.4)), black=1 / 1000)
    if unit:
        display = Display(label=str(unit), unit=str(unit), law=law)
    else:
        shape = str(rng.choice(["exponential", "s-shaped", "two-stage"]))
        display = Display(label=shape, response=Response(shape=shape, time_ms=float(rng.uniform(2, 25))), law=law)
    tone = str(rng.choice(["srgb", "srgb", "gamma", "s-curve"]))
    file_format = str(rng.choice(["jpeg", "jpeg", "png", "tiff"]))
    camera = Camera(
        exposure_refreshes=float(rng.choice([2, 3, 4, 4, 5])),
        start_phase=float(rng.random()),
        tracking_error_px_per_refresh=float(rng.uniform(-0.5, 0.5)) if rng.random() < 0.6 else 0.0,
        campx_per_px=float(rng.uniform(2.5, 4.0)),
        roll_deg=float(rng.uniform(-6, 6)) if rng.random() < 0.5 else 0.0,
        yaw_deg=float(rng.uniform(-5, 5)),
        lens_sigma_campx=float(rng.uniform(0.4, 1.2)),
        vignetting=float(rng.uniform(0, 0.2)),
        reflected_light=float(rng.uniform(0, 0.01)),
        white_share=float(rng.uniform(0.5, 0.85)),
        tone=tone,
        tone_gamma=float(rng.uniform(2.0, 2.4)),
        tone_strength=float(rng.uniform(-0.15, 0.3)),
        file_format=file_format,
        bits=16 if file_format == "tiff" else 8,
        jpeg_quality=int(rng.integers(82, 97)),
    )
    return layout, display, camera


def measure_photo(seed: int) -> list[dict[str, Any]]:
    """Film one photo and measure some of its edges."""
    rng = np.random.default_rng([20240501, seed])
    layout, display, camera = random_photo(rng)
    shot = film(layout, display, camera, seed=seed)
    truth = shot.truth
    true = {(t["from_level"], t["to_level"]): t for t in truth["transitions"]}
    copies = layout.edge_copies(-1e5, 1e5)
    places = [(e, u, region_of(truth, layout, e.block, u)) for _, e, u in copies]
    places = [p for p in places if p[2] is not None]
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"photo{shot.suffix}"
        path.write_bytes(shot.data)
        for k in rng.permutation(len(places))[:PER_PHOTO]:
            e, u, roi = places[k]
            band = layout.blocks[e.block]
            row = {"seed": seed, "edge": f"{e.from_level}-{e.to_level}", "display": display.label, "tone": camera.tone}
            row |= {"format": camera.file_format, "roll": round(camera.roll_deg, 1), "roi": roi}
            row["tracking"] = round(camera.tracking_error_px_per_refresh, 2)
            try:
                result = edge(
                    path,
                    roi=roi,
                    campx_per_px=local_scale(truth, u, band.top_row + band.height_px / 2),
                    px_per_refresh=layout.px_per_refresh,
                    refresh_hz=60,
                    direction=layout.direction,
                    levels=(e.from_level, e.to_level),
                    display_gamma=display.law.gamma,
                )
            except BlurscopeError as exc:
                rows.append(row | {"refused": str(exc)})
                continue
            found = result.edges[0]
            row |= {"n": len(result.edges), "family": found.family, "ok": found.ok, "flags": ",".join(found.flags)}
            for name in FIGURES:
                q = found.figures[name]
                row[f"{name} true"] = true[e.from_level, e.to_level].get(name)
                row[name], row[f"{name} u95"] = q.value, q.u95
            rows.append(row)
    return rows


def main() -> None:
    """Print every edge, then a line per figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--edges", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--csv", type=Path)
    options = parser.parse_args()
    seeds = range(1000 * options.seed, 1000 * options.seed + -(-options.edges // PER_PHOTO))
    with ProcessPoolExecutor(options.jobs) as pool:
        rows = [row for part in pool.map(measure_photo, seeds) for row in part][: options.edges]
    for row in rows:
        head = f"{row['seed']} {row['display']:11s} {row['edge']:8s} {row['tone']:8s} {row['format']:5s}"
        head += f" roll {row['roll']:+5.1f} e {row['tracking']:+.2f}"
        if "refused" in row:
            print(head, "refused:", row["refused"])
            continue
        told = []
        for name in ("bet_ms", "ghost_ms", "response_ms"):
            if row[name] is not None and row[f"{name} true"] is not None:
                miss, u95 = row[name] - row[f"{name} true"], row[f"{name} u95"]
                told.append(
                    f"{name} {row[f'{name} true']:6.2f} {miss:+5.2f} ± {u95:.2f}{' !' if abs(miss) > u95 else ''}"
                )
        print(head, "; ".join(told) or "nothing given", row["flags"])
    print(
        f"\n{len(rows)} edges, {sum('refused' in r for r in rows)} refused, {sum(bool(r.get('ok')) for r in rows)} ok"
    )
    print("figure               given   mean     rms  median u95  inside u95   z rms   within 5 %")
    for name in FIGURES:
        have = [r for r in rows if r.get(name) is not None and r.get(f"{name} true") is not None]
        if not have:
            continue
        miss = np.array([r[name] - r[f"{name} true"] for r in have])
        u95 = np.array([max(r[f"{name} u95"], 1e-9) for r in have])
        near = np.mean([abs(m) <= 0.05 * r[f"{name} true"] for m, r in zip(miss, have, strict=True)])
        rms, z = np.sqrt(np.mean(miss**2)), np.sqrt(np.mean((1.96 * miss / u95) ** 2))
        inside = 100 * np.mean(np.abs(miss) <= u95)
        print(
            f"{name:20s} {len(have):5d} {miss.mean():+6.2f}  {rms:6.2f}      {np.median(u95):6.2f}      {inside:5.0f} %"
            f"   {z:5.2f}      {100 * near:5.0f} %"
        )
    if options.csv:
        names = sorted({k for r in rows for k in r})
        with options.csv.open("w", newline="") as stream:
            writer = csv.DictWriter(stream, names)
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()
