"""When pixels switch on the clock of the shutter: profiles by a plain sum over the exposure, not by our operator."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from blurscope.blur.compete import compete
from blurscope.blur.operator import Capture, age_edges, capture_operator
from blurscope.blur.profiles import Profiles
from blurscope.pooling import lag_groups
from blurscope.switchphase import PRIOR_SD, switch_phase

SPEED, NOISE, TAUS = 8.0, 4e-4, (0.25, 0.4, 0.6)  # px per refresh, of a step, refreshes
BLUR_PX, PIXEL_PX = 0.45, 0.25
TIMES = 4000


def seen(lag: np.ndarray, tau: float, start: float, exposure: float, error: float) -> np.ndarray:
    """Mean over the exposure of exponential pixels that switched when the edge, in steps of a refresh, passed them."""
    t = start + exposure * (np.arange(TIMES) + 0.5) / TIMES
    slipped = error * (t - start - exposure / 2)
    fine = np.arange(lag[0] - 4, lag[-1] + 4, 0.02)
    place = SPEED * t - fine[:, None] + slipped
    age = t - np.ceil(place / SPEED)
    light = np.where(age >= 0, -np.expm1(-age.clip(0) / tau), 0.0).mean(axis=1)
    kernel = np.exp(-0.5 * (np.arange(-150, 151) * 0.02 / BLUR_PX) ** 2)
    kernel = np.convolve(kernel, np.ones(round(PIXEL_PX / 0.02)))
    return np.interp(lag, fine, np.convolve(light, kernel / kernel.sum(), "same"))


def profiles_and_capture(start: float, exposure: float, error: float, believed: float, rng: np.random.Generator):
    """Noisy profiles, and how the streaks have their capture."""
    lag, ages = np.arange(-1.5 * SPEED, 6 * SPEED, 0.2), age_edges(8)
    starts = lag_groups(lag, SPEED)
    capture = Capture(
        px_per_refresh=SPEED,
        exposure_refreshes=exposure,
        start_phase=believed % 1.0,
        error_px_per_refresh=error,
        blur_sigma_px=BLUR_PX,
        boxes_px=(PIXEL_PX,),
    )
    count = np.diff(np.append(starts, len(lag)))
    esf = np.array([np.add.reduceat(seen(lag, tau, start, exposure, error), starts) / count for tau in TAUS])
    sigma = np.tile(NOISE / np.sqrt(count), (len(esf), 1))
    profiles = Profiles(
        lag_px=np.add.reduceat(lag, starts) / count,
        esf=esf + sigma * rng.standard_normal(esf.shape),
        sigma=sigma,
        operator=capture_operator(lag, ages, capture, starts),
        ages=ages,
        correlation=1.0,
        length=8.0,
        levels=np.tile([0.0, 1.0, 0.01, 0.01], (len(esf), 1)),
    )
    return profiles, lag, starts, capture


@pytest.mark.parametrize("late", [-0.03, 0.0, 0.012, 0.2])
@pytest.mark.parametrize(("exposure", "error"), [(2.4, 1.5), (3.0, -1.0), (4.6, 0.4)])
def test_a_phase_that_the_streaks_have_wrong_is_found(rng, late, exposure, error):
    """Within 3 standard uncertainties, of 2 % of a refresh at most; far from the streaks' phase at once to 0.02."""
    start = 0.43
    profiles, lag, starts, capture = profiles_and_capture(start, exposure, error, start + late, rng)
    families, weights = compete(profiles)
    motion = SimpleNamespace(start=start + late)
    found = switch_phase(profiles, families, weights, lag, starts, capture, motion)
    far = abs(late) > 0.1
    assert found.sd < PRIOR_SD or far
    assert abs(found.late - late) < (0.02 if far else 3 * found.sd)


def test_where_nothing_depends_on_it_it_stays(rng):
    """A whole exposure that follows: the mean over its refreshes is the same whenever it begins."""
    profiles, lag, starts, capture = profiles_and_capture(0.43, 3.0, 0.0, 0.6, rng)
    families, weights = compete(profiles)
    found = switch_phase(profiles, families, weights, lag, starts, capture, SimpleNamespace(start=0.6))
    assert found.late == 0.0
