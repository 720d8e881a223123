"""How long the command line takes to start: ``blurscope --help`` beside the bare interpreter.

Run ``python benchmarks/startup.py``; the wish is below 0.5 s on an idle machine.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time


def best_s(arguments: list[str], runs: int) -> tuple[float, float]:
    """Return the shortest wall time and the least processor time of several runs, seconds."""
    walls, works = [], []
    for _ in range(runs):
        before = os.times()
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
        walls.append(time.perf_counter() - start)
        after = os.times()
        works.append(after.children_user + after.children_system - before.children_user - before.children_system)
    return min(walls), min(works)


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=9)
    runs = parser.parse_args().runs
    cases = {
        "python": ["-c", "pass"],
        "import blurscope": ["-c", "import blurscope"],
        "import typer": ["-c", "import typer"],
        "blurscope --version": ["-m", "blurscope", "--version"],
        "blurscope --help": ["-m", "blurscope", "--help"],
    }
    found = {name: best_s(arguments, runs) for name, arguments in cases.items()}
    bare = found["python"][0]
    print(f"best of {runs}; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(f"{'':22}{'wall s':>8}{'cpu s':>8}{'ratio':>8}")
    for name, (wall, work) in found.items():
        print(f"{name:22}{wall:8.3f}{work:8.3f}{wall / bare:8.1f}")


if __name__ == "__main__":
    main()
