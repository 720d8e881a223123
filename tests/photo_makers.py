"""Makes picture files of every kind with general libraries, for the tests of the photo reader."""

from __future__ import annotations

import io
import os

import numpy as np
import pytest
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from blurscope.errors import PhotoError
from blurscope.photo import read_photo


def scene(height: int = 30, width: int = 44, *, seed: int = 7, bits: int = 16) -> np.ndarray:
    """Return a colour picture that uses all bits, not square and without any symmetry."""
    rng = np.random.default_rng(seed)
    full = 2**bits
    codes = rng.integers(0, full, (height, width, 3))
    codes[: height // 2, : width // 3] //= 4
    return codes.astype(np.uint16 if bits > 8 else np.uint8)


def smooth_scene(height: int = 96, width: int = 128) -> np.ndarray:
    """Return an 8-bit colour picture that lossy formats keep within a code or two, without any symmetry."""
    y, x = np.mgrid[0:height, 0:width]
    red = 40 + 150 * x / width
    green = 60 + 120 * y / height
    blue = 200 - 60 * x / width - 70 * (y / height) ** 2
    return np.rint(np.dstack([red, green, blue])).astype(np.uint8)


def exif_block(orientation: int = 1, **fields: object) -> Image.Exif:
    """Return EXIF with ordinary values: 1/20 s, ISO 200, 50 mm."""
    exif = Image.Exif()
    exif[274] = orientation
    exif[271], exif[272] = "Invented", "Ferry"
    inner = exif.get_ifd(34665)
    inner[33434] = fields.get("exposure_s", IFDRational(1, 20))
    inner[34855] = fields.get("iso", 200)
    inner[33437] = IFDRational(4, 1)
    inner[37386] = IFDRational(500, 10)
    inner[41989] = 75
    inner[42036] = "Invented 50 mm"
    for tag, value in fields.items():
        if tag.startswith("tag_"):
            inner[int(tag[4:])] = value
    return exif


def pillow_bytes(pixels: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    """Return a picture as Pillow writes it."""
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def tiff_bytes(pixels: np.ndarray, **options: object) -> bytes:
    """Return a picture as tifffile writes it."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, pixels, **options)
    return stream.getvalue()


def _rationals(values: tuple[float, ...]) -> tuple[int, ...]:
    return sum(((round(v * 10000), 10000) for v in values), ())


def dng_bytes(
    mosaic: np.ndarray,
    *,
    pattern: tuple[int, ...] = (0, 1, 1, 2),
    black: int = 512,
    white: int = 16383,
    neutral: tuple[float, float, float] = (0.5, 1.0, 0.625),
    orientation: int = 1,
    photometric: int = 32803,
    **options: object,
) -> bytes:
    """Return a DNG around a mosaic (or around linear RGB, photometric 34892); ``neutral`` is 1 / gain."""
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (50708, "s", 0, "Invented Ferry", True),
        (50714, "H", 1, black, True),
        (50717, "H", 1, white, True),
        (50721, "2i", 9, _rationals((1, 0, 0, 0, 1, 0, 0, 0, 1)), True),
        (50728, "2I", 3, _rationals(neutral), True),
        (50778, "H", 1, 21, True),
        (274, "H", 1, orientation, True),
        (271, "s", 0, "Invented", True),
        (272, "s", 0, "Ferry", True),
        (33434, "2I", 1, (1, 20), True),
        (34855, "H", 1, 200, True),
    ]
    if photometric == 32803:
        tags += [(33421, "H", 2, (2, 2), True), (33422, "B", 4, pattern, True)]
    return tiff_bytes(
        mosaic, photometric=photometric, planarconfig=1, metadata=None, software="none", extratags=tags, **options
    )


def heic_bytes(pixels: np.ndarray, **options: object) -> bytes:
    """Return an 8-bit HEIC as pillow-heif writes it."""
    import pillow_heif

    stream = io.BytesIO()
    file = pillow_heif.from_pillow(Image.fromarray(pixels))
    if exif := options.pop("exif", None):
        file.info["exif"] = exif.tobytes()
    file.save(stream, quality=options.get("quality", 90))
    return stream.getvalue()


def refusal(path, **options) -> str:
    """Return the text of the refusal, which must be one sentence that names the file."""
    with pytest.raises(PhotoError) as caught:
        read_photo(path, **options)
    text = str(caught.value)
    assert "\n" not in text and ". " not in text and not text.endswith(".")
    assert os.path.basename(os.fsdecode(path)) in text
    return text
