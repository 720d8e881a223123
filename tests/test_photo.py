"""The photo reader against general libraries: codes, depth, turning, header fields and refusals."""

from __future__ import annotations

import hashlib
import io
import os
import struct

import cv2
import numpy as np
import pillow_heif
import pytest
from photo_makers import dng_bytes, exif_block, heic_bytes, pillow_bytes, scene, smooth_scene, tiff_bytes
from PIL import Image, ImageCms, ImageOps

from blurscope.errors import BlurscopeError, PhotoError
from blurscope.photo import Photo, Tone, read_photo


def cv_png(pixels: np.ndarray) -> bytes:
    codes = {2: None, 3: cv2.COLOR_RGB2BGR, 4: cv2.COLOR_RGBA2BGRA}
    code = codes[pixels.shape[2] if pixels.ndim == 3 else 2]
    return cv2.imencode(".png", pixels if code is None else cv2.cvtColor(pixels, code))[1].tobytes()


def cv_avif(pixels: np.ndarray, depth: int) -> bytes:
    options = [cv2.IMWRITE_AVIF_DEPTH, depth, cv2.IMWRITE_AVIF_QUALITY, 100, cv2.IMWRITE_AVIF_SPEED, 9]
    return cv2.imencode(".avif", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), options)[1].tobytes()


def lossless_heic(pixels: np.ndarray) -> bytes:
    """A HEIC of 10 bits without loss: identity matrix, no subsampling."""
    height, width = pixels.shape[:2]
    file = pillow_heif.from_bytes("RGB;16", (width, height), (pixels << 6).astype("<u2").tobytes())
    stream = io.BytesIO()
    file.save(stream, quality=-1, chroma=444, matrix_coefficients=0)
    return stream.getvalue()


# ---------------------------------------------------------------------------------------------- codes and depth

SIXTEEN = scene()
GREY16 = np.ascontiguousarray(SIXTEEN[:, :, 1])
OPAQUE = np.dstack([SIXTEEN, np.full(SIXTEEN.shape[:2], 65535, np.uint16)])


@pytest.mark.parametrize(
    ("data", "want"),
    [
        pytest.param(cv_png(SIXTEEN), SIXTEEN, id="png"),
        pytest.param(cv_png(GREY16), GREY16, id="png-grey"),
        pytest.param(cv_png(OPAQUE), SIXTEEN, id="png-opaque-alpha"),
        pytest.param(pillow_bytes(Image.fromarray(GREY16), "PNG"), GREY16, id="png-grey-pillow"),
        pytest.param(tiff_bytes(SIXTEEN, photometric="rgb"), SIXTEEN, id="tiff"),
        pytest.param(tiff_bytes(SIXTEEN, photometric="rgb", byteorder=">"), SIXTEEN, id="tiff-big-endian"),
        pytest.param(tiff_bytes(SIXTEEN, photometric="rgb", bigtiff=True), SIXTEEN, id="bigtiff"),
        pytest.param(tiff_bytes(SIXTEEN, photometric="rgb", compression="zlib"), SIXTEEN, id="tiff-deflate"),
        pytest.param(
            tiff_bytes(SIXTEEN, photometric="rgb", compression="zlib", predictor=True), SIXTEEN, id="tiff-predictor"
        ),
        pytest.param(tiff_bytes(SIXTEEN, photometric="rgb", tile=(16, 16)), SIXTEEN, id="tiff-tiles"),
        pytest.param(
            tiff_bytes(SIXTEEN, photometric="rgb", tile=(16, 16), compression="zlib"), SIXTEEN, id="tiff-deflated-tiles"
        ),
        pytest.param(
            tiff_bytes(np.moveaxis(SIXTEEN, 2, 0).copy(), photometric="rgb", planarconfig="separate"),
            SIXTEEN,
            id="tiff-planar",
        ),
        pytest.param(tiff_bytes(GREY16, photometric="minisblack"), GREY16, id="tiff-grey"),
        pytest.param(tiff_bytes(GREY16, photometric="minisblack", compression="zlib"), GREY16, id="tiff-grey-deflate"),
        pytest.param(tiff_bytes(65535 - GREY16, photometric="miniswhite"), GREY16, id="tiff-white-is-zero"),
        pytest.param(
            tiff_bytes(65535 - GREY16, photometric="miniswhite", compression="zlib"), GREY16, id="tiff-white-is-zero-z"
        ),
        pytest.param(
            tiff_bytes(OPAQUE, photometric="rgb", extrasamples=["unassalpha"]), SIXTEEN, id="tiff-opaque-alpha"
        ),
        pytest.param(cv2.imencode(".tiff", SIXTEEN[..., ::-1].copy())[1].tobytes(), SIXTEEN, id="tiff-lzw-opencv"),
    ],
)
def test_sixteen_bits_arrive_whole(put, data, want):
    photo = read_photo(put(data))
    assert photo.pixels.dtype == np.uint16
    np.testing.assert_array_equal(photo.pixels, want)
    assert photo.full_scale == photo.clip_code == 65535 and photo.bit_depth == 16
    assert np.unique(photo.pixels & 0xFF).size > 200  # the low byte carries information


@pytest.mark.parametrize("depth", [10, 12])
def test_avif_keeps_its_bits(put, depth):
    want = (SIXTEEN >> (16 - depth)).astype(np.uint16)
    photo = read_photo(put(cv_avif(want, depth)))
    assert photo.kind == "heic" and photo.pixels.dtype == np.uint16
    assert photo.full_scale == 2**depth - 1 and photo.bit_depth == depth
    np.testing.assert_array_equal(photo.pixels, want)  # quality 100 is lossless


def test_heic_keeps_its_ten_bits(put):
    want = scene(64, 96) >> 6
    photo = read_photo(put(lossless_heic(want)))
    assert photo.kind == "heic" and photo.pixels.dtype == np.uint16
    assert photo.full_scale == 1023 and photo.bit_depth == 10
    np.testing.assert_array_equal(photo.pixels, want)


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}], ids=["plain", "deflate"])
@pytest.mark.parametrize("grey", [False, True], ids=["colour", "grey"])
def test_float_tiff_is_linear_and_exact(put, options, grey):
    want = (SIXTEEN / 65535).astype(np.float32)
    want = want[:, :, 0].copy() if grey else want
    photo = read_photo(put(tiff_bytes(want, photometric="minisblack" if grey else "rgb", **options)))
    assert photo.pixels.dtype == np.float32 and photo.linear and photo.full_scale == 1.0
    np.testing.assert_array_equal(photo.pixels, want)


def test_floats_above_one_set_their_own_full_scale(put):
    want = SIXTEEN.astype(np.float32)
    photo = read_photo(put(tiff_bytes(want, photometric="rgb")))
    assert photo.full_scale == photo.clip_code == float(want.max())
    assert photo.share(want.max()) == 1.0


@pytest.mark.parametrize("odd", [30.0, 1e6, 3e38, -5.0, -3e38])
def test_a_hot_pixel_does_not_set_the_scale_of_floats(put, odd):
    """Nor does a lamp in the picture: the plate's greys would be left with a few codes, or with none."""
    want = scene(256, 384).astype(np.float32) / 65535 * 2.5
    top = float(want.max())
    want[100, 200, 1] = odd
    photo = read_photo(put(tiff_bytes(want, photometric="rgb")))
    assert top <= photo.full_scale <= 4 * top
    np.testing.assert_array_equal(photo.pixels, want)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_eight_bits_are_exact_and_in_rgb_order(put, kind):
    want = scene(bits=8)
    photo = read_photo(put(pillow_bytes(want, kind)))
    assert photo.pixels.dtype == np.uint8 and photo.full_scale == 255
    np.testing.assert_array_equal(photo.pixels, want)


@pytest.mark.parametrize("compression", ["tiff_lzw", "packbits", "tiff_deflate"])
def test_packed_tiffs_decode_to_the_same_codes(put, compression):
    want = scene(bits=8)
    photo = read_photo(put(pillow_bytes(want, "TIFF", compression=compression)))
    np.testing.assert_array_equal(photo.pixels, want)


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": 0}], ids=["plain", "progressive", "444"]
)
def test_jpeg_agrees_with_another_decoder(put, options):
    data = pillow_bytes(smooth_scene(), "JPEG", quality=90, **options)
    photo = read_photo(put(data))
    other = np.asarray(Image.open(io.BytesIO(data)))
    assert photo.kind == "jpeg"
    assert np.max(np.abs(photo.pixels.astype(int) - other)) <= 2  # two decoders round chroma differently
    assert np.max(np.abs(photo.pixels.astype(int) - smooth_scene())) <= 6


def test_grey_jpeg_is_one_channel(put):
    want = smooth_scene()[:, :, 0]
    photo = read_photo(put(pillow_bytes(want, "JPEG", quality=95)))
    assert photo.grey and photo.pixels.shape == want.shape
    assert np.max(np.abs(photo.pixels.astype(int) - want)) <= 3


@pytest.mark.parametrize(
    ("data", "tolerance"),
    [
        (pillow_bytes(smooth_scene(), "JPEG", quality=100, subsampling=0), 1.6),
        (pillow_bytes(smooth_scene(), "PNG"), 0.51),
        (tiff_bytes(smooth_scene(), photometric="rgb"), 0.51),
        (tiff_bytes(smooth_scene().astype(np.uint16) * 257, photometric="rgb"), 2.1),
    ],
    ids=["jpeg", "png", "tiff", "tiff16"],
)
def test_grey_option_gives_the_luma_of_bt601(put, data, tolerance):
    path = put(data)
    photo, colour = read_photo(path, grey=True), read_photo(path)
    assert photo.grey and photo.pixels.dtype == colour.pixels.dtype
    want = colour.pixels @ np.array([0.299, 0.587, 0.114])  # Rec. ITU-R BT.601
    assert np.max(np.abs(photo.pixels - want)) <= tolerance


def test_pixels_are_read_only(put):
    photo = read_photo(put(pillow_bytes(smooth_scene(), "PNG")))
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels[0, 0] = 0


def test_hash_and_json_block(put):
    data = pillow_bytes(smooth_scene(), "JPEG", exif=exif_block())
    photo = read_photo(put(data, "a.jpg"))
    block = photo.as_json()
    assert block["sha256"] == hashlib.sha256(data).hexdigest()
    assert (block["width_campx"], block["height_campx"], block["kind"]) == (128, 96, "jpeg")
    assert {"path", "sha256", "width_campx", "height_campx", "kind"} <= set(block)


# ------------------------------------------------------------------------------------------------ turning

MAKERS = {
    "jpeg": lambda p, o: pillow_bytes(p, "JPEG", quality=95, subsampling=0, exif=exif_block(o)),
    "png": lambda p, o: pillow_bytes(p, "PNG", exif=exif_block(o)),
    "tiff": lambda p, o: tiff_bytes(p, photometric="rgb", extratags=[(274, "H", 1, o, True)]),
    "tiff-deflate": lambda p, o: tiff_bytes(
        p, photometric="rgb", compression="zlib", extratags=[(274, "H", 1, o, True)]
    ),
    "tiff-big-endian": lambda p, o: tiff_bytes(
        p, photometric="rgb", compression="zlib", byteorder=">", extratags=[(274, "H", 1, o, True)]
    ),
    "heic": lambda p, o: heic_bytes(p, exif=exif_block(o)),
    "avif": lambda p, o: pillow_bytes(p, "AVIF", quality=95, exif=exif_block(o)),
}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", MAKERS)
def test_pictures_come_out_upright(put, kind, orientation):
    stored = smooth_scene()
    reference = Image.fromarray(stored)
    reference.getexif()[274] = orientation
    want = np.asarray(ImageOps.exif_transpose(reference)).astype(int)
    photo = read_photo(put(MAKERS[kind](stored, orientation)))
    assert photo.pixels.shape == want.shape and photo.orientation == orientation
    assert np.mean(np.abs(photo.pixels - want)) < 2
    assert photo.pixels.flags.c_contiguous


def test_first_row_is_the_top(put):
    picture = np.zeros((30, 44, 3), np.uint8)
    picture[:5] = 255
    picture[:, :4, 0] = 255
    photo = read_photo(put(pillow_bytes(picture, "PNG")))
    assert photo.pixels[0].min() == 255 and photo.pixels[-1, 0].tolist() == [255, 0, 0]


def test_heic_is_turned_by_its_container_only(put):
    data = heic_bytes(smooth_scene(), exif=exif_block(1))
    says = struct.pack(">HHIH", 274, 3, 1, 1)
    assert says in data
    photo = read_photo(put(data.replace(says, struct.pack(">HHIH", 274, 3, 1, 6))))
    assert photo.pixels.shape == (96, 128, 3)  # ISO/IEC 23008-12: EXIF orientation is no instruction
    assert photo.exposure_s == pytest.approx(0.05)


# ------------------------------------------------------------------------------------------------ header fields


@pytest.mark.parametrize("kind", ["jpeg", "png", "avif", "heic"])
def test_exif_fields(put, kind):
    photo = read_photo(put(MAKERS[kind](smooth_scene(), 1)))
    assert photo.exposure_s == pytest.approx(0.05)
    assert (photo.iso, photo.f_number, photo.focal_mm, photo.focal_35mm) == (200, 4, 50, 75)
    assert (photo.make, photo.model, photo.lens) == ("Invented", "Ferry", "Invented 50 mm")
    assert photo.notes == ()


def test_fields_in_the_main_directory_count_too(put):
    tags = [(33434, "2I", 1, (1, 30), True), (34855, "H", 1, 400, True), (272, "s", 0, "Ferry", True)]
    photo = read_photo(put(tiff_bytes(SIXTEEN, photometric="rgb", extratags=tags)))
    assert photo.exposure_s == pytest.approx(1 / 30) and photo.iso == 400 and photo.model == "Ferry"


def test_absurd_exif_is_left_out_and_said(put):
    exif = exif_block(exposure_s=1e6, iso=0)
    exif[274] = 77
    exif[271] = "A\x1b[31m" + "B" * 5000
    photo = read_photo(put(pillow_bytes(smooth_scene(), "JPEG", exif=exif)))
    assert photo.exposure_s is None and photo.iso is None and photo.orientation == 1
    assert len(photo.make) <= 100 and photo.make.isprintable()
    assert any("exposure_s" in note for note in photo.notes) and any("orientation" in note for note in photo.notes)


def test_rational_with_a_zero_below_is_no_number(put):
    data = bytearray(pillow_bytes(smooth_scene(), "JPEG", exif=exif_block()))
    at = data.index(struct.pack(">II", 1, 20))
    data[at + 4 : at + 8] = b"\x00" * 4
    assert read_photo(put(bytes(data))).exposure_s is None


def test_shutter_speed_stands_in_for_the_exposure(put):
    exif = exif_block()
    del exif.get_ifd(34665)[33434]
    exif.get_ifd(34665)[37377] = 5.0  # APEX: 2**-5 s (CIPA DC-008)
    assert read_photo(put(pillow_bytes(smooth_scene(), "JPEG", exif=exif))).exposure_s == pytest.approx(1 / 32)


def test_cut_exif_does_not_spoil_the_picture(put):
    block = exif_block().tobytes()[:30]
    photo = read_photo(put(pillow_bytes(smooth_scene(), "JPEG", exif=block)))
    assert photo.exposure_s is None and photo.pixels.shape == (96, 128, 3)


def test_names_with_odd_bytes(tmp_path):
    path = os.fsencode(tmp_path) + b"/f\xe9rry\n.png"
    with open(path, "wb") as stream:
        stream.write(pillow_bytes(smooth_scene(), "PNG"))
    photo = read_photo(path)
    assert "\n" not in photo.as_json()["path"] and photo.as_json()["path"].encode()


# ------------------------------------------------------------------------------------------------ the record


def test_record_checks_itself():
    tone = Tone(name="linear", source="assumed")
    good = dict(path="a", kind="video", full_scale=255.0, tone=tone)
    photo = Photo(pixels=np.zeros((4, 6, 3), np.uint8), **good)
    assert (photo.height_campx, photo.width_campx, photo.grey) == (4, 6, False)
    for change in (
        {"pixels": np.zeros((4, 6, 4), np.uint8)},
        {"pixels": np.zeros((4, 6), np.int32)},
        {"pixels": np.zeros((4, 6), np.uint8), "kind": "gif"},
        {"pixels": np.zeros((4, 6), np.uint8), "black_code": 255.0},
    ):
        with pytest.raises(ValueError):
            Photo(**{**good, **change})


def test_share_runs_from_black_to_full_scale(put):
    photo = read_photo(put(dng_bytes(np.full((32, 48), 512, np.uint16))))
    assert photo.share(photo.black_code) == 0 and photo.share(photo.full_scale) == 1


def test_profile_by_pillow_is_recognised(put):
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for kind in ("JPEG", "PNG", "TIFF"):
        photo = read_photo(put(pillow_bytes(smooth_scene(), kind, icc_profile=icc)))
        assert (photo.tone.name, photo.tone.source) == ("srgb", "icc")
        assert "sRGB" in photo.colour_space


def test_errors_are_of_the_common_family():
    assert issubclass(PhotoError, BlurscopeError)


def test_pictures_of_one_size_do_not_share_memory(put):
    """What is kept of a picture to be taken again is nothing that its photo shows."""
    height, width = 1200, 1600
    ramp = np.linspace(0, 255, width).astype(np.uint8)
    first, second = (np.tile(row, (height, 1)) for row in (ramp, ramp[::-1]))
    paths = [put(cv_png(pixels), f"{i}.png") for i, pixels in enumerate((first, second, first))]
    photos = [read_photo(path).pixels for path in paths]
    for pixels, truth in zip(photos, (first, second, first), strict=True):
        assert np.array_equal(pixels, truth)
    assert not any(np.shares_memory(photos[0], pixels) for pixels in photos[1:])
