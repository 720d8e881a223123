"""The drawing for the eye and the bars in it."""

from __future__ import annotations

import numpy as np
import pytest

from blurscope.pattern.budget import make_layouts
from blurscope.pattern.drawing import bar_pairs, draw_picture, picture_length_px
from blurscope.pattern.lettering import draw_text, text_width_px
from blurscope.pattern.render import FrameMaker

SIZES = [(800, 480, 8), (1280, 720, 12), (1920, 1080, 16), (3840, 2160, 8), (2400, 1080, 3)]


def strip(width, height, v):
    layout = make_layouts(width, height, px_per_refresh=v)[0][0]
    block = next(b for b in layout.blocks if b.kind == "picture")
    return layout, block, draw_picture(layout, block.height_px)


@pytest.mark.parametrize(("width", "height", "v"), SIZES)
def test_drawing_fits_the_loop(width, height, v):
    layout, block, picture = strip(width, height, v)
    assert picture.dtype == np.uint8 and picture.shape == (block.height_px, picture_length_px(layout))
    assert layout.circuit_px % picture.shape[1] == 0 and picture.shape[1] % v == 0
    assert block.height_px <= height / 15 + 1
    assert len(np.unique(picture)) > 40  # greys, not a diagram
    assert not picture.flags.writeable


def test_drawing_follows_its_seed():
    layout, block, picture = strip(1280, 720, 12)
    other = make_layouts(1280, 720, px_per_refresh=12, direction="left")[0][0]
    assert other.picture_seed != layout.picture_seed
    assert not np.array_equal(draw_picture(other, block.height_px), picture)
    draw_picture.__globals__["_draw"].cache_clear()
    assert np.array_equal(draw_picture(layout, block.height_px), picture)


@pytest.mark.parametrize(("width", "height", "v"), SIZES)
def test_drawing_moves_with_the_plate(width, height, v):
    layout, block, picture = strip(width, height, v)
    frame = FrameMaker(layout).draw(9)[block.top_row : block.end_row]
    x = 301
    assert np.array_equal(frame[:, x], picture[:, (x - 9 * v) % picture.shape[1]])


@pytest.mark.parametrize("v", [1, 4, 8, 16, 40, 64])
@pytest.mark.parametrize(("width", "height"), [(800, 480), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("length", [640, 1600, 5000])
def test_bars_stay_few_and_small(width, height, v, length):
    rows = height // 30
    halves = bar_pairs(width, height, length, rows, v)
    group = 2 * sum(halves)
    # Slide a screen over the repeats and count the pairs that are in sight, even partly.
    for shift in range(0, length, 7):
        in_sight = sum(1 for k in range(-2, width // length + 3) if -group < k * length - shift < width)
        assert len(halves) * in_sight <= 5
        assert group * rows * in_sight <= 0.01 * width * height


def test_bars_are_there_on_ordinary_screens():
    assert len(bar_pairs(1280, 720, 1600, 24, 8)) == 5
    assert len(bar_pairs(1920, 1080, 2400, 36, 12)) == 5


def test_lettering_is_cut_off_at_the_border():
    sheet = np.zeros((9, 20), np.uint8)
    draw_text(sheet, "H1", 16, 1, 200)
    draw_text(sheet, "H", -3, -2, 200)
    assert sheet[1:8, 16].tolist() == [200] * 7 and sheet[0, 1] == 200
    assert text_width_px("AB") == 11 and text_width_px("AB", 2) == 22
