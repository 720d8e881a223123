"""A refresh that the display drops or shows twice within the exposure: refused by name, in noise too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import blurscope as bs
from blurscope.camera import Camera, Display, Response, film
from blurscope.errors import FitError
from blurscope.pattern.budget import make_layouts

NOISY = {"full_well_e": 1200.0, "read_noise_e": 8.0}


def photo_of(folder: Path, seed: int, exposure: float = 5.0, **display) -> tuple[Path, object]:
    """Return a noisy photo and its plate."""
    layout = make_layouts(640, 400, px_per_refresh=6, levels=4, refresh_hz=60.0)[0][0]
    panel = Display(response=Response(shape="exponential", time_ms=9.0), **display)
    camera = Camera(
        campx_per_px=2.3, exposure_refreshes=exposure, start_phase=0.3, tracking_error_px_per_refresh=0.2, **NOISY
    )
    made = film(layout, panel, camera, seed=seed)
    path = folder / f"photo{made.suffix}"
    path.write_bytes(made.data)
    return path, layout


@pytest.mark.parametrize("at", [2, 3])
def test_a_dropped_update_is_named(tmp_path, at):
    path, layout = photo_of(tmp_path, seed=at, dropped=(at,))
    with pytest.raises(FitError, match="dropped an update or showed one twice") as refused:
        bs.measure(path, pattern=layout)
    # the simulated display counts from the refresh in which the shutter opens, a share of 0.3 into it
    said = float(str(refused.value).split("about ")[1].split()[0])
    assert said == pytest.approx(at - 0.3, abs=0.35)


@pytest.mark.parametrize("at", [2, 3])
def test_an_update_shown_twice_is_refused(tmp_path, at):
    path, layout = photo_of(tmp_path, seed=at, doubled=(at,))
    with pytest.raises(FitError, match="dropped an update or showed one twice|off the plate's speed"):
        bs.measure(path, pattern=layout)


def test_noise_alone_misses_none(tmp_path):
    path, layout = photo_of(tmp_path, seed=7)
    found = bs.measure(path, pattern=layout)
    error = found.tracking["error_px_per_refresh"]
    assert abs(error.value - 0.2) < error.u95
    times = {(e.from_level, e.to_level): e.figures["bet_ms"] for e in found.edges if e.ok}
    assert len(times) >= 8
    # an exponential of 9 ms (10-90 %) behind a hold of a refresh: one true width for all transitions
    middle = np.median([q.value for q in times.values()])
    assert all(abs(q.value - middle) < 2 * q.u95 for q in times.values())
