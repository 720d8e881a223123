"""Damaged and made-up files against every reader: run ``python benchmarks/fuzz.py``.

Each reader gets files that are mutations of real ones (bits flipped, cut, doubled; numbers made NaN, infinite or huge;
keys lost, doubled or nested without end; thousands of columns) or pure garbage. What counts: exceptions other than
refusals ("tracebacks"), more than 10 s for one file ("hangs"), refusals of more than one line, results that strict JSON
can't hold, and figures marked ok that come from pure garbage.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import gzip
import io
import json
import math
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks"), str(ROOT / "tests")]

from damage import damage_bytes, damage_json, damage_table, garbage_table  # noqa: E402

from blurscope.errors import BlurscopeError  # noqa: E402
from blurscope.files import to_jsonable, write_json  # noqa: E402

LIMIT_S = 10.0  # of processor time, so that a busy machine doesn't count
WALL_FACTOR = 6
# ------------------------------------------------------------------------------------------------ readers


class Case:
    """A reader under test: how to make a damaged file, and what to do with it.

    ``make(rng)`` returns the file's bytes and whether it is pure garbage; ``use(path)`` returns how many figures are
    marked ok, and raises `BlurscopeError` to refuse.
    """

    def __init__(
        self, name: str, suffix: str, make: Callable, use: Callable, *, slow: float = 1.0, longer: float = 1.0
    ) -> None:
        self.name, self.suffix, self.make, self.use, self.slow = name, suffix, make, use, slow
        self.longer = longer  # than `LIMIT_S` before it counts as a hang


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


PICTURES = ("png", "png16", "tiff", "tiff_packed", "tiff_float", "dng", "heic", "avif", "progressive")
VIDEOS = ("clip_mkv", "clip_mp4", "clip_avi", "clip_webm")
SMALL_CLIPS = ("small_mkv", "small_mp4", "small_avi")  # seven times as fast to decode
OTHER_FORMATS = ("webp", "gif", "bmp", "ppm", "jpeg2000")


def pictures(folder: Path, layout: Any) -> dict[str, bytes]:
    """Make a small picture in each format and a short clip in some containers, as far as the extras are installed."""
    from photo_makers import dng_bytes, exif_block, heic_bytes, pillow_bytes, scene, smooth_scene, tiff_bytes

    from blurscope._cv import cv2

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


def small_clip_layout() -> Any:
    """Return the smallest plate whose clip, of few frames, still gives figures: a damaged one is done with sooner."""
    from blurscope.pattern.budget import make_layouts

    return make_layouts(360, 280, px_per_refresh=4, levels=2)[0][0]


def damaged_block(rng: random.Random) -> tuple[bytes, bool]:
    """Return a sound picture with a damaged EXIF, ICC profile or chunk; lengths and checksums around it agree."""
    from photo_makers import exif_block, pillow_bytes, smooth_scene
    from PIL import ImageCms

    small = smooth_scene(48, 64)
    exif = exif_block(6).tobytes()
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    kind = rng.choice(["JPEG", "JPEG", "PNG", "TIFF", "HEIF"])
    if rng.random() < 0.6:
        exif = b"Exif\0\0" + damage_bytes(rng, exif.removeprefix(b"Exif\0\0"))
    else:
        icc = damage_bytes(rng, icc)
    if kind == "TIFF":  # Pillow would parse the EXIF itself
        return pillow_bytes(small, kind, icc_profile=icc), False
    if kind == "HEIF":
        with contextlib.suppress(ImportError):
            import pillow_heif
            from PIL import Image

            stream = io.BytesIO()
            file = pillow_heif.from_pillow(Image.fromarray(small))
            file.info["exif"] = exif
            file.save(stream, quality=90)
            return stream.getvalue(), False
        kind = "JPEG"
    if kind == "PNG" and rng.random() < 0.7:
        return damaged_chunks(rng, pillow_bytes(small, kind, exif=exif, icc_profile=icc)), False
    return pillow_bytes(small, kind, exif=exif[:60_000], icc_profile=icc), False


def damaged_chunks(rng: random.Random, data: bytes) -> bytes:
    """Damage the content of a PNG's chunks and put their lengths and checksums right again."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + size]
        if rng.random() < 0.3:
            body = damage_bytes(rng, body)
        for _ in range(rng.choice([1] * 9 + [0, 2])):
            out += len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")
        at += 12 + size
    return bytes(out)


def odd_npz(rng: random.Random) -> tuple[bytes, bool]:
    """Return an npz that is sound as a file, and whose arrays are odd: names, shapes, types, values, packed or not."""
    t, y = np.arange(3000) / 10_000, 0.1 + 0.8 * (np.arange(3000) % 2000 > 1000)
    arrays: dict[str, Any] = {"time_s": t, "signal": y}
    for _ in range(rng.randint(1, 3)):
        name = rng.choice(["time_s", "signal", "x", "time", "a" * 300, "..", "sample_rate_hz"])
        odd = arrays.get(name, y).copy() if rng.random() < 0.7 else np.array(rng.choice(ODD_ARRAYS))
        if odd.ndim and odd.size and odd.dtype == float:
            for _ in range(rng.randint(0, 3)):
                odd.flat[rng.randrange(odd.size)] = rng.choice([np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-320])
        change = rng.choice(["same", "short", "flat", "reverse", "type", "constant", "huge"])
        if change == "short":
            odd = odd[: rng.randint(0, 40)] if odd.ndim else odd
        elif change == "flat":
            odd = odd.reshape(-1, 1) if rng.random() < 0.5 else odd[None]
        elif change == "reverse":
            odd = odd[::-1] if odd.ndim else odd
        elif change == "type" and odd.dtype.kind == "f" and np.all(np.isfinite(odd)):
            odd = np.clip(odd, -100, 100).astype(rng.choice(["f2", "i1", "u8", "c8", "S4", "?", ">f4", "M8[s]"]))
        elif change == "constant":
            odd = np.zeros_like(odd)
        elif change == "huge" and odd.dtype.kind == "f":
            with np.errstate(all="ignore"):
                odd = odd * 1e300
        arrays[name] = odd
    stream = io.BytesIO()
    (np.savez_compressed if rng.random() < 0.5 else np.savez)(stream, **arrays)
    return stream.getvalue(), False


ODD_ARRAYS: list[Any] = [0, 1e308, "text", [], [[]], [1, 2, 3], [True, False], ["a", "b"], [[1, 2], [3, 4]], 5 + 1j]


def make_seeds(folder: Path) -> dict[str, Any]:
    """Make one real file of each kind with the package's own commands."""
    from edge import region_of

    from blurscope.camera import Camera, Display, Response, film, film_still
    from blurscope.pattern.budget import make_layouts
    from blurscope.pipeline import measure
    from blurscope.trace.request import Request, run_request

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
    from blurscope.cli import main

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


def cases(folder: Path, seeds: dict[str, Any]) -> list[Case]:
    """Return every reader with its damaged files."""
    from blurscope.anyedge import edge
    from blurscope.batch import read_manifest
    from blurscope.camera import Display, Response
    from blurscope.camera.display import read_light_table
    from blurscope.camera.truth import transition_truth
    from blurscope.clip import measure_clip
    from blurscope.photo import read_photo
    from blurscope.pipeline import measure, read_pattern
    from blurscope.tables import read_meter
    from blurscope.trace.law import read_meter as read_law
    from blurscope.trace.law import read_transitions
    from blurscope.trace.reading import ReadOptions
    from blurscope.trace.request import Request, run_request
    from blurscope.video import open_clip

    def damaged(kind: Callable, *names: str) -> Callable:
        return lambda rng: (kind(rng, seeds[rng.choice(names)]), False)

    def table_or_garbage(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.2:
            return garbage_table(rng, "time_s,signal", rng.choice([5, 300, 6000])), True
        return damage_table(rng, seeds["record"]), False

    def packed_table(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.5:
            return damage_bytes(rng, gzip.compress(seeds["record"], 1)), False
        return gzip.compress(damage_table(rng, seeds["record"]), 1), False

    def npy_or_garbage(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.2:
            generator = np.random.default_rng(rng.randrange(2**32))
            array = generator.normal(0, 1, rng.choice([(3,), (5000,), (2, 3000), (4, 4, 4), (0,)]))
            array = array.astype(rng.choice(["f8", "f4", "i2", "u1", "c16", "U3", "?"]))
            stream = io.BytesIO()
            np.save(stream, array)
            return stream.getvalue(), True
        return damage_bytes(rng, seeds[rng.choice(["npy", "npz"])]), False

    def count_ok(document: Any, key: str) -> int:
        text = json.dumps(to_jsonable(document), allow_nan=False)
        return sum(bool(e.get("quality", {}).get("ok")) for e in json.loads(text).get(key, []))

    def photo(path: Path) -> int:
        found = read_photo(path)
        assert found.pixels.size and np.all(np.isfinite(found.pixels))
        json.dumps(to_jsonable(found.as_json()), allow_nan=False)
        return 0

    def trace(path: Path) -> int:
        request = Request(records=(str(path),), from_level=64, to_level=192, refresh_hz=60.0, jobs=1)
        return count_ok(run_request(request).as_json(), "transitions")

    def numpy_trace(path: Path) -> int:
        request = Request(records=(str(path),), from_level=64, to_level=192, sample_rate_hz=10_000.0, jobs=1)
        return count_ok(run_request(request).as_json(), "transitions")

    def steps(path: Path) -> int:
        from blurscope.files import read_json
        from blurscope.trace.cutting import cut_record
        from blurscope.trace.prepare import Settings
        from blurscope.trace.reading import read_record
        from blurscope.trace.stimulus import SCHEMA, stimulus_of

        stimulus = stimulus_of(read_json(path, SCHEMA), path.name)
        cut_record(read_record(folder / "stimulus.csv", ReadOptions()), stimulus, Settings())
        return 0

    def meters(path: Path) -> int:
        refusals = []
        for read in (read_meter, read_law, read_light_table):
            try:
                np.asarray(getattr(read(path), "light", 0), float)
            except BlurscopeError as exc:
                refusals.append(exc)
        if len(refusals) == 3:
            raise refusals[0]
        return 0

    def manifest(path: Path) -> int:
        displays, refused = read_manifest(path)
        for refusal in refused:
            assert "\n" not in refusal.reason and refusal.reason.isprintable(), refusal.reason
        for d in displays:
            assert d.photos and d.label.isprintable()
            assert all(v is None or math.isfinite(v) for v in (d.refresh_hz, d.contrast, d.display_gamma))
        return 0

    def commands(*lines: list[str]) -> Callable[[Path], int]:
        """Run commands as a user does; their own refusals count as such, anything else goes through."""
        import typer.main

        from blurscope.cli import main

        parser = functools.lru_cache(typer.main.get_command)  # building it takes longer than many a file

        def use(path: Path) -> int:
            refused = 0
            for n, line in enumerate(lines):
                line, suffix = (line[:-1], line[-1]) if line[-1].startswith(".") else (line, ".json")
                out = folder / f"out_{line[0]}_{n}{suffix}"  # --overwrite replaces results of the same kind only
                command = [str(path) if word == "FILE" else word for word in line]
                errors = io.StringIO()
                quiet = contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(errors)
                with quiet[0], quiet[1], mock.patch("typer.main.get_command", parser):
                    code = main([*command, str(out), "--overwrite"])
                said = [s for s in errors.getvalue().splitlines() if s.startswith("blurscope:")]
                assert code in (0, 1), errors.getvalue()
                if code == 1:
                    assert len(said) == 1 and len(said[0]) < 700, errors.getvalue()
                    refused += 1
                    continue
                if suffix == ".json":
                    json.loads(out.read_text("utf-8"), parse_constant=_no_constant)
            if refused == len(lines):
                raise BlurscopeError("refused by the command")
            return 0

        return use

    def measured_by(path: Path) -> int:
        return count_ok(measure(folder / "photo.jpg", pattern=path).as_json(), "edges")

    pixels = Display(response=Response(time_ms=8.0), scan_out_refreshes=0.9)  # of the clips, see `pictures`

    def true_bets(layout: Any) -> dict[tuple[int, int], float]:
        v, hz = layout.px_per_refresh, layout.refresh_hz
        return {(a, b): transition_truth(pixels, a, b, v, hz)["bet_ms"] for a, b in layout.transitions()}

    sound = {e["id"]: e["bet_ms"] for e in json.loads(seeds["measurement"])["edges"]}

    def measured(path: Path) -> int:
        """A picture that is damaged in places may still be measured, if its figures are right within 3 u95."""
        found = measure(path, pattern=seeds["layout"])
        for e in json.loads(json.dumps(to_jsonable(found.as_json()), allow_nan=False))["edges"]:
            mine, theirs = e["bet_ms"], sound[e["id"]]
            if e["quality"]["ok"] and None not in mine.values():
                off = abs(mine["value"] - theirs["value"]) / math.hypot(mine["u95"], theirs["u95"])
                assert off < 3, f"{e['id']} is ok with {mine}, undamaged {theirs}"
        return count_ok(found.as_json(), "edges")

    def noise_photo(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.3:
            from blurscope._cv import cv2

            noise = np.random.default_rng(rng.randrange(2**32)).integers(0, 256, (300, 420, 3)).astype(np.uint8)
            if rng.random() < 0.5:
                noise = cv2.GaussianBlur(noise, (0, 0), rng.uniform(1, 9))
            return cv2.imencode(".jpg", noise)[1].tobytes(), True
        return damage_bytes(rng, seeds["photo"]), False

    def frames(path: Path) -> int:
        """Read a video to its end."""
        for frame in open_clip(path).frames():
            assert frame.codes.size
        return 0

    def clip_of(layout: Any) -> Callable[[Path], int]:
        true_bet = true_bets(layout)

        def clip(path: Path) -> int:
            """Measure a clip; damaged frames that are decoded may not become figures that are wrong by 3 u95."""
            found = measure_clip(path, pattern=layout, trace=True).measurement
            for e in json.loads(json.dumps(to_jsonable(found.as_json()), allow_nan=False))["edges"]:
                mine, true = e["bet_ms"], true_bet[e["from_level"], e["to_level"]]
                if e["quality"]["ok"] and None not in mine.values():
                    assert abs(mine["value"] - true) < 3 * mine["u95"], f"{e['id']} is ok with {mine}, true {true}"
            return count_ok(found.as_json(), "edges")

        return clip

    def one_edge(path: Path) -> int:
        """Measure an edge of a damaged photo without saying that it is a plate's; right within 3 u95 if at all."""
        found = edge(path, roi=seeds["edge_roi"], campx_per_px=2.5, px_per_refresh=8, refresh_hz=60).as_json()
        json.dumps(to_jsonable(found), allow_nan=False)
        for e in found["edges"]:
            mine, theirs = e["bet_ms"], sound[seeds["edge_id"]]
            if e["quality"]["ok"] and None not in mine.values():
                off = abs(mine["value"] - theirs["value"]) / math.hypot(mine["u95"], theirs["u95"])
                assert off < 3, f"{e['id']} is ok with {mine}, undamaged {theirs}"
        return count_ok(found, "edges")

    def still(path: Path) -> int:
        """Measure a sound photo with a damaged still."""
        found = measure(folder / "photo.jpg", pattern=seeds["layout"], still=path)
        for e in json.loads(json.dumps(to_jsonable(found.as_json()), allow_nan=False))["edges"]:
            mine, theirs = e["bet_ms"], sound[e["id"]]
            if e["quality"]["ok"] and None not in mine.values():
                off = abs(mine["value"] - theirs["value"]) / math.hypot(mine["u95"], theirs["u95"])
                assert off < 3, f"{e['id']} is ok with {mine}, undamaged {theirs}"
        return 0

    def earlier(path: Path) -> int:
        """Read a result that an earlier run of a batch may have left."""
        from blurscope.batch.store import Store

        with Store(path.parent / "store") as store:
            (store.folder / "x.json").write_bytes(path.read_bytes())
            return 0 * bool(store.earlier("x.json"))

    response = ["predict", "--response", "FILE", "--refresh-hz", "60", "--px-per-refresh", "8", "--json"]
    report = [["report", "FILE", "--out", ".md"], ["report", "FILE", "--out", ".csv"]]
    measurement = damaged(damage_json, "measurement")
    return [
        Case("photo", ".bin", damaged(damage_bytes, "photo"), photo),
        *(Case(f"photo {k}", ".bin", damaged(damage_bytes, k), photo) for k in PICTURES if k in seeds),
        *(
            Case(f"video {k}", f".{k[5:].lstrip('_')}", damaged(damage_bytes, k), frames)
            for k in (*VIDEOS, *SMALL_CLIPS)
            if k in seeds
        ),
        *(
            Case(
                f"measure of a damaged {k}",
                f".{k[5:]}",
                damaged(damage_bytes, k),
                clip_of(seeds["layout"]),
                slow=50,
                longer=3,
            )
            for k in VIDEOS  # measured twice, each with a search for the error: up to 10 s of work
            if k in seeds and k != "clip_webm"
        ),
        *(
            Case(
                f"measure of a damaged {k}",
                f".{k[6:]}",
                damaged(damage_bytes, k),
                clip_of(small_clip_layout()),
            )
            for k in SMALL_CLIPS
            if k in seeds
        ),
        Case("photo with a damaged EXIF, profile or chunk", ".bin", damaged_block, photo),
        Case(
            "picture of a kind that is not read",
            ".bin",
            damaged(damage_bytes, *(k for k in OTHER_FORMATS if k in seeds)),
            photo,
        ),
        Case("pattern JSON", ".json", damaged(damage_json, "pattern"), lambda p: int(read_pattern(p) is None)),
        Case("measurement JSON, report", ".json", measurement, commands(*report), slow=2),
        Case("measurement JSON, page", ".json", measurement, commands(["report", "FILE", "--out", ".html"]), slow=2),
        Case("measurement JSON, check", ".json", measurement, commands(["check", "FILE", "--json"]), slow=10),
        Case(
            "measurement JSON, compare", ".json", measurement, commands(["compare", "FILE", "--out", ".png"]), slow=10
        ),
        Case("response JSON", ".json", damaged(damage_json, "response"), commands(response), slow=4),
        Case("trace CSV", ".csv", table_or_garbage, trace),
        Case("trace CSV, packed", ".csv.gz", packed_table, trace),
        Case("trace npy and npz", ".npz", npy_or_garbage, numpy_trace),
        Case("trace npz of odd arrays", ".npz", odd_npz, numpy_trace),
        Case("meter CSV", ".csv", damaged(damage_table, "meter"), meters),
        Case("transitions CSV", ".csv", damaged(damage_table, "transitions"), lambda p: 0 * len(read_transitions(p))),
        Case("manifest CSV", ".csv", damaged(damage_table, "manifest"), manifest),
        Case("steps JSON", ".json", damaged(damage_json, "steps"), steps),
        Case("result of an earlier batch", ".json", damaged(damage_json, "earlier"), earlier),
        Case("measure with a damaged pattern", ".json", damaged(damage_json, "pattern"), measured_by, slow=20),
        Case("measure of a damaged photo", ".jpg", noise_photo, measured, slow=20),
        Case("measure with a damaged still", ".jpg", damaged(damage_bytes, "still"), still, slow=20),
        Case("edge of a damaged photo", ".jpg", damaged(damage_bytes, "photo"), one_edge, slow=5),
    ]


def _no_constant(token: str) -> float:
    raise AssertionError(f"{token} in a result")


# ------------------------------------------------------------------------------------------------ running


class Hang(BaseException):
    """A file took too long."""


@contextlib.contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise `Hang` in the main thread after so many seconds."""

    def stop(*_: Any) -> None:
        raise Hang

    old = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)


def try_one(case: Case, rng: random.Random, folder: Path) -> tuple[str, str]:
    """Give a reader one file; return what became of it and, if that is a fault, its last lines."""
    data, garbage = case.make(rng)
    path = folder / f"file{case.suffix}"
    path.write_bytes(data)
    begun = time.process_time()
    try:
        with time_limit(WALL_FACTOR * LIMIT_S * case.longer), warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always")
            ok = case.use(path)
        if time.process_time() - begun > LIMIT_S * case.longer:
            raise Hang
        if garbage and ok:
            return "ok from garbage", f"{ok} figures"
        if any(issubclass(w.category, RuntimeWarning) for w in seen):
            w = next(w for w in seen if issubclass(w.category, RuntimeWarning))
            return "warning", f"{w.message} at {Path(w.filename).name}:{w.lineno}"
        return "read", ""
    except BlurscopeError as exc:
        text = str(exc)
        if "\n" in text or not text or len(text) > 600:
            return "bad sentence", repr(text[:300])
        return "refused", ""
    except Hang:
        return "hang", ""
    except Exception:
        return "traceback", "".join(traceback.format_exc().splitlines(keepends=True)[-7:])


FAULTS = ("traceback", "hang", "ok from garbage", "bad sentence")


def main() -> int:
    """Run all readers and print what became of their files."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--files", type=int, default=2000, help="per reader")
    parser.add_argument("--first", type=int, default=0, help="number of the first file, to go on with an earlier run")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="readers whose names hold this")
    parser.add_argument("--full", action="store_true", help="as many files for the slow ones")
    parser.add_argument("--keep", type=Path, help="folder for the files with faults")
    options = parser.parse_args()
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        seeds = make_seeds(folder)
        write_json(folder / "pattern.json", seeds["layout"].as_json(), overwrite=True)
        for case in cases(folder, seeds):
            if options.only not in case.name:
                continue
            begun, longest = time.monotonic(), 0.0
            counts: Counter[str] = Counter()
            shown: Counter[str] = Counter()
            count = options.files if options.full else math.ceil(options.files / case.slow)
            for n in range(options.first, options.first + count):
                start = time.monotonic()
                what, more = try_one(case, random.Random(f"{options.seed}-{case.name}-{n}"), folder)
                longest = max(longest, time.monotonic() - start)
                counts[what] += 1
                if more:
                    shown[f"{what}: {more}"] += 1
                if options.keep is not None and what in FAULTS:
                    options.keep.mkdir(exist_ok=True)
                    kept = options.keep / f"{case.name.replace(' ', '_')}_{n}{case.suffix}"
                    kept.write_bytes((folder / f"file{case.suffix}").read_bytes())
            faults += sum(counts[w] for w in FAULTS)
            listed = ", ".join(f"{v} {k}" for k, v in sorted(counts.items()))
            print(
                f"{case.name}: {count} files, {listed}; longest {longest:.1f} s, all {time.monotonic() - begun:.0f} s"
            )
            for text, times in shown.most_common(8):
                print(f"    {times} times {text.rstrip()}")
            sys.stdout.flush()
    print(f"{faults} faults")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
