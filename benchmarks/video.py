"""How well clips are measured: virtual pursuit photos and pixel traces of simulated high-speed cameras.

    python benchmarks/video.py [--only NAME]

Prints a table: largest error of BET and of the response over the transitions, in % and in units of u95.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from video_makers import clip_frames, display, small_plate, truths, write_camera_video, write_video  # noqa: E402

from blurscope.camera import Response  # noqa: E402
from blurscope.clip import measure_clip  # noqa: E402

H264 = ("libx264", "yuv420p")
CASES = {
    "480 per second, exposure told": dict(told=1.0),
    "480 per second, exposure unknown": dict(),
    "480, exposed for half the spacing": dict(share=0.5),
    "480, 3 ms pixel": dict(response=Response(time_ms=3.0), told=1.0),
    "477.3 (not locked), no scan-out": dict(rate=477.3, screen=dict(scan_out_refreshes=0.0), told=1.0),
    "240 per second": dict(rate=240.0, count=18, told=1.0),
    "1000 per second, 3 ms pixel": dict(rate=1000.0, count=60, response=Response(time_ms=3.0), told=1.0),
    "480, to the left, camera tilted": dict(direction="left", camera=dict(roll_deg=1.5, yaw_deg=4.0), told=1.0),
    "480, red, green and blue stripes": dict(screen=dict(stripes="rgb"), told=1.0, coding=("ffv1", "bgr0", None)),
    "H.264, crf 8": dict(h264={"crf": "8", "bf": "0"}),
    "H.264, crf 8, frames predicted both ways": dict(h264={"crf": "8"}),
    "H.264, crf 8, red, green and blue stripes": dict(screen=dict(stripes="rgb"), h264={"crf": "8", "bf": "0"}),
    "H.264, crf 8, each frame by itself": dict(h264={"crf": "8", "g": "1"}),
    "H.264, crf 12": dict(h264={"crf": "12", "bf": "0"}),
    "H.264, crf 20": dict(h264={"crf": "20", "bf": "0"}),
    "lossless, its range converted": dict(coding=(*H264, {"qp": "0", "bf": "0"})),
    "H.264, crf 8, its range converted": dict(coding=(*H264, {"crf": "8", "bf": "0"})),
}


def run(name: str, case: dict, folder: Path) -> str:
    """Return the row of a case."""
    layout = small_plate(case.get("direction", "right"))
    screen = display(case.get("response"), **case.get("screen", {}))
    rate = case.get("rate", 480.0)
    options = case.get("camera", {}) | ({"bits": 16} if "h264" in case else {})
    frames = clip_frames(
        layout, screen, rate=rate, count=case.get("count", 36), share=case.get("share", 1.0), **options
    )
    if "h264" in case:
        path = write_camera_video(folder / "clip.mp4", frames, rate, case["h264"])
    else:
        coding = case.get("coding", ("ffv1", "gray", None))
        path = write_video(folder / f"clip{'.mkv' if coding[0] == 'ffv1' else '.mp4'}", frames, rate, *coding)
    told = case.get("told")
    begin = time.perf_counter()
    result = measure_clip(
        path, pattern=layout, frame_exposure_ms=None if told is None else told * 1000 / rate, trace=True
    )
    spent = time.perf_counter() - begin
    truth = truths(layout, screen)
    columns = []
    for values in (
        [(e.figures["bet_ms"].value, e.figures["bet_ms"].u95, truth[e.from_level, e.to_level]["bet_ms"])
         for e in result.measurement.edges],
        [(e.figures["response_ms"].value, e.figures["response_ms"].u95, truth[e.from_level, e.to_level]["response_ms"])
         for e in result.measurement.edges],
        [(t["response_ms"]["value"], t["response_ms"]["u95"], truth[t["from_level"], t["to_level"]]["response_ms"])
         for t in result.response["transitions"]],
    ):  # fmt: skip
        known = [(v, u, t) for v, u, t in values if v is not None]
        worst = max(abs(v / t - 1) for v, u, t in known)
        columns.append(f"{100 * worst:.2f} % ({max(abs(v - t) / u for v, u, t in known):.2f} u95)")
    bits = 8 * path.stat().st_size / (len(frames) * frames[0].shape[0] * frames[0].shape[1])
    return f"| {name} | {bits:.2g} | " + " | ".join(columns) + f" | {spent:.1f} s |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default="")
    only = parser.parse_args().only
    print("| clip | bits per pixel | BET | response by the photo | response by the pixels | time |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for name, case in CASES.items():
            if only in name:
                print(run(name, case, Path(folder)), flush=True)


if __name__ == "__main__":
    main()
