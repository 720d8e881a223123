"""Mutated and made-up files: a photo or one sentence, never a traceback, never long."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from photo_makers import dng_bytes, exif_block, heic_bytes, pillow_bytes, scene, smooth_scene, tiff_bytes

from blurscope.errors import PhotoError
from blurscope.photo import Photo, read_photo
from blurscope.photo.boxes import read_primary_item
from blurscope.photo.exif import read_exif
from blurscope.photo.icc import read_profile

SMALL = smooth_scene(48, 64)
SEEDS = {
    "jpeg": pillow_bytes(SMALL, "JPEG", quality=90, exif=exif_block(6)),
    "progressive": pillow_bytes(SMALL, "JPEG", progressive=True),
    "png": pillow_bytes(SMALL, "PNG", exif=exif_block(6)),
    "png16": cv2.imencode(".png", scene())[1].tobytes(),
    "tiff": tiff_bytes(scene(), photometric="rgb"),
    "deflate": tiff_bytes(scene(), photometric="rgb", compression="zlib", extratags=[(274, "H", 1, 6, True)]),
    "lzw": pillow_bytes(SMALL, "TIFF", compression="tiff_lzw"),
    "tiles": tiff_bytes(scene(48, 64), photometric="rgb", tile=(16, 16)),
    "float": tiff_bytes((scene() / 65535).astype(np.float32), photometric="rgb"),
    "dng": dng_bytes((scene(32, 48)[:, :, 0] >> 2).copy()),
    "heic": heic_bytes(SMALL, exif=exif_block(6)),
    "avif": pillow_bytes(SMALL, "AVIF", exif=exif_block(6)),
}
BOUNDED = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)


@st.composite
def mutations(draw, data: bytes) -> bytes:
    """Flip, overwrite, cut and double bytes; rather near the start, where the headers are."""
    out = bytearray(data)
    for _ in range(draw(st.integers(1, 6))):
        reach = min(len(out), 400) if draw(st.booleans()) else len(out)
        at = draw(st.integers(0, max(reach - 1, 0)))
        kind = draw(st.sampled_from(["flip", "byte", "word", "cut", "double", "end"]))
        if kind == "flip" and out:
            out[at] ^= 1 << draw(st.integers(0, 7))
        elif kind == "byte" and out:
            out[at] = draw(st.integers(0, 255))
        elif kind == "word":
            out[at : at + 4] = draw(st.sampled_from([b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f"]))
        elif kind == "cut":
            del out[at : at + draw(st.integers(1, 64))]
        elif kind == "double":
            out[at:at] = out[at : at + draw(st.integers(1, 64))]
        elif kind == "end" and draw(st.booleans()):
            del out[at:]
    return bytes(out)


def read_or_refuse(path, data: bytes) -> None:
    path.write_bytes(data)
    start = time.perf_counter()
    try:
        photo = read_photo(path)
    except PhotoError as refusal:
        text = str(refusal)
        assert path.name in text and "\n" not in text and len(text) < 400
    else:
        assert isinstance(photo, Photo)
        assert photo.pixels.size and np.all(np.isfinite(photo.pixels)) and photo.full_scale > photo.black_code
        assert photo.as_json()
    assert time.perf_counter() - start < 10


@pytest.mark.parametrize("kind", SEEDS)
@BOUNDED
@given(data=st.data())
def test_mutated_files(tmp_path, kind, data):
    read_or_refuse(tmp_path / "photo.bin", data.draw(mutations(SEEDS[kind])))


STARTS = [
    *(b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"MM\x00*", b"II+\x00", b"FUJIFILMCCD-RAW", b"IIU\x00"),
    *(
        b"\x00\x00\x00\x18ftypheic",
        b"\x00\x00\x00\x18ftypavif",
        b"\x00\x00\x00\x18ftypcrx ",
        b"\x00\x00\x00\x00ftyp",
        b"",
    ),
]


@BOUNDED
@given(start=st.sampled_from(STARTS), rest=st.binary(max_size=600))
def test_made_up_files(tmp_path, start, rest):
    read_or_refuse(tmp_path / "photo.bin", start + rest)


@BOUNDED
@given(data=st.data())
def test_header_readers_take_anything(data):
    exif = exif_block().tobytes()[6:]
    found = read_exif(data.draw(mutations(exif) | st.binary(max_size=300)))
    assert found.orientation in range(1, 9)
    assert all(value > 0 for key, value in found.fields.items() if not isinstance(value, str))
    read_profile(data.draw(st.binary(min_size=128, max_size=400)))
    item = read_primary_item(data.draw(mutations(SEEDS["avif"])))
    assert item.orientation in range(1, 9)
