"""Damaged and made-up files against every reader: run ``python benchmarks/fuzz.py``.

Each reader gets files that are mutations of real ones (bits flipped, cut, doubled; numbers made NaN, infinite or huge;
keys lost, doubled or nested without end; thousands of columns) or pure garbage. What counts: exceptions other than
refusals ("tracebacks"), more than 10 s for one file ("hangs"), refusals of more than one line, results that strict JSON
can't hold, and figures marked ok that come from pure garbage.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks"), str(ROOT / "tests")]

from fuzz_readers import Case, cases  # noqa: E402
from fuzz_seeds import make_seeds  # noqa: E402

from blurscope.errors import BlurscopeError  # noqa: E402
from blurscope.files import write_json  # noqa: E402

LIMIT_S = 10.0  # of processor time, so that a busy machine doesn't count
WALL_FACTOR = 6


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
