"""One sound file of each kind that is read, made with the package's own commands, for `fuzz` to damage."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
from edge import region_of
from photo_makers import dng_bytes, exif_block, heic_bytes, pillow_bytes, scene, smooth_scene, tiff_bytes

from blurscope._cv import cv2
from blurscope.camera import Camera, Display, Response, film, film_still
from blurscope.cli import main
from blurscope.files import to_jsonable
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout
from blurscope.pipeline import measure
from blurscope.trace.request import Request, run_request

PICTURES = ("png", "png16", "tiff", "tiff_packed", "tiff_float", "dng", "heic", "avif", "progressive")
VIDEOS = ("clip_mkv", "clip_mp4", "clip_avi", "clip_webm")
SMALL_CLIPS = ("small_mkv", "small_mp4", "small_avi")  # seven times as fast to decode
OTHER_FORMATS = ("webp", "gif", "bmp", "ppm", "jpeg2000")


def make_seeds(folder: Path) -> dict[str, Any]:
    """Make one real file of each kind with the package's own commands."""
    layout = make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]
    seeds: dict[str, Any] = {"layout": layout, "pattern": json.dumps(to_jsonable(layout.as_json())).encode()}
    screen = Display(response=Response(shape="exponential", time_ms=8.0))
    camera = Camera(campx_per_px=2.5, file_format="jpeg")
    shot = film(layout, screen, camera, seed=1)
    seeds["photo"], seeds["still"] = shot.data, film_still(layout, screen, camera, seed=1).data
    places = [(e, region_of(shot.truth, layout, e.block, u)) for _, e, u in layout.edge_copies(-1e5, 1e5)]
    chosen, seeds["edge_roi"] = next((e, roi) for e, roi in places if roi is not None)
    seeds["edge_id"] = f"{chosen.from_level}-{chosen.to_level}"
    (folder / "photo.jpg").write_bytes(shot.data)
    measurement = measure(folder / "photo.jpg", pattern=layout, label="Alder")
    seeds["measurement"] = json.dumps(to_jsonable(measurement.as_json())).encode()
    batch = {"inputs_sha256": "0" * 64}
    seeds["earlier"] = json.dumps(to_jsonable(measurement.as_json()) | {"batch": batch}).encode()
    seeds |= pictures(folder, layout)
    seeds["record"] = step_table()
    (folder / "record.csv").write_bytes(seeds["record"])
    done = run_request(
        Request(
            records=(str(folder / "record.csv"),), from_level=64, to_level=192, both_ways=True, refresh_hz=60.0, jobs=1
        )
    )
    seeds["response"] = json.dumps(to_jsonable(done.as_json())).encode()
    numbers = np.loadtxt(io.BytesIO(seeds["record"]), delimiter=",", skiprows=1)
    for name, save in (("npy", lambda s: np.save(s, numbers[:, 1])),
                       ("npz", lambda s: np.savez(s, time_s=numbers[:, 0], signal=numbers[:, 1]))):  # fmt: skip
        stream = io.BytesIO()
        save(stream)
        seeds[name] = stream.getvalue()
    seeds["meter"] = b"level,light\n" + b"".join(
        b"%d,%.3f\n" % (v, 0.2 + 250 * (v / 255) ** 2.2) for v in range(0, 256, 15)
    )
    seeds["transitions"] = b"file,from_level,to_level,switch_time_s\nrecord.csv,64,192,0.1\nrecord.csv,192,64,0.2\n"
    seeds["manifest"] = (
        b"file,label,pattern,still,refresh_hz,exposure_refreshes,display_gamma,contrast,note:mode\n"
        b"photo.jpg,Alder,pattern.json,,60,4,2.2,1000,day\nphoto.jpg,Birch,pattern.json,photo.jpg,120,4,2.2,1000,\n"
        b"*.jpg,,pattern.json,,59.94,,,,night\n"
    )

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert main(["steps", str(folder / "steps"), "--levels", "2", "--refresh-hz", "60"]) == 0
    seeds["steps"] = (folder / "steps" / "steps.json").read_bytes()
    stimulus = json.loads(seeds["steps"])
    levels = np.repeat(
        [s["level"] for s in stimulus["segments"]],
        [round(s["refreshes"] * 1000 / stimulus["refresh_hz"]) for s in stimulus["segments"]],
    )
    light = (levels / 255.0) ** 2.2 + np.random.default_rng(1).normal(0, 0.002, len(levels))
    (folder / "stimulus.csv").write_text(
        "time_s,signal\n" + "".join(f"{n / 1000:.3f},{y:.5f}\n" for n, y in enumerate(light)), "utf-8"
    )
    return seeds


def step_table(rows: int = 6000) -> bytes:
    """Return a photodiode record of an exponential pixel toggling between two levels."""
    t = np.arange(rows) / 10_000
    y = np.full(rows, 0.1)
    for k, at in enumerate(np.arange(0.1, t[-1] - 0.05, 0.1)):
        a, b = (0.1, 0.9) if k % 2 == 0 else (0.9, 0.1)
        late = t >= at
        y[late] = b + (a - b) * np.exp(-(t[late] - at) / 0.003)
    y += np.random.default_rng(1).normal(0, 0.005, rows)
    return ("time_s,signal\n" + "".join(f"{a:.5f},{b:.5f}\n" for a, b in zip(t, y, strict=True))).encode()


def pictures(folder: Path, layout: Layout) -> dict[str, bytes]:
    """Make a small picture in each format and a short clip in some containers, as far as the extras are installed."""
    small, deep = smooth_scene(48, 64), scene(40, 56)
    found = {
        "png": pillow_bytes(small, "PNG", exif=exif_block(6)),
        "png16": cv2.imencode(".png", deep)[1].tobytes(),
        "tiff": tiff_bytes(deep, photometric="rgb"),
        "tiff_packed": tiff_bytes(deep, photometric="rgb", compression="zlib"),
        "tiff_float": tiff_bytes((deep / 65535).astype(np.float32), photometric="rgb"),
        "progressive": pillow_bytes(small, "JPEG", progressive=True, exif=exif_block(6)),
        "avif": cv2.imencode(".avif", small)[1].tobytes(),
        "dng": dng_bytes((deep[:, :, 0] >> 2).copy()),
    }
    with contextlib.suppress(ImportError):
        found["heic"] = heic_bytes(small, exif=exif_block(6))
    for name in OTHER_FORMATS:
        with contextlib.suppress(KeyError, OSError, ValueError):  # a Pillow without it
            found[name] = pillow_bytes(small, name.upper())
    with contextlib.suppress(ImportError):
        from video_makers import clip_frames, display, write_video

        kinds = (  # of a quality at which the sound clip's figures are ok
            ("mkv", "ffv1", "gray", {}),
            ("mp4", "libx264", "yuv420p", {"crf": "8"}),
            ("avi", "mjpeg", "yuvj420p", {"qmin": "2", "qmax": "3"}),
        )
        frames = clip_frames(layout, display(), count=20)
        few = clip_frames(small_clip_layout(), display(), count=14, rate=240, campx_per_px=2.0)
        for kind, shots, rate in (("clip", frames, 480), ("small", few, 240)):
            even = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in shots]
            for name, codec, pixels, options in kinds:
                path = write_video(folder / f"{kind}.{name}", even, rate, codec, pixels, options)
                found[f"{kind}_{name}"] = path.read_bytes()
        with contextlib.suppress(ValueError):  # no such coder here
            tiny = [f[:240, :320] for f in frames[:8]]
            path = write_video(folder / "clip.webm", tiny, 480, "libvpx-vp9", "yuv420p", {"cpu-used": "8"})
            found["clip_webm"] = path.read_bytes()
    return found


def small_clip_layout() -> Layout:
    """Return the smallest plate whose clip, of few frames, still gives figures: a damaged one is done with sooner."""
    return make_layouts(360, 280, px_per_refresh=4, levels=2)[0][0]
