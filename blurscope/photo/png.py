"""PNG headers and completeness (W3C PNG, third edition)."""

from __future__ import annotations

import struct
import zlib

from blurscope.errors import PhotoError
from blurscope.photo.header import Header, broken

MAX_CHUNKS = 200_000
MAX_ICC_BYTES = 4 * 2**20


def read_header(data: bytes, name: str) -> Header:
    """Walk the chunks to IEND; refuse what is animated, indexed, see-through or coarser than 8 bits."""
    if data[12:16] != b"IHDR" or len(data) < 33:
        raise broken(name, "a PNG without its header")
    width, height, bits, colour = struct.unpack(">IIBB", data[16:26])
    if bits < 8 or colour == 3:
        what = "indexed colours" if colour == 3 else f"{bits} bit{'s' * (bits > 1)} per pixel"
        raise PhotoError(f"{name} has only {what}, too few tones to measure; give the camera's own file")
    if bits not in (8, 16) or colour not in (0, 2, 4, 6):
        raise broken(name, "a PNG header that makes no sense")
    exif = icc = b""
    extra: dict = {}
    pos = 8
    for _ in range(MAX_CHUNKS):
        if pos + 12 > len(data):
            raise broken(name, "a PNG without its end")
        size = int.from_bytes(data[pos : pos + 4], "big")
        kind = data[pos + 4 : pos + 8]
        if pos + 12 + size > len(data):
            raise broken(name, "a PNG that ends early")
        body = data[pos + 8 : pos + 8 + size] if size <= MAX_ICC_BYTES and kind != b"IDAT" else b""
        pos += 12 + size
        if kind == b"IEND":
            break
        if kind == b"acTL":
            raise PhotoError(f"{name} is an animated picture; give one still photo")
        if kind == b"tRNS":
            raise PhotoError(f"{name} has a transparent colour; save it without transparency")
        if kind == b"eXIf":
            exif = body
        elif kind == b"iCCP":
            icc = _inflate(body)
        elif kind == b"gAMA" and len(body) == 4:
            extra["gamma"] = int.from_bytes(body, "big") / 100_000
        elif kind == b"sRGB":
            extra["srgb"] = True
        elif kind == b"cICP" and len(body) == 4:
            extra["transfer_code"] = body[1]
        elif kind == b"sBIT" and body:
            extra["significant_bits"] = max(body[: 3 if colour in (2, 6) else 1])
    else:
        raise PhotoError(f"{name} has more than {MAX_CHUNKS} PNG chunks, which no program writes; refused")
    channels = 3 if colour in (2, 6) else 1
    return Header(
        width=width, height=height, channels=channels, bits=bits, alpha=colour >= 4, exif=exif, icc=icc, extra=extra
    )


def _inflate(body: bytes) -> bytes:
    """Return the profile of an iCCP chunk, b"" if it is damaged or larger than a profile is."""
    start = body.find(b"\x00") + 2
    try:
        stream = zlib.decompressobj()
        icc = stream.decompress(body[start:], MAX_ICC_BYTES)
    except zlib.error:
        return b""
    return icc if stream.eof else b""
