"""Seams of damaged JPEGs: what shifts after a wrong bit is found; what a lens or a program draws is no seam."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from photo_makers import pillow_bytes
from PIL import Image

from blurscope._cv import cv2
from blurscope.errors import PhotoError
from blurscope.photo import read_photo
from blurscope.photo.jpeg import coded_units
from blurscope.photo.opencv import imdecode_jpeg
from blurscope.photo.seam import _means, find_seam

SHIFT = 6  # codes, from which a shift to the end of the picture must be found in an even margin


def bright_screen(rng: np.random.Generator, noise: float = 0.7) -> np.ndarray:
    """A lit screen with stripes in a dark room, out of focus by a pixel, 360 x 480."""
    picture = np.full((360, 480), 24.0)
    picture[60:300, 70:410] = 90 + 60 * np.sin(np.arange(240) / 5.0)[:, None]
    picture = cv2.GaussianBlur(picture, (0, 0), 1.2) + rng.normal(0, noise, picture.shape)
    return picture.clip(0, 255).round().astype(np.uint8)


def jpeg(picture: np.ndarray, quality: int = 95, **options) -> bytes:
    return pillow_bytes(picture, "JPEG", quality=quality, **options)


def with_a_wrong_bit(data: bytes, rng: random.Random) -> bytes:
    """Flip a bit of the first scan, such that no marker comes or goes."""
    start = data.index(b"\xff\xda") + 12
    end = re.compile(rb"\xff[^\x00]").search(data, start).start()
    while True:
        at, bit = rng.randrange(start, end - 1), 1 << rng.randrange(8)
        if 255 not in (data[at - 1], data[at], data[at] ^ bit):
            return data[:at] + bytes([data[at] ^ bit]) + data[at + 1 :]


@pytest.mark.parametrize("progressive", [False, True])
def test_what_shifts_to_the_end_after_a_wrong_bit_is_refused_and_told_where(tmp_path, rng, progressive):
    """Shifts as the difference from the sound picture shows them; most are found, and the row is that of the damage."""
    data = jpeg(bright_screen(rng), progressive=progressive)
    sound = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE).astype(int)
    flips, found, shifted = random.Random(5), 0, 0
    path = tmp_path / "shot.jpg"
    for _ in range(500):
        wrong = with_a_wrong_bit(data, flips)
        (now,), _ = imdecode_jpeg(wrong, cv2.IMREAD_GRAYSCALE)
        if now is None or now.shape != sound.shape:
            continue
        rest = now.astype(int) - sound
        first = int(np.flatnonzero(np.abs(rest).max(axis=1))[0]) if rest.any() else 0
        path.write_bytes(wrong)
        try:
            read_photo(path)
            refused = ""
        except PhotoError as exc:
            refused = str(exc)
        if "wrong bit" in refused:
            row = int(refused.split("after row ")[1].split()[0])
            assert abs(row - first) <= 8 and np.abs(np.median(rest[-8:])) >= 2
        even = np.abs(np.median(rest[-8:])) >= SHIFT and np.std(rest[-8:]) < 2
        if even and first < 320 and (not refused or "wrong bit" in refused):
            shifted += 1
            found += "wrong bit" in refused
    assert shifted >= 10
    assert found >= 0.9 * shifted


@pytest.mark.parametrize("quality", [100, 92, 70, 40, 10])
def test_sound_pictures_have_no_seam(tmp_path, rng, quality):
    """Smooth slopes in coarse steps, bars above and below, sharp edges that lean by one block, and noise."""
    y, x = np.mgrid[:360, :480]
    leaning = np.where(y + x * 8 / 480 > 168, 90.0, 30.0)
    boxed = bright_screen(rng)
    boxed[:64] = boxed[-64:] = 0
    sharp = np.full((360, 480), 20.0)
    sharp[64:128, 160:] = 40
    pictures = (
        bright_screen(rng),
        bright_screen(rng, noise=8.0),
        (y * 0.3 + x * 0.2).round().astype(np.uint8),
        leaning.astype(np.uint8),
        cv2.GaussianBlur(leaning, (0, 0), 0.5).astype(np.uint8),
        boxed,
        sharp.astype(np.uint8),
    )
    path = tmp_path / "shot.jpg"
    for picture in pictures:
        path.write_bytes(jpeg(picture, quality))
        assert read_photo(path).pixels.shape[:2] == picture.shape


@pytest.mark.parametrize(("subsampling", "block"), [(0, (8, 8)), (1, (16, 8)), (2, (16, 16))])
def test_coded_units_are_what_the_library_says(tmp_path, rng, subsampling, block):
    path = tmp_path / "shot.jpg"
    path.write_bytes(jpeg(np.dstack([bright_screen(rng)] * 3), 60, subsampling=subsampling))
    with Image.open(path) as opened:
        found, steps = coded_units(path.read_bytes())
        assert found == block
        assert steps.ravel().tolist() == list(opened.quantization[0])


def test_a_stair_of_colour_blocks_is_found():
    """A picture of 16 x 16 units, all from the seventh of the fourth row on lighter by 7 codes."""
    picture = np.full((160, 320, 3), 30.0)
    picture += np.random.default_rng(2).normal(0, 0.5, picture.shape)
    picture[48:64, 112:] += 7
    picture[64:] += 7
    row, step = find_seam(picture.round().astype(np.uint8), (16, 16))
    assert row == 48 and step == pytest.approx(7, abs=0.5)
    assert find_seam(picture.round().astype(np.uint8)[8:], (16, 16)) is None


@pytest.mark.parametrize("wide", [8, 16, 24, 32])
def test_means_of_blocks_are_those_of_their_pixels(rng, wide):
    """Second road: NumPy's mean of each block's pixels; rows lie apart, and not at whole words, as in a picture."""
    lines = rng.integers(0, 256, (12, 5 * wide + 3), np.uint8)[1::3, : 5 * wide]
    lines[0] = 255
    assert _means(lines, wide) == pytest.approx(lines.reshape(4, 5, wide).mean(axis=2), abs=1e-4)
