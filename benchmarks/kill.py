"""Kill a batch at every stage of its life and go on: run ``python benchmarks/kill.py``.

A batch is started as a program of its own and killed by SIGKILL; then the same line is started again, until one comes
to its end. Half of the kills come at times drawn over the whole life of an undisturbed run, half right after a file has
appeared: a result, or one of the tables at the end. At the end every file must equal that of an undisturbed run, byte
for byte, and nothing else may be there. After each kill every file that is there must be whole already, and the
processes that measured must be gone soon. How many results there were at the kills is printed.
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
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from blurscope.camera import Camera, Display, Response, film
from blurscope.files import write_json
from blurscope.pattern.budget import make_layouts

TABLES = ("batch.json", "summary.csv", "refused.csv")
LATEST_AFTER_S = 0.03  # after a file has appeared
MOST_ORPHAN_S = 30.0


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
    """Start a batch as a program of its own, its processes in a group of their own."""
    line = [sys.executable, "-m", "blurscope", "measure", "--manifest", str(manifest), "--out", str(out)]
    return subprocess.Popen(
        [*line, "--jobs", str(jobs)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        start_new_session=True,
    )


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder by name."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())} if folder.is_dir() else {}


def there(folder: Path) -> set[str]:
    """Return the names of the files in a folder that a batch has ended writing."""
    return {n for n in (os.listdir(folder) if folder.is_dir() else ()) if not n.startswith(".blurscope-")}


def results_in(names: Iterable[str]) -> int:
    """Count the results among the names of a folder."""
    return sum(name not in TABLES for name in names)


def check_whole(folder: Path, whole: dict[str, bytes]) -> None:
    """Each file must be whole already; only the index of a batch that hasn't ended is another than in the end."""
    for name, data in contents(folder).items():
        if name.startswith(".blurscope-") or (name == "batch.json" and not json.loads(data)["finished"]):
            continue
        assert data == whole[name], f"{name} is not what an undisturbed run writes"


def await_end_of_group(group: int) -> float:
    """Return after how many seconds the processes that a killed batch has left behind are gone."""
    begun = time.monotonic()
    while time.monotonic() - begun < MOST_ORPHAN_S:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return time.monotonic() - begun
        time.sleep(0.02)
    raise AssertionError(f"processes of a killed batch are still there after {MOST_ORPHAN_S} s")


def await_moment(process: subprocess.Popen, out: Path, moment: float | int, rng: random.Random) -> bool:
    """Wait for the moment of a kill: seconds (float), or how many files there are (int); False if the batch ended."""
    if isinstance(moment, float):
        try:
            process.wait(moment)
        except subprocess.TimeoutExpired:
            return True
        return False
    while process.poll() is None:
        if len(there(out)) >= moment:
            time.sleep(rng.choice([0.0, rng.uniform(0, LATEST_AFTER_S)]))
            return process.poll() is None
        time.sleep(0.0005)
    return False


@dataclass(frozen=True)
class Kills:
    """What the kills struck: batches brought to their end, and for each kill its stage and how long orphans lived."""

    batches: int
    stages: tuple[str, ...]
    orphans_s: tuple[float, ...]


def kill_and_resume(manifest: Path, folder: Path, *, kills: int, jobs: int, seed: int, say=print) -> Kills:
    """Kill a batch at moments all over its life, as often as asked.

    A batch that comes to its end is compared with the undisturbed one, and the next starts in an empty folder.
    """
    begun = time.monotonic()
    assert start(manifest, folder / "whole", jobs).wait() == 1  # one photo is broken
    took = time.monotonic() - begun
    whole = contents(folder / "whole")
    say(f"an undisturbed run takes {took:.1f} s and writes {results_in(whole)} results")
    rng = random.Random(seed)
    done, stages, orphans = 0, [], []
    while len(stages) < kills:
        out = folder / f"run_{done:03d}"
        while True:
            before = there(out)
            process = start(manifest, out, jobs)
            if len(stages) >= kills or len(before) == len(whole):
                break
            # the index comes first, then results, then tables: strike after one of the next three
            files = min(max(len(before), 1) + rng.randint(1, 3), len(whole))
            by_time = len(stages) % 2 == 0
            if not await_moment(process, out, rng.uniform(0, took) if by_time else files, rng):
                break
            process.kill()
            process.wait()
            orphans.append(await_end_of_group(process.pid))
            check_whole(out, whole)
            names = there(out)
            stages.append(
                f"{results_in(names)} results" + (" and tables" if names & {"summary.csv", "refused.csv"} else "")
            )
            how = "at a random time" if by_time else f"after file {files}"
            say(f"kill {len(stages)} {how}: {results_in(before)} results before, {stages[-1]}, each whole")
        process.wait()
        found = contents(out)
        assert sorted(found) == sorted(whole), sorted(set(found) ^ set(whole))
        assert [n for n in whole if found[n] != whole[n]] == []
        done += 1
    return Kills(done, tuple(stages), tuple(orphans))


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
    print("at the kills there were:")
    for stage, times in sorted(Counter(done.stages).items()):
        print(f"    {stage}: {times} times")
    print(f"processes left behind were gone after {max(done.orphans_s):.1f} s at most")
    print(f"killed {options.kills} times in {done.batches} batches: every file as in an undisturbed run, byte for byte")


if __name__ == "__main__":
    main()
