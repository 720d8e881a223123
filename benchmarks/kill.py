"""Kill a batch at random moments and go on: run ``python benchmarks/kill.py``.

A batch is started as a program of its own and killed by SIGKILL after a random time; then the same line is started
again, until one comes to its end. At the end every file must equal that of an undisturbed run, byte for byte, and
nothing else may be there. After each kill every result that is there must be whole already.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from blurscope.camera import Camera, Display, Response, film
from blurscope.files import write_json
from blurscope.pattern.budget import make_layouts


def make_captures(folder: Path, count: int) -> Path:
    """Write photos of made-up displays on a small screen, one unreadable, and a manifest."""
    folder.mkdir(parents=True, exist_ok=True)
    layout = make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]
    write_json(folder / "pattern.json", layout.as_json())
    rows = ["file,label,pattern"]
    for n in range(count):
        response = Response(shape="exponential", time_ms=4.0 + n)
        shot = film(layout, Display(response=response), Camera(campx_per_px=2.5, file_format="jpeg"), seed=n)
        (folder / f"shot_{n:02d}.jpg").write_bytes(shot.data)
        rows.append(f"shot_{n:02d}.jpg,unit {n:02d},pattern.json")
    (folder / "broken.jpg").write_bytes((folder / "shot_00.jpg").read_bytes()[:4000])
    rows.append("broken.jpg,broken,pattern.json")
    manifest = folder / "manifest.csv"
    manifest.write_text("\n".join(rows) + "\n", "utf-8")
    return manifest


def start(manifest: Path, out: Path, jobs: int) -> subprocess.Popen:
    """Start a batch as a program of its own."""
    line = [sys.executable, "-m", "blurscope", "measure", "--manifest", str(manifest), "--out", str(out)]
    return subprocess.Popen(
        [*line, "--jobs", str(jobs)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder by name."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())} if folder.is_dir() else {}


def check_whole(folder: Path, whole: dict[str, bytes]) -> int:
    """Return how many results are there; each must be whole already."""
    count = 0
    for name, data in contents(folder).items():
        if name.startswith(".blurscope-") or name in ("batch.json", "summary.csv", "refused.csv"):
            if name == "batch.json":
                json.loads(data)
            continue
        assert data == whole[name], f"{name} is not what an undisturbed run writes"
        count += 1
    return count


def kill_and_resume(manifest: Path, folder: Path, *, kills: int, jobs: int, seed: int, say=print) -> int:
    """Kill a batch at random moments, as often as asked; return in how many folders.

    A batch that comes to its end is compared with the undisturbed one, and the next starts in an empty folder.
    """
    begun = time.monotonic()
    assert start(manifest, folder / "whole", jobs).wait() == 1  # one photo is broken
    took = time.monotonic() - begun
    whole = contents(folder / "whole")
    rng = random.Random(seed)
    killed = done = 0
    while killed < kills:
        out = folder / f"run_{done:03d}"
        while True:
            process = start(manifest, out, jobs)
            try:
                process.wait(rng.uniform(0, 0.7 * took) if killed < kills else None)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                killed += 1
                say(f"kill {killed}: {check_whole(out, whole)} of {len(whole) - 3} results were there, each whole")
                continue
            break
        found = contents(out)
        assert sorted(found) == sorted(whole), sorted(set(found) ^ set(whole))
        assert [n for n in whole if found[n] != whole[n]] == []
        done += 1
    return done


def main() -> None:
    """Kill as often as asked and report."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--photos", type=int, default=6)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        manifest = make_captures(folder / "captures", options.photos)
        done = kill_and_resume(manifest, folder, kills=options.kills, jobs=options.jobs, seed=options.seed)
    print(f"killed {options.kills} times in {done} batches: every file as in an undisturbed run, byte for byte")


if __name__ == "__main__":
    main()
