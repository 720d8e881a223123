"""The camera's curve, found from the plate, against the curve that the simulated camera has.

The truth is the formula that the simulator codes light with (`blurscope.camera.sensor.tone`), of which the analysis
knows nothing.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from blurscope.camera import Camera, Display, Response, film
from blurscope.camera.sensor import tone
from blurscope.greys import measure_light
from blurscope.pattern.budget import make_layouts
from blurscope.target import register

LIGHT = np.linspace(0.02, 1.0, 50)  # of white


def off_curve(layout, camera: Camera, display: Display, seed: int) -> float:
    """Return by how much the curve found is off at most, share of white."""
    photo = Image.open(io.BytesIO(film(layout, display, camera, seed=seed).data))
    codes = np.asarray(photo.convert("L"))
    found, _ = measure_light(codes, register(codes, layout), layout, linear=False)
    at = 255 * tone(LIGHT * camera.white_share, camera)
    light = np.interp(at, np.arange(256), found.decode)
    return float(np.abs(light / light[-1] - LIGHT).max())


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("noisy", [False, True])
def test_a_curve_seen_out_of_focus_is_held_near_white(seed, noisy):
    """The plate's white stripes lie at its ends: light falling off towards them looks like a bend near white."""
    layout = make_layouts(640, 400, px_per_refresh=8)[0][0]
    camera = Camera(
        campx_per_px=2.4,
        lens_sigma_campx=2.4,
        exposure_refreshes=5.0,
        tone="s-curve",
        tone_strength=0.35,
        full_well_e=1200.0 if noisy else 20000.0,
        file_format="jpeg",
        jpeg_quality=80,
    )
    assert off_curve(layout, camera, Display(response=Response(shape="exponential", time_ms=8.0)), seed) < 0.008


@pytest.mark.parametrize("time_ms", [1.0, 45.0])
def test_white_fields_that_have_not_settled_leave_the_curve_alone(time_ms):
    """An exponential of 45 ms (10-90 %) is still rising where a white field of this plate is read."""
    layout = make_layouts(640, 400, px_per_refresh=6, refresh_hz=144.0, slowest_ms=45.0)[0][0]
    camera = Camera(campx_per_px=3.0, exposure_refreshes=4.0, tone="gamma", tone_gamma=2.0, file_format="jpeg")
    display = Display(response=Response(shape="exponential", time_ms=time_ms))
    assert off_curve(layout, camera, display, 5) < 0.003
