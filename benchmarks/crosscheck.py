"""How often the cross-check is right: photos and photodiode records of random displays, some with a planted fault.

Run: python benchmarks/crosscheck.py --displays 50 [--first 0] [--jobs 2] [--faults none refresh …] [--keep FOLDER]

Every display is filmed by the simulated camera, its photo measured, its records taken by the simulated photodiode and
reduced, and photo and records checked against each other, as a user would. Planted faults:

- ``refresh``: 120 Hz where the display ran at 60 (even seeds: told to `measure`; odd: the pattern was made for it)
- ``gamma``: the photo is measured with a display gamma of 1.8 where 2.2 is true
- ``gamma-traces``: the records are reduced with it
- ``tracking``: a camera off by 1 px per refresh over at least 4, and a measurement that takes it for in step
- ``tracking-raw``: the same camera, and the figures that nothing is corrected in
- ``strobe``: photo under a strobe of 50 % that follows the scan, records without
- ``own``: nothing wrong, the photo's edges against its own streaks

``--keep`` stores measurements and responses and takes them from there the next time. ``benchmarks/made_up.py`` makes
such pairs up without photos or records.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse  # noqa: E402
import functools  # noqa: E402
import json  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from collections import Counter  # noqa: E402
from concurrent.futures import ProcessPoolExecutor  # noqa: E402
from contextlib import contextmanager  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402
from coverage import random_response  # noqa: E402

from blurscope import shot as shot_module  # noqa: E402
from blurscope.camera import Backlight, Camera, Display, LightLaw, film  # noqa: E402
from blurscope.crosscheck import cross_check_data  # noqa: E402
from blurscope.errors import BlurscopeError  # noqa: E402
from blurscope.model import responses_of  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402
from blurscope.photodiode import Detector, Emission, write_records  # noqa: E402
from blurscope.pipeline import measure  # noqa: E402
from blurscope.trace import Settings, gamma_law, read_transitions, reduce_records  # noqa: E402

FAULTS = {
    "none": None,
    "refresh": "refresh_rate",
    "gamma": "display_gamma",
    "gamma-traces": "display_gamma",
    "tracking": "tracking",
    "tracking-raw": "tracking",
    "strobe": "strobe",
    "own": None,
}
SCREEN, PX_PER_REFRESH = (800, 480), 8
GAMMA, WRONG_GAMMA = 2.2, 1.8
TRACKING_PX = 1.0
BANDS_MS = ((0.3, 2.0), (2.0, 12.0), (10.0, 36.0), (0.5, 36.0))
NOTHING = {"verdict": "refused", "agreeing": 0, "compared": 0, "transitions_agreeing": 0, "transitions_compared": 0,
           "p": None, "chi2": None, "dof": 0}  # fmt: skip
UNKNOWING = ("bew_px", "bet_ms", "ebet_ms", "ghost_px", "ghost_ms", "overshoot_pct")


@functools.cache
def layout_of(refresh_hz: float) -> Any:
    """Return the plate for a refresh rate."""
    return make_layouts(*SCREEN, px_per_refresh=PX_PER_REFRESH, levels=5, refresh_hz=refresh_hz)[0][0]


def make_display(seed: int, refresh_hz: float, **more: Any) -> Display:
    """Return a display with its own responses."""
    rng = np.random.default_rng([7321, seed])
    band = BANDS_MS[rng.integers(len(BANDS_MS))]
    pairs = layout_of(60.0).transitions()
    return Display(
        label=f"Terminal {seed}",
        law=LightLaw(kind="gamma", gamma=GAMMA, black=1 / float(rng.uniform(600, 3000))),
        transitions={p: random_response(rng, 1000 / refresh_hz, band) for p in pairs},
        scan_out_refreshes=float(rng.uniform(0.5, 0.95)) if rng.uniform() < 0.4 else 0.0,
        refresh_hz=refresh_hz,
        **more,
    )


def make_camera(seed: int, **more: Any) -> Camera:
    """Return a camera with ordinary faults."""
    rng = np.random.default_rng([7322, seed])
    scale = float(rng.uniform(2.6, 3.4))
    settings = {
        "exposure_refreshes": float(rng.choice([2, 4, 4, 6])),
        "start_phase": float(rng.uniform()),
        "tracking_error_px_per_refresh": float(rng.uniform(-0.3, 0.3)),
        "campx_per_px": scale,
        "lens_sigma_campx": scale * float(rng.uniform(0.3, 0.5)),
        "roll_deg": float(rng.uniform(-1, 1)),
        "yaw_deg": float(rng.uniform(-2, 2)),
        "pitch_deg": float(rng.uniform(-2, 2)),
        "k1": float(rng.uniform(-0.01, 0.01)),
        "vignetting": float(rng.uniform(0, 0.2)),
        "reflected_light": float(rng.uniform(0, 0.005)),
        "file_format": str(rng.choice(["jpeg", "png"])),
        "jpeg_quality": int(rng.integers(88, 97)),
    }
    return Camera(**(settings | more))


@contextmanager
def blind_to_tracking(blind: bool):
    """Let the measurement take the camera for in step with the plate."""
    original = shot_module.capture_of

    def believed(*args: Any) -> Any:
        return original(*args).changed(error_px_per_refresh=0.0, accel_px_per_refresh2=0.0)

    if blind:
        shot_module.capture_of = believed
    try:
        yield
    finally:
        shot_module.capture_of = original


def photographed(seed: int, fault: str) -> dict[str, Any]:
    """Film and measure a display; return the content of the measurement file."""
    rng = np.random.default_rng([7323, seed])
    refresh_hz = 60.0 if fault == "refresh" else float(rng.choice([60.0, 60.0, 120.0]))
    display, camera = make_display(seed, refresh_hz), make_camera(seed)
    layout, options = layout_of(refresh_hz), {}
    if fault == "refresh":
        if seed % 2:
            layout = layout_of(120.0)
        else:
            options["refresh_hz"] = 120.0
    elif fault == "gamma":
        options["display_gamma"] = WRONG_GAMMA
    elif fault.startswith("tracking"):
        sign = float(rng.choice([-1, 1]))
        length = max(make_camera(seed).exposure_refreshes, 4.0)  # in 2 refreshes it hardly widens an edge
        camera = make_camera(seed, tracking_error_px_per_refresh=sign * TRACKING_PX, exposure_refreshes=length)
    elif fault == "strobe":
        light = Backlight(kind="strobe", duty=0.5, phase_refreshes=float(rng.uniform()), follows_scan=True)
        display = make_display(seed, refresh_hz, backlight=light)
    photo = film(layout, display, camera, seed=seed)
    with tempfile.TemporaryDirectory() as folder, blind_to_tracking(fault == "tracking"):
        path = Path(folder) / f"photo{photo.suffix}"
        path.write_bytes(photo.data)
        data = json.loads(
            json.dumps(measure(path, pattern=layout, label=display.label, **options).as_json(), default=_q)
        )
    if fault == "tracking":
        data["tracking"]["error_px_per_refresh"] = {"value": 0.0, "u95": 0.03}
    elif fault == "tracking-raw":
        for edge in data["edges"]:
            edge |= {name: edge["raw"][name] for name in UNKNOWING if name in edge["raw"]}
            for name in ("get_ms", "response_ms", "response_signal_ms", "response_overshoot_pct", "undershoot_pct"):
                edge[name] = {"value": None, "u95": None}
            edge.pop("budget", None)
        data["tracking"]["error_px_per_refresh"] = {"value": None, "u95": None}
    return data


def _q(value: Any) -> Any:
    return value.as_json() if hasattr(value, "as_json") else value.item()


def recorded(seed: int, fault: str) -> dict[str, Any]:
    """Record and reduce a display; return the content of the response file."""
    rng = np.random.default_rng([7323, seed])
    refresh_hz = 60.0 if fault == "refresh" else float(rng.choice([60.0, 60.0, 120.0]))
    display = make_display(seed, refresh_hz)
    rng = np.random.default_rng([7324, seed])
    emission = Emission()
    if rng.uniform() < 0.4:
        emission = Emission(kind="pwm", frequency_hz=float(rng.uniform(200, 1500)), depth=float(rng.uniform(0.1, 0.5)))
    pairs = layout_of(60.0).transitions()
    responses = {p: display.response_for(*p) for p in pairs}
    with tempfile.TemporaryDirectory() as folder:
        listed = write_records(
            folder,
            {p: r.value for p, r in responses.items()},
            lambda level: float(display.law.light(level)),
            refresh_hz=refresh_hz,
            emission=emission,
            detector=Detector(sample_rate_hz=20_000.0, noise_of_step=0.01),
            dwell_s=max(0.25, max(r.settle_ms(1e-4) for r in responses.values()) / 1000 + 2 / refresh_hz),
            seed=seed,
        )
        gamma = WRONG_GAMMA if fault == "gamma-traces" else GAMMA
        settings = Settings(
            law=gamma_law(gamma, black=display.law.black), refresh_hz=refresh_hz if rng.uniform() < 0.5 else None
        )
        found = reduce_records(read_transitions(listed), settings, label=display.label, jobs=1)
        return json.loads(json.dumps(found.as_json(), default=_q))


def kept(folder: Path | None, name: str, make: Any) -> dict[str, Any]:
    """Return a file of an earlier run, or make it."""
    path = None if folder is None else folder / f"{name}.json"
    if path is not None and path.exists():
        return json.loads(path.read_text())
    data = make()
    if path is not None:
        path.write_text(json.dumps(data))
    return data


def judge(job: tuple[int, str, Path | None]) -> dict[str, Any]:
    """Return the agreement of one display."""
    seed, fault, folder = job
    shown = "none" if fault in ("gamma-traces", "own") else fault
    told = fault if fault in ("gamma-traces", "refresh") else "none"
    begin = time.perf_counter()
    try:
        measurement = kept(folder, f"{seed}_{shown}", lambda: photographed(seed, shown))
        if fault == "own":
            responses = responses_of(measurement, "measurement", streaks_only=True)
        else:
            responses = responses_of(kept(folder, f"{seed}_{told}_traces", lambda: recorded(seed, told)), "response")
        begin = time.perf_counter()
        report = cross_check_data(measurement, responses, same_photo=fault == "own")[0]
    except BlurscopeError as err:  # a photo that is refused, or has no streak that is bright enough
        report = {"summary": NOTHING, "causes": [], "refused": str(err)}
    return report | {"seed": seed, "fault": fault, "seconds": time.perf_counter() - begin}


def line_of(fault: str, reports: list[dict[str, Any]]) -> str:
    """Return a line of the table."""
    reports = [r for r in reports if "refused" not in r]
    if not reports:
        return f"{fault:13} all refused"
    verdicts = Counter(r["summary"]["verdict"] for r in reports)
    firsts = Counter(r["causes"][0]["cause"] if r["causes"] else "-" for r in reports)
    ok = np.sum([[r["summary"][k] for k in ("agreeing", "compared", "transitions_agreeing", "transitions_compared")]
                 for r in reports], axis=0)  # fmt: skip
    right = "–" if FAULTS[fault] is None else f"{100 * firsts[FAULTS[fault]] / len(reports):.0f} %"
    seconds = np.median([r["seconds"] for r in reports])
    return (
        f"{fault:13} {verdicts['agree']:6d} {verdicts['disagree']:9d} {verdicts['undecided']:10d} "
        f"{100 * ok[0] / ok[1]:9.1f} % {100 * ok[2] / ok[3]:7.1f} % {right:>18}  {dict(firsts)} ({seconds:.1f} s)"
    )


def main() -> None:
    """Print the table of verdicts and causes."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--displays", type=int, default=50)
    parser.add_argument("--first", type=int, default=0, help="seed of the first display")
    parser.add_argument("--faults", nargs="*", default=list(FAULTS), choices=list(FAULTS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for measurements and responses")
    parser.add_argument("--each", action="store_true", help="also a line for each display")
    args = parser.parse_args()
    if args.keep:
        args.keep.mkdir(parents=True, exist_ok=True)
    seeds = range(args.first, args.first + args.displays)
    print(f"seeds {seeds[0]} to {seeds[-1]}")
    print(f"{'planted':13} {'agree':>6} {'disagree':>9} {'undecided':>10} {'figures ok':>11} {'pairs ok':>9} "
          f"{'first cause right':>18}  first causes")  # fmt: skip
    with ProcessPoolExecutor(args.jobs) as pool:
        for fault in args.faults:
            reports = list(pool.map(judge, [(seed, fault, args.keep) for seed in seeds]))
            refused = [f"{r['seed']}: {r['refused']}" for r in reports if "refused" in r]
            print(line_of(fault, reports) + (f" {len(refused)} refused" if refused else ""), flush=True)
            if args.each:
                for r in reports:
                    print(each_line(r), flush=True)


def each_line(report: dict[str, Any]) -> str:
    """Return one display's outcome."""
    s = report["summary"]
    causes = ", ".join(
        f"{c['cause']} {c['estimate']['value']:.3g}±{c['estimate']['u95']:.2g}" for c in report["causes"]
    )
    pairs = f"{s['transitions_agreeing']}/{s['transitions_compared']}"
    p = "–" if s["p"] is None else f"{s['p']:.2g}"
    ratio = (s["chi2"] or 0) / max(s["dof"], 1)
    return f"  {report['seed']:4d} {s['verdict']:9} p {p:8} chi2/dof {ratio:6.2f} {pairs:>6}  {causes}"


if __name__ == "__main__":
    main()
