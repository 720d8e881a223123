"""Clips and panned videos of the simulated plate."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.camera import Camera, Display, Response, film_clip
from blurscope.camera.truth import transition_truth
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.layout import Layout


@lru_cache(maxsize=4)
def small_plate(direction: str = "right") -> Layout:
    """Three levels on a small screen."""
    return make_layouts(400, 280, px_per_refresh=4, levels=3, direction=direction)[0][0]


def display(response: Response | None = None, **more: Any) -> Display:
    """A display scanned out over most of a refresh."""
    return Display(response=response or Response(time_ms=8.0), **({"scan_out_refreshes": 0.9} | more))


def clip_frames(
    layout: Layout, screen: Display, *, rate: float = 480.0, count: int = 32, share: float = 1.0, **camera: Any
) -> list[np.ndarray]:
    """Frames of a high-speed camera at rest."""
    d = layout.refresh_hz / rate
    settings = {"campx_per_px": 2.5, "margin": 0.03, "exposure_refreshes": share * d, **camera}
    return list(film_clip(layout, screen, Camera(**settings), frame_refreshes=d, count=count))


def write_video(
    path: Path,
    frames: Iterable[np.ndarray],
    rate: float,
    codec: str = "ffv1",
    pix_fmt: str = "gray",
    options: dict[str, str] | None = None,
    times: Iterable[int] | None = None,
) -> Path:
    """Write frames, grey or in colour; ``times`` in units of a frame, for an uneven beat."""
    import av

    ratio = Fraction(rate).limit_denominator(1001)
    frames = list(frames)
    beat = list(times) if times is not None else list(range(len(frames)))
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=ratio, options=options or {})
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = pix_fmt
        for at, codes in zip(beat, frames, strict=True):
            frame = av.VideoFrame.from_ndarray(codes, format="gray" if codes.ndim == 2 else "rgb24")
            if pix_fmt != "gray":
                frame = frame.reformat(format=pix_fmt)
            frame.pts, frame.time_base = at, 1 / ratio
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_camera_video(
    path: Path, frames: Iterable[np.ndarray], rate: float, options: dict[str, str] | None = None, *, full: bool = False
) -> Path:
    """Write H.264 as a camera does: 16-bit frames rounded once, to the 220 codes of the limited range (or to all 256).

    `write_video` rounds codes of 8 bits a second time where the range changes, as software that converts a clip does.
    Frames in colour are written as Rec. ITU-R BT.709 has it, two by two pixels with one pair of colour differences.
    """
    import av

    frames = [f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2] for f in frames]
    low, span = (0, 255) if full else (16, 219)  # Rec. ITU-R BT.709
    kind = "yuvj420p" if full else "yuv420p"
    ratio = Fraction(rate).limit_denominator(1001)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=ratio, options=options or {})
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = kind
        if frames[0].ndim == 3:
            stream.codec_context.colorspace = 1
        for at, codes in enumerate(frames):
            frame = av.VideoFrame(stream.width, stream.height, kind)
            planes = [codes] if codes.ndim == 2 else _differences(codes)
            for number, plane in enumerate(frame.planes):
                rows = np.full((plane.height, plane.line_size), 128, np.uint8)
                if number < len(planes):
                    share = planes[number] / 65535
                    rows[:, : plane.width] = np.rint(
                        low + span * share if number == 0 else 128 + span * 224 / 219 * share
                    )
                plane.update(rows.tobytes())
            frame.pts, frame.time_base = at, 1 / ratio
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _differences(codes: np.ndarray) -> list[np.ndarray]:
    """Return luma and both colour differences of a picture in colour, by BT.709."""
    red, green, blue = np.moveaxis(codes.astype(float), 2, 0)
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    out = [luma]
    for part, scale in ((blue, 1.8556), (red, 1.5748)):
        d = (part - luma) / scale
        out.append((d[::2, ::2] + d[1::2, ::2] + d[::2, 1::2] + d[1::2, 1::2]) / 4)
    return out


def truths(layout: Layout, screen: Display) -> dict[tuple[int, int], dict[str, Any]]:
    """The true figures of every transition."""
    v, hz = layout.px_per_refresh, layout.refresh_hz
    return {(a, b): transition_truth(screen, a, b, v, hz) for a, b in layout.transitions()}
