"""How much faster a batch is on two cores than on one: run ``python benchmarks/batch.py``.

On an idle machine the ratio of the two times is the figure. Other work on the machine takes cores away from two
processes sooner than from one, so three more figures let it be judged there:

- *plain processes*: the same ratio for two processes that only count, timed between the runs: what the machine gives;
- *processor time* of all processes with two against one: what they take from each other (memory, caches) or do twice;
- *idle*: the share of the cores that nobody used while two processes ran: what the batch itself left lying.

From the last two follows what an idle machine would show: 2 · (1 - idle) · processor time (one) / processor time (two).
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

import blurscope as bs  # noqa: E402
from blurscope.batch import displays_of_photos  # noqa: E402
from blurscope.camera import Camera, Display, Response, film  # noqa: E402
from blurscope.files import write_json  # noqa: E402
from blurscope.pattern.budget import make_layouts  # noqa: E402

LIMIT = 1.8
COUNT = "n = 0\nfor i in range(30_000_000): n += i & 3"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What a run took: time on the clock, processor time of all its processes, and cores that nobody used, s."""

    wall_s: float
    cpu_s: float
    idle_s: float


def clock() -> Spent:
    """Return the clock, this program's processor time with that of its ended processes, and the machine's idle time."""
    times = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return Spent(
        wall_s=time.perf_counter(), cpu_s=sum(t.ru_utime + t.ru_stime for t in times), idle_s=idle_seconds()
    )  # fmt: skip


def since(start: Spent) -> Spent:
    """Return what was spent since then."""
    now = clock()
    return Spent(**{name: getattr(now, name) - getattr(start, name) for name in Spent.__slots__})


def idle_seconds() -> float:
    """Return how long this process' cores had nothing to do since the machine was started; NaN if it doesn't say."""
    try:
        lines = Path("/proc/stat").read_text().splitlines()
        mine = {f"cpu{n}" for n in os.sched_getaffinity(0)}
    except (OSError, AttributeError):
        return float("nan")
    ticks = sum(int(line.split()[4]) + int(line.split()[5]) for line in lines if line.split()[0] in mine)
    return ticks / os.sysconf("SC_CLK_TCK")


def plain(count: int) -> float:
    """Return the time of so many processes at once that only count."""
    begun = time.perf_counter()
    for process in [subprocess.Popen([sys.executable, "-c", COUNT]) for _ in range(count)]:
        process.wait()
    return time.perf_counter() - begun


def make_photos(folder: Path, count: int, size: tuple[int, int], megapixels: float) -> Path:
    """Write photos of made-up displays and their pattern."""
    layout = make_layouts(*size, px_per_refresh=8)[0][0]
    write_json(folder / "pattern.json", layout.as_json())
    scale = (megapixels * 1e6 / (size[0] * size[1] * 1.2)) ** 0.5
    first = []
    for n in range(count):
        if n < 4:  # four different ones, the rest with their bytes: filming takes longer than measuring
            camera = Camera(campx_per_px=scale, file_format="jpeg", tracking_error_px_per_refresh=0.05 * n)
            display = Display(response=Response(shape="exponential", time_ms=4.0 + 3 * n))
            first.append(film(layout, display, camera, seed=n).data)
        (folder / f"shot_{n:02d}.jpg").write_bytes(first[n % 4])
    return folder / "pattern.json"


def main() -> None:
    """Print the times and their ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--size", default="1280x720")
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--runs", type=int, default=2)
    options = parser.parse_args()
    size = tuple(int(x) for x in options.size.split("x"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pattern = make_photos(folder, options.photos, size, options.megapixels)
        displays = displays_of_photos(sorted(folder.glob("*.jpg")), pattern=str(pattern))
        spent: dict[int, list[Spent]] = {1: [], 2: []}
        counted: dict[int, list[float]] = {1: [], 2: []}
        for run in range(options.runs):
            for jobs in spent:
                for k in counted:
                    counted[k].append(plain(k))
                start = clock()
                done = bs.measure_batch(displays, out=folder / f"out_{run}_{jobs}", jobs=jobs)
                spent[jobs].append(since(start))
                assert done.ok and done.measured == options.photos
                s = spent[jobs][-1]
                print(
                    f"{jobs} process{'es' * (jobs > 1)}: {s.wall_s:.1f} s, {s.cpu_s:.1f} s of processor time, "
                    f"{s.idle_s:.1f} s idle (load {os.getloadavg()[0]:.1f})",
                    flush=True,
                )
    one, two = (min(spent[k], key=lambda s: s.wall_s) for k in (1, 2))
    machine = 2 * min(counted[1]) / min(counted[2])
    found = one.wall_s / two.wall_s
    expected = 2 * (1 - two.idle_s / (2 * two.wall_s)) * one.cpu_s / two.cpu_s
    print(f"{options.photos} photos: {one.wall_s:.1f} s on one core, {two.wall_s:.1f} s on two: {found:.2f} times")
    print(f"plain processes: {machine:.2f} times, so {100 * found / machine:.0f} % of what the machine gave")
    print(f"an idle machine would show {expected:.2f} times (limit {LIMIT})")


if __name__ == "__main__":
    main()
