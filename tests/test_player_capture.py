"""The whole road from a real browser: what the page shows, filmed by the simulated camera, gives the same figures."""

from __future__ import annotations

import base64

import numpy as np
import pytest

import blurscope as bs
from blurscope._cv import cv2
from blurscope.camera import Camera, Display, Response, film
from blurscope.pattern.budget import make_layouts
from blurscope.pattern.player import render_player

START = 40  # refresh in which the shutter opens


@pytest.fixture(scope="module")
def layout():
    return make_layouts(640, 400, px_per_refresh=8, levels=3, direction="left")[0][0]


@pytest.fixture(scope="module")
def shown(browser, layout, tmp_path_factory):
    """A function of the refresh that asks the running page for its canvas."""
    path = tmp_path_factory.mktemp("page") / "index.html"
    path.write_text(render_player(layout), encoding="utf-8")
    context = browser.new_context(viewport={"width": 800, "height": 600}, device_scale_factor=1.0)
    page = context.new_page()
    page.goto(path.as_uri())
    page.evaluate("blurscope.ready")
    page.click("#accept")
    page.evaluate("blurscope.begin({fullscreen: false, manual: true, quiet: true, settle: 0})")
    seen: dict[int, np.ndarray] = {}

    def frame(refresh: int) -> np.ndarray:
        if refresh not in seen:
            page.evaluate("n => blurscope.draw(n)", refresh)
            url = page.evaluate("document.getElementById('plate-canvas').toDataURL('image/png')")
            png = np.frombuffer(base64.b64decode(url.partition(",")[2]), np.uint8)
            seen[refresh] = cv2.imdecode(png, cv2.IMREAD_COLOR)[..., 1].copy()
        return seen[refresh]

    yield frame
    context.close()


def test_frames_of_the_browser_filmed_give_the_figures_of_the_display(shown, layout, tmp_path):
    display = Display(label="Birch", response=Response(shape="exponential", time_ms=8.0))
    camera = Camera(file_format="jpeg", campx_per_px=3.0, tracking_error_px_per_refresh=-0.15, start_phase=0.3)
    shot = film(layout, display, camera, start_refresh=START, seed=6, frames=shown)
    direct = film(layout, display, camera, start_refresh=START, seed=6)
    # the same light to a rounding step of the codes, but for the drawing, which is filmed in coarser steps of time
    off = np.abs(shot.codes.astype(int) - direct.codes.astype(int))
    assert np.mean(off <= 1) > 0.999 and off.max() <= 8
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(shot.data)
    result = bs.measure(photo, pattern=layout)
    true = {(t["from_level"], t["to_level"]): t for t in shot.truth["transitions"]}
    assert {(e.from_level, e.to_level) for e in result.edges} == set(true) and len(true) == 6
    for e in result.edges:
        t = true[e.from_level, e.to_level]
        assert e.bet_ms.value == pytest.approx(t["bet_ms"], rel=0.02)
        assert e.response_ms.value == pytest.approx(t["response_ms"], abs=max(0.7, e.response_ms.u95))
    assert result.tracking["error_px_per_refresh"].value == pytest.approx(-0.15, abs=0.03)
    assert result.tracking["exposure_refreshes"].value == pytest.approx(4, abs=0.05)
