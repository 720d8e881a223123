"""Damaged and made-up files against every reader: run ``python benchmarks/fuzz.py``.

Each reader gets files that are mutations of real ones (bits flipped, cut, doubled; numbers made NaN, infinite or huge;
keys lost, doubled or nested without end; thousands of columns) or pure garbage. What counts: exceptions other than
refusals ("tracebacks"), more than 10 s for one file ("hangs"), refusals of more than one line, results that strict JSON
can't hold, and figures marked ok that come from pure garbage.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import math
import random
import re
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.errors import BlurscopeError
from blurscope.files import to_jsonable, write_json

LIMIT_S = 10.0  # of processor time, so that a busy machine doesn't count
WALL_FACTOR = 6
ROOT = Path(__file__).parent.parent
ODD_NUMBERS = (
    "NaN nan inf -inf Infinity 1e999 -1 0 -0.0 1e308 1e-320 99999999999999999999999 1_0 0x1f ١ 5.5.5 - +".split()
)
ODD_VALUES: list[Any] = [
    *(None, True, False, "", "x", "NaN", [], {}, [[]], [None], {"value": None}, {"value": "x", "u95": []}),
    *(
        -1,
        0,
        1,
        2**31,
        -(2**63),
        10**30,
        1e308,
        -1e308,
        1e-320,
        0.5,
        "a" * 5000,
        list(range(300)),
        [1e308] * 9,
        "\u202e",
    ),
]

# ------------------------------------------------------------------------------------------------ damage


def damage_bytes(rng: random.Random, data: bytes) -> bytes:
    """Flip, overwrite, cut, double or shift bytes, rather near the start."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        if not out:
            break
        reach = min(len(out), 400) if rng.random() < 0.5 else len(out)
        at = rng.randrange(reach)
        kind = rng.choice(["flip", "byte", "word", "cut", "double", "end", "garbage"])
        if kind == "flip":
            out[at] ^= 1 << rng.randrange(8)
        elif kind == "byte":
            out[at] = rng.randrange(256)
        elif kind == "word":
            out[at : at + 4] = rng.choice([b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f"])
        elif kind == "cut":
            del out[at : at + rng.randint(1, 64)]
        elif kind == "double":
            out[at:at] = out[at : at + rng.randint(1, 64)]
        elif kind == "garbage":
            out[at:at] = rng.randbytes(rng.randint(1, 40))
        elif rng.random() < 0.5:
            del out[at:]
    return bytes(out)


def damage_table(rng: random.Random, data: bytes) -> bytes:
    """Spoil numbers, lines, columns, separators and quotes of a text table."""
    if rng.random() < 0.25:
        return damage_bytes(rng, data)
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(min(len(lines), 12) if rng.random() < 0.5 else len(lines))
        kind = rng.randrange(11)
        if kind < 3:
            found = list(re.finditer(r"[-+]?[\d.]+(?:e[-+]?\d+)?", lines[at]))
            if found:
                span = rng.choice(found).span()
                lines[at] = lines[at][: span[0]] + rng.choice(ODD_NUMBERS) + lines[at][span[1] :]
        elif kind == 3:
            lines[at] = lines[rng.randrange(len(lines))]
        elif kind == 4:
            del lines[at]
            lines = lines or [""]
        elif kind == 5:
            lines[at] += "," + ",".join(rng.choice(["1", "", "x", "nan"]) for _ in range(rng.choice([1, 2, 5000])))
        elif kind == 6:
            mark = rng.choice(",;\t ")
            lines = [line.replace(",", mark) for line in lines]
        elif kind == 7:
            spot = rng.randint(0, len(lines[at]))
            lines[at] = (
                lines[at][:spot]
                + rng.choice(['"', "\0", "'", "\r", "\u202e", "\ufeff", ",", "é" * 9])
                + lines[at][spot:]
            )
        elif kind == 8:
            lines[at] = "".join(chr(rng.randrange(32, 600)) for _ in range(rng.randint(0, 80)))
        elif kind == 9:
            column = rng.randrange(8)
            value = rng.choice(ODD_NUMBERS)
            for i, line in enumerate(lines[1:], 1):
                cells = line.split(",")
                if column < len(cells):
                    cells[column] = value
                    lines[i] = ",".join(cells)
        else:
            lines = lines[: rng.randrange(len(lines)) + 1]
    return "\n".join(lines).encode("utf-8", "replace")


def damage_json(rng: random.Random, data: bytes) -> bytes:
    """Spoil values, keys and nesting of a JSON document, or its text."""
    pick = rng.random()
    if pick < 0.1:
        return damage_bytes(rng, data)
    if pick < 0.14:
        text = data.decode()
        at = rng.choice([m.start() for m in re.finditer(r":", text)][:200]) + 1
        depth = rng.choice([50, 900, 100_000])
        deep = ["[" * depth + "]" * depth, '{"a":' * depth + "1" + "}" * depth]
        tokens = [
            "NaN",
            "Infinity",
            "-Infinity",
            "1e999",
            "9" * 5000,
            "9" * 400,
            '"\\ud800"',
            '1, "schema": 5, "edges": 7',
        ]
        odd = rng.choice(deep + tokens)
        return (text[:at] + odd + "," + text[at:]).encode()
    document = json.loads(data)
    for _ in range(rng.randint(1, 4)):
        holder, key = _random_place(rng, document)
        if holder is None:
            continue
        kind = rng.randrange(6)
        if kind < 3:
            holder[key] = rng.choice(ODD_VALUES)
        elif kind == 3:
            del holder[key]
        elif kind == 4 and isinstance(holder, list):
            holder[:] = rng.choice([[], holder * 2, holder[: key + 1], holder[::-1], [holder[key]] * 40])
        elif isinstance(holder[key], (int, float)) and not isinstance(holder[key], bool):
            holder[key] = rng.choice(
                [-holder[key], holder[key] * 1e6, holder[key] / 1e6, holder[key] + 0.5, str(holder[key])]
            )
        else:
            holder[key] = [holder[key]]
    return json.dumps(document, ensure_ascii=rng.random() < 0.5).encode("utf-8", "backslashreplace")


def _random_place(rng: random.Random, document: Any) -> tuple[Any, Any]:
    """Return a container and a key in it, each level with the same chance."""
    holder, key, node = None, None, document
    for _ in range(rng.randint(1, 7)):
        if isinstance(node, dict) and node:
            holder, key = node, rng.choice(list(node))
        elif isinstance(node, list) and node:
            holder, key = node, rng.randrange(len(node))
        else:
            break
        node = holder[key]
        if key == "schema" and rng.random() < 0.9:
            return None, None
    return holder, key


def garbage_table(rng: random.Random, header: str, rows: int) -> bytes:
    """Return a well-formed table of random numbers: nothing that could be measured."""
    generator = np.random.default_rng(rng.randrange(2**32))
    kind = rng.randrange(4)
    noise = [generator.normal(0, 1, rows), generator.random(rows), np.cumsum(generator.normal(0, 1, rows)),
             np.round(generator.random(rows))][kind]  # fmt: skip
    t = np.arange(rows) * 1e-4 if rng.random() < 0.8 else np.sort(generator.random(rows))
    return (header + "\n" + "".join(f"{a:.6g},{b:.6g}\n" for a, b in zip(t, noise, strict=True))).encode()


# ------------------------------------------------------------------------------------------------ readers


class Case:
    """A reader under test: how to make a damaged file, and what to do with it.

    ``make(rng)`` returns the file's bytes and whether it is pure garbage; ``use(path)`` returns how many figures are
    marked ok, and raises `BlurscopeError` to refuse.
    """

    def __init__(self, name: str, suffix: str, make: Callable, use: Callable, *, slow: float = 1.0) -> None:
        self.name, self.suffix, self.make, self.use, self.slow = name, suffix, make, use, slow


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


def make_seeds(folder: Path) -> dict[str, Any]:
    """Make one real file of each kind with the package's own commands."""
    from blurscope.camera import Camera, Display, Response, film
    from blurscope.pattern.budget import make_layouts
    from blurscope.pipeline import measure
    from blurscope.trace.request import Request, run_request

    layout = make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]
    seeds: dict[str, Any] = {"layout": layout, "pattern": json.dumps(to_jsonable(layout.as_json())).encode()}
    shot = film(
        layout,
        Display(response=Response(shape="exponential", time_ms=8.0)),
        Camera(campx_per_px=2.5, file_format="jpeg"),
        seed=1,
    )
    seeds["photo"] = shot.data
    (folder / "photo.jpg").write_bytes(shot.data)
    measurement = measure(folder / "photo.jpg", pattern=layout, label="Alder")
    seeds["measurement"] = json.dumps(to_jsonable(measurement.as_json())).encode()
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
    from blurscope.batch import read_manifest
    from blurscope.camera.display import read_light_table
    from blurscope.photo import read_photo
    from blurscope.pipeline import measure, read_pattern
    from blurscope.tables import read_meter
    from blurscope.trace.law import read_meter as read_law
    from blurscope.trace.law import read_transitions
    from blurscope.trace.reading import ReadOptions
    from blurscope.trace.request import Request, run_request

    def damaged(kind: Callable, *names: str) -> Callable:
        return lambda rng: (kind(rng, seeds[rng.choice(names)]), False)

    def table_or_garbage(rng: random.Random) -> tuple[bytes, bool]:
        if rng.random() < 0.2:
            return garbage_table(rng, "time_s,signal", rng.choice([5, 300, 6000])), True
        return damage_table(rng, seeds["record"]), False

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
        from blurscope.cli import main

        def use(path: Path) -> int:
            refused = 0
            for n, line in enumerate(lines):
                line, suffix = (line[:-1], line[-1]) if line[-1].startswith(".") else (line, ".json")
                out = folder / f"out_{n}{suffix}"
                command = [str(path) if word == "FILE" else word for word in line]
                errors = io.StringIO()
                with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(errors):
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

    response = ["predict", "--response", "FILE", "--refresh-hz", "60", "--px-per-refresh", "8", "--json"]
    report = [["report", "FILE", "--out", ".md"], ["report", "FILE", "--out", ".csv"]]
    measurement = damaged(damage_json, "measurement")
    return [
        Case("photo", ".bin", damaged(damage_bytes, "photo"), photo),
        Case("pattern JSON", ".json", damaged(damage_json, "pattern"), lambda p: int(read_pattern(p) is None)),
        Case("measurement JSON, report", ".json", measurement, commands(*report), slow=2),
        Case("measurement JSON, page", ".json", measurement, commands(["report", "FILE", "--out", ".html"]), slow=2),
        Case("measurement JSON, check", ".json", measurement, commands(["check", "FILE", "--json"]), slow=10),
        Case(
            "measurement JSON, compare", ".json", measurement, commands(["compare", "FILE", "--out", ".png"]), slow=10
        ),
        Case("response JSON", ".json", damaged(damage_json, "response"), commands(response), slow=4),
        Case("trace CSV", ".csv", table_or_garbage, trace),
        Case("trace npy and npz", ".npz", npy_or_garbage, numpy_trace),
        Case("meter CSV", ".csv", damaged(damage_table, "meter"), meters),
        Case("transitions CSV", ".csv", damaged(damage_table, "transitions"), lambda p: 0 * len(read_transitions(p))),
        Case("manifest CSV", ".csv", damaged(damage_table, "manifest"), manifest),
        Case("steps JSON", ".json", damaged(damage_json, "steps"), steps),
        Case("measure with a damaged pattern", ".json", damaged(damage_json, "pattern"), measured_by, slow=20),
        Case("measure of a damaged photo", ".jpg", noise_photo, measured, slow=20),
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
        with time_limit(WALL_FACTOR * LIMIT_S), warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always")
            ok = case.use(path)
        if time.process_time() - begun > LIMIT_S:
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
            for n in range(count):
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
