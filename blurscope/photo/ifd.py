"""A bounded reader of TIFF structures: EXIF blocks, TIFF headers, RAW headers (TIFF 6.0, BigTIFF)."""

from __future__ import annotations

import struct
from dataclasses import dataclass

MAX_IFDS = 64
MAX_ENTRIES = 2048
MAX_VALUES = 1 << 20

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}


class NotTiffError(ValueError):
    """The bytes are no TIFF structure."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Type, number of values and where they lie."""

    type: int
    count: int
    offset: int


class TiffReader:
    """Reads directories and values from bytes; what lies outside them reads as empty, never as an error."""

    def __init__(self, data: bytes) -> None:
        if data[:2] not in (b"II", b"MM") or len(data) < 8:
            raise NotTiffError("no byte order mark")
        self.data = data
        self.order = "<" if data[:2] == b"II" else ">"
        self.big = self._unpack("H", 2) == 43
        self.first = self._unpack("Q", 8) if self.big else self._unpack("I", 4)

    def _unpack(self, code: str, offset: int) -> int:
        size = struct.calcsize(code)
        if offset < 0 or offset + size > len(self.data):
            raise NotTiffError(f"nothing at byte {offset}")
        return struct.unpack_from(self.order + code, self.data, offset)[0]

    def directory(self, offset: int) -> tuple[dict[int, Entry], int]:
        """Return the entries of the directory at ``offset`` and where the next one lies (0: nowhere)."""
        count_code, count_size, entry_size, word = ("Q", 8, 20, 8) if self.big else ("H", 2, 12, 4)
        count = self._unpack(count_code, offset)
        if count > MAX_ENTRIES:
            raise NotTiffError(f"{count} entries in a directory")
        entries: dict[int, Entry] = {}
        for i in range(count):
            at = offset + count_size + i * entry_size
            tag, kind = self._unpack("H", at), self._unpack("H", at + 2)
            number = self._unpack("Q" if self.big else "I", at + 4)
            inline = at + 4 + word
            if kind not in _SIZES:
                continue
            if number * _SIZES[kind] > word:
                inline = self._unpack("Q" if self.big else "I", inline)
            entries.setdefault(tag, Entry(kind, number, inline))
        try:
            following = self._unpack("Q" if self.big else "I", offset + count_size + count * entry_size)
        except NotTiffError:
            following = 0
        return entries, following

    def chain(self) -> list[dict[int, Entry]]:
        """Return the directories in file order, each once; damaged ones end the chain."""
        out: list[dict[int, Entry]] = []
        seen: set[int] = set()
        at = self.first
        while at and at not in seen and len(out) < MAX_IFDS:
            seen.add(at)
            try:
                entries, at = self.directory(at)
            except NotTiffError:
                break
            out.append(entries)
        return out

    def raw(self, entry: Entry | None) -> bytes:
        """Return the bytes of an entry, empty if they lie outside."""
        if entry is None:
            return b""
        end = entry.offset + entry.count * _SIZES[entry.type]
        return bytes(self.data[entry.offset : end]) if end <= len(self.data) else b""

    def values(self, entry: Entry | None) -> tuple[float, ...]:
        """Return the numbers of an entry; a rational with a zero below is NaN; empty for text or if outside."""
        if entry is None or entry.count > MAX_VALUES:
            return ()
        body = self.raw(entry)
        if not body:
            return ()
        if entry.type in (5, 10):
            pair = struct.unpack(f"{self.order}{2 * entry.count}{'I' if entry.type == 5 else 'i'}", body)
            return tuple(a / b if b else float("nan") for a, b in zip(pair[::2], pair[1::2], strict=True))
        if entry.type not in _CODES:
            return tuple(body) if entry.type == 7 else ()
        return struct.unpack(f"{self.order}{entry.count}{_CODES[entry.type]}", body)

    def number(self, entry: Entry | None, default: float) -> float:
        """Return the first number of an entry, or ``default``."""
        values = self.values(entry)
        return values[0] if values else default

    def text(self, entry: Entry | None) -> str:
        """Return the text of an entry: printable, at most 100 characters, up to the first zero byte."""
        if entry is None or entry.type not in (2, 7, 129):
            return ""
        body = self.raw(entry)[:400].split(b"\x00")[0]
        text = body.decode("utf-8", "replace").strip()
        return "".join(c for c in text if c.isprintable())[:100]
