"""One scene through every kind of file: the same figures, all bits kept, and the curve that the file states used."""

from __future__ import annotations

import importlib.util
import io
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from photo_makers import dng_bytes, pillow_bytes, tiff_bytes
from PIL import Image

import blurscope as bs
from blurscope.camera import Camera, Display, Response, film
from blurscope.camera.truth import transition_truth
from blurscope.pattern.budget import make_layouts
from blurscope.photo import read_photo
from blurscope.photo.tone import srgb

RESPONSE = Response(shape="exponential", time_ms=9.0)
FIGURES = ("bew_px", "bet_ms", "ghost_ms", "response_ms")
BLACK, WHITE = 512, 16383
NEUTRAL = (0.5, 1.0, 0.625)


@lru_cache(maxsize=1)
def plate():
    return make_layouts(480, 320, px_per_refresh=8, levels=3)[0][0]


@lru_cache(maxsize=8)
def codes(tone: str, bits: int, gamma: float = 2.2) -> np.ndarray:
    """The codes of the scene by a camera with that curve; the same light and the same noise each time."""
    camera = Camera(campx_per_px=3.0, tone=tone, tone_gamma=gamma, bits=bits, file_format="tiff")
    return film(plate(), Display(response=RESPONSE), camera, seed=3).codes


@lru_cache(maxsize=1)
def truths() -> dict[tuple[int, int], dict]:
    layout = plate()
    screen = Display(response=RESPONSE)
    v, hz = layout.px_per_refresh, layout.refresh_hz
    return {(a, b): transition_truth(screen, a, b, v, hz) for a, b in layout.transitions()}


def colour(grey: np.ndarray) -> np.ndarray:
    return np.dstack([grey] * 3)


def as_dng() -> bytes:
    """The scene through a mosaic, with the gains that its white balance undoes, 14 bits above a black level."""
    light = codes("linear", 16) / 65535
    mosaic = np.empty(light.shape)
    for k, channel in enumerate((0, 1, 1, 2)):
        mosaic[k // 2 :: 2, k % 2 :: 2] = light[k // 2 :: 2, k % 2 :: 2] * NEUTRAL[channel]
    return dng_bytes(np.rint(BLACK + mosaic * (WHITE - BLACK)).astype(np.uint16), black=BLACK, white=WHITE)


def as_heic(bits: int) -> bytes:
    heif = pytest.importorskip("pillow_heif")
    stream = io.BytesIO()
    if bits == 8:
        file = heif.from_pillow(Image.fromarray(colour(codes("srgb", 8))))
    else:
        picture = colour(codes("srgb", 16))
        file = heif.from_bytes("RGB;16", picture.shape[1::-1], picture.astype("<u2").tobytes())
    file.save(stream, quality=95, enc_params={"preset": "ultrafast"})
    return stream.getvalue()


def as_avif(bits: int) -> bytes:
    picture = colour(codes("srgb", bits if bits == 8 else 16))
    picture = picture if bits == 8 else picture >> (16 - bits)
    options = [cv2.IMWRITE_AVIF_DEPTH, bits, cv2.IMWRITE_AVIF_QUALITY, 95, cv2.IMWRITE_AVIF_SPEED, 9]
    return cv2.imencode(".avif", picture, options)[1].tobytes()


def profile(curve: bytes) -> bytes:
    """An ICC profile of three equal channels with that curve (ICC.1, 7.2 and 10.6): all a reader of tone needs."""
    tags = [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    head = bytearray(128)
    head[8:12], head[12:24], head[36:40] = b"\x04\x30\0\0", b"mntrRGB XYZ ", b"acsp"
    place = 132 + 12 * len(tags)
    table = len(tags).to_bytes(4, "big")
    for name, body in tags:
        table += name + place.to_bytes(4, "big") + len(body).to_bytes(4, "big")
    data = bytes(head) + table + curve
    return len(data).to_bytes(4, "big") + data[4:]


def number(value: float) -> bytes:
    return round(value * 65536).to_bytes(4, "big", signed=True)


# Display P3 has the curve of IEC 61966-2-1 (SMPTE EG 432-1 primaries; Apple's profile: a parametric curve of type 3)
P3 = b"para\0\0\0\0\0\x03\0\0" + b"".join(number(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
GAMMA = b"curv\0\0\0\0\0\0\0\x01" + round(563 / 256 * 256).to_bytes(2, "big")  # Adobe RGB (1998), 4.3.4.2: 563/256
NONE = b"curv\0\0\0\0\0\0\0\0"  # no entries: linear


def png16(picture: np.ndarray) -> bytes:
    return cv2.imencode(".png", picture)[1].tobytes()


FORMATS = {
    "jpeg q95": (".jpg", lambda: pillow_bytes(colour(codes("srgb", 8)), "JPEG", quality=95)),
    "jpeg q95 444": (".jpg", lambda: pillow_bytes(colour(codes("srgb", 8)), "JPEG", quality=95, subsampling=0)),
    "jpeg progressive": (".jpg", lambda: pillow_bytes(colour(codes("srgb", 8)), "JPEG", quality=95, progressive=True)),
    "png 16": (".png", lambda: png16(codes("srgb", 16))),
    "png 16 colour": (".png", lambda: png16(colour(codes("srgb", 16)))),
    "tiff 16": (".tif", lambda: tiff_bytes(colour(codes("srgb", 16)), photometric="rgb")),
    "tiff 16 deflate": (".tif", lambda: tiff_bytes(codes("srgb", 16), photometric="minisblack", compression="zlib")),
    "tiff float": (".tif", lambda: tiff_bytes((codes("linear", 16) / 65535).astype(np.float32))),
    "dng": (".dng", as_dng),
    "heic 8": (".heic", lambda: as_heic(8)),
    "heic 10": (".heic", lambda: as_heic(10)),
    "avif 8": (".avif", lambda: as_avif(8)),
    "avif 10": (".avif", lambda: as_avif(10)),
    "display p3": (
        ".jpg", lambda: pillow_bytes(colour(codes("srgb", 8)), "JPEG", quality=95, icc_profile=profile(P3))
    ),
    "gamma 2.2": (
        ".jpg",
        lambda: pillow_bytes(colour(codes("gamma", 8, 563 / 256)), "JPEG", quality=95, icc_profile=profile(GAMMA)),
    ),
    "linear by profile": (
        ".tif", lambda: tiff_bytes(codes("linear", 16), photometric="minisblack", iccprofile=profile(NONE))
    ),
}  # fmt: skip
RAW_LIBRARY = importlib.util.find_spec("rawpy") is not None


@dataclass(frozen=True)
class Case:
    path: Path
    result: bs.Measurement


@pytest.fixture(scope="module")
def case_of(tmp_path_factory):
    folder = tmp_path_factory.mktemp("formats")

    @cache
    def make(name: str) -> Case:
        if name == "dng" and not RAW_LIBRARY:
            pytest.skip("rawpy is not installed")
        suffix, encode = FORMATS[name]
        path = folder / f"{name.replace(' ', '_')}{suffix}"
        path.write_bytes(encode())
        return Case(path, bs.measure(path, pattern=plate(), label="Alder"))

    return make


def figures(result: bs.Measurement, name: str) -> dict[tuple[int, int], tuple[float, float]]:
    found = {(e.from_level, e.to_level): e.figures[name] for e in result.edges if e.ok}
    return {k: (q.value, q.u95) for k, q in found.items() if q.value is not None}


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_has_the_true_figures(case_of, name):
    """Against the truth, and against the picture before it was put into a file."""
    result = case_of(name).result
    assert len(figures(result, "bet_ms")) == len(plate().transitions())
    for figure in FIGURES:
        for pair, (value, u95) in figures(result, figure).items():
            true = truths()[pair][figure]
            # 1.5: of 6 figures each in 16 files the worst may be out a little, 95 % of them not
            assert abs(value - true) <= 1.5 * u95, (figure, pair, value, u95, true)


@pytest.mark.parametrize("name", [n for n in FORMATS if n != "tiff 16"])
def test_all_formats_agree_within_u95(case_of, name):
    reference = case_of("tiff 16").result
    for figure in FIGURES:
        mine, theirs = figures(case_of(name).result, figure), figures(reference, figure)
        assert mine.keys() == theirs.keys()
        for pair, (value, u95) in mine.items():
            assert abs(value - theirs[pair][0]) <= np.hypot(u95, theirs[pair][1]), (figure, pair)


@pytest.mark.parametrize("name", ["png 16", "png 16 colour", "tiff 16", "tiff 16 deflate", "linear by profile"])
def test_sixteen_bits_are_not_cut_to_eight(case_of, name):
    photo = read_photo(case_of(name).path)
    stored = codes("linear" if name == "linear by profile" else "srgb", 16)
    np.testing.assert_array_equal(photo.pixels if photo.grey else photo.pixels[:, :, 1], stored)
    assert np.unique(photo.pixels & 0xFF).size == 256


@pytest.mark.parametrize(("name", "bits", "error"), [("heic 10", 10, 6.0), ("avif 10", 10, 6.0), ("dng", 14, 1.0)])
def test_deep_files_keep_more_than_eight_bits(case_of, name, bits, error):
    """More levels in a smooth field than 8 bits have, and closer to what was stored than 8 bits could be.

    ``error`` is the mean departure in codes of the file's own depth; cutting to 8 bits would leave 1/4 of the levels.
    """
    photo = read_photo(case_of(name).path)
    assert photo.pixels.dtype == np.uint16 and photo.bit_depth >= bits
    stored = codes("linear" if name == "dng" else "srgb", 16) / 65535
    seen = photo.share(photo.pixels[:, :, 1].astype(float))
    top = 2**bits - 1
    assert np.abs(seen - stored)[::2, 1::2].mean() * top < error  # of the mosaic: green's own samples
    assert np.unique(np.rint(seen * top)).size > 2 * 256


@pytest.mark.parametrize(
    ("name", "curve", "gamma"),
    [
        ("display p3", "srgb", None),
        ("gamma 2.2", "gamma", 563 / 256),
        ("linear by profile", "linear", None),
        ("dng", "linear", None),
        ("tiff float", "linear", None),
    ],
)
def test_the_curve_that_the_file_states_is_known(case_of, name, curve, gamma):
    photo = read_photo(case_of(name).path)
    assert photo.tone.name == curve
    assert gamma is None or photo.tone.gamma == pytest.approx(gamma, abs=0.002)


def test_linear_files_are_measured_as_such(case_of):
    for name in ("dng", "tiff float", "linear by profile"):
        assert case_of(name).result.blocks["light"]["method"] == "linear_file", name
    for name in ("gamma 2.2", "display p3", "jpeg q95"):
        assert case_of(name).result.blocks["light"]["method"] == "row_halftones", name


def test_light_by_the_stated_curve_is_that_of_the_scene(case_of):
    """The stated curve alone, without the plate's greys, gives the scene's light back."""
    light = codes("linear", 16) / 65535
    for name, error in (("display p3", 0.012), ("gamma 2.2", 0.012), ("linear by profile", 1e-9)):
        photo = read_photo(case_of(name).path)
        plane = photo.pixels if photo.grey else photo.pixels[:, :, 1]
        seen = photo.tone.to_light(photo.share(plane.astype(float)))
        assert np.sqrt(np.mean((seen - light) ** 2)) < error, name


def test_a_wrong_curve_would_be_seen(case_of):
    """The comparison above has teeth: without a curve, or by sRGB's near black, it isn't within its limit."""
    path = case_of("gamma 2.2").path
    light = codes("linear", 16) / 65535
    photo = read_photo(path)
    plane = photo.share(photo.pixels[:, :, 1].astype(float))
    assert np.sqrt(np.mean((plane - light) ** 2)) > 0.1
    dark = light < 0.002
    by_srgb, by_file = srgb("assumed").to_light(plane[dark]).mean(), photo.tone.to_light(plane[dark]).mean()
    assert abs(by_file / light[dark].mean() - 1) < 0.05 < 0.5 < abs(by_srgb / light[dark].mean() - 1)
