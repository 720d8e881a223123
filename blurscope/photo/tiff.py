"""TIFF: header, checks and decoding; 8 and 16 bits and floats, never cut down."""

from __future__ import annotations

import io
import struct

import numpy as np

from blurscope.errors import PhotoError
from blurscope.photo import tone
from blurscope.photo.header import Header, broken
from blurscope.photo.ifd import Entry, NotTiffError, TiffReader
from blurscope.photo.opencv import imdecode

_BY_OPENCV = {5: "LZW", 7: "JPEG", 8: "deflate", 32946: "deflate", 32773: "PackBits"}
_RAW_PHOTOMETRIC = {32803, 34892}


def looks_raw(data: bytes) -> bool:
    """Whether a file of TIFF structure is a camera's RAW: DNG, or a mosaic in one of its directories."""
    if data[8:10] == b"CR":
        return True
    try:
        reader = TiffReader(data)
    except NotTiffError:
        return False
    return any(50706 in entries for entries in reader.chain()[:8]) or bool(_sensor_directories(reader))


def _sensor_directories(reader: TiffReader) -> list[dict[int, Entry]]:
    """Return the directories, also those one level below, that hold sensor data."""
    found = []
    for entries in reader.chain()[:8]:
        below = []
        for at in reader.values(entries.get(330))[:8]:
            try:
                below.append(reader.directory(int(at))[0])
            except (NotTiffError, ValueError, OverflowError):
                continue
        found += [d for d in (entries, *below) if reader.number(d.get(262), -1) in _RAW_PHOTOMETRIC]
    return found


def sensor_data_end_early(data: bytes) -> bool:
    """Whether the sensor data of a RAW of TIFF structure reach beyond the end of the file."""
    try:
        reader = TiffReader(data)
    except NotTiffError:
        return False
    for entries in _sensor_directories(reader):
        for start, size in ((273, 279), (324, 325)):
            places = zip(reader.values(entries.get(start)), reader.values(entries.get(size)), strict=False)
            if any(offset + count > len(data) for offset, count in places):
                return True
    return False


def read_header(data: bytes, name: str) -> Header:
    """Read the first directory and refuse what can't become a photo."""
    try:
        reader = TiffReader(data)
    except NotTiffError:
        raise broken(name, "a TIFF without a directory") from None
    pages = reader.chain()
    if not pages:
        raise broken(name, "a TIFF without a directory")
    main = pages[0]

    def get(tag: int, default: float) -> int:
        try:
            return int(reader.number(main.get(tag), default))
        except (ValueError, OverflowError):
            raise broken(name, f"TIFF tag {tag} makes no sense") from None

    others = [p for p in pages[1:] if not int(reader.number(p.get(254), 0)) & 5]
    if others:
        raise PhotoError(f"{name} holds {1 + len(others)} pictures; save the one to measure on its own")
    width, height = get(256, 0), get(257, 0)
    bits_all, formats = reader.values(main.get(258)) or (1,), reader.values(main.get(339)) or (1,)
    samples, compression, photometric, planar = get(277, 1), get(259, 1), get(262, -1), get(284, 1)
    if width <= 0 or height <= 0 or len(set(bits_all)) != 1 or len(set(formats)) != 1:
        raise broken(name, "a TIFF header that makes no sense")
    bits, number_format = int(bits_all[0]), int(formats[0])
    if photometric == 5:
        raise PhotoError(f"{name} is a CMYK picture made for print; give the camera's own RGB file")
    if photometric == 3 or bits < 8:
        what = "indexed colours" if photometric == 3 else f"{bits} bit{'s' * (bits > 1)} per pixel"
        raise PhotoError(f"{name} has only {what}, too few tones to measure; give the camera's own file")
    if photometric not in (0, 1, 2) and not (photometric == 6 and compression == 7):
        raise PhotoError(f"{name} is a TIFF of an uncommon colour type ({photometric}); save it as RGB TIFF")
    if (bits, number_format) not in ((8, 1), (16, 1), (16, 3), (32, 3), (64, 3)):
        kind = {1: "unsigned", 2: "signed", 3: "float"}.get(number_format, "unknown")
        raise PhotoError(f"{name} has {bits}-bit {kind} samples; save it with 8 or 16 bits or as 32-bit float")
    if photometric == 0 and number_format == 3:
        raise PhotoError(f"{name} has floats that count backwards, white as zero; save it with black as zero")
    channels = 1 if photometric in (0, 1) else 3
    if not channels <= samples <= channels + 1:
        raise PhotoError(f"{name} has {samples} channels, not {channels}; save it without the others")
    if compression != 1 and (compression not in _BY_OPENCV or planar == 2 or number_format == 3 and bits != 32):
        raise PhotoError(f"{name} is a TIFF packed in an uncommon way ({compression}); save it uncompressed")
    _check_data_present(reader, main, name, width, height, bits * samples // 8 if planar == 1 else bits // 8)
    extra = {
        "compression": compression,
        "photometric": photometric,
        "float": number_format == 3,
        "order": reader.order,
        "turn_entry": main.get(274),
        "transfer": _transfer_table(reader, main.get(301), bits),
    }
    return Header(
        width=width,
        height=height,
        channels=channels,
        bits=bits,
        alpha=samples > channels,
        exif=data,
        icc=reader.raw(main.get(34675)),
        extra=extra,
    )


def _check_data_present(
    reader: TiffReader, main: dict[int, Entry], name: str, width: int, height: int, pixel_bytes: int
) -> None:
    """Refuse a file whose strips or tiles lie outside it, or can't fill the picture if uncompressed."""
    tiled = 324 in main
    offsets = reader.values(main.get(324 if tiled else 273))
    counts = reader.values(main.get(325 if tiled else 279))
    if not offsets or len(offsets) != len(counts):
        raise broken(name, "a TIFF without picture data")
    if any(o + c > len(reader.data) for o, c in zip(offsets, counts, strict=True)):
        raise broken(name, "a TIFF whose picture data end early")
    planes = 1 if reader.number(main.get(284), 1) == 1 else reader.number(main.get(277), 1)
    if reader.number(main.get(259), 1) == 1 and sum(counts) < width * height * pixel_bytes * planes:
        raise broken(name, "a TIFF with less data than its size needs")


def _transfer_table(reader: TiffReader, entry: Entry | None, bits: int) -> np.ndarray | None:
    """Return the TransferFunction tag (light at each code, 0-1) where it is there and whole."""
    if entry is None or bits not in (8, 16) or entry.count not in (2**bits, 3 * 2**bits):
        return None
    values = reader.values(entry)
    return np.asarray(values[: 2**bits], dtype=float) / 65535 if values else None


def stated_tone(header: Header) -> tone.Tone | None:
    """Return what the TransferFunction tag says, None where there is none."""
    table = header.extra["transfer"]
    return None if table is None else tone.tabulated(table, "tiff")


def decode(data: bytes, header: Header, name: str) -> np.ndarray:
    """Return the samples as stored, not turned, channels in the order red, green, blue (, alpha)."""
    if header.extra["compression"] == 1:
        pixels = _decode_plain(data, name)
    else:
        pixels = _decode_packed(data, header, name)
    want = header.channels + header.alpha
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[:, :, 0]
    if pixels.shape[:2] != (header.height, header.width) or (pixels.shape[2] if pixels.ndim == 3 else 1) != want:
        raise broken(name, "the TIFF's data do not fit its header")
    return pixels


def _decode_plain(data: bytes, name: str) -> np.ndarray:
    import logging

    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page = file.pages[0]
            pixels = page.asarray()
            if page.photometric == 0 and pixels.dtype.kind == "u":
                pixels = np.iinfo(pixels.dtype).max - pixels
            if page.planarconfig == 2 and page.samplesperpixel > 1:
                pixels = np.moveaxis(pixels, 0, -1)
    except (tifffile.TiffFileError, ValueError, OSError, LookupError, TypeError, ArithmeticError, struct.error) as exc:
        raise broken(name, f"a TIFF that can't be decoded: {type(exc).__name__}") from None
    if pixels.dtype.kind == "f":
        pixels = pixels.astype(np.float32, copy=False)
    return np.ascontiguousarray(pixels, dtype=pixels.dtype.newbyteorder("="))


def _decode_packed(data: bytes, header: Header, name: str) -> np.ndarray:
    from blurscope._cv import cv2

    buffer = np.frombuffer(data, np.uint8)
    turn = header.extra["turn_entry"]
    if turn is not None and turn.offset + 2 <= len(data):
        # OpenCV turns TIFFs whatever the flags say: make the tag say that there is nothing to turn
        buffer = buffer.copy()
        order = "little" if header.extra["order"] == "<" else "big"
        buffer[turn.offset : turn.offset + 2] = list((1).to_bytes(2, order))
    pixels = imdecode(buffer, cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise broken(name, "a TIFF that can't be decoded")
    if header.extra["photometric"] == 0 and pixels.dtype == np.uint16:
        pixels = 65535 - pixels  # OpenCV does so with 8 bits only
    if pixels.ndim == 3:
        code = cv2.COLOR_BGR2RGB if pixels.shape[2] == 3 else cv2.COLOR_BGRA2RGBA
        pixels = cv2.cvtColor(pixels, code)
    return pixels
