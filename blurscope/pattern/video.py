"""The plate as video files: one lossless, one that plays on devices; a caution card comes first in both."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._av import require_av
from blurscope.errors import OutputError
from blurscope.pattern.layout import Layout
from blurscope.pattern.render import FrameMaker

SCHEMA = "blurscope.video/1"
CAUTION_S = 6.0
LOSSLESS_NAME = "plate_lossless.mp4"
DEVICE_NAME = "plate_h264.mp4"
CAUTION = (
    "Caution: moving and flashing patterns follow",
    "This test shows moving high-contrast patterns and flashing patches. A small number of people can have seizures "
    "triggered by such images. Do not run it if you or people nearby have been told to avoid them; stop if anyone "
    "feels unwell.",
    "Thresholds followed: general flashes of WCAG 2.x, success criterion 2.3.1. This is not a safety certification.",
)


def frame_rate(refresh_hz: float) -> Fraction:
    """Return the refresh rate as the exact ratio that a video carries (59.94 becomes 60000/1001)."""
    whole = round(refresh_hz)
    if abs(refresh_hz - whole * 1000 / 1001) < 0.006 and abs(refresh_hz - whole) > 0.006:
        return Fraction(whole * 1000, 1001)
    return Fraction(refresh_hz).limit_denominator(1001)


def caution_card(width_px: int, height_px: int) -> np.ndarray:
    """Return the caution as a still grey picture: (height, width) uint8."""
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("L", (width_px, height_px), 22)
    pen = ImageDraw.Draw(image)
    size = max(11, min(width_px // 34, height_px // 16))
    left, room = round(0.1 * width_px), round(0.8 * width_px)

    def lines_at(points: int) -> list[tuple[str, Any, int]]:
        out = []
        for k, text in enumerate(CAUTION):
            font = ImageFont.load_default(round(points * (1.35 if k == 0 else 1)))
            line = ""
            for word in text.split():
                if line and pen.textlength(f"{line} {word}", font=font) > room:
                    out.append((line, font, 0))
                    line = word
                else:
                    line = f"{line} {word}".strip()
            out.append((line, font, round(0.7 * points)))
        return out

    lines = lines_at(size)
    while size > 8 and sum(1.45 * font.size + gap for _, font, gap in lines) > 0.86 * height_px:
        size -= 1
        lines = lines_at(size)
    row = (height_px - sum(1.45 * font.size + gap for _, font, gap in lines)) / 2
    for k, (text, font, gap) in enumerate(lines):
        pen.text((left, round(row)), text, fill=236 if k == 0 else 204, font=font)
        row += 1.45 * font.size + gap
    return np.asarray(image)


def write_videos(
    folder: Path, layout: Layout, *, refreshes: int | None = None, say: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Write both videos into ``folder`` and return their index (``video.json``).

    Parameters
    ----------
    folder : path
        Must exist; the files are written in place (call it on a staging folder).
    layout : Layout
    refreshes : int, optional
        How many refreshes follow the caution; by default one full loop, so that a repeated video stays in step.
    say : callable, optional
        Told about the progress.

    Notes
    -----
    Both are MP4, whose time base holds every frame time exactly. The lossless file is RGB H.264 at quality 0; the
    other is 8-bit 4:2:0 in the limited range, which the display's own decoder turns back into codes to within one or
    two steps.
    """
    av = require_av()
    rate = frame_rate(layout.refresh_hz)
    count = refreshes or layout.loop_refreshes
    caution_frames = max(1, round(CAUTION_S * layout.refresh_hz))
    height, width = layout.height_px, layout.width_px
    padded = (height + height % 2, width + width % 2)
    luma = np.floor(16 + np.arange(256) * 219 / 255 + 0.5).astype(np.uint8)

    def as_rgb(codes: np.ndarray) -> Any:
        return av.VideoFrame.from_ndarray(np.repeat(codes[:, :, None], 3, axis=2), format="rgb24")

    def as_yuv(codes: np.ndarray) -> Any:
        planes = np.full((padded[0] * 3 // 2, padded[1]), 128, np.uint8)
        planes[: padded[0]] = 16
        planes[:height, :width] = luma[codes]
        return av.VideoFrame.from_ndarray(planes, format="yuv420p")

    plain = {"bf": "0"}
    kinds = (
        (LOSSLESS_NAME, "libx264rgb", "rgb24", (height, width), as_rgb, {"crf": "0", "preset": "ultrafast", **plain}),
        (DEVICE_NAME, "libx264", "yuv420p", padded, as_yuv, {"crf": "12", "preset": "veryfast", **plain}),
    )
    for name, codec, pix_fmt, (rows, columns), convert, options in kinds:
        frames = _all_frames(layout, caution_frames, count)
        try:
            with av.open(str(folder / name), "w", options={"movflags": "+faststart"}) as container:
                stream = container.add_stream(codec, rate=rate, options=options)
                stream.width, stream.height, stream.pix_fmt = columns, rows, pix_fmt
                stream.time_base = stream.codec_context.time_base = 1 / rate
                if pix_fmt == "yuv420p":
                    stream.codec_context.color_range = 1  # limited; matrix, primaries and curve of BT.709
                    stream.codec_context.colorspace = stream.codec_context.color_primaries = 1
                    stream.codec_context.color_trc = 1
                for n, codes in enumerate(frames):
                    frame = convert(codes)
                    frame.pts, frame.time_base = n, 1 / rate
                    container.mux(stream.encode(frame))
                    if say:
                        say(f"{name}: frame {n + 1} of {caution_frames + count}")
                container.mux(stream.encode(None))
        except (av.error.FFmpegError, OSError) as exc:
            raise OutputError(f"the video {name} can't be written ({str(exc):.120}); make it without --video") from None
    return {
        "schema": SCHEMA,
        "frame_rate": f"{rate.numerator}/{rate.denominator}",
        "refresh_hz": layout.refresh_hz,
        "width_px": width,
        "height_px": height,
        "px_per_refresh": layout.px_per_refresh,
        "caution_frames": caution_frames,
        "caution_s": float(caution_frames / rate),
        "offset_frames": caution_frames,
        "first_refresh": 0,
        "refreshes": count,
        "files": [
            {"path": name, "codec": codec, "pix_fmt": pix_fmt, "lossless": name == LOSSLESS_NAME,
             "width_px": columns, "height_px": rows}
            for name, codec, pix_fmt, (rows, columns), _, _ in kinds
        ],
    }  # fmt: skip


def _all_frames(layout: Layout, caution_frames: int, count: int) -> Iterator[np.ndarray]:
    card = caution_card(layout.width_px, layout.height_px)
    for _ in range(caution_frames):
        yield card
    maker = FrameMaker(layout)
    for n in range(count):
        yield maker.draw(n)
