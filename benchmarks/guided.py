"""Fuzzing that is led by the branches it reaches: run ``python benchmarks/guided.py READER [--seconds 60]``.

Needs Atheris (``pip install atheris``), which watches the reader's own lines and goes on from inputs that reach new
ones; `fuzz` damages at random instead. Anything but a refusal of one line, or more than 10 s, ends the run, and the
file is left in the working folder as ``crash-…`` or ``timeout-…``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris

sys.path[:0] = [str(Path(__file__).parent.parent / "tests"), str(Path(__file__).parent)]

with atheris.instrument_imports(include=["blurscope"]):
    from blurscope.errors import BlurscopeError
    from blurscope.photo import read_photo
    from blurscope.trace.law import read_meter
    from blurscope.trace.reading import ReadOptions, read_record

from fuzz_seeds import step_table  # noqa: E402
from photo_makers import dng_bytes, exif_block, pillow_bytes, scene, smooth_scene, tiff_bytes  # noqa: E402

LIMIT_S = 10
LARGEST = 6000  # bytes


def readers() -> dict[str, tuple[bytes, str, Callable[[Path], Any]]]:
    """Return of each reader a sound file, its suffix, and what reads it."""
    small, deep = smooth_scene(24, 32), scene(20, 28)
    meter = "level,light\n" + "".join(f"{v},{0.2 + 250 * (v / 255) ** 2.2:.3f}\n" for v in range(0, 256, 15))
    return {
        "trace": (step_table(60), ".csv", lambda path: read_record(path, ReadOptions())),
        "meter": (meter.encode(), ".csv", read_meter),
        "jpeg": (pillow_bytes(small, "JPEG", exif=exif_block(6)), ".jpg", read_photo),
        "png": (pillow_bytes(small, "PNG", exif=exif_block(6)), ".png", read_photo),
        "tiff": (tiff_bytes(deep, photometric="rgb", compression="zlib"), ".tif", read_photo),
        "dng": (dng_bytes((deep[:, :, 0] >> 2).copy()), ".dng", read_photo),
    }


def main() -> None:
    """Fuzz one reader."""
    known = readers()
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("reader", choices=list(known))
    parser.add_argument("--seconds", type=int, default=60)
    options = parser.parse_args()
    sound, suffix, read = known[options.reader]
    folder = Path(tempfile.mkdtemp())
    (folder / "corpus").mkdir()
    (folder / "corpus" / "sound").write_bytes(sound)
    path = folder / f"file{suffix}"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            read(path)
        except BlurscopeError as exc:
            assert "\n" not in str(exc), str(exc)

    limits = [f"-max_total_time={options.seconds}", f"-max_len={LARGEST}", f"-timeout={LIMIT_S}"]
    atheris.Setup([sys.argv[0], str(folder / "corpus"), *limits, "-print_final_stats=1"], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
