"""Frames of a video file as one channel of codes, one after the other, never the whole clip at once."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope._av import listening, require_av
from blurscope.errors import PhotoError
from blurscope.files import show_path

STILL_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2", b"avif", b"crx "}
STARTS = (
    b"\x1a\x45\xdf\xa3",  # Matroska, WebM
    b"\x00\x00\x01\xba",  # MPEG program stream
    b"\x00\x00\x01\xb3",  # MPEG video
    b"\x30\x26\xb2\x75\x8e\x66\xcf\x11",  # ASF
    b"FLV\x01",
    b"OggS",
    b"\x06\x0e\x2b\x34",  # MXF
)
BOXES = (b"moov", b"mdat", b"wide", b"free", b"skip")  # QuickTime files older than ftyp
UNEVEN = 0.35  # of the time from frame to frame: how far a frame may lie off an even beat
GAP_OVER = 8  # frames over which their usual distance is taken, so that a coarse clock hardly blurs it
MISSING = 0.6  # of the time from frame to frame: how much later a frame comes if one before it is missing
LEAST_FRAMES = 9  # of a stretch: two refreshes of three frames, and three at its ends; shorter ones are an uneven beat
MAX_MEGAPIXELS = 80.0
# Decoders that mark every frame they had to patch up; of the others what they say counts.
MARKING = ("h264", "mpeg1video", "mpeg2video", "mpeg4", "prores")
# Said of sound files too: of what is told beside the pictures, or where a clip was cut out of a longer one.
HARMLESS = re.compile(
    r"\b(APP|SEI|VPS|VUI|ICC|Exif|XMP|COM|comment|A/?53|DOVI|Dolby|HDR10|timecode|time ?stamp)\b", re.I
)
PATCHED = re.compile(r"undecodable NALU|CRC mismatch", re.I)  # warnings that are faults
BT601, BT709 = (0.299, 0.587, 0.114), (0.2126, 0.7152, 0.0722)  # red, green, blue in luma, by Recs. of those numbers
HD_ROWS = 720  # from which a video that doesn't say so has the luma of BT.709
LIMITED = (16.0, 219.0)  # black and span of 8-bit luma in the limited range, Rec. ITU-R BT.709


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One frame.

    Attributes
    ----------
    index : int
        From 0.
    time_s : float
        By the file's clock, from the first frame.
    codes : (h, w) uint8 or uint16
        One channel: luma over the full range; the file's rows and columns, nothing turned.
    key : bool
        Whether it can be decoded without the frames before it.
    damage : str
        What the decoder had to say against it or a frame close to it; empty for a sound one.
    colours : (h, w, 3) uint8, or None
        Red, green and blue, where they are asked for and the video has them.
    weights : (float, float, float)
        Of red, green and blue in the luma.
    """

    index: int
    time_s: float
    codes: np.ndarray
    key: bool = True
    damage: str = ""
    colours: np.ndarray | None = None
    weights: tuple[float, float, float] = BT601


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clip:
    """What a video file says of itself.

    Attributes
    ----------
    path : str
    width_campx, height_campx : int
    first : int
        Frame of the file with which the clip starts.
    count : int
        Frames.
    rate_hz : float or None
        Frames per second by the file's clock; None where it has none.
    even : bool
        Whether the frames follow each other evenly.
    bit_depth : int
    codec : str
    stretches : tuple of (int, int)
        First frame and count of the pieces between which frames are missing, by the file's clock; one if none is.
    stored : int
        Frames in the file.
    coded_bytes : int
        Their size in the file.
    """

    path: str
    width_campx: int
    height_campx: int
    count: int
    rate_hz: float | None
    even: bool
    bit_depth: int
    codec: str
    stretches: tuple[tuple[int, int], ...] = ()
    stored: int = 0
    coded_bytes: int = 0
    first: int = 0

    @property
    def bits_per_pixel(self) -> float:
        """Size of the coded frames over all their pixels."""
        return 8.0 * self.coded_bytes / max(self.stored * self.width_campx * self.height_campx, 1)

    def longest_stretch(self) -> Clip:
        """Return the longest piece without a missing frame, as a clip of its own."""
        if len(self.stretches) < 2:
            return self
        first, count = max(self.stretches, key=lambda s: s[1])
        return replace(self, first=first, count=count, stretches=(), even=True)

    def frames(
        self, first: int = 0, last: int | None = None, *, damaged: bool = False, colours: Collection[int] = ()
    ) -> Iterator[Frame]:
        """Yield the frames from ``first`` to before ``last``.

        Parameters
        ----------
        first, last : int
        damaged : bool
            Yield frames that the decoder has patched up, too; their ``damage`` says so.
        colours : collection of int
            Frames of which the colours are wanted as well.

        Raises
        ------
        PhotoError
            A frame can't be decoded, or, unless ``damaged``, its decoder says that it had to be patched up.
        """
        av = require_av()
        end = self.count if last is None else min(last, self.count)
        name = show_path(self.path)
        index = -self.first
        try:
            with listening():
                container = av.open(self.path, metadata_errors="replace")
            with container:
                start = None
                for picture, damage in _decoded(container):
                    if damage and not damaged:
                        raise PhotoError(
                            f"{name} is damaged near frame {index + self.first} ({damage}); copy it from the camera "
                            "again"
                        )
                    if index >= 0 and picture.pts is not None and start is None:
                        start = picture.pts
                    if index >= end:
                        return
                    if index >= max(first, 0):
                        seconds = float((picture.pts - start) * picture.time_base) if picture.pts is not None else 0.0
                        codes, key = _codes(picture, name), bool(picture.key_frame)
                        if codes.shape != (self.height_campx, self.width_campx):
                            raise PhotoError(
                                f"frame {index + self.first} of {name} is of another size than the first: the clip was "
                                "put together of several, or is damaged; copy it from the camera again"
                            )
                        more = _colours(picture) if index in colours else {}
                        yield Frame(index=index, time_s=seconds, codes=codes, key=key, damage=damage, **more)
                    index += 1
        except (av.error.FFmpegError, ValueError, OSError, MemoryError) as exc:
            raise PhotoError(
                f"{name} is damaged at frame {index + self.first} ({_short(exc)}); copy it from the camera again"
            ) from None
        if index < end:
            raise PhotoError(
                f"{name} holds {index + self.first} of {self.stored} frames that can be decoded; copy it from the "
                "camera again"
            )


def _decoded(container: Any) -> Iterator[tuple[Any, str]]:
    """Yield the frames of the first video, each with what its decoder said against it."""
    stream = container.streams.video[0]
    coder = _in_one_thread(stream.codec_context)
    pictures = container.decode(stream)
    while True:
        with listening() as heard:
            picture = next(pictures, None)
        if picture is None:
            return
        yield picture, _damage(heard, coder.name, bool(picture.is_corrupt))


def _in_one_thread(coder: Any) -> Any:
    """Return a decoder that works in the caller's thread; what one says in a thread of its own isn't heard."""
    coder.thread_type, coder.thread_count = "NONE", 1
    return coder


def _damage(heard: list[tuple[int, str, str]], coder: str, marked: bool) -> str:
    """Return what a decoder said that means damage to the frame it was at; empty if nothing does."""
    error = require_av().logging.ERROR
    said = [
        show_path(" ".join(text.split()))[:80]
        for level, who, text in heard
        if who == coder and (level <= error or PATCHED.search(text)) and not HARMLESS.search(text)
    ]
    if marked or (said and coder not in MARKING):
        return f"its decoder says: {said[0]}" if said else "its decoder had to make up a part of it"
    return ""


def is_video(path: str | os.PathLike[str]) -> bool:
    """Say whether a file is a video, by its first bytes; a file that can't be read is none."""
    try:
        if not os.path.isfile(path):  # a pipe would be waited for
            return False
        with open(path, "rb") as stream:
            data = stream.read(512)
    except (OSError, ValueError):
        return False
    if data.startswith(STARTS) or (data[:4] == b"RIFF" and data[8:12] == b"AVI "):
        return True
    if data[:1] == b"\x47" and data[188:189] == b"\x47" and data[376:377] == b"\x47":  # MPEG transport stream
        return True
    if data[4:8] == b"ftyp":
        return data[8:12] not in STILL_BRANDS and data[8:12] not in (b"avis", b"msf1", b"hevc", b"hevx")
    return data[4:8] in BOXES


def open_clip(path: str | os.PathLike[str]) -> Clip:
    """Look at a video file: its size, its frames, their beat. Nothing is decoded but the first frame.

    Raises
    ------
    PhotoError
        No video, damaged, cut short, interlaced, or too large.
    SettingsError
        PyAV isn't installed.
    """
    av = require_av()
    name = show_path(path)
    if not os.path.isfile(path):
        raise PhotoError(f"{name} does not exist; check the path")
    try:
        with listening(), av.open(os.fspath(path), metadata_errors="replace") as container:
            if not container.streams.video:
                raise PhotoError(f"{name} has no pictures in it; give a video")
            stream = container.streams.video[0]
            if stream.codec_context is None:
                raise PhotoError(f"{name} is in a coding that can't be decoded here; convert it to H.264")
            _in_one_thread(stream.codec_context)
            width, height = stream.codec_context.width, stream.codec_context.height
            if width * height > MAX_MEGAPIXELS * 1e6 or min(width, height) < 16:
                raise PhotoError(f"{name} has frames of {width} x {height}, which is no clip of a display")
            picture = next(container.decode(stream), None)
            if picture is None:
                raise PhotoError(f"{name} holds no frame that can be decoded; copy it from the camera again")
            if getattr(picture, "interlaced_frame", False):
                raise PhotoError(f"{name} is interlaced, so each frame mixes two times; film progressively")
            depth = picture.format.components[0].bits
            stated = container.duration / 1e6 if container.duration else None
            codec = stream.codec_context.name
        with listening(), av.open(os.fspath(path), metadata_errors="replace") as container:
            stream = container.streams.video[0]
            shown = [  # a clip trimmed on a phone keeps what comes before its start, to be decoded but not shown
                (p.pts if p.pts is not None else p.dts, p.size)
                for p in container.demux(stream)
                if p.size and not p.is_discard
            ]
            times, coded = [t for t, _ in shown], sum(size for _, size in shown)
            count, base = len(times), stream.time_base
            rate = stream.average_rate or stream.guessed_rate
    except (av.error.FFmpegError, ValueError, OSError, MemoryError) as exc:
        raise PhotoError(f"{name} can't be read as a video ({_short(exc)}); copy it from the camera again") from None
    if any(t is None for t in times) or base is None:
        return Clip(path=os.fspath(path), width_campx=width, height_campx=height, count=count, codec=codec,
                    rate_hz=float(rate) if rate else None, even=True, bit_depth=depth, stored=count,
                    coded_bytes=coded)  # fmt: skip
    at = np.sort(np.array(times, float)) * float(base)
    stretches = _stretches(at, float(base))
    first, run = max(stretches, key=lambda s: s[1])
    measured, even = _beat(at[first : first + run], float(base), float(rate) if rate else None)
    if stated and count > 2 and measured and at[-1] - at[0] < 0.95 * stated - 3 / measured:
        raise PhotoError(
            f"{name} is cut short: {at[-1] - at[0]:.2f} s of pictures where its header says {stated:.2f} s; copy it "
            "from the camera again"
        )
    return Clip(path=os.fspath(path), width_campx=width, height_campx=height, count=count, codec=codec,
                rate_hz=measured, even=even and len(stretches) == 1, bit_depth=depth, stored=count, coded_bytes=coded,
                stretches=stretches if even and run >= LEAST_FRAMES else ())  # fmt: skip


def _short(exc: BaseException) -> str:
    return show_path(str(getattr(exc, "strerror", None) or exc))[:80]


def _stretches(at: np.ndarray, tick: float) -> tuple[tuple[int, int], ...]:
    """Return first frame and count of the pieces between which frames are missing, by the times of the frames."""
    count = len(at)
    far = min(GAP_OVER, count - 1)
    if far < 1:
        return ((0, count),)
    gap = float(np.median(at[far:] - at[:-far])) / far
    late = np.diff(at) - gap
    if gap <= 0:
        return ((0, count),)
    starts = [0, *(np.nonzero(late > max(MISSING * gap, 1.1 * tick))[0] + 1).tolist(), count]
    return tuple((a, b - a) for a, b in zip(starts[:-1], starts[1:], strict=True))


def _beat(at: np.ndarray, tick: float, stated: float | None) -> tuple[float | None, bool]:
    """Return frames per second and whether they are even, by the times of the frames."""
    if len(at) < 2 or at[-1] <= at[0]:
        return stated, True
    gap = (at[-1] - at[0]) / (len(at) - 1)
    off = at - at[0] - gap * np.arange(len(at))
    even = float(np.abs(off - np.median(off)).max()) <= max(UNEVEN * gap, 1.5 * tick)
    rate = 1 / gap
    # coarse ticks blur the spacing: the header's ratio counts where it agrees
    if stated and abs(rate / stated - 1) < max(2 * tick / (at[-1] - at[0]), 1e-3):
        rate = stated
    return rate, bool(even)


def _codes(picture: Any, name: str) -> np.ndarray:
    """Return the luma of a frame over the full range of uint8 or uint16."""
    kind, part = picture.format.name, picture.format.components[0]
    bits = part.bits
    grey = kind.startswith("gray")
    if kind.startswith(("yuv", "nv12", "nv21", "nv16")) or grey:
        if kind.endswith("be"):
            picture, kind = picture.reformat(format=kind[:-2] + "le"), kind[:-2] + "le"
        plane = picture.planes[0]
        sample = np.uint16 if bits > 8 else np.uint8
        rows = np.frombuffer(plane, np.uint8, plane.line_size * picture.height).reshape(picture.height, -1)
        codes = rows[:, : picture.width * sample().itemsize].copy().view(sample)
        full = grey or kind.startswith("yuvj") or int(picture.color_range or 0) == 2
        if full and bits == 8:
            return codes
        scale = 2 ** (bits - 8)
        low, span = (0.0, 2.0**bits - 1) if full else (LIMITED[0] * scale, LIMITED[1] * scale)
        table = (np.clip((np.arange(2**bits) - low) / span, 0, 1) * 65535 + 0.5).astype(np.uint16)
        return table[np.minimum(codes, 2**bits - 1)]
    deep = bits > 8
    rgb = picture.to_ndarray(format="rgb48le" if deep else "rgb24")
    luma = rgb @ np.array(BT601, np.float32)
    return (luma * (1 if deep else 257) + 0.5).astype(np.uint16)


def _colours(picture: Any) -> dict[str, Any]:
    """Return the colours of a frame and what its luma makes of them; nothing where it has none."""
    kind, stated = picture.format.name, int(picture.colorspace or 0)
    if kind.startswith(("gray", "mono")):
        return {}
    luma = kind.startswith(("yuv", "nv"))
    modern = luma and (stated == 1 or (stated not in (4, 5, 6, 7) and picture.height >= HD_ROWS))
    return {"colours": picture.to_ndarray(format="rgb24"), "weights": BT709 if modern else BT601}
