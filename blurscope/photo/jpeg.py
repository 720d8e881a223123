"""JPEG headers and completeness (ITU-T T.81)."""

from __future__ import annotations

import re

import numpy as np

from blurscope.errors import PhotoError
from blurscope.photo.header import Header, broken

MAX_SCANS = 100
_FRAME_MARKERS = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
# places of the coefficients in the order of the file, from left to right, then down (T.81, figure A.6)
_ZIGZAG = np.array(
    sorted(range(64), key=lambda k: (k // 8 + k % 8, k // 8 if (k // 8 + k % 8) % 2 else k % 8)), dtype=np.intp
)
_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL)  # one that ends a scan's data


def read_header(data: bytes, name: str) -> Header:
    """Walk the segments to the first scan, and look whether the end-of-image marker is there.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file's name, for refusals.

    Notes
    -----
    A scan's data hold no such marker by chance (T.81, B.1.1.5), but what comes before and after may: the decoder,
    which refuses a picture that stops early, has the last word.
    """
    pos, frame = 2, None
    exif, icc_parts = b"", {}
    while True:
        if pos + 2 > len(data):
            raise broken(name, "a JPEG without its end")
        if data[pos] != 0xFF:
            raise broken(name, f"no JPEG marker at byte {pos}")
        marker = data[pos + 1]
        if marker == 0xFF:
            pos += 1
            continue
        if marker == 0xD9:
            break
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            pos += 2
            continue
        size = int.from_bytes(data[pos + 2 : pos + 4], "big")
        if size < 2 or pos + 2 + size > len(data):
            raise broken(name, "a JPEG segment runs past the end of the file")
        body = data[pos + 4 : pos + 2 + size]
        pos += 2 + size
        if marker in _FRAME_MARKERS:
            if frame is not None:
                raise broken(name, "two frame headers in one JPEG")
            if len(body) < 6:
                raise broken(name, "a short JPEG frame header")
            frame = (marker, body)
            _check_frame(frame, name)
        elif marker == 0xE1 and body.startswith(b"Exif\x00\x00") and not exif:
            exif = body[6:]
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00") and len(body) > 14:
            icc_parts[body[12]] = body[14:]
        elif marker == 0xDA:
            break
    if frame is None or marker != 0xDA:
        raise broken(name, "a JPEG without a picture in it")
    if data.rfind(b"\xff\xd9") < pos:
        raise broken(name, "a JPEG without its end")
    several = frame[0] == 0xC2 or body[:1] != frame[1][5:6]
    if several and data.count(b"\xff\xda", pos) > MAX_SCANS and _count_scans(data, pos) > MAX_SCANS:
        raise PhotoError(f"{name} has more than {MAX_SCANS} JPEG scans, which no camera writes; refused")
    body = frame[1]
    return Header(
        width=int.from_bytes(body[3:5], "big"),
        height=int.from_bytes(body[1:3], "big"),
        channels=body[5],
        bits=body[0],
        exif=exif,
        icc=b"".join(icc_parts[k] for k in sorted(icc_parts)),
    )


def coded_units(data: bytes) -> tuple[tuple[int, int], np.ndarray]:
    """Return width and height of a coded unit in pixels, and the steps of the brightness's coefficients, (8, 8).

    Coefficients of the orthonormal transform of a block, codes; from top to bottom, then from left to right; 0 where
    the file doesn't say. Of a file that `read_header` has accepted.
    """
    pos, steps, block = 2, np.zeros(64), (8, 8)
    while data[pos + 1] != 0xDA:
        marker = data[pos + 1]
        if marker == 0xFF or marker == 0x01 or 0xD0 <= marker <= 0xD8:
            pos += 1 if marker == 0xFF else 2
            continue
        size = int.from_bytes(data[pos + 2 : pos + 4], "big")
        body = data[pos + 4 : pos + 2 + size]
        pos += 2 + size
        if marker == 0xDB:
            while body:
                wide = 1 + (body[0] >> 4 > 0)  # bytes per number
                if body[0] & 15 == 0 and len(body) > 64 * wide:
                    steps[_ZIGZAG] = np.frombuffer(body[1 : 1 + 64 * wide], ">u2" if wide > 1 else "u1")
                body = body[1 + 64 * wide :]
        elif marker in _FRAME_MARKERS and body[5] > 1:
            factors = body[7 : 6 + 3 * body[5] : 3]
            block = 8 * max(f >> 4 for f in factors), 8 * max(f & 15 for f in factors)
    return block, steps.reshape(8, 8)


def ends_in_padding(data: bytes) -> bool:
    """Whether filling of zeros or ones lies before the end-of-image marker, as some cameras write it: no damage."""
    end = data.rfind(b"\xff\xd9")
    return end >= 2 and data[end - 2 : end] in (b"\x00\x00", b"\xff\xff")


def _count_scans(data: bytes, pos: int) -> int:
    """Count the scans of the picture whose first scan's data start at ``pos``."""
    scans = 1
    while (found := _MARKER.search(data, pos)) is not None and scans <= MAX_SCANS:
        pos = found.end()
        if found.group()[1] == 0xD9:
            break
        scans += found.group()[1] == 0xDA
        pos += int.from_bytes(data[pos : pos + 2], "big")
    return scans


def _check_frame(frame: tuple[int, bytes], name: str) -> None:
    marker, body = frame
    if body[0] != 8:
        raise PhotoError(f"{name} is a JPEG of {body[0]} bits per channel, which can't be read; save it as 16-bit TIFF")
    if body[5] == 4:
        raise PhotoError(f"{name} is a CMYK picture made for print; give the camera's own RGB file")
    if body[5] not in (1, 3):
        raise PhotoError(f"{name} is a JPEG of {body[5]} channels, which is no photo; give the camera's own file")
    if marker not in (0xC0, 0xC1, 0xC2):
        raise PhotoError(f"{name} is a JPEG of an uncommon kind (frame type {marker:#x}); save it as PNG or TIFF")
