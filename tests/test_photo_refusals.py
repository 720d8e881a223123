"""What the photo reader refuses, in one sentence: damaged files, files of other kinds, and bombs."""

from __future__ import annotations

import io
import os
import struct
import zlib

import cv2
import numpy as np
import pytest
from photo_makers import dng_bytes, exif_block, heic_bytes, pillow_bytes, refusal, scene, smooth_scene, tiff_bytes
from PIL import Image

from blurscope.errors import PhotoError, SettingsError
from blurscope.photo import LIMIT_VARIABLE, read_photo
from blurscope.photo.chatter import listening

SIXTEEN = scene()
GREY16 = np.ascontiguousarray(SIXTEEN[:, :, 1])
SMALL = smooth_scene()
SEE_THROUGH = np.dstack([SMALL, np.full(SMALL.shape[:2], 128, np.uint8)])


def _animated(kind: str) -> bytes:
    frames = [Image.fromarray(np.roll(SMALL, i, axis=1)) for i in range(3)]
    stream = io.BytesIO()
    frames[0].save(stream, kind, save_all=True, append_images=frames[1:], duration=50)
    return stream.getvalue()


JPEG, PNG = pillow_bytes(SMALL, "JPEG"), pillow_bytes(SMALL, "PNG")
TIFF, DNG = tiff_bytes(SIXTEEN, photometric="rgb"), dng_bytes(GREY16 // 4)
REFUSED = {
    "empty.jpg": (b"", "empty"),
    "text.jpg": (b"This is a shopping list\n" * 20, "text"),
    "zeros.jpg": (b"\x00" * 5000, "no picture"),
    "half.jpg": (JPEG[: len(JPEG) // 2], "incomplete"),
    "nearly.jpg": (JPEG[:-2], "incomplete"),
    "head.jpg": (JPEG[:40], "incomplete"),
    "two.jpg": (JPEG[:2], "no picture"),
    "half.png": (PNG[: len(PNG) // 2], "incomplete"),
    "nearly.png": (PNG[:-12], "incomplete"),
    "half.tif": (TIFF[: len(TIFF) // 2], "incomplete"),
    "packed.tif": (tiff_bytes(SIXTEEN, photometric="rgb", compression="zlib")[:-900], "incomplete"),
    "half.dng": (DNG[: len(DNG) // 2], "incomplete"),
    "half.avif": (pillow_bytes(SMALL, "AVIF")[:400], "incomplete"),
    "animated.png": (_animated("PNG"), "animated"),
    "animated.avif": (_animated("AVIF"), "animated"),
    "animated.gif": (_animated("GIF"), "GIF"),
    "pages.tif": (_animated("TIFF"), "holds 3 pictures"),
    "cmyk.jpg": (pillow_bytes(Image.fromarray(SMALL).convert("CMYK"), "JPEG"), "CMYK"),
    "cmyk.tif": (pillow_bytes(Image.fromarray(SMALL).convert("CMYK"), "TIFF"), "CMYK"),
    "onebit.png": (pillow_bytes(Image.fromarray(SMALL[:, :, 0] > 90), "PNG"), "1 bit"),
    "onebit.tif": (pillow_bytes(Image.fromarray(SMALL[:, :, 0] > 90), "TIFF"), "1 bit"),
    "fax.tif": (pillow_bytes(Image.fromarray(SMALL[:, :, 0] > 90), "TIFF", compression="group4"), "1 bit"),
    "indexed.png": (pillow_bytes(Image.fromarray(SMALL).quantize(32), "PNG"), "indexed"),
    "alpha.png": (pillow_bytes(SEE_THROUGH, "PNG"), "see-through"),
    "alpha.tif": (pillow_bytes(SEE_THROUGH, "TIFF"), "see-through"),
    "alpha.avif": (pillow_bytes(SEE_THROUGH, "AVIF"), "see-through"),
    "key.png": (pillow_bytes(Image.fromarray(SMALL), "PNG", transparency=(1, 2, 3)), "transparent"),
    "web.webp": (pillow_bytes(SMALL, "WEBP"), "WebP"),
    "paint.bmp": (pillow_bytes(SMALL, "BMP"), "BMP"),
    "signed.tif": (tiff_bytes(SIXTEEN.astype(np.int16), photometric="rgb"), "signed"),
    "long.tif": (tiff_bytes(SIXTEEN.astype(np.uint32), photometric="rgb"), "32-bit"),
    "five.tif": (tiff_bytes(np.zeros((8, 9, 5), np.uint8), photometric="rgb"), "5 channels"),
    "nan.tif": (tiff_bytes(np.where(SIXTEEN > 60000, np.nan, 0.5).astype("f4"), photometric="rgb"), "not finite"),
    "inf.tif": (tiff_bytes(np.where(SIXTEEN > 60000, np.inf, 0.5).astype("f4"), photometric="rgb"), "not finite"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_in_one_sentence(put, name):
    data, word = REFUSED[name]
    assert word in refusal(put(data, name))


def test_see_through_heic_is_refused(put):
    assert "see-through" in refusal(put(heic_bytes(SEE_THROUGH), "alpha.heic"))


def test_every_truncation_is_refused(put):
    for cut in range(1, len(JPEG), 97):
        refusal(put(JPEG[:cut], "cut.jpg"))
    for cut in range(1, len(PNG), 97):
        refusal(put(PNG[:cut], "cut.png"))


def scan_of(data: bytes) -> tuple[int, int]:
    """Return where a JPEG's entropy-coded data begin and end."""
    at = data.rindex(b"\xff\xda")
    return at + 2 + int.from_bytes(data[at + 2 : at + 4], "big"), data.rindex(b"\xff\xd9")


def test_a_jpeg_with_a_hole_is_refused(put, capfd):
    """The decoder fills such pictures up and shifts what follows: figures of them would be wrong."""
    data = pillow_bytes(scene(96, 134, bits=8), "JPEG", quality=90)
    start, end = scan_of(data)
    middle = (start + end) // 2
    for count in (60, 200):
        text = refusal(put(data[:middle] + data[middle + count :]))
        assert "damaged or incomplete" in text
    assert "extraneous" in refusal(put(data[:end] + b"\x12\x34" * 20 + data[end:], "junk.jpg"))
    assert capfd.readouterr().err == ""  # the library's own words are not shown


def test_filling_before_the_end_of_a_jpeg_is_no_damage(put):
    data = pillow_bytes(smooth_scene(), "JPEG", quality=90)
    _, end = scan_of(data)
    want = read_photo(put(data)).pixels
    for filling in (bytes(40), b"\xff" * 40):
        np.testing.assert_array_equal(read_photo(put(data[:end] + filling + data[end:])).pixels, want)


def test_what_others_say_while_a_jpeg_is_decoded_is_passed_on(capfd):
    with listening() as heard:
        os.write(2, b"note: a progress line\nCorrupt JPEG data: premature end of data segment\n")
    assert capfd.readouterr().err == "note: a progress line\n"
    assert heard == ["note: a progress line", "Corrupt JPEG data: premature end of data segment"]


def test_bytes_behind_a_jpeg_do_not_matter(put):
    whole = read_photo(put(JPEG, "a.jpg"))
    more = read_photo(put(JPEG + JPEG[:500] + b"\x00" * 99, "b.jpg"))
    np.testing.assert_array_equal(whole.pixels, more.pixels)


def test_what_is_no_file(tmp_path):
    assert "does not exist" in refusal(tmp_path / "missing.jpg")
    assert "folder" in refusal(tmp_path)
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "ordinary file" in refusal(tmp_path / "pipe.jpg")
    (tmp_path / "loop.jpg").symlink_to("loop.jpg")
    assert "can't be read" in refusal(tmp_path / "loop.jpg")
    with pytest.raises(PhotoError, match="not a path"):
        read_photo("a\x00b.jpg")


def _png_with(data: bytes, name: bytes, change) -> bytes:
    """Return a PNG with the content of a chunk changed, its length and its checksum right."""
    at = data.index(name) - 4
    size = struct.unpack_from(">I", data, at)[0]
    body = change(data[at + 8 : at + 8 + size])
    chunk = struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
    return data[:at] + chunk + data[at + 12 + size :]


def test_a_png_whose_picture_is_not_the_one_that_was_packed_is_refused(tmp_path, capfd):
    """The chunk's checksum is right, that of the packed pixels is not; the library only warns."""
    path = tmp_path / "a.png"
    path.write_bytes(_png_with(pillow_bytes(SMALL, "PNG"), b"IDAT", lambda body: body[:-1] + bytes([body[-1] ^ 1])))
    with pytest.raises(PhotoError, match="a.png is damaged or incomplete"):
        read_photo(path)
    assert capfd.readouterr().err == ""


def test_the_png_library_does_not_talk_to_the_user(tmp_path, capfd):
    path = tmp_path / "a.png"
    path.write_bytes(_png_with(pillow_bytes(SMALL, "PNG", exif=exif_block(1)), b"eXIf", lambda body: b"??" + body[2:]))
    assert np.array_equal(read_photo(path).pixels, SMALL)
    assert capfd.readouterr().err == ""


# ------------------------------------------------------------------------------------------------ bombs


def _png_bomb(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(10_000_000))) + chunk(b"IEND", b"")


def _jpeg_bomb() -> bytes:
    data = bytearray(JPEG)
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 10000, 10001)
    return bytes(data)


def _tiff_bomb() -> bytes:
    data = bytearray(tiff_bytes(SIXTEEN, photometric="rgb", compression="zlib"))
    for tag, value in ((256, 10001), (257, 10000)):
        at = _tag_at(data, tag)
        data[at + 2 : at + 12] = struct.pack("<HII", 4, 1, value)
    return bytes(data)


def _tag_at(data: bytes, tag: int) -> int:
    first = struct.unpack_from("<I", data, 4)[0]
    for i in range(struct.unpack_from("<H", data, first)[0]):
        if struct.unpack_from("<H", data, first + 2 + 12 * i)[0] == tag:
            return first + 2 + 12 * i
    raise AssertionError(tag)


def _avif_bomb() -> bytes:
    data = bytearray(pillow_bytes(SMALL, "AVIF"))
    at = data.index(b"ispe") + 8
    data[at : at + 8] = struct.pack(">II", 10000, 10001)
    return bytes(data)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("bomb.png", _png_bomb(10000, 10001)),
        ("bomb.jpg", _jpeg_bomb()),
        ("bomb.tif", _tiff_bomb()),
        ("bomb.avif", _avif_bomb()),
    ],
)
def test_a_bomb_is_refused_by_its_header(put, monkeypatch, name, data):
    monkeypatch.setattr(cv2, "imdecode", lambda *a: pytest.fail("it was decoded"))
    text = refusal(put(data, name))
    assert "100 megapixels" in text and LIMIT_VARIABLE in text


def test_raw_and_heic_are_checked_before_unpacking(put):
    assert "megapixels" in refusal(put(DNG, "a.dng"), max_megapixels=0.001)
    assert "megapixels" in refusal(put(heic_bytes(SMALL), "a.heic"), max_megapixels=0.001)


def test_the_limit_can_be_set(put, monkeypatch):
    path = put(PNG, "a.png")
    assert "0.01" in refusal(path, max_megapixels=0.01)
    monkeypatch.setenv(LIMIT_VARIABLE, "0.01")
    refusal(path)
    assert read_photo(path, max_megapixels=1).width_campx == 128
    monkeypatch.setenv(LIMIT_VARIABLE, "lots")
    with pytest.raises(SettingsError, match=LIMIT_VARIABLE):
        read_photo(path)


def test_a_file_far_too_long_is_not_read(put):
    path = put(PNG, "long.png")
    os.truncate(path, 200 << 20)
    assert "MiB" in refusal(path, max_megapixels=1)


def test_a_jpeg_of_a_thousand_scans_is_refused(put):
    data = pillow_bytes(SMALL, "JPEG", progressive=True)
    last = data.rindex(b"\xff\xda")
    scan = data[last:-2]
    assert "scans" in refusal(put(data[:-2] + scan * 1000 + b"\xff\xd9", "scans.jpg"))
