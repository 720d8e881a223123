"""HEIC and AVIF: all bits kept, turned as the container says."""

from __future__ import annotations

import io

import numpy as np

from blurscope.errors import PhotoError
from blurscope.photo.boxes import read_primary_item
from blurscope.photo.exif import Exif, read_exif
from blurscope.photo.header import Header, broken
from blurscope.photo.opencv import imdecode


def read_heic(data: bytes, name: str, check_size) -> tuple[Header, Exif, np.ndarray]:
    """Decode a HEIC with all its bits; the library turns it as the container says (EXIF does not count there)."""
    try:
        import pillow_heif
    except ImportError:
        raise PhotoError(f"{name} is a HEIC, and reading it needs pillow-heif; run 'pip install pillow-heif'") from None
    item = read_primary_item(data)
    if item.width:
        check_size(item.width, item.height)
    try:
        file = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False, hdr_to_16bit=False)
        check_size(*file.size)
        bits = int(file.info.get("bit_depth") or 8)
        pixels = np.asarray(file)
    except (ValueError, EOFError, SyntaxError, RuntimeError, OSError, LookupError, TypeError) as exc:
        raise broken(name, f"a HEIC that can't be decoded: {type(exc).__name__}") from None
    alpha = file.has_alpha
    if pixels.ndim == 3 and pixels.shape[2] <= 2:
        pixels = pixels[:, :, 0] if pixels.shape[2] == 1 else pixels
    channels = 1 if pixels.ndim == 2 or pixels.shape[2] == 2 else 3
    profile = file.info.get("icc_profile") or b""
    nclx = file.info.get("nclx_profile") or {}
    extra = {"turned": item.orientation, "transfer_code": int(nclx.get("transfer_characteristics", 2))}
    header = Header(
        width=pixels.shape[1],
        height=pixels.shape[0],
        channels=channels,
        bits=bits,
        alpha=alpha,
        icc=profile,
        orientation=1,
        extra=extra,
    )
    block = file.info.get("exif") or b""
    return header, read_exif(block[6:] if block.startswith(b"Exif\x00\x00") else block), pixels


def read_avif(data: bytes, name: str, check_size) -> tuple[Header, Exif, np.ndarray]:
    """Decode an AVIF with all its bits; it still has to be turned as its header says."""
    from blurscope._cv import cv2

    item = read_primary_item(data)
    check_size(item.width, item.height)
    pixels = imdecode(data, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None or pixels.shape[:2] != (item.height, item.width):
        raise broken(name, "an AVIF that can't be decoded")
    alpha = pixels.ndim == 3 and pixels.shape[2] == 4
    if pixels.ndim == 3:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGBA if alpha else cv2.COLOR_BGR2RGB)
    header = Header(
        width=item.width,
        height=item.height,
        channels=1 if pixels.ndim == 2 else 3,
        bits=item.bits if pixels.dtype == np.uint16 else 8,
        alpha=alpha,
        icc=item.icc,
        orientation=item.orientation,
        extra={} if item.transfer_code is None else {"transfer_code": item.transfer_code},
    )
    return header, read_exif(item.exif), pixels
