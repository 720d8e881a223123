"""Tell a file's kind from its first bytes, never from its name alone."""

from __future__ import annotations

from blurscope.errors import PhotoError
from blurscope.photo import tiff

RAW_SUFFIXES = frozenset(
    ".3fr .ari .arw .bay .cap .cr2 .cr3 .crw .dcr .dng .erf .fff .iiq .k25 .kdc .mdc .mef .mos .mrw .nef .nrw .orf "
    ".pef .ptx .pxn .raf .raw .rw2 .rwl .sr2 .srf .srw .x3f".split()
)
_RAW_STARTS = (
    b"FUJIFILMCCD-RAW",
    b"IIU\x00",
    b"IIRO",
    b"IIRS",
    b"MMOR",
    b"FOVb",
    b"II\x1a\x00\x00\x00HEAP",
    b"\x00MRM",
)
_STILL_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2"}
_REFUSED = (
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (b"8BPS", "a layered Photoshop file"),
    (b"%PDF", "a PDF"),
    (b"\x76\x2f\x31\x01", "an OpenEXR picture"),
    (b"\x1a\x45\xdf\xa3", "a Matroska video"),
    (b"PK\x03\x04", "a zip archive"),
    (b"gimp xcf", "a layered GIMP file"),
)
_USE = "give a JPEG, PNG, TIFF, RAW, HEIC or AVIF file"


def kind_of(data: bytes, suffix: str, name: str) -> str:
    """Return ``jpeg``, ``png``, ``tiff``, ``raw``, ``heic`` or ``avif``.

    Raises
    ------
    PhotoError
        Anything else, by name where it is known.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if data.startswith(_RAW_STARTS):
        return "raw"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "raw" if suffix.lower() in RAW_SUFFIXES or tiff.looks_raw(data) else "tiff"
    if data[4:8] == b"ftyp":
        return _kind_of_boxes(data, name)
    if data.startswith(b"RIFF") and data[8:12] in (b"WEBP", b"AVI "):
        raise PhotoError(f"{name} is {'a WebP picture' if data[8:12] == b'WEBP' else 'a video'}; {_USE}")
    for start, what in _REFUSED:
        if data.startswith(start):
            raise PhotoError(f"{name} is {what}; {_USE}")
    if _is_text(data[:512]):
        raise PhotoError(f"{name} starts with text, not with a picture; {_USE}")
    raise PhotoError(f"{name} is no picture of a known kind; {_USE}")


def _kind_of_boxes(data: bytes, name: str) -> str:
    size = min(int.from_bytes(data[:4], "big"), 256)
    major = data[8:12]
    brands = {data[i : i + 4] for i in range(16, size - 3, 4)}
    if major == b"crx ":
        return "raw"
    if major in (b"avis", b"msf1", b"hevc", b"hevx"):
        raise PhotoError(f"{name} is an animated picture; give one still photo")
    if major == b"avif" or (major in (b"mif1", b"mif2") and b"avif" in brands):
        return "avif"
    if major in _STILL_BRANDS:
        return "heic"
    raise PhotoError(f"{name} is a video or another file of that family; {_USE}")


def _is_text(start: bytes) -> bool:
    try:
        text = start.decode("utf-8", "ignore")
    except UnicodeDecodeError:
        return False
    return bool(text) and b"\x00" not in start and sum(c.isprintable() or c.isspace() for c in text) > 0.95 * len(start)
