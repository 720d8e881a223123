"""The stimulus as files: a self-contained page, pictures of every level, a video."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Callable
from fractions import Fraction
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._av import require_av
from blurscope.errors import OutputError
from blurscope.files import check_output, show_path, to_jsonable, write_bytes, write_json
from blurscope.trace.stimulus import Stimulus

CAUTION_S = 6.0
CAUTION = (
    "Caution: a flashing patch follows.",
    "A small number of people can have seizures",
    "triggered by such images. Do not watch it",
    "if you have been told to avoid them;",
    "stop if anyone feels unwell.",
)
VIDEO_NAME = "steps_lossless.mp4"


def write_stimulus(
    out: str | os.PathLike[str],
    stimulus: Stimulus,
    *,
    frames: bool = False,
    video: bool = False,
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write ``index.html`` and ``steps.json`` into a folder, and on request pictures and a video; return the paths.

    Parameters
    ----------
    out : path-like
        Made if it does not exist; its parent must.
    stimulus : Stimulus
    frames : bool
        A PNG of each level (``level_000.png`` …), for devices that can only show pictures.
    video : bool
        A lossless MP4 with a caution card first.
    overwrite : bool
    progress : callable, optional
        Told (done, total) frames of the video.

    Raises
    ------
    OutputError, SettingsError
    """
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{show_path(folder)} is a file; give a folder")
    try:
        folder.mkdir(exist_ok=True)
    except OSError as exc:
        raise OutputError(
            f"the folder {show_path(folder)} can't be made ({exc.strerror}); make its parent first"
        ) from None
    names = ["index.html", "steps.json"]
    if frames:
        names += [f"level_{level:03d}.png" for level in stimulus.levels]
    if video:
        names.append(VIDEO_NAME)
    for name in names:
        check_output(folder / name, overwrite=overwrite)
    data = stimulus.as_json()
    movie = None
    if video:
        movie, data["video"] = _movie(stimulus, progress)
    write_bytes(folder / "index.html", page(data).encode(), overwrite=overwrite)
    if frames:
        from blurscope._cv import cv2

        for level in stimulus.levels:
            ok, png = cv2.imencode(".png", picture(stimulus, level))
            if not ok:
                raise OutputError(f"the picture of level {level} can't be encoded; leave out --frames")
            write_bytes(folder / f"level_{level:03d}.png", png.tobytes(), overwrite=overwrite)
    if movie is not None:
        write_bytes(folder / VIDEO_NAME, movie, overwrite=overwrite)
    write_json(folder / "steps.json", data, overwrite=overwrite)
    return [folder / name for name in names]


def page(data: dict[str, Any]) -> str:
    """Return the self-contained page that plays the sequence of a ``blurscope.steps/1`` object."""
    text = json.dumps(to_jsonable(data), separators=(",", ":"), allow_nan=False)
    # Inside a script element only an end tag or a comment could break out.
    text = text.replace("<", "\\u003c")
    return files("blurscope.trace").joinpath("patch.html").read_text(encoding="utf-8").replace("__STEPS_DATA__", text)


def picture(stimulus: Stimulus, level: int) -> np.ndarray:
    """Return the screen at a level: (height, width) uint8, the patch in the middle of black."""
    screen = np.zeros((stimulus.height_px, stimulus.width_px), dtype=np.uint8)
    side = stimulus.patch_px
    top, left = (stimulus.height_px - side) // 2, (stimulus.width_px - side) // 2
    screen[top : top + side, left : left + side] = level
    return screen


def _card(stimulus: Stimulus) -> np.ndarray:
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("L", (stimulus.width_px, stimulus.height_px), 20)
    pen = ImageDraw.Draw(image)
    size = max(10, min(stimulus.width_px // 28, stimulus.height_px // 12))
    font = ImageFont.load_default(size)
    for k, line in enumerate(CAUTION):
        pen.text((stimulus.width_px * 0.08, stimulus.height_px * 0.2 + 1.5 * size * k), line, fill=225, font=font)
    return np.asarray(image)


def _movie(stimulus: Stimulus, progress: Callable[[int, int], None] | None) -> tuple[bytes, dict[str, Any]]:
    """Return a lossless H.264 MP4 (RGB, quality 0) and its index; MP4 keeps frame times exact."""
    av = require_av()
    rate = Fraction(stimulus.refresh_hz).limit_denominator(1001)
    ahead = max(1, round(CAUTION_S * stimulus.refresh_hz))
    store = io.BytesIO()
    pictures = {
        level: np.repeat(picture(stimulus, level)[:, :, None], 3, axis=2) for level in {0, 255, *stimulus.levels}
    }
    card = np.repeat(_card(stimulus)[:, :, None], 3, axis=2)
    total = ahead + stimulus.refreshes
    try:
        with av.open(store, "w", format="mp4") as container:
            stream = container.add_stream(
                "libx264rgb", rate=rate, options={"crf": "0", "preset": "ultrafast", "bf": "0"}
            )
            stream.width, stream.height, stream.pix_fmt = stimulus.width_px, stimulus.height_px, "rgb24"
            stream.time_base = stream.codec_context.time_base = 1 / rate
            n = 0
            stays = [(card, ahead), *[(pictures[s.level], s.refreshes) for s in stimulus.segments]]
            for pixels, refreshes in stays:
                for _ in range(refreshes):
                    frame = av.VideoFrame.from_ndarray(pixels, format="rgb24")
                    frame.pts, frame.time_base = n, 1 / rate
                    container.mux(stream.encode(frame))
                    n += 1
                if progress:
                    progress(n, total)
            container.mux(stream.encode(None))
    except (av.error.FFmpegError, OSError) as exc:
        raise OutputError(f"the video can't be made ({str(exc):.120}); leave out --video") from None
    index = {"file": VIDEO_NAME, "frame_rate": f"{rate.numerator}/{rate.denominator}", "caution_frames": ahead}
    return store.getvalue(), index
