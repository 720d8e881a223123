"""The lens blur from a still, against the simulated camera's own."""

from __future__ import annotations

import io

import numpy as np
import pytest

from blurscope.camera import Camera, Display, Response, film, film_still
from blurscope.errors import FitError, TargetError
from blurscope.pattern.budget import make_layouts
from blurscope.photo import read_photo
from blurscope.still import lens_from_still

DISPLAY = Display(label="Birch", response=Response(shape="exponential", time_ms=6.0))


@pytest.fixture(scope="module")
def layout():
    return make_layouts(640, 400, px_per_refresh=8)[0][0]


def photo_of(shot, folder):
    path = folder / f"photo{shot.suffix}"
    path.write_bytes(shot.data)
    return read_photo(path)


@pytest.mark.parametrize(
    ("camera", "true_px"),
    [
        ({"lens_sigma_campx": 0.8}, 0.8 / 3),
        ({"lens_sigma_campx": 0.8, "lens_sigma_x_campx": 1.5}, 0.5),  # blurred more along the motion than across
        ({"lens_sigma_campx": 1.2, "lens_sigma_x_campx": 0.6, "campx_per_px": 2.0, "roll_deg": 2.0}, 0.3),
        ({"lens_sigma_campx": 1.0, "campx_per_px": 2.5, "yaw_deg": 4.0, "turn_deg": 180}, 0.4),
    ],
)
def test_the_lens_blur_is_that_of_the_simulated_lens(layout, tmp_path, camera, true_px):
    """Tolerance: 2 % of the blur, which moves a BET of 13 ms by 0.001 ms, far below its u95."""
    shot = film_still(layout, DISPLAY, Camera(file_format="jpeg", **({"campx_per_px": 3.0} | camera)), seed=1)
    sigma, sd = lens_from_still(photo_of(shot, tmp_path), layout)
    assert sigma == pytest.approx(true_px, rel=0.02)
    assert 0 < sd < 0.05 and abs(sigma - true_px) < 3 * sd


def test_twice_the_blur_doubles_the_figure(layout, tmp_path):
    found = []
    for sigma in (0.7, 1.4):
        shot = film_still(layout, DISPLAY, Camera(lens_sigma_campx=sigma, noise=False, bits=16), seed=2)
        found.append(lens_from_still(photo_of(shot, tmp_path), layout)[0])
    assert found[1] / found[0] == pytest.approx(2, rel=0.02)


def test_a_moving_plate_is_refused_as_a_still(layout, tmp_path):
    shot = film(layout, DISPLAY, Camera(campx_per_px=2.0, exposure_refreshes=3.0), seed=3)
    with pytest.raises(FitError, match="the plate moves in the still"):
        lens_from_still(photo_of(shot, tmp_path), layout)


def test_a_photo_of_something_else_is_refused_as_a_still(layout, tmp_path, rng):
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (300, 500), dtype=np.uint8)).save(stream, "PNG")
    (tmp_path / "noise.png").write_bytes(stream.getvalue())
    with pytest.raises(TargetError, match="the still can't be used"):
        lens_from_still(read_photo(tmp_path / "noise.png"), layout)
