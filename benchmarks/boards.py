"""Boards against simulated truth: run ``python benchmarks/boards.py``.

Crops of one display by several cameras: how far they differ in scale and light. A panel computed for 120 Hz from its
photo at 60 Hz: figures and picture against the same panel filmed at 120 Hz.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent.parent / "tests")]

from board_makers import BANDS, crop_lines, fit_crop  # noqa: E402

from blurscope.board import compute_panel, computed_edges, read_reference  # noqa: E402
from blurscope.camera import Camera, Display, Response, film  # noqa: E402
from blurscope.files import read_json, write_json  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402
from blurscope.pipeline import measure  # noqa: E402
from blurscope.sidebyside import SCHEMA, build_board  # noqa: E402

CAMERAS = (
    {"campx_per_px": 3.0},
    {"campx_per_px": 2.3, "roll_deg": 2.0, "exposure_refreshes": 3.0},
    {"campx_per_px": 4.2, "roll_deg": -3.0, "yaw_deg": 2.0, "white_share": 0.6},
    {"campx_per_px": 2.8, "tone": "s-curve"},
    {"campx_per_px": 3.4, "k1": -0.04, "pitch_deg": 1.5, "exposure_refreshes": 6.0},
)
PANELS = (
    ("exponential", 3.0, {}),
    ("exponential", 12.0, {}),
    ("s-shaped", 10.0, {}),
    ("overdriven", 9.0, {"overshoot_pct": 8.0}),
    ("two-stage", 9.0, {"first_share": 0.7}),
)
START_S = 0.5  # of the plate's loop, when the shutters open
FIGURES = ("bet_ms", "ghost_ms", "overshoot_pct")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.parse_args()
    layout = make_layouts(800, 480, px_per_refresh=8)[0][0]
    with tempfile.TemporaryDirectory() as folder:
        print("one display by five cameras      scale       light (limits 0.2 %, 1 %)")
        for shape, ms, more in PANELS:
            crops_agree(Path(folder), layout, Response(shape=shape, time_ms=ms, **more))
        print(
            "\n120 Hz computed from a photo at 60 Hz, against its film (limits 3 % or 0.1 ms, all inside u95, 2 % RMS)"
        )
        for shape, ms, more in PANELS:
            what_if(Path(folder), layout, Response(shape=shape, time_ms=ms, **more))


def shoot(folder: Path, name: str, layout, display: Display, camera: Camera, seed: int):
    """Film and measure; return the measurement's file and the truth."""
    moment = round(START_S * layout.refresh_hz)  # all photos show the same part of the plate
    shot = film(layout, display, camera, start_refresh=moment, seed=seed)
    photo = folder / f"{name}{shot.suffix}"
    photo.write_bytes(shot.data)
    path = folder / f"{name}.json"
    write_json(path, measure(photo, pattern=layout, label=name).as_json(), overwrite=True)
    return path, shot.truth


def crops_agree(folder: Path, layout, response: Response) -> None:
    """Print the largest difference of the crops' scale and light."""
    display = Display(label="Cedar", response=response)
    files = [shoot(folder, f"camera {i}", layout, display, Camera(**c), i)[0] for i, c in enumerate(CAMERAS)]
    crops = [p.light for p in build_board(files, length_px=260).panels]
    first, *others = map(crop_lines, crops)
    found = np.array([fit_crop(first, other) for other in others])
    scale = 100 * np.abs(found[:, 0]).max()
    light = 100 * max(np.abs(found[:, 2]).max(), np.abs(found[:, 2] + found[:, 3] - 1).max())
    print(f"{response.shape:12s} {response.time_ms:5.1f} ms {scale:18.3f} % {light:10.2f} %")


def what_if(folder: Path, layout, response: Response) -> None:
    """Print how far the computed panel is from the filmed one."""
    fast = replace(layout, refresh_hz=120.0, px_per_refresh=layout.px_per_refresh // 2,
                   field_refreshes=2 * layout.field_refreshes)  # fmt: skip
    camera = Camera(campx_per_px=3.2, exposure_refreshes=4.0)
    slow_file, _ = shoot(folder, "at 60 Hz", layout, Display(label="Alder", response=response), camera, 3)
    camera = replace(camera, exposure_refreshes=8.0)
    fast_file, truth = shoot(folder, "at 120 Hz", fast, Display(label="Alder", response=response), camera, 4)
    board = build_board([slow_file, fast_file], what_if=["120hz"], instant=False, length_px=260, of="at 60 Hz")
    real = next(p.light for p in board.panels if p.label == "at 120 Hz")
    computed = board.references[0].light
    rows = real.shape[0]
    rms = max(float(np.sqrt(np.mean((real - computed)[int(a * rows) : int(b * rows), 24:-24] ** 2))) for a, b in BANDS)
    found = computed_edges(compute_panel(read_json(slow_file, SCHEMA), read_reference("120hz")))
    words = []
    for name in FIGURES:
        off, inside = [], []
        for t in truth["transitions"]:
            pair = t["from_level"], t["to_level"]
            if pair in found and name in found[pair] and t.get(name) is not None:
                q = found[pair][name]
                off.append(q["value"] - t[name])
                inside.append(abs(off[-1]) <= q["u95"])
        scale = np.mean([t[name] or 0 for t in truth["transitions"]])
        size = np.sqrt(np.mean(np.square(off)))
        share = f"{100 * size / scale:.1f} %" if name == "bet_ms" else ""
        words.append(f"{name} {size:.3f} {share} ({sum(inside)}/{len(inside)} inside)")
    print(f"{response.shape:12s} {response.time_ms:5.1f} ms  " + "; ".join(words) + f"; picture {100 * rms:.2f} % RMS")


if __name__ == "__main__":
    main()
