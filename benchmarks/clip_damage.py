"""How much damage to clips is noticed, and how often a sound clip is taken for a damaged one.

    python benchmarks/clip_damage.py [--bits 40] [--only vp9] [--sound] [--random 60]

One wrong bit at a time in clips of many codings: how many files change what is decoded, of how many the decoder says
so, of how many of the rest what they show does, and how many of those that change more than a thousandth of the picture
are left. Then sound clips of other displays, cameras and codings: largest departure from what a display can show, over
the limit from which it counts as damage.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from video_makers import clip_frames, display, small_plate, write_video  # noqa: E402

from blurscope._cv import cv2  # noqa: E402
from blurscope.camera import Response  # noqa: E402
from blurscope.camera.display import Backlight  # noqa: E402
from blurscope.cliprefusals import refuse_flashing  # noqa: E402
from blurscope.errors import BlurscopeError, PhotoError  # noqa: E402
from blurscope.target import register  # noqa: E402
from blurscope.video import constancy, open_clip  # noqa: E402

QUIET = {"x265-params": "log-level=none", "preset": "veryfast"}
CODINGS: dict[str, tuple[str, str, str, dict[str, str]]] = {
    "MJPEG, q 3": ("avi", "mjpeg", "yuvj420p", {"qmin": "3", "qmax": "3"}),
    "MJPEG, q 15": ("avi", "mjpeg", "yuvj420p", {"qmin": "15", "qmax": "15"}),
    "VP8": ("webm", "libvpx", "yuv420p", {"cpu-used": "8", "b": "8M"}),
    "VP9": ("webm", "libvpx-vp9", "yuv420p", {"cpu-used": "8", "crf": "20", "b": "0"}),
    "H.265, crf 18": ("mp4", "libx265", "yuv420p", {"crf": "18", **QUIET}),
    "H.265, crf 28": ("mp4", "libx265", "yuv420p", QUIET),
    "H.264 without CABAC": ("mp4", "libx264", "yuv420p", {"crf": "15", "bf": "0", "coder": "0"}),
    "H.264, crf 30": ("mp4", "libx264", "yuv420p", {"crf": "30", "g": "12"}),
    "MPEG-4": ("avi", "mpeg4", "yuv420p", {"qmin": "3", "qmax": "3", "g": "12"}),
}
FAST = Response(time_ms=1.0)
OVERDRIVEN = Response(shape="overdriven", time_ms=5.0, overshoot_pct=25.0)
# what is filmed, and how it is coded
SOUND: dict[str, tuple[dict[str, Any], str]] = {
    "480 per second": ({}, "VP9"),
    "200 per second, 1 ms pixel": (dict(rate=200.0, count=14, response=FAST), "H.264, crf 30"),
    "257 per second, 1 ms pixel": (dict(rate=257.0, count=16, response=FAST), "MJPEG, q 15"),
    "477.3 per second, half exposed": (dict(rate=477.3, share=0.5, response=FAST), "VP8"),
    "1000 per second, 3 ms pixel": (dict(rate=1000.0, count=45, response=Response(time_ms=3.0)), "H.265, crf 28"),
    "overdriven": (dict(response=OVERDRIVEN), "VP9"),
    "overdriven, 200 per second": (dict(rate=200.0, count=14, response=OVERDRIVEN), "H.265, crf 18"),
    "no scan-out": (dict(screen=dict(scan_out_refreshes=0.0), response=FAST), "H.264, crf 30"),
    "scanned upwards": (dict(screen=dict(scan_out_refreshes=-0.9)), "MPEG-4"),
    "scanned along the motion": (dict(screen=dict(scan_axis="columns")), "VP8"),
    "slow pixel": (dict(response=Response(time_ms=25.0)), "MPEG-4"),
    "to the left, tilted": (dict(direction="left", camera=dict(roll_deg=1.5, yaw_deg=4.0)), "VP9"),
    "turned": (dict(camera=dict(turn_deg=90)), "H.265, crf 28"),
    "mirrored": (dict(camera=dict(mirrored=True)), "MJPEG, q 3"),
    "dark corners, reflections": (dict(camera=dict(vignetting=0.4, reflected_light=0.05)), "H.265, crf 18"),
    "barrel lens": (dict(camera=dict(k1=-0.03)), "VP9"),
    "out of focus": (dict(camera=dict(lens_sigma_campx=2.0)), "H.264 without CABAC"),
    "noisy": (dict(camera=dict(full_well_e=2000.0, read_noise_e=12.0)), "H.264, crf 30"),
    "noisy, MJPEG": (dict(camera=dict(full_well_e=2000.0, read_noise_e=12.0)), "MJPEG, q 15"),
    "PWM of 1 kHz": (dict(screen=dict(backlight=Backlight(kind="pwm", frequency_hz=1000.0, duty=0.6))), "VP9"),
    "PWM of 400 Hz, shallow": (
        dict(screen=dict(backlight=Backlight(kind="pwm", frequency_hz=400.0, duty=0.5, depth=0.3))), "MJPEG, q 3"),
    "PWM of 300 Hz, half deep": (
        dict(screen=dict(backlight=Backlight(kind="pwm", frequency_hz=300.0, duty=0.7, depth=0.5))), "VP8"),
    "PWM along the scan": (
        dict(screen=dict(backlight=Backlight(kind="pwm", frequency_hz=240.0, duty=0.7, depth=0.3, follows_scan=True))),
        "H.264, crf 30"),
    "large": (dict(camera=dict(campx_per_px=4.0), count=26), "H.264, crf 30"),
    "lossless": (dict(rate=477.3), ""),
}  # fmt: skip


def drawn(rng: random.Random) -> tuple[dict[str, Any], str]:
    """Return a sound clip put together at random of what the named ones have: what is filmed, and how it is coded."""
    parts = [case for case, _ in SOUND.values()]

    def any_of(name: str) -> dict[str, Any]:
        return rng.choice([case[name] for case in parts if name in case])

    case: dict[str, Any] = {"rate": rng.choice((200.0, 240.0, 257.0, 477.3, 480.0, 960.0)), "count": 30}
    if case["rate"] < 300:
        case["count"] = 16
    case["response"] = rng.choice((FAST, OVERDRIVEN, Response(time_ms=rng.uniform(1.0, 20.0)), None))
    case["screen"] = any_of("screen") if rng.random() < 0.6 else {}
    case["camera"] = any_of("camera") | (any_of("camera") if rng.random() < 0.5 else {})
    case["share"] = rng.choice((0.3, 0.7, 1.0))
    case["direction"] = rng.choice(("left", "right"))
    return case, rng.choice([*CODINGS, ""])


def coded(folder: Path, frames: list[np.ndarray], rate: float, name: str) -> Path:
    """Write frames in a coding; lossless without a name."""
    even = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in frames]
    if not name:
        return write_video(folder / "clip.mkv", even, rate)
    ending, codec, pixels, options = CODINGS[name]
    return write_video(folder / f"clip.{ending}", even, rate, codec, pixels, options)


def departure(frames: list[np.ndarray], reg: Any, layout: Any, spacing: float, size: int) -> constancy.Departure | None:
    """Return what is found against a clip whose pose is known; ``size`` of its file in bytes."""
    watch = constancy.Constancy(
        layout, reg.pose, lit_u_px=reg.lit_u_px, scale=reg.campx_per_px, spacing=spacing,
        bits_per_pixel=8 * size / (len(frames) * frames[0].size),
    )  # fmt: skip
    for index, codes in enumerate(frames):
        watch.add(index, np.ascontiguousarray(np.rot90(codes)) if reg.turned else codes)
    return watch.departure()


def decoded(path: Path) -> tuple[list[np.ndarray], bool]:
    """Return the frames that can be decoded, and whether the decoder speaks of damage."""
    out: list[np.ndarray] = []
    heard = False
    try:
        for frame in open_clip(path).frames(damaged=True):
            out.append(frame.codes)
            heard |= bool(frame.damage)
    except BlurscopeError:
        heard = True
    return out, heard


def wrong_bits(name: str, folder: Path, bits: int) -> str:
    """Return the row of a coding."""
    layout = small_plate()
    count = np.zeros(5, int)  # changed, heard, seen, of the rest larger, of these seen
    for rate, frames in ((240.0, 16), (477.3, 30)):
        path = coded(folder, clip_frames(layout, display(), rate=rate, count=frames, campx_per_px=2.0), rate, name)
        sound, _ = decoded(path)
        reg = register(sound[2], layout)
        data = path.read_bytes()
        rng = random.Random(f"{name} {rate}")
        for _ in range(bits):
            bad = bytearray(data)
            bad[rng.randrange(len(bad) // 20, len(bad) * 19 // 20)] ^= 1 << rng.randrange(8)
            path.write_bytes(bad)
            found, heard = decoded(path)
            if not heard and len(found) == len(sound):
                off = [np.abs(a.astype(int) - b) for a, b in zip(found, sound, strict=True)]
                scale = 1 if sound[0].dtype == np.uint8 else 257
                share = float(np.mean([(z > 8 * scale).mean() for z in off]))
                if not max(z.max() for z in off):
                    continue
                seen = departure(found, reg, layout, 60 / rate, len(data)) is not None
                count += [1, 0, seen, share > 1e-3, seen and share > 1e-3]
            elif heard:
                same = len(found) == len(sound) and all(map(np.array_equal, found, sound))
                count += [not same, not same, 0, 0, 0]
    changed, heard, seen, larger, larger_seen = count.tolist()
    return f"| {name} | {changed} | {heard} | {seen} | {larger - larger_seen} |"


def sound_clip(name: str, case: dict[str, Any], coding: str, folder: Path) -> tuple[str, bool]:
    """Return the row of a sound clip, and whether it is taken for a damaged one."""
    layout = small_plate(case.get("direction", "right"))
    rate = case.get("rate", 480.0)
    options = {"campx_per_px": 2.0} | case.get("camera", {})
    frames = clip_frames(layout, display(case.get("response"), **case.get("screen", {})), rate=rate,
                         count=case.get("count", 30), share=case.get("share", 1.0), **options)  # fmt: skip
    path = coded(folder, frames, rate, coding)
    found, heard = decoded(path)
    refuse_flashing(np.array([cv2.resize(f, (6, 6), interpolation=cv2.INTER_AREA) for f in found]), name)
    for codes in found[2:]:
        try:
            reg = register(codes, layout)
            break
        except BlurscopeError:
            continue
    else:
        raise PhotoError(f"no plate in {name}")
    names = ("STILL_LIMIT", "MOVING_LIMIT", "STRIPE_LIMIT", "LEAST", "UNUSUAL")
    limits = {n: getattr(constancy, n) for n in names}
    try:  # a thousandth of each, so that there is always a largest one
        for n, limit in limits.items():
            setattr(constancy, n, 0.001 * limit)
        worst = departure(found, reg, layout, 60 / rate, path.stat().st_size)
    finally:
        for n, limit in limits.items():
            setattr(constancy, n, limit)
    over = 0.001 * worst.over if worst else 0.0
    return f"| {name} | {coding or 'lossless'} | {over:.2f} | {'heard' if heard else ''} |", over > 1


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--bits", type=int, default=40, help="wrong bits in each of two clips of a coding")
    parser.add_argument("--only", default="")
    parser.add_argument("--sound", action="store_true", help="sound clips only")
    parser.add_argument("--random", type=int, default=0, help="so many random sound clips besides")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if not options.sound:
            print("| coding | files that decode differently | heard | seen besides | larger than 0.1 %, neither |")
            print("|---|---|---|---|---|")
            for coding in CODINGS:
                if options.only in coding:
                    print(wrong_bits(coding, folder, options.bits), flush=True)
        print("| sound clip | coding | largest departure over its limit | |\n|---|---|---|---|")
        alarms = []
        rng = random.Random(options.seed)
        clips = {name: clip for name, clip in SOUND.items() if options.only in name}
        clips |= {f"random {k}": (case, coding) for k in range(options.random) for case, coding in [drawn(rng)]}
        for name, (case, coding) in clips.items() if not options.only or options.sound else ():
            try:
                row, alarm = sound_clip(name, case, coding, folder)
            except BlurscopeError as err:
                print(f"| {name} | {err} | | |", flush=True)
                continue
            print(row, flush=True)
            alarms.append(alarm)
        print(f"{sum(alarms)} of {len(alarms)} sound clips taken for damaged ones")


if __name__ == "__main__":
    main()
