"""Stripes of the display's pixels, mixed by the luma of a JPEG."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from blurscope._cv import cv2
from blurscope.light import mixing_of
from blurscope.light.stripes import unmixed

REC_601 = (0.299, 0.587, 0.114)  # luma of R, G, B: Rec. ITU-R BT.601-7, 2.5.1
OFFSETS_PX = (-1 / 3, 0.0, 1 / 3)  # three stripes of equal width fill a pixel


def edge(x, width):
    """A ramp of some px, as sample-and-hold makes one, seen through a Gaussian lens of 0.4 px."""
    t = np.linspace(-0.5, 0.5, 401)[:, None]
    return 0.02 + 0.6 * ndtr((x - width * t) / 0.4).mean(axis=0)


@pytest.mark.parametrize("width", [4.0, 8.0])
@pytest.mark.parametrize("gamma", [1.8, 2.4])
def test_what_is_left_of_the_mixing_is_a_blur(width, gamma):
    """Luma adds up codes (light to the power of 1 / gamma); mixed as light, edges would be averaged as they are."""
    x = np.arange(-20, 20, 0.25)
    parts = [edge(x - offset, width) for offset in OFFSETS_PX]
    luma = sum(w * part ** (1 / gamma) for w, part in zip(REC_601, parts, strict=True)) ** gamma
    as_light = sum(w * part for w, part in zip(REC_601, parts, strict=True))
    decode = (np.arange(65536) / 65535) ** gamma
    variance = np.dot(REC_601, np.square(OFFSETS_PX)) - np.dot(REC_601, OFFSETS_PX) ** 2
    found = unmixed(luma[None], 0.25, variance, decode)[0]
    before, after = np.abs(luma - as_light).max(), np.abs(found - as_light).max()
    assert before > 5e-4
    assert after < 0.35 * before


def test_light_without_stripes_stays_as_it_is():
    light = edge(np.arange(-9, 9, 0.25), 4.0)
    assert unmixed(light, 0.25, 0.0, np.linspace(0, 1, 256)) is light


def test_noise_is_not_taken_for_a_slope():
    """The mean of a noisy even line stays: squares of its slopes are noise."""
    rng = np.random.default_rng(5)
    line = 0.3 + 0.01 * rng.standard_normal((40, 2000))
    decode = (np.arange(65536) / 65535) ** 2.2
    assert abs(float((unmixed(line, 0.25, 0.042, decode) - line).mean())) < 2e-5


@pytest.mark.parametrize("offset", [-1 / 3, 0.0, 1 / 3])
@pytest.mark.parametrize("quality", [75, 95])
def test_stripes_are_seen_in_a_compressed_photo(offset, quality):
    scale = 4.0  # photo pixels per display px
    x = np.arange(1600) / scale
    picture = np.zeros((400, 1600, 3))
    for channel, place in enumerate((-offset, 0.0, offset)):
        for middle in np.arange(20, 380, 40):
            picture[:, :, channel] += 0.6 * (edge(x - middle - place, 6.0) - edge(x - middle - 20 - place, 6.0))
    codes = np.rint(255 * np.clip(0.1 + picture, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    noise = np.random.default_rng(1).normal(0, 2, codes.shape)
    data = cv2.imencode(".jpg", np.clip(codes + noise, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    small = cv2.imdecode(data, cv2.IMREAD_REDUCED_COLOR_4)  # BGR: written and read in the same order
    mixing = mixing_of(small, scale, 4)
    if offset:
        # by the parallel-axis theorem: mean of squares less square of the mean
        expected = (0.299 + 0.114) / 9 - ((0.114 - 0.299) / 3) ** 2
        assert mixing == pytest.approx(expected, rel=1e-6)
    else:
        assert mixing == 0.0
