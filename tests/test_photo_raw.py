"""RAW: linear, black and white in place, every mosaic, no sharpening, nothing below black cut off."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from photo_makers import dng_bytes, scene, tiff_bytes

from blurscope.errors import PhotoError
from blurscope.photo import raw, read_photo

PATTERNS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}
BLACK, WHITE = 512, 16383


@pytest.fixture
def photo_of(tmp_path):
    """Write a DNG around a mosaic and read it."""

    def read(mosaic, *, planes=False, grey=False, **options):
        path = tmp_path / "photo.dng"
        path.write_bytes(dng_bytes(mosaic, black=BLACK, white=WHITE, **options))
        return read_photo(path, planes=planes, grey=grey)

    return read


def mosaic_of(colour: np.ndarray, pattern: tuple[int, ...]) -> np.ndarray:
    """Sample a (H, W, 3) picture through a 2 x 2 mosaic."""
    out = np.empty(colour.shape[:2], np.uint16)
    for k, channel in enumerate(pattern):
        out[k // 2 :: 2, k % 2 :: 2] = colour[k // 2 :: 2, k % 2 :: 2, channel]
    return out


@pytest.mark.parametrize("name", PATTERNS)
def test_each_mosaic_gives_each_channel_its_light(photo_of, name):
    neutral = (0.5, 1.0, 0.625)
    light = np.array([0.11, 0.42, 0.23])  # of full scale, after white balance, equal gains undone below
    codes = np.rint(BLACK + light * np.array(neutral) * (WHITE - BLACK))
    flat = np.broadcast_to(codes, (40, 64, 3))
    photo = photo_of(mosaic_of(flat, PATTERNS[name]), pattern=PATTERNS[name], neutral=neutral)
    assert photo.kind == "raw" and photo.linear and photo.demosaic == "bilinear"
    assert photo.pixels.dtype == np.uint16 and photo.pixels.shape == (40, 64, 3)
    inner = photo.share(photo.pixels[4:-4, 4:-4].reshape(-1, 3))
    np.testing.assert_allclose(inner, np.broadcast_to(light, inner.shape), atol=1.5 / (WHITE - BLACK))


def test_known_samples_stay_and_ramps_are_exact(photo_of):
    y, x = np.mgrid[0:40, 0:64]
    ramp = np.repeat((1000 + 40 * x + 30 * y)[:, :, None], 3, axis=2)
    photo = photo_of(mosaic_of(ramp, PATTERNS["RGGB"]), neutral=(1.0, 1.0, 1.0))
    want = raw.PEDESTAL + (ramp - BLACK) * (raw.FULL - raw.PEDESTAL) / (WHITE - BLACK)
    # linear interpolation reproduces a plane; each of two rounding steps costs half a code
    np.testing.assert_allclose(photo.pixels[2:-2, 2:-2], want[2:-2, 2:-2], atol=1.01)


def test_response_does_not_depend_on_contrast(photo_of):
    """A step of twice the height gives twice the picture: the interpolation is linear, no sharpening, no adapting."""
    rng = np.random.default_rng(3)
    shape = 2000 + np.rint(rng.random((40, 64, 3)) * 1000) * 2
    shape[:, 30:] += 3000
    small, large = (
        photo_of(mosaic_of(BLACK + k * shape, PATTERNS["RGGB"]), neutral=(1.0, 1.0, 1.0)).pixels.astype(float)
        - raw.PEDESTAL
        for k in (1, 2)
    )
    np.testing.assert_allclose(large, 2 * small, atol=3.01)


def test_noise_below_black_is_kept(photo_of, rng):
    mosaic = np.rint(BLACK + rng.normal(0, 20, (200, 300))).astype(np.uint16)
    photo = photo_of(mosaic, neutral=(1.0, 1.0, 1.0))
    green = photo.share(photo.pixels[:, :, 1]) * (WHITE - BLACK)
    assert photo.pixels.min() > 0 and photo.black_code == raw.PEDESTAL
    # the mean of 30 000 green samples of sd 20: 4 sigma, interpolated ones adding nothing to the mean
    assert abs(green.mean() - (mosaic.astype(float) - BLACK).mean()) < 4 * 20 / np.sqrt(30_000)


def test_a_clipped_sensor_pixel_is_clipped_in_every_channel(photo_of):
    photo = photo_of(np.full((40, 64), WHITE, np.uint16), neutral=(0.5, 1.0, 0.625))
    assert photo.clip_code == 65535 and np.all(photo.pixels == 65535)


def test_fourteen_bits_arrive_whole(photo_of):
    mosaic = (scene(60, 80)[:, :, 0] >> 2) // 2 + BLACK
    photo = photo_of(mosaic, neutral=(1.0, 1.0, 1.0))
    red = photo.share(photo.pixels[0::2, 0::2, 0]) * (WHITE - BLACK) + BLACK
    np.testing.assert_array_equal(np.rint(red)[1:-1, 1:-1], mosaic[0::2, 0::2][1:-1, 1:-1])  # the rim is copied


@pytest.mark.parametrize("name", PATTERNS)
def test_planes_are_the_samples_themselves(photo_of, name):
    pattern = PATTERNS[name]
    mosaic = (scene(40, 64)[:, :, 0] >> 2) // 2 + BLACK
    photo = photo_of(mosaic, pattern=pattern, neutral=(1.0, 1.0, 1.0), planes=True)
    assert photo.demosaic == "planes" and photo.pixels.shape == (20, 32, 3)
    back = photo.share(photo.pixels) * (WHITE - BLACK) + BLACK
    cells = {k: mosaic[k // 2 :: 2, k % 2 :: 2] for k in range(4)}
    np.testing.assert_array_equal(np.rint(back[:, :, 0]), cells[pattern.index(0)])
    np.testing.assert_array_equal(np.rint(back[:, :, 2]), cells[pattern.index(2)])
    greens = [cells[k].astype(float) for k in range(4) if pattern[k] == 1]
    np.testing.assert_allclose(back[:, :, 1], (greens[0] + greens[1]) / 2, atol=0.5)


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_raw_is_turned_upright(photo_of, orientation):
    y, x = np.mgrid[0:40, 0:64]
    mosaic = (1000 + 20 * x + 90 * y).astype(np.uint16)
    stored = photo_of(mosaic, neutral=(1.0, 1.0, 1.0)).pixels
    turned = photo_of(mosaic, neutral=(1.0, 1.0, 1.0), orientation=orientation)
    want = np.rot90(stored, {3: 2, 6: -1, 8: 1}[orientation])
    np.testing.assert_array_equal(turned.pixels, want)
    assert turned.orientation == orientation


def test_grey_option(photo_of):
    photo = photo_of(np.full((40, 64), 5000, np.uint16), neutral=(1.0, 1.0, 1.0), grey=True)
    assert photo.grey and np.ptp(photo.pixels) == 0
    assert photo.share(photo.pixels[0, 0]) * (WHITE - BLACK) == pytest.approx(5000 - BLACK, abs=0.5)


def test_header_fields(photo_of):
    photo = photo_of(np.full((40, 64), 5000, np.uint16))
    assert photo.exposure_s == pytest.approx(0.05) and photo.iso == 200
    assert (photo.make, photo.model) == ("Invented", "Ferry")


def test_linear_dng_without_a_mosaic(photo_of):
    colour = scene(40, 64) >> 2
    photo = photo_of(colour, photometric=34892, neutral=(1.0, 1.0, 1.0))
    back = photo.share(photo.pixels) * (WHITE - BLACK) + BLACK
    np.testing.assert_array_equal(np.rint(back), colour)
    assert photo.demosaic == "none"


def test_a_mosaic_of_another_period():
    colours = np.array(
        [
            [1, 1, 0, 1, 1, 2],
            [1, 1, 2, 1, 1, 0],
            [2, 0, 1, 0, 2, 1],
            [1, 1, 2, 1, 1, 0],
            [1, 1, 0, 1, 1, 2],
            [0, 2, 1, 2, 0, 1],
        ]
    )
    full = np.tile(colours, (8, 10))[:45, :58]
    light = np.array([3000, 20000, 50000])
    out = raw._interpolate(light[full].astype(np.uint16), colours)
    assert np.all(out == light)
    y, x = np.mgrid[0:45, 0:58]
    plane = 5000 + 300 * x + 200 * y
    out = raw._interpolate(plane.astype(np.uint16), colours)
    assert np.all(out[full == 0, 0] == plane[full == 0])
    assert np.max(np.abs(out[3:-3, 3:-3].astype(float) - plane[3:-3, 3:-3, None])) < 400  # within a pixel's step


def test_without_the_library_one_sentence_says_what_to_install(tmp_path, monkeypatch):
    path = tmp_path / "photo.dng"
    path.write_bytes(dng_bytes(np.full((40, 64), 5000, np.uint16)))
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match="pip install rawpy"):
        read_photo(path)
    path.write_bytes(b"\x00\x00\x00\x18ftypheic" + b"\x00" * 64)
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(PhotoError, match="pip install pillow-heif"):
        read_photo(path)


def test_a_tiff_named_as_raw_is_refused(tmp_path):
    path = tmp_path / "photo.nef"
    path.write_bytes(tiff_bytes(scene(), photometric="rgb"))
    with pytest.raises(PhotoError, match="RAW"):
        read_photo(path)
