"""Greys that jump at one row of a JPEG, as after a wrong block difference: refused, however the photo is turned."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from blurscope.camera import Camera, Display, Response, film
from blurscope.errors import FitError
from blurscope.light.greysteps import find_steps
from blurscope.pattern.budget import make_layouts
from blurscope.pipeline import measure

TURNS = {1: None, 6: Image.Transpose.ROTATE_90, 3: Image.Transpose.ROTATE_180}  # orientation: how it is stored


@pytest.fixture(scope="module")
def layout():
    return make_layouts(480, 320, px_per_refresh=8, levels=2)[0][0]


@pytest.fixture(scope="module")
def shot(layout):
    """A sound photo's pixels."""
    pixels = Display(response=Response(shape="exponential", time_ms=8.0))
    data = film(layout, pixels, Camera(campx_per_px=2.5, file_format="jpeg", reflected_light=0.004), seed=5).data
    return Image.open(io.BytesIO(data)).convert("L")


def jpeg(path, shot, *, codes=0, share=0.4, orientation=1):
    """Write a JPEG, stored turned, all of whose codes change from one of its rows on."""
    stored = shot if TURNS[orientation] is None else shot.transpose(TURNS[orientation])
    pixels = np.asarray(stored).astype(int)
    pixels[round(share * len(pixels)) :] += codes
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path, "JPEG", quality=92, exif=exif)
    return path


@pytest.mark.parametrize("orientation", TURNS)
def test_a_jpeg_whose_codes_jump_at_a_row_is_refused(tmp_path, layout, shot, orientation):
    for codes in (6, -6):
        with pytest.raises(FitError, match=r"greys jump by [5-7] codes"):
            measure(jpeg(tmp_path / "jump.jpg", shot, codes=codes, orientation=orientation), pattern=layout)


@pytest.mark.parametrize("orientation", TURNS)
def test_the_same_photo_without_the_jump_is_measured(tmp_path, layout, shot, orientation):
    found = measure(jpeg(tmp_path / "sound.jpg", shot, orientation=orientation), pattern=layout)
    assert all(e.ok for e in found.edges)


def greys(rng, noise):
    """Codes of 60 patches of 15 levels, with fall-off and noise, one after the other down the photo."""
    level = np.repeat(rng.permutation(np.arange(45, 256, 15)), 4)
    at = np.arange(60.0)
    field = np.stack([at / 60, (at / 60) ** 2], axis=1)
    codes = 250 * (level / 255) ** 0.9 * np.exp(field @ [0.05, -0.2]) + rng.normal(0, noise, 60)
    return level.astype(float), codes, at, field


def test_a_step_is_found_with_its_size(rng):
    level, codes, at, field = greys(rng, 0.2)
    codes = codes - 3.0 * (at > 23)
    found = find_steps(level, codes, at, field)
    assert found.codes == pytest.approx(-3.0, abs=0.4)
    assert found.ratio > 10


def test_noise_has_no_step(rng):
    """Steps are two parameters and their places: of 60 patches they explain less than as much as they leave."""
    assert max(find_steps(*greys(rng, 1.0)).ratio for _ in range(100)) < 1.5


def test_too_few_levels_tell_nothing(rng):
    level, codes, at, field = greys(rng, 0.2)
    few = level < 130
    assert find_steps(level[few], codes[few], at[few], field[few]).ratio == 0
