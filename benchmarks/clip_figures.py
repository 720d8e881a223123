"""What damaged clips of a camera at rest come to: refused, measured right, or measured wrong without a word.

    python benchmarks/clip_figures.py [--each 4] [--seed 1] [--only H.264]

Clips of several codings are damaged in many ways, in the file and in its packets, and measured. A figure of an edge
that is marked `ok` counts as wrong if it misses the truth by more than its u95 and the sound clip's doesn't.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "benchmarks")]

import av  # noqa: E402
from clip_damage import CODINGS, coded  # noqa: E402
from video_makers import clip_frames, display, small_plate, truths  # noqa: E402

from blurscope.clip import measure_clip  # noqa: E402
from blurscope.errors import BlurscopeError  # noqa: E402

RATE = 480.0
FIGURES = ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")
KEPT = ("H.264, crf 15", "H.264 without CABAC", "H.265, crf 18", "VP9", "VP8, crf 4", "MPEG-4", "MJPEG, q 3",
        "lossless")  # fmt: skip
CODINGS |= {  # one thread codes a clip the same way each time
    "H.264, crf 15": ("mp4", "libx264", "yuv420p", {"crf": "15", "threads": "1"}),
    "VP8, crf 4": ("webm", "libvpx", "yuv420p", {"cpu-used": "4", "crf": "4", "b": "40M", "g": "12"}),
}


def in_file(change: Callable[[bytearray, random.Random], bytearray]) -> Callable[[Path, random.Random], Path]:
    """Return a damage to the bytes of a file."""

    def damage(path: Path, rng: random.Random) -> Path:
        out = path.with_name(f"bad{path.suffix}")
        out.write_bytes(change(bytearray(path.read_bytes()), rng))
        return out

    return damage


def wrong_bit(data: bytearray, rng: random.Random) -> bytearray:
    """Turn one bit round."""
    data[rng.randrange(len(data) // 20, len(data) * 19 // 20)] ^= 1 << rng.randrange(8)
    return data


def zeros(data: bytearray, rng: random.Random) -> bytearray:
    """Blank a stretch, as of a bad block."""
    size = min(rng.choice((64, 512, 4096)), len(data) // 8)
    at = rng.randrange(len(data) // 20, len(data) * 19 // 20 - size)
    data[at : at + size] = bytes(size)
    return data


def noise(data: bytearray, rng: random.Random) -> bytearray:
    """Overwrite some bytes."""
    size = rng.choice((1, 4, 32))
    at = rng.randrange(len(data) // 20, len(data) * 19 // 20 - size)
    data[at : at + size] = rng.randbytes(size)
    return data


def cut(data: bytearray, rng: random.Random) -> bytearray:
    """Leave out the end."""
    return data[: rng.randrange(len(data) // 3, len(data))]


def hole(data: bytearray, rng: random.Random) -> bytearray:
    """Leave out bytes."""
    size = rng.choice((1, 16, 512))
    at = rng.randrange(len(data) // 20, len(data) * 19 // 20 - size)
    return data[:at] + data[at + size :]


def in_packets(change: Callable[[list[bytes], random.Random], list[bytes | None]], *, beat: bool = True) -> Any:
    """Return a damage to the list of coded frames; ``None`` is left out. With ``beat`` the times are numbered anew."""

    def damage(path: Path, rng: random.Random) -> Path:
        out = path.with_name(f"bad{path.suffix}")
        with av.open(str(path)) as source, av.open(str(out), "w") as target:
            stream = source.streams.video[0]
            copy = target.add_stream_from_template(stream)
            packets = [p for p in source.demux(stream) if p.size]
            times = [(p.pts, p.dts, p.is_keyframe) for p in packets]
            new = change([bytes(p) for p in packets], rng)
            step = Fraction(1, round(RATE)) / stream.time_base
            extra = len(new) - len(packets)
            times += [(round(times[-1][0] + step * (k + 1)), round(times[-1][1] + step * (k + 1)), False)
                      for k in range(max(extra, 0))]  # fmt: skip
            if beat:
                new = [d for d in new if d is not None]
            for data, (pts, dts, key) in zip(new, times, strict=False):
                if data is None:
                    continue
                packet = av.Packet(data)
                packet.pts, packet.dts, packet.stream, packet.time_base = pts, dts, copy, stream.time_base
                packet.is_keyframe = key
                target.mux(packet)
        return out

    return damage


def somewhere(packets: list[bytes], rng: random.Random) -> int:
    """Return the number of a packet that isn't one of the first or last."""
    return rng.randrange(3, len(packets) - 3)


def left_out(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Leave out one to three coded frames."""
    at, count = somewhere(packets, rng), rng.choice((1, 1, 2, 3))
    return [None if at <= i < at + count else p for i, p in enumerate(packets)]


def doubled(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Repeat one."""
    at = somewhere(packets, rng)
    return [*packets[: at + 1], *packets[at:]]


def instead(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Put the one before in the place of one to three."""
    at, count = somewhere(packets, rng), rng.choice((1, 1, 2, 3))
    return [packets[at - 1] if at <= i < at + count else p for i, p in enumerate(packets)]


def swapped(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Exchange two neighbours."""
    at = somewhere(packets, rng)
    return [*packets[:at], packets[at + 1], packets[at], *packets[at + 2 :]]


def halved(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Cut one short."""
    at = somewhere(packets, rng)
    return [p[: max(8, int(len(p) * rng.uniform(0.2, 0.98)))] if i == at else p for i, p in enumerate(packets)]


def blanked(packets: list[bytes], rng: random.Random) -> list[bytes | None]:
    """Make one's second half zero."""
    at = somewhere(packets, rng)
    return [p[: len(p) // 2] + bytes(len(p) - len(p) // 2) if i == at else p for i, p in enumerate(packets)]


DAMAGES = {
    "one wrong bit": in_file(wrong_bit),
    "some wrong bytes": in_file(noise),
    "a blank stretch": in_file(zeros),
    "cut short": in_file(cut),
    "bytes left out": in_file(hole),
    "frames left out, times kept": in_packets(left_out, beat=False),
    "frames left out, times even": in_packets(left_out),
    "a frame twice": in_packets(doubled),
    "a frame instead of others": in_packets(instead),
    "two frames exchanged": in_packets(swapped),
    "a frame cut short": in_packets(halved),
    "a frame half blank": in_packets(blanked),
}


def misses(path: Path, layout: Any, truth: Any) -> tuple[dict[Any, float], set[str]]:
    """Return error over u95 of the figures of edges marked `ok`, and the codes of the warnings."""
    result = measure_clip(path, pattern=layout, frame_exposure_ms=1000 / RATE).measurement
    out = {}
    for e in result.edges:
        for name in FIGURES:
            q, true = e.figures[name], truth[e.from_level, e.to_level].get(name)
            if e.ok and q.value is not None and true is not None:
                out[e.from_level, e.to_level, name] = abs(q.value - true) / max(q.u95, 1e-9)
    return out, {w["code"] for w in result.warnings}


def keep(path: Path, folder: Path | None, name: str) -> None:
    """Copy a clip into a folder, if one is given."""
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, folder / f"{name}{path.suffix}".replace(" ", "_"))


def main() -> None:
    """Print a line per coding and damage, then the sums."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=4, help="clips of a coding and a damage")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="codings and damages whose name holds this")
    parser.add_argument("--keep", type=Path, help="folder for clips that are measured wrong")
    options = parser.parse_args()
    layout, screen = small_plate(), display()
    truth = truths(layout, screen)
    frames = clip_frames(layout, screen, rate=RATE, count=36)
    total: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        for coding in KEPT:
            if not any(options.only in f"{coding}: {d}" for d in DAMAGES):
                continue
            path = coded(Path(place), frames, RATE, coding if coding != "lossless" else "")
            sound, said = misses(path, layout, truth)
            print(f"{coding}: sound, worst {max(sound.values(), default=0):.2f} u95, {sorted(said)}", flush=True)
            for name, damage in DAMAGES.items():
                if options.only not in f"{coding}: {name}":
                    continue
                rng = random.Random(f"{options.seed} {coding} {name}")
                count: Counter[str] = Counter()
                for k in range(options.each):
                    try:
                        bad = damage(path, rng)
                    except (av.error.FFmpegError, ValueError) as err:
                        count[f"not made: {err}"[:80]] += 1
                        continue
                    try:
                        found, warned = misses(bad, layout, truth)
                    except BlurscopeError as err:
                        count["refused"] += 1
                        count[f"  {str(err).split('; ')[0][:110]}"] += 1
                        continue
                    except Exception as err:  # a fault is told, and is nothing to stop for
                        count[f"FAULT {type(err).__name__} {err}"[:80]] += 1
                        keep(bad, options.keep, f"{coding}, {name}, {options.seed}.{k}")
                        continue
                    wrong = {key: z for key, z in found.items() if z > 1 and sound.get(key, 0) <= 1}
                    told = warned - said
                    worst = max(found.values(), default=0)
                    if wrong:
                        kind = "wrong, but told" if told else "WRONG"
                    else:
                        kind = "right" if found else "no figure ok"
                    count[kind] += 1
                    if wrong:
                        key = max(wrong, key=wrong.__getitem__)
                        keep(bad, options.keep, f"{coding}, {name}, {options.seed}.{k}")
                        count[f"  {kind} {k}: {len(wrong)} of {len(found)}, worst {worst:.2f} u95 {key} {told}"] += 1
                total.update({k: n for k, n in count.items() if not k.startswith("  ")})
                print(f"  {coding}: {name}: " + ", ".join(f"{n} {k}" for k, n in count.items()), flush=True)
    print(", ".join(f"{n} {k}" for k, n in total.items()))


if __name__ == "__main__":
    main()
