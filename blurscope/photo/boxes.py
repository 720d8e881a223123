"""The item boxes of HEIF and AVIF, as far as a photo's header goes (ISO/IEC 23008-12, ISO/IEC 14496-12)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

MAX_BOXES = 4096


@dataclass(slots=True, kw_only=True)
class Item:
    """What is known of the primary item.

    Attributes
    ----------
    width, height : int
        From ``ispe``; 0 where it is missing.
    bits : int
        From ``pixi`` or ``av1C``; 8 where both are missing.
    orientation : int
        The EXIF orientation that ``irot`` and ``imir`` amount to.
    transfer_code : int or None
        From ``colr`` nclx (ITU-T H.273).
    icc, exif : bytes
    alpha : bool
        Whether an auxiliary picture of opacity is there.
    """

    width: int = 0
    height: int = 0
    bits: int = 8
    orientation: int = 1
    transfer_code: int | None = None
    icc: bytes = b""
    exif: bytes = b""
    alpha: bool = False
    turns: list[tuple[str, int]] = field(default_factory=list)


def _number(data: bytes, at: int, size: int) -> int:
    return int.from_bytes(data[at : at + size], "big")


def _walk(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield type, start and end of the body of each box between two bytes."""
    for _ in range(MAX_BOXES):
        if start + 8 > end:
            return
        size, head = _number(data, start, 4), 8
        if size == 1:
            size, head = _number(data, start + 8, 8), 16
        elif size == 0:
            size = end - start
        if size < head or start + size > end:
            return
        yield data[start + 4 : start + 8], start + head, start + size
        start += size


def _find(data: bytes, start: int, end: int, kind: bytes) -> tuple[int, int] | None:
    for found, a, b in _walk(data, start, end):
        if found == kind:
            return a, b
    return None


def read_primary_item(data: bytes) -> Item:
    """Return what the boxes say of the primary item; what is damaged or missing stays at its default."""
    item = Item()
    meta = _find(data, 0, len(data), b"meta")
    if meta is None:
        return item
    start, end = meta[0] + 4, meta[1]
    parts = {kind: (a, b) for kind, a, b in _walk(data, start, end)}
    if b"iprp" not in parts:
        return item
    properties = _find(data, *parts[b"iprp"], b"ipco")
    if properties is None:
        return item
    listed = list(_walk(data, *properties))
    item.alpha = any(kind == b"auxC" and b"alpha" in data[a:b] for kind, a, b in listed)
    primary = _primary_id(data, parts.get(b"pitm"))
    wanted = _associations(data, parts[b"iprp"], primary)
    for index in wanted:
        if 1 <= index <= len(listed):
            _apply(item, data, *listed[index - 1])
    item.orientation = _orientation(item.turns)
    item.exif = _exif(data, parts)
    return item


def _primary_id(data: bytes, span: tuple[int, int] | None) -> int:
    if span is None:
        return 1
    start = span[0]
    return _number(data, start + 4, 2 if data[start : start + 1] == b"\x00" else 4)


def _associations(data: bytes, iprp: tuple[int, int], item_id: int) -> list[int]:
    """Return the property numbers of an item, in order."""
    span = _find(data, *iprp, b"ipma")
    if span is None:
        return []
    at, end = span
    version, wide = data[at] if at < end else 0, bool(_number(data, at + 1, 3) & 1)
    count = min(_number(data, at + 4, 4), MAX_BOXES)
    at += 8
    id_size = 2 if version < 1 else 4
    for _ in range(count):
        if at + id_size + 1 > end:
            break
        this, number = _number(data, at, id_size), _number(data, at + id_size, 1)
        at += id_size + 1
        size = 2 if wide else 1
        if this == item_id:
            mask = 0x7FFF if wide else 0x7F
            return [_number(data, at + i * size, size) & mask for i in range(number)]
        at += number * size
    return []


def _apply(item: Item, data: bytes, kind: bytes, a: int, b: int) -> None:
    body = data[a : min(b, a + (4 << 20))]
    if kind == b"ispe" and len(body) >= 12:
        item.width, item.height = _number(body, 4, 4), _number(body, 8, 4)
    elif kind == b"pixi" and len(body) >= 6:
        item.bits = body[5]
    elif kind == b"av1C" and len(body) >= 3:
        high, twelve = body[2] & 0x40, body[2] & 0x20
        item.bits = max(item.bits, 12 if high and twelve else 10 if high else 8)
    elif kind == b"irot" and body:
        item.turns.append(("rotate", body[0] & 3))
    elif kind == b"imir" and body:
        item.turns.append(("mirror", body[0] & 1))
    elif kind == b"colr":
        if body[:4] in (b"prof", b"rICC"):
            item.icc = body[4:]
        elif body[:4] == b"nclx" and len(body) >= 8:
            item.transfer_code = _number(body, 6, 2)


def _orientation(turns: list[tuple[str, int]]) -> int:
    """Return the EXIF orientation of quarter turns anticlockwise and mirrorings, applied in order.

    Each is a signed permutation of the axes: follow where right and down go.
    """
    right, down = (1, 0), (0, 1)

    def move(v: tuple[int, int], what: str, value: int) -> tuple[int, int]:
        x, y = v
        if what == "mirror":  # 0: top and bottom change places; 1: left and right
            return (x, -y) if value == 0 else (-x, y)
        for _ in range(value):
            x, y = y, -x
        return x, y

    for what, value in turns:
        right, down = move(right, what, value), move(down, what, value)
    table = {
        ((1, 0), (0, 1)): 1,
        ((-1, 0), (0, 1)): 2,
        ((-1, 0), (0, -1)): 3,
        ((1, 0), (0, -1)): 4,
        ((0, 1), (1, 0)): 5,
        ((0, 1), (-1, 0)): 6,
        ((0, -1), (-1, 0)): 7,
        ((0, -1), (1, 0)): 8,
    }
    return table[(right, down)]


def _exif(data: bytes, parts: dict[bytes, tuple[int, int]]) -> bytes:
    """Return the TIFF structure of the Exif item that lies in the file itself, b"" if there is none."""
    if b"iinf" not in parts or b"iloc" not in parts:
        return b""
    start, end = parts[b"iinf"]
    head = 6 if data[start : start + 1] == b"\x00" else 8
    exif_id = None
    for kind, a, _ in _walk(data, start + head, end):
        version = data[a]
        size = 2 if version == 2 else 4
        if kind == b"infe" and version >= 2 and data[a + 4 + size + 2 : a + 4 + size + 6] == b"Exif":
            exif_id = _number(data, a + 4, size)
    if exif_id is None:
        return b""
    at, end = parts[b"iloc"]
    version = data[at]
    sizes = _number(data, at + 4, 2)
    offset_size, length_size, base_size, index_size = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15, sizes & 15
    id_size = 2 if version < 2 else 4
    count = min(_number(data, at + 6, id_size), MAX_BOXES)
    at += 6 + id_size
    for _ in range(count):
        if at + 8 > end:
            break
        this = _number(data, at, id_size)
        at += id_size
        method = 0
        if version in (1, 2):
            method = _number(data, at, 2) & 15
            at += 2
        base = _number(data, at + 2, base_size)
        extents = _number(data, at + 2 + base_size, 2)
        at += 4 + base_size
        step = (index_size if version in (1, 2) else 0) + offset_size + length_size
        if this == exif_id and method == 0 and extents == 1:
            at += step - offset_size - length_size
            place = base + _number(data, at, offset_size)
            length = _number(data, at + offset_size, length_size)
            body = data[place : place + min(length, 1 << 20)]
            return body[4 + _number(body, 0, 4) :]
        at += step * extents
    return b""
