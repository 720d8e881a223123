"""Tone curves that headers state, against a colour library and the published formulas."""

from __future__ import annotations

import struct
import zlib

import colour
import numpy as np
import pytest
from photo_makers import exif_block, pillow_bytes, scene, smooth_scene, tiff_bytes
from PIL import Image, PngImagePlugin

from blurscope.photo import Tone, read_photo, tone
from blurscope.photo.icc import read_profile

X = np.linspace(0, 1, 257)


@pytest.fixture
def read(tmp_path):
    """Write bytes to a file and read it as a photo."""

    def go(data: bytes):
        path = tmp_path / "photo.bin"
        path.write_bytes(data)
        return read_photo(path)

    return go


@pytest.mark.parametrize(
    ("curve", "reference"),
    [
        (tone.srgb("icc"), colour.models.eotf_sRGB(X)),  # IEC 61966-2-1
        (tone.from_transfer_code(1, "nclx"), colour.models.oetf_inverse_BT709(X)),  # ITU-R BT.709
        (tone.from_transfer_code(18, "nclx"), colour.models.oetf_inverse_BT2100_HLG(X)),  # ITU-R BT.2100
        (tone.from_transfer_code(16, "nclx"), colour.models.eotf_BT2100_PQ(X) / 10000),  # ITU-R BT.2100
        (tone.power(2.2, "icc"), X**2.2),
        (tone.linear("icc"), X),
    ],
    ids=["srgb", "bt709", "hlg", "pq", "gamma", "linear"],
)
def test_curves_against_a_colour_library(curve, reference):
    # BT.709 is published with rounded constants, which leaves a step of 3e-4 at the joint
    np.testing.assert_allclose(curve.to_light(X), reference, atol=3e-4 if curve.name == "parametric" else 1e-9)


@pytest.mark.parametrize("code", [1, 4, 5, 8, 13, 16, 18])
def test_curves_rise_from_zero_to_one_and_swallow_what_is_outside(code):
    curve = tone.from_transfer_code(code, "nclx")
    light = curve.to_light(X)
    assert abs(light[0]) < 1e-9 and light[-1] == pytest.approx(1, abs=1e-6) and np.all(np.diff(light) >= 0)
    assert np.all(np.isfinite(curve.to_light(np.array([-0.2, 1.3]))))


def test_unspecified_transfer_codes_state_nothing():
    assert tone.from_transfer_code(2, "nclx") is None and tone.from_transfer_code(0, "nclx") is None


def test_tables_are_recognised():
    assert tone.tabulated(X, "icc").name == "linear"
    assert tone.tabulated(colour.models.eotf_sRGB(X), "icc").name == "srgb"
    gamma = tone.tabulated(X**1.8, "icc")
    assert gamma.name == "gamma" and gamma.gamma == pytest.approx(1.8, abs=0.001)
    curve = 3 * X**2 - 2 * X**3
    other = tone.tabulated(curve, "icc")
    assert other.name == "table"
    np.testing.assert_allclose(other.to_light(X), curve, atol=1e-12)
    for bad in (X[::-1], X * np.nan, np.zeros(5), np.ones(1)):
        assert tone.tabulated(bad, "icc") is None


def test_unknown_names_are_a_programmers_mistake():
    with pytest.raises(ValueError, match="unknown tone"):
        Tone(name="cubic", source="icc")


# ------------------------------------------------------------------------------------------------ ICC


def profile(tag: bytes, body: bytes) -> bytes:
    """A profile with one curve, as ICC.1 lays it out."""
    text = "Ferry grey".encode("utf-16-be")
    desc = b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(text), 28) + text
    at = 128 + 4 + 24
    table = struct.pack(">I", 2)
    table += struct.pack(">4sII", tag, at, len(body)) + struct.pack(">4sII", b"desc", at + len(body), len(desc))
    return bytes(128) + table + body + desc


def fixed(*values: float) -> bytes:
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def para(kind: int, *values: float) -> bytes:
    return b"para" + bytes(4) + struct.pack(">HH", kind, 0) + fixed(*values)


def curv(*values: int) -> bytes:
    return b"curv" + bytes(4) + struct.pack(f">I{len(values)}H", len(values), *values)


@pytest.mark.parametrize(
    ("body", "name", "reference"),
    [
        (curv(), "linear", X),
        (curv(563), "gamma", X ** (563 / 256)),
        (curv(*np.rint(65535 * colour.models.eotf_sRGB(X)).astype(int)), "srgb", colour.models.eotf_sRGB(X)),
        (para(0, 1.8), "gamma", X**1.8),
        (para(0, 1.0), "linear", X),
        (para(1, 2.0, 0.9, 0.1), "parametric", (0.9 * X + 0.1) ** 2),
        (para(2, 2.0, 0.8, 0.0, 0.1), "parametric", (0.8 * X) ** 2 + 0.1),
        (para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), "srgb", colour.models.eotf_sRGB(X)),
        (
            para(4, 2.0, 0.9, 0.05, 0.2, 0.25, 0.01, 0.02),
            "parametric",
            np.where(X >= 0.25, (0.9 * X + 0.05) ** 2 + 0.01, 0.2 * X + 0.02),
        ),
    ],
    ids=["identity", "u8.8", "table", "gamma", "gamma-1", "type-1", "type-2", "type-3", "type-4"],
)
@pytest.mark.parametrize("tag", [b"kTRC", b"gTRC"])
def test_icc_curves(body, name, reference, tag):
    curve, description = read_profile(profile(tag, body))
    assert (curve.name, curve.source, description) == (name, "icc", "Ferry grey")
    np.testing.assert_allclose(curve.to_light(X), reference, atol=1e-4)  # s15Fixed16 rounds to 1.5e-5


@pytest.mark.parametrize("cut", [0, 5, 128, 131, 140, 160, 165])
def test_cut_profiles_state_nothing(cut):
    assert read_profile(profile(b"kTRC", curv(563))[:cut])[0] is None


def test_profiles_with_nonsense_state_nothing():
    for body in (b"curv" + bytes(4) + struct.pack(">I", 2**31), para(9, 1.0), para(0, 500.0), curv(0), b"text1234efgh"):
        assert read_profile(profile(b"kTRC", body))[0] is None


def test_icc_gamma_in_files(read):
    icc = profile(b"kTRC", curv())
    grey = smooth_scene()[:, :, 0]
    for kind in ("JPEG", "PNG", "TIFF"):
        photo = read(pillow_bytes(grey, kind, icc_profile=icc))
        assert photo.linear and photo.tone.source == "icc" and photo.colour_space == "Ferry grey"


def test_a_long_profile_in_pieces(read):
    """JPEG cuts profiles into segments of 64 KiB."""
    values = np.rint(65535 * np.linspace(0, 1, 40_000) ** 1.8).astype(int)
    photo = read(pillow_bytes(smooth_scene(), "JPEG", icc_profile=profile(b"gTRC", curv(*values))))
    assert photo.tone.name == "gamma" and photo.tone.gamma == pytest.approx(1.8, abs=0.002)


# ------------------------------------------------------------------------------------------------ other statements


def png_with(*chunks: tuple[bytes, bytes]) -> bytes:
    info = PngImagePlugin.PngInfo()
    for kind, body in chunks:
        info.add(kind, body)
    return pillow_bytes(Image.fromarray(smooth_scene()), "PNG", pnginfo=info)


def test_png_statements(read):
    gama = (b"gAMA", struct.pack(">I", 100_000))
    photo = read(png_with(gama))
    assert photo.linear and photo.tone.source == "png"
    photo = read(png_with((b"gAMA", struct.pack(">I", 45455))))
    assert photo.tone.name == "gamma" and photo.tone.gamma == pytest.approx(2.2, abs=1e-3)
    assert read(png_with((b"sRGB", b"\x00"), gama)).tone.name == "srgb"  # sRGB goes before gAMA
    assert read(png_with((b"cICP", bytes([9, 16, 0, 1])), (b"sRGB", b"\x00"))).tone.name == "pq"  # and cICP before all


def test_a_png_profile_that_inflates_without_end_is_left_out(read):
    body = b"x\x00\x00" + zlib.compress(bytes(40_000_000), 1)
    photo = read(png_with((b"iCCP", body)))
    assert photo.tone.source == "assumed" and photo.colour_space == ""


def test_exif_statements(read):
    jpeg = smooth_scene()
    assert read(pillow_bytes(jpeg, "JPEG")).tone.source == "assumed"
    photo = read(pillow_bytes(jpeg, "JPEG", exif=exif_block(tag_40961=1)))
    assert (photo.tone.name, photo.tone.source, photo.colour_space) == ("srgb", "exif", "sRGB")
    photo = read(pillow_bytes(jpeg, "JPEG", exif=exif_block(tag_40961=2)))
    assert photo.colour_space == "Adobe RGB"
    assert photo.tone.gamma == pytest.approx(563 / 256)  # Adobe RGB (1998), 4.3.1.2
    exif = exif_block(tag_40961=65535)
    exif.get_ifd(34665)[40965] = {1: "R03"}
    assert read(pillow_bytes(jpeg, "JPEG", exif=exif)).colour_space == "Adobe RGB"  # CIPA DC-008, A.3


def test_tiff_statements(read):
    pixels = scene()
    assert read(tiff_bytes(pixels, photometric="rgb")).tone.source == "assumed"
    photo = read(tiff_bytes(pixels, photometric="rgb", extratags=[(42240, "2I", 1, (1, 1), True)]))
    assert photo.linear and photo.tone.source == "exif"
    table = tuple(range(65536))
    photo = read(tiff_bytes(pixels, photometric="rgb", extratags=[(301, "H", 65536, table, True)]))
    assert photo.linear and photo.tone.source == "tiff"  # TIFF 6.0, section 20: TransferFunction
    table = tuple(np.rint(65535 * (np.arange(256) / 255) ** 2.2).astype(int).tolist())
    photo = read(tiff_bytes(smooth_scene(), photometric="rgb", extratags=[(301, "H", 256, table, True)]))
    assert photo.tone.name == "gamma" and photo.tone.gamma == pytest.approx(2.2, abs=0.002)


def test_share_and_tone_undo_the_encoding(read):
    light = np.linspace(0, 1, 200)
    codes = np.rint(255 * colour.models.eotf_inverse_sRGB(light)).astype(np.uint8)
    photo = read(pillow_bytes(np.tile(codes, (9, 1)), "PNG"))
    back = photo.tone.to_light(photo.share(photo.pixels[0]))
    np.testing.assert_allclose(back, light, atol=0.5 / 255 * 2.4)  # half a code times the steepest slope
