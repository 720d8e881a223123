"""Tone curve and name from an ICC profile (ICC.1, ISO 15076-1)."""

from __future__ import annotations

import struct

import numpy as np

from blurscope.photo import tone
from blurscope.photo.tone import Tone

_PARAM_COUNT = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}


def read_profile(icc: bytes) -> tuple[Tone | None, str]:
    """Return the tone curve and the description of a profile; None and ``""`` for what can't be made out.

    Notes
    -----
    Matrix and grey profiles have a curve per channel (green's is taken); profiles of look-up tables have none.
    """
    tags = _tags(icc)
    curve = None
    for name in (b"kTRC", b"gTRC"):
        if name in tags:
            curve = _curve(tags[name])
            break
    return curve, _description(tags.get(b"desc", b""))


def _tags(icc: bytes) -> dict[bytes, bytes]:
    if len(icc) < 132:
        return {}
    count = min(struct.unpack_from(">I", icc, 128)[0], 100)
    tags: dict[bytes, bytes] = {}
    for i in range(count):
        at = 132 + 12 * i
        if at + 12 > len(icc):
            break
        name, offset, size = struct.unpack_from(">4sII", icc, at)
        tags[name] = icc[offset : offset + size]
    return tags


def _curve(body: bytes) -> Tone | None:
    if len(body) < 12:
        return None
    if body[:4] == b"curv":
        count = struct.unpack_from(">I", body, 8)[0]
        if count == 0:
            return tone.linear("icc")
        if 12 + 2 * count > len(body):
            return None
        values = np.frombuffer(body, ">u2", count, 12)
        if count == 1:
            gamma = float(values[0]) / 256
            return tone.power(gamma, "icc") if 0.2 <= gamma <= 5 else None
        return tone.tabulated(values / 65535.0, "icc")
    if body[:4] == b"para":
        kind = struct.unpack_from(">H", body, 8)[0]
        count = _PARAM_COUNT.get(kind)
        if count is None or 12 + 4 * count > len(body):
            return None
        p = [v / 65536 for v in struct.unpack_from(f">{count}i", body, 12)]
        g, a, b, c, d, e, f = {
            0: lambda: (p[0], 1, 0, 0, 0, 0, 0),
            1: lambda: (p[0], p[1], p[2], 0, -p[2] / p[1] if p[1] else 0, 0, 0),
            2: lambda: (p[0], p[1], p[2], 0, -p[2] / p[1] if p[1] else 0, p[3], p[3]),
            3: lambda: (*p, 0, 0),
            4: lambda: tuple(p),
        }[kind]()
        if not 0.2 <= g <= 5 or abs(a) > 10 or abs(b) > 10:
            return None
        return tone.parametric((g, a, b, c, d, e, f), "icc")
    return None


def _description(body: bytes) -> str:
    if body[:4] == b"desc" and len(body) >= 12:
        size = struct.unpack_from(">I", body, 8)[0]
        text = body[12 : 12 + min(size, 200)].split(b"\x00")[0].decode("ascii", "replace")
    elif body[:4] == b"mluc" and len(body) >= 28:
        size, offset = struct.unpack_from(">II", body, 20)
        text = body[offset : offset + min(size, 400)].decode("utf-16-be", "replace")
    else:
        return ""
    return "".join(c for c in text if c.isprintable())[:60].strip()
