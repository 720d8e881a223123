"""Families find the shapes that are theirs, wherever the search for them begins."""

from __future__ import annotations

import numpy as np
import pytest
from test_readback import profiles_of

from blurscope.blur.compete import compete
from blurscope.camera import Response

HOLD_MS = 1000 / 120


@pytest.mark.parametrize("shape", ["gaussian", "ramp", "cascade"])
@pytest.mark.parametrize("refreshes", [1.5, 2.5, 3.5])
@pytest.mark.parametrize("error_px", [-2.0, 0.0, 1.5])
def test_slow_symmetric_responses_are_found(shape, refreshes, error_px):
    """Edges by the closed-form integral of each step: some family fits them to the floor of the profile, 0.08 %."""
    profiles = profiles_of(
        [Response(shape=shape, time_ms=refreshes * HOLD_MS)], HOLD_MS, error_px=error_px, length=14.0
    )
    fits, weights = compete(profiles)
    best = fits[int(np.argmax(weights[:, 0]))]
    assert best.chi2[0] < 0.5 * profiles.esf.shape[1], best.family.name
