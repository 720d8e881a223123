"""Every reader of the package under `fuzz`: how to make a damaged file for it, and what to do with that file."""

from __future__ import annotations

import contextlib
import functools
import gzip
import io
import json
import math
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import typer.main
from damage import damage_bytes, damage_json, damage_table, damaged_block, garbage_table, odd_npz
from fuzz_seeds import OTHER_FORMATS, PICTURES, SMALL_CLIPS, VIDEOS, small_clip_layout

from blurscope._cv import cv2
from blurscope.anyedge import edge
from blurscope.batch import read_manifest
from blurscope.batch.store import Store
from blurscope.camera import Display, Response
from blurscope.camera.display import read_light_table
from blurscope.camera.truth import transition_truth
from blurscope.cli import main
from blurscope.clip import measure_clip
from blurscope.errors import BlurscopeError
from blurscope.files import read_json, to_jsonable
from blurscope.pattern.layout import Layout
from blurscope.photo import read_photo
from blurscope.pipeline import measure, read_pattern
from blurscope.tables import read_meter
from blurscope.trace.cutting import cut_record
from blurscope.trace.law import read_meter as read_law
from blurscope.trace.law import read_transitions
from blurscope.trace.prepare import Settings
from blurscope.trace.reading import read_record
from blurscope.trace.request import Request, run_request
from blurscope.trace.stimulus import SCHEMA as STEPS_SCHEMA
from blurscope.trace.stimulus import stimulus_of
from blurscope.video import open_clip

Make = Callable[[random.Random], tuple[bytes, bool]]
Use = Callable[[Path], int]


class Case:
    """A reader under test: how to make a damaged file, and what to do with it.

    ``make(rng)`` returns the file's bytes and whether it is pure garbage; ``use(path)`` returns how many figures are
    marked ok, and raises `BlurscopeError` to refuse.
    """

    def __init__(self, name: str, suffix: str, make: Make, use: Use, *, slow: float = 1.0, longer: float = 1.0) -> None:
        self.name, self.suffix, self.make, self.use, self.slow = name, suffix, make, use, slow
        self.longer = longer  # than the limit before it counts as a hang


def cases(folder: Path, seeds: dict[str, Any]) -> list[Case]:
    """Return every reader with its damaged files."""
    return [
        *_pictures(seeds),
        *_videos(seeds),
        *_traces(seeds),
        *_tables(seeds),
        *_documents(folder, seeds),
        *_measured_photos(folder, seeds),
    ]


def _damaged(seeds: dict[str, Any], kind: Callable[[random.Random, bytes], bytes], *names: str) -> Make:
    return lambda rng: (kind(rng, seeds[rng.choice(names)]), False)


def _strict(document: Any) -> Any:
    """Return a result as strict JSON holds it."""
    return json.loads(json.dumps(to_jsonable(document), allow_nan=False))


def _count_ok(document: Any, key: str) -> int:
    return sum(bool(e.get("quality", {}).get("ok")) for e in _strict(document).get(key, []))


def _check_edges(document: Any, true: Callable[[dict[str, Any]], dict[str, float]]) -> int:
    """Return how many edges are ok; their BET must lie within 3 u95 of what it is without the damage."""
    for e in _strict(document)["edges"]:
        mine, theirs = e["bet_ms"], true(e)
        if e["quality"]["ok"] and None not in mine.values():
            off = abs(mine["value"] - theirs["value"]) / math.hypot(mine["u95"], theirs["u95"])
            assert off < 3, f"{e['id']} is ok with {mine}, undamaged {theirs}"
    return _count_ok(document, "edges")


# ------------------------------------------------------------------------------------------------ pictures, videos


def _pictures(seeds: dict[str, Any]) -> list[Case]:
    def photo(path: Path) -> int:
        found = read_photo(path)
        assert found.pixels.size and np.all(np.isfinite(found.pixels))
        _strict(found.as_json())
        return 0

    others = [k for k in OTHER_FORMATS if k in seeds]
    return [
        Case("photo", ".bin", _damaged(seeds, damage_bytes, "photo"), photo),
        *(Case(f"photo {k}", ".bin", _damaged(seeds, damage_bytes, k), photo) for k in PICTURES if k in seeds),
        Case("photo with a damaged EXIF, profile or chunk", ".bin", damaged_block, photo),
        Case("picture of a kind that is not read", ".bin", _damaged(seeds, damage_bytes, *others), photo),
    ]


def _videos(seeds: dict[str, Any]) -> list[Case]:
    pixels = Display(response=Response(time_ms=8.0), scan_out_refreshes=0.9)  # of the clips

    def frames(path: Path) -> int:
        """Read a video to its end."""
        for frame in open_clip(path).frames():
            assert frame.codes.size
        return 0

    def clip_of(layout: Layout) -> Use:
        """Measure a clip; damaged frames that are decoded may not become figures that are wrong."""
        v, hz = layout.px_per_refresh, layout.refresh_hz
        bets = {(a, b): transition_truth(pixels, a, b, v, hz)["bet_ms"] for a, b in layout.transitions()}

        def true(e: dict[str, Any]) -> dict[str, float]:
            return {"value": bets[e["from_level"], e["to_level"]], "u95": 0.0}

        return lambda path: _check_edges(measure_clip(path, pattern=layout, trace=True).measurement.as_json(), true)

    def make(kind: str) -> Make:
        return _damaged(seeds, damage_bytes, kind)

    def suffix(kind: str) -> str:
        return f".{kind.partition('_')[2]}"

    every = [k for k in (*VIDEOS, *SMALL_CLIPS) if k in seeds]
    large = [k for k in VIDEOS if k in seeds and k != "clip_webm"]
    slow = dict(slow=50, longer=3)  # measured twice, each with a search for the error: up to 10 s of work
    small = [k for k in SMALL_CLIPS if k in seeds]
    clip, small_clip = clip_of(seeds["layout"]), clip_of(small_clip_layout())
    return [
        *(Case(f"video {k}", suffix(k), make(k), frames) for k in every),
        *(Case(f"measure of a damaged {k}", suffix(k), make(k), clip, **slow) for k in large),
        *(Case(f"measure of a damaged {k}", suffix(k), make(k), small_clip) for k in small),
    ]


# ------------------------------------------------------------------------------------------------ traces, tables


def _traces(seeds: dict[str, Any]) -> list[Case]:
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

    def reduce(path: Path, **options: float) -> int:
        request = Request(records=(str(path),), from_level=64, to_level=192, jobs=1, **options)
        return _count_ok(run_request(request).as_json(), "transitions")

    trace = functools.partial(reduce, refresh_hz=60.0)
    numpy_trace = functools.partial(reduce, sample_rate_hz=10_000.0)
    return [
        Case("trace CSV", ".csv", table_or_garbage, trace),
        Case("trace CSV, packed", ".csv.gz", packed_table, trace),
        Case("trace npy and npz", ".npz", npy_or_garbage, numpy_trace),
        Case("trace npz of odd arrays", ".npz", odd_npz, numpy_trace),
    ]


def _tables(seeds: dict[str, Any]) -> list[Case]:
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

    def transitions(path: Path) -> int:
        read_transitions(path)
        return 0

    return [
        Case("meter CSV", ".csv", _damaged(seeds, damage_table, "meter"), meters),
        Case("transitions CSV", ".csv", _damaged(seeds, damage_table, "transitions"), transitions),
        Case("manifest CSV", ".csv", _damaged(seeds, damage_table, "manifest"), manifest),
    ]


# ------------------------------------------------------------------------------------------------ JSON


def _documents(folder: Path, seeds: dict[str, Any]) -> list[Case]:
    commands = functools.partial(_commands, folder)

    def pattern(path: Path) -> int:
        read_pattern(path)
        return 0

    def steps(path: Path) -> int:
        stimulus = stimulus_of(read_json(path, STEPS_SCHEMA), path.name)
        cut_record(read_record(folder / "stimulus.csv"), stimulus, Settings())
        return 0

    def earlier(path: Path) -> int:
        """Read a result that an earlier run of a batch may have left."""
        with Store(path.parent / "store") as store:
            (store.folder / "x.json").write_bytes(path.read_bytes())
            store.earlier("x.json")
        return 0

    reports = [["report", "FILE", "--out", ".md"], ["report", "FILE", "--out", ".csv"]]
    page = ["report", "FILE", "--out", ".html"]
    board = ["compare", "FILE", "--out", ".png"]
    predict = ["predict", "--response", "FILE", "--refresh-hz", "60", "--px-per-refresh", "8", "--json"]
    measurement = _damaged(seeds, damage_json, "measurement")
    return [
        Case("pattern JSON", ".json", _damaged(seeds, damage_json, "pattern"), pattern),
        Case("measurement JSON, report", ".json", measurement, commands(*reports), slow=2),
        Case("measurement JSON, page", ".json", measurement, commands(page), slow=2),
        Case("measurement JSON, check", ".json", measurement, commands(["check", "FILE", "--json"]), slow=10),
        Case("measurement JSON, compare", ".json", measurement, commands(board), slow=10),
        Case("response JSON", ".json", _damaged(seeds, damage_json, "response"), commands(predict), slow=4),
        Case("steps JSON", ".json", _damaged(seeds, damage_json, "steps"), steps),
        Case("result of an earlier batch", ".json", _damaged(seeds, damage_json, "earlier"), earlier),
    ]


def _commands(folder: Path, *lines: list[str]) -> Use:
    """Run commands as a user does; their own refusals count as such, anything else goes through."""
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


def _no_constant(token: str) -> float:
    raise AssertionError(f"{token} in a result")


# ------------------------------------------------------------------------------------------------ measuring


def _measured_photos(folder: Path, seeds: dict[str, Any]) -> list[Case]:
    sound = {e["id"]: e["bet_ms"] for e in json.loads(seeds["measurement"])["edges"]}

    def true(e: dict[str, Any]) -> dict[str, float]:
        return sound[e["id"]]

    def noise_or_damaged(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.3:
            noise = np.random.default_rng(rng.randrange(2**32)).integers(0, 256, (300, 420, 3)).astype(np.uint8)
            if rng.random() < 0.5:
                noise = cv2.GaussianBlur(noise, (0, 0), rng.uniform(1, 9))
            return cv2.imencode(".jpg", noise)[1].tobytes(), True
        return damage_bytes(rng, seeds["photo"]), False

    def by_pattern(path: Path) -> int:
        return _count_ok(measure(folder / "photo.jpg", pattern=path).as_json(), "edges")

    def photo(path: Path) -> int:
        """A picture that is damaged in places may still be measured, if its figures are right."""
        return _check_edges(measure(path, pattern=seeds["layout"]).as_json(), true)

    def still(path: Path) -> int:
        """Measure a sound photo with a damaged still."""
        _check_edges(measure(folder / "photo.jpg", pattern=seeds["layout"], still=path).as_json(), true)
        return 0

    def one_edge(path: Path) -> int:
        """Measure an edge of a damaged photo without saying that it is a plate's."""
        found = edge(path, roi=seeds["edge_roi"], campx_per_px=2.5, px_per_refresh=8, refresh_hz=60).as_json()
        return _check_edges(found, lambda _: sound[seeds["edge_id"]])

    damaged_photo = _damaged(seeds, damage_bytes, "photo")
    return [
        Case("measure with a damaged pattern", ".json", _damaged(seeds, damage_json, "pattern"), by_pattern, slow=20),
        Case("measure of a damaged photo", ".jpg", noise_or_damaged, photo, slow=20),
        Case("measure with a damaged still", ".jpg", _damaged(seeds, damage_bytes, "still"), still, slow=20),
        Case("edge of a damaged photo", ".jpg", damaged_photo, one_edge, slow=5),
    ]
