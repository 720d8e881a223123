"""How often the truth lies within u95: simulated pursuit photos of random displays, cameras and faults.

Run: python benchmarks/coverage.py --photos 40 --seed 1 --jobs 2 [--csv OUT.csv]

Every photo has its own seed, so that ``--seed S --only K`` repeats photo K alone. Each fault is present with its own
probability, independently of the others; ``--rare`` is the share of photos that have one of the rare faults too
(sharpening, clipping, dropped refreshes, strobed and modulated backlights), which may be refused or flagged.
Printed are coverage of u95, the RMS of z = error / (u95 / 1.96) without grazed thresholds, the share of figures that
are not given, by quantity and by fault, and every silent wrong figure: one of an edge with ``quality.ok`` whose error
is above 1.5 u95 and above 5 % + 0.2 ms (1 percentage point for overshoots). Overshoots are printed once more without
the edges that have none and read none.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse  # noqa: E402
import csv  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
import traceback  # noqa: E402
from concurrent.futures import ProcessPoolExecutor  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402

from blurscope.camera import Backlight, Camera, Display, LightLaw, Response, film, film_still  # noqa: E402
from blurscope.errors import BlurscopeError, PatternError  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402
from blurscope.pipeline import measure  # noqa: E402

SCREENS = ((640, 400), (640, 400), (480, 320))
EDGE_FIGURES = ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms", "response_signal_ms")
MORE_FIGURES = ("get_ms", "response_overshoot_pct")
ROAD = "read_back_ms"  # response_ms read back from the profile
SOME_PCT = 0.1  # overshoot that is one, of the truth or the figure
Z_CAP = 20.0  # one figure with almost no u95 doesn't drown all others in the RMS
SHOT_FIGURES = ("error_px_per_refresh", "exposure_refreshes", "scan_out_ms")
RARE = ("sharpening", "clipped", "dropped", "strobe", "pwm")


def random_layout(rng: np.random.Generator) -> Any:
    """Return a plate that fits a small screen."""
    while True:
        width, height = SCREENS[rng.integers(len(SCREENS))]
        try:
            return make_layouts(
                width,
                height,
                px_per_refresh=int(rng.choice([4, 5, 6, 8, 10, 12, 16])),
                levels=int(rng.choice([3, 4, 5])),
                refresh_hz=float(rng.choice([60, 60, 90, 120, 144, 240])),
                direction=str(rng.choice(["right", "left"])),
            )[0][0]
        except PatternError:
            continue


def random_response(rng: np.random.Generator, hold_ms: float, band: tuple[float, float]) -> Response:
    """Return a response whose time lies in a band of ms (log-uniform)."""
    time_ms = float(np.exp(rng.uniform(*np.log(band))))
    shape = str(
        rng.choice(
            ["exponential", "s-shaped", "cascade", "gaussian", "ramp", "overdriven", "boosted", "two-stage", "instant"],
            p=[0.27, 0.12, 0.1, 0.05, 0.06, 0.2, 0.08, 0.08, 0.04],
        )
    )
    if shape in ("overdriven", "boosted"):
        return Response(
            shape=shape,
            time_ms=min(time_ms, 15.0),
            overshoot_pct=float(rng.uniform(2, 20)),
            tail_ratio=float(rng.uniform(1.2, 3.0)),
            second_delay_ms=hold_ms,
        )
    if shape == "two-stage":
        return Response(
            shape=shape, time_ms=min(time_ms, 12.0), first_share=float(rng.uniform(0.6, 0.95)), second_delay_ms=hold_ms
        )
    return Response(shape=shape, time_ms=time_ms)


def random_display(rng: np.random.Generator, layout: Any, faults: set[str], rare: str | None) -> Display:
    """Return a display whose transitions have responses of their own."""
    hold_ms = 1000 / layout.refresh_hz
    band = ((0.2, 2.0), (2.0, 12.0), (10.0, 36.0), (0.5, 36.0))[rng.integers(4)]
    transitions = {pair: random_response(rng, hold_ms, band) for pair in layout.transitions()}
    kind = str(rng.choice(["gamma", "gamma", "srgb", "bt1886"]))
    law = LightLaw(
        kind=kind,
        gamma=float(rng.uniform(1.9, 2.6)) if kind == "gamma" else 2.4,
        black=float(np.exp(rng.uniform(np.log(2e-4), np.log(4e-3)))),
    )
    scan, axis = 0.0, "rows"
    if "scan rows" in faults or "scan columns" in faults:
        scan = float(rng.uniform(0.3, 0.98) * rng.choice([-1, 1]))
        axis = "rows" if "scan rows" in faults else "columns"
    backlight = Backlight()
    if rare == "strobe":
        backlight = Backlight(kind="strobe", duty=float(rng.uniform(0.08, 0.4)), phase_refreshes=float(rng.uniform()))
    elif rare == "pwm":
        whole = bool(rng.uniform() < 0.5)  # a whole multiple is locked: how else would it stay one
        backlight = Backlight(
            kind="pwm",
            frequency_hz=float(layout.refresh_hz * rng.choice([2, 3, 4])) if whole else float(rng.uniform(200, 1000)),
            duty=float(rng.uniform(0.3, 0.8)),
            locked=bool(rng.uniform() < 0.5) or whole,
        )
    return Display(
        law=law,
        transitions=transitions,
        scan_out_refreshes=scan,
        scan_axis=axis,
        backlight=backlight,
        stripes=str(rng.choice(["rgb", "bgr"])) if "stripes" in faults else "none",
        dropped=(2,) if rare == "dropped" and rng.uniform() < 0.5 else (),
        doubled=(),
    )


SHARES = {  # probability of each fault
    "tracking": 0.7,
    "acceleration": 0.3,
    "exposure not whole": 0.35,
    "scan rows": 0.35,
    "scan columns": 0.2,
    "lens": 0.35,
    "distortion": 0.35,
    "perspective": 0.4,
    "coarse sampling": 0.25,
    "bayer": 0.3,
    "tone curve": 0.35,
    "linear 16 bit": 0.15,
    "vignetting": 0.35,
    "reflected light": 0.35,
    "flare": 0.15,
    "noise high": 0.2,
    "noise low": 0.3,
    "jpeg": 0.4,
    "stripes": 0.2,
    "rolling shutter": 0.2,
    "drift": 0.2,
    "lens across frame": 0.15,
    "turned": 0.15,
    "still given": 0.15,
    "tremor": 0.35,
}


def random_faults(rng: np.random.Generator) -> set[str]:
    """Return the faults of a photo."""
    faults = {name for name, share in SHARES.items() if rng.uniform() < share}
    for a, b in (("scan rows", "scan columns"), ("noise high", "noise low"), ("linear 16 bit", "tone curve")):
        if {a, b} <= faults:
            faults.discard(a if rng.uniform() < 0.5 else b)
    if "linear 16 bit" in faults:
        faults.discard("jpeg")
    return faults


def random_camera(rng: np.random.Generator, layout: Any, faults: set[str], rare: str | None) -> Camera:
    """Return a camera with these faults."""

    def has(name: str) -> bool:
        return name in faults

    exposure = float(rng.integers(1, 9))
    if has("exposure not whole"):
        exposure = float(rng.uniform(1.0, 8.0))
    limit = min(2.0, 0.25 * layout.px_per_refresh)
    error = float(rng.uniform(-limit, limit)) if has("tracking") else 0.0
    accel = float(rng.uniform(-0.5, 0.5) * limit / exposure) if has("acceleration") else 0.0
    scale = float(rng.uniform(1.7, 2.1) if has("coarse sampling") else rng.uniform(2.2, 4.0))
    lens_px = float(rng.uniform(0.6, 1.2) if has("lens") else rng.uniform(0.3, 0.5))
    well = 20000.0
    if has("noise high"):
        well = float(np.exp(rng.uniform(np.log(300), np.log(2000))))
    elif has("noise low"):
        well = 100000.0
    tone, strength = "srgb", 0.3
    if has("tone curve"):
        tone = str(rng.choice(["s-curve", "s-curve", "gamma"]))
        strength = float(rng.uniform(0.1, 0.5))
    file_format, bits = ("jpeg", 8) if has("jpeg") else ("png", 8)
    if has("linear 16 bit"):
        tone, file_format, bits = "linear", str(rng.choice(["tiff", "png"])), 16
    turn = int(rng.choice([90, 180, 270])) if has("turned") else 0
    tilt = 1.0 if has("perspective") else 0.0
    return Camera(
        exposure_refreshes=exposure,
        start_phase=float(rng.uniform()),
        tracking_error_px_per_refresh=error,
        accel_px_per_refresh2=accel,
        tremor_px=float(rng.uniform(0.02, 0.2)) if has("tremor") else 0.0,
        tremor_hz=float(rng.uniform(4, 12)) if has("tremor") else 0.0,
        tremor_phase=float(rng.uniform()) if has("tremor") else 0.0,
        drift_px_per_refresh=float(rng.uniform(-0.5, 0.5) / exposure) if has("drift") else 0.0,
        readout_refreshes=float(rng.uniform(0.2, 1.5)) if has("rolling shutter") else 0.0,
        campx_per_px=scale,
        shift_x_campx=float(rng.uniform(-8, 8)),
        shift_y_campx=float(rng.uniform(-8, 8)),
        yaw_deg=tilt * float(rng.uniform(-8, 8)),
        pitch_deg=tilt * float(rng.uniform(-8, 8)),
        roll_deg=float(rng.uniform(-3, 3)) if tilt else float(rng.uniform(-0.3, 0.3)),
        turn_deg=turn,
        mirrored=has("turned") and bool(rng.uniform() < 0.3),
        k1=float(rng.uniform(-0.03, 0.03)) if has("distortion") else 0.0,
        k2=float(rng.uniform(-0.01, 0.01)) if has("distortion") else 0.0,
        lens_sigma_campx=lens_px * scale,
        lens_sigma_bottom_campx=lens_px * scale * float(rng.uniform(1.2, 1.8)) if has("lens across frame") else None,
        vignetting=float(rng.uniform(0.05, 0.35)) if has("vignetting") else 0.0,
        reflected_light=float(rng.uniform(0.002, 0.03)) if has("reflected light") else 0.0,
        flare=float(rng.uniform(0.005, 0.03)) if has("flare") else 0.0,
        white_share=1.15 if rare == "clipped" else float(rng.uniform(0.6, 0.85)),
        full_well_e=well,
        read_noise_e=8.0 if has("noise high") else 4.0,
        bayer=has("bayer"),
        tone=tone,
        tone_gamma=float(rng.uniform(1.8, 2.4)),
        tone_strength=strength,
        sharpening=float(rng.uniform(0.3, 1.0)) if rare == "sharpening" else 0.0,
        file_format=file_format,
        bits=bits,
        jpeg_quality=int(rng.integers(50, 98)),
    )


def one_photo(job: tuple[int, int, float]) -> dict[str, Any]:
    """Film and measure one photo; return its figures beside the truth."""
    seed, index, rare_share = job
    rng = np.random.default_rng([4051, seed, index])
    layout = random_layout(rng)
    faults = random_faults(rng)
    rare = str(rng.choice(RARE)) if rng.uniform() < rare_share else None
    display = random_display(rng, layout, faults, rare)
    camera = random_camera(rng, layout, faults, rare)
    shot = film(layout, display, camera, seed=seed * 100003 + index)
    truth = shot.truth
    names = sorted(faults | ({rare} if rare else set())) or ["none"]
    out: dict[str, Any] = {"index": index, "faults": names, "rows": [], "refused": "", "crash": ""}
    out["about"] = (
        f"{layout.width_px}x{layout.height_px} v={layout.px_per_refresh} {layout.refresh_hz:g} Hz "
        f"E={camera.exposure_refreshes:.2f} e={camera.tracking_error_px_per_refresh:+.2f} "
        f"a={camera.accel_px_per_refresh2:+.2f} scale={camera.campx_per_px:.2f} "
        f"lens={camera.lens_sigma_campx / camera.campx_per_px:.2f} scan={display.scan_out_refreshes:+.2f}"
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"photo{shot.suffix}"
        path.write_bytes(shot.data)
        still = None
        if "still given" in faults:
            picture = film_still(layout, display, camera, seed=seed * 100003 + index)
            still = Path(folder) / f"still{picture.suffix}"
            still.write_bytes(picture.data)
        begin = time.perf_counter()
        try:
            found = measure(path, pattern=layout, still=still)
        except BlurscopeError as err:
            out["refused"] = str(err)
            return out
        except Exception:
            out["crash"] = traceback.format_exc(limit=-3)
            return out
        out["seconds"] = time.perf_counter() - begin
    out["warnings"] = [w["code"] for w in found.warnings]
    true = {(t["from_level"], t["to_level"]): t for t in truth["transitions"]}
    for e in found.edges:
        t = true[(e.from_level, e.to_level)]
        shape = t["response"]["shape"]
        for name in (*EDGE_FIGURES, *MORE_FIGURES):
            out["rows"].append(_row(name, e.figures[name], t[name], e.ok, e, shape))
        out["rows"].append(_row(ROAD, e.read_back, t["response_ms"], e.ok, e, shape))
    for name in SHOT_FIGURES:
        out["rows"].append(_row(name, found.tracking[name], truth["tracking"][name], True, None, ""))
    return out


def _row(name: str, q: Any, truth: float | None, ok: bool, edge: Any, shape: str) -> dict[str, Any]:
    return {
        "quantity": name,
        "edge": "" if edge is None else f"{edge.from_level}-{edge.to_level}",
        "shape": shape,
        "family": "" if edge is None else edge.family,
        "value": q.value,
        "u95": q.u95,
        "truth": truth,
        "ok": ok,
        "flags": " ".join(q.flags if edge is None else (*edge.flags, *(f for f in q.flags if f not in edge.flags))),
        "grazed": "threshold_grazed" in q.flags,
    }


def silent_wrong(row: dict[str, Any]) -> bool:
    """Whether a figure that may be used as it stands is wrong by more than it can be."""
    if row["value"] is None or row["truth"] is None or not row["ok"] or row["quantity"] in SHOT_FIGURES:
        return False
    slack = 1.0 if row["quantity"].endswith("_pct") else 0.2
    return abs(row["value"] - row["truth"]) > max(1.5 * row["u95"], 0.05 * abs(row["truth"]) + slack)


def statistics(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Return coverage, z-RMS, share of nulls and so on of rows of one quantity."""
    known = [r for r in rows if r["truth"] is not None]
    given = [r for r in known if r["value"] is not None and r["u95"] is not None]
    if not given:
        return {"n": 0, "null": 1.0 if known else float("nan")}
    error = np.array([r["value"] - r["truth"] for r in given])
    u95 = np.array([r["u95"] for r in given])
    clean = np.array([not r["grazed"] for r in given])
    z = np.clip(1.959963984540054 * error / np.maximum(u95, 1e-12), -Z_CAP, Z_CAP)
    truth = np.array([r["truth"] for r in given])
    inside = np.abs(error) <= u95
    return {
        "n": len(given),
        "cover": 100 * float(inside.mean()),
        "cover_clean": 100 * float(inside[clean].mean()) if clean.any() else float("nan"),
        "z": float(np.sqrt(np.mean(z[clean] ** 2))) if clean.any() else float("nan"),
        "z_core": float(1.4826 * np.median(np.abs(z[clean]))) if clean.any() else float("nan"),
        "bias_z": float(np.median(z[clean])) if clean.any() else float("nan"),
        "u95": float(np.median(u95)),
        "rms": float(np.sqrt(np.mean(error**2))),
        "relative": 100 * float(np.median(np.abs(error) / np.maximum(np.abs(truth), 1e-9))),
        "null": 1 - len(given) / len(known),
        "wrong": sum(silent_wrong(r) for r in given),
    }


def _line(head: str, s: dict[str, float]) -> str:
    if not s["n"]:
        return f"{head:24s} {0:6d}" + " " * 60 + f"{100 * s['null']:6.1f}"
    return (
        f"{head:24s} {s['n']:6d} {s['cover']:7.1f} {s['z']:7.2f} {s['z_core']:7.2f} {s['bias_z']:+7.2f} "
        f"{s['rms']:8.3f} {s['u95']:8.3f} {s['relative']:7.2f} {100 * s['null']:6.1f} {s['wrong']:5d}"
    )


def report(results: list[dict[str, Any]]) -> str:
    """Return the tables as text."""
    head = (
        f"{'':24s} {'n':>6s} {'cover%':>7s} {'z-RMS':>7s} {'z-core':>7s} {'z-bias':>7s} {'rms err':>8s} "
        f"{'med u95':>8s} {'rel%':>7s} {'null%':>6s} {'wrong':>5s}"
    )
    done = [r for r in results if not r["refused"] and not r["crash"]]
    lines = [
        f"{len(results)} photos, {len(done)} measured, {sum(bool(r['refused']) for r in results)} refused, "
        f"{sum(bool(r['crash']) for r in results)} crashed; median "
        f"{np.median([r['seconds'] for r in done]) if done else float('nan'):.2f} s per photo",
    ]
    usual = [r for r in done if not set(r["faults"]) & set(RARE)]
    rare = [r for r in done if set(r["faults"]) & set(RARE)]
    for title, group in (("", done), (", photos without a rare fault", usual), (", photos with a rare fault", rare)):
        if not group or title and not rare:
            continue
        lines += ["", f"by quantity{title}", head]
        for name in (*EDGE_FIGURES, *MORE_FIGURES, ROAD, *SHOT_FIGURES):
            rows = [x for r in group for x in r["rows"] if x["quantity"] == name]
            lines.append(_line(name, statistics(rows)))
            if name.endswith("overshoot_pct"):  # most edges have none, which is exactly 0 where it is found
                some = [x for x in rows if max(x["truth"] or 0.0, x["value"] or 0.0) > SOME_PCT]
                lines.append(_line(f"{name[:-4]}, if any", statistics(some)))
    lines += ["", "by fault: BET", head]
    every = sorted({f for r in results for f in r["faults"]})
    for quantity in ("bet_ms", "response_ms", ROAD):
        if quantity != "bet_ms":
            lines += ["", f"by fault: {quantity}", head]
        for fault in every:
            rows = [x for r in done if fault in r["faults"] for x in r["rows"] if x["quantity"] == quantity]
            if rows:
                lines.append(_line(fault, statistics(rows)))
    lines += ["", "by fault: refused / photos"]
    for fault in every:
        mine = [r for r in results if fault in r["faults"]]
        lines.append(f"{fault:24s} {sum(bool(r['refused']) for r in mine):3d} / {len(mine)}")
    lines += ["", "by shape of the response: BET, response_ms", head]
    for quantity in ("bet_ms", "response_ms"):
        for shape in sorted({x["shape"] for r in usual for x in r["rows"] if x["shape"]}):
            rows = [x for r in usual for x in r["rows"] if x["quantity"] == quantity and x["shape"] == shape]
            lines.append(_line(f"{quantity[:10]} {shape}", statistics(rows)))
    lines.append("")
    for r in results:
        if r["refused"] or r["crash"]:
            lines.append(f"#{r['index']} {'refused' if r['refused'] else 'CRASHED'}: {r['refused'] or r['crash']}")
            lines.append(f"    {r['about']} | {', '.join(r['faults'])}")
    wrong = [(r, x) for r in done for x in r["rows"] if silent_wrong(x)]
    lines += ["", f"silent wrong figures: {len(wrong)}"]
    for r, x in sorted(wrong, key=lambda p: -abs(p[1]["value"] - p[1]["truth"]) / max(p[1]["u95"], 1e-9))[:25]:
        lines.append(
            f"#{r['index']} {x['quantity']} {x['edge']} {x['shape']}->{x['family']}: {x['value']:.3f} ± "
            f"{x['u95']:.3f}, truth {x['truth']:.3f} [{x['flags']}]"
        )
    lines += ["", "worst photos (mean z^2 of BET, response, tracking)"]
    scored = []
    for r in done:
        z = {}
        for name in ("bet_ms", "response_ms", "error_px_per_refresh", "scan_out_ms"):
            s = statistics([x for x in r["rows"] if x["quantity"] == name])
            z[name] = s.get("z", 0.0) if s["n"] else 0.0
        scored.append((max(z.values()), r, z))
    for _, r, z in sorted(scored, key=lambda p: -p[0])[:10]:
        lines.append(f"#{r['index']} " + ", ".join(f"z {k} {v:.1f}" for k, v in z.items()) + f" | {r['about']}")
        lines.append(f"    {', '.join(r['faults'])} | {' '.join(r['warnings'])}")
    return "\n".join(lines)


def write_csv(results: list[dict[str, Any]], path: Path) -> None:
    """Write one line per figure."""
    with open(path, "w", newline="", encoding="utf-8") as stream:
        writer = None
        for r in results:
            for row in r["rows"]:
                full = {"photo": r["index"], "faults": "; ".join(r["faults"]), "about": r["about"], **row}
                if writer is None:
                    writer = csv.DictWriter(stream, list(full))
                    writer.writeheader()
                writer.writerow(full)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="index of the first photo")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", type=int, help="this photo alone")
    parser.add_argument("--rare", type=float, default=0.1, help="share of photos with a rare fault")
    parser.add_argument("--csv", type=Path)
    options = parser.parse_args()
    indices = [options.only] if options.only is not None else range(options.first, options.first + options.photos)
    jobs = [(options.seed, i, options.rare) for i in indices]
    if options.jobs > 1:
        with ProcessPoolExecutor(options.jobs) as pool:
            results = list(pool.map(one_photo, jobs))
    else:
        results = [one_photo(job) for job in jobs]
    print(f"seed {options.seed}, photos {indices[0]} to {indices[-1]}, rare {options.rare:g}")
    print(report(results))
    if options.csv:
        write_csv(results, options.csv)


if __name__ == "__main__":
    main()
