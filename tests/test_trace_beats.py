"""A PWM nearly in step with the sampling: within a stay the samples see it on a few phases only."""

import numpy as np
import pytest
from trace_makers import exponential, toggling

from blurscope.trace.frequency import fold_hz
from blurscope.trace.prepare import Settings, prepare
from blurscope.trace.reading import Record
from blurscope.trace.transition import reduce_transition

RATE_HZ = 20_000.0


def pulsed(hz, *, seed, tr=6.0, low=0.1, high=0.9, duty=0.45, depth=0.6, switches=4, dwell=0.3, noise=0.01):
    """Times and signal of an exponential patch under a PWM backlight."""
    rng = np.random.default_rng(seed)
    t, y = toggling(exponential(tr), rate=RATE_HZ, low=low, high=high, switches=switches, dwell=dwell)
    on = (t * hz + rng.uniform()) % 1 < duty
    y = y * np.where(on, 1.0, 1 - depth) / (duty + (1 - duty) * (1 - depth))
    y += rng.normal(0, noise * (high - low), len(t))
    lsb = 1.1 * float(np.ptp(y)) / 255
    return t, np.round(y / lsb) * lsb


def reduced(t, y):
    settings = Settings(refresh_hz=60.0)
    prepared = prepare(Record(name="record", time_s=t, signal=y, dt_s=1 / RATE_HZ), settings)
    rising = [k for k, s in enumerate(prepared.switches) if s.rising]
    return reduce_transition((64.0, 192.0), [(prepared, rising)], settings, np.random.default_rng(3))


@pytest.mark.parametrize("samples", [4, 5, 7, 8, 12, 13, 19, 40, 12.5])
def test_whole_numbers_of_samples(samples):
    """Steps and their u95 as without a backlight: 10 to 90 % of an exponential is ln 9 time constants."""
    misses = 0
    for seed in range(4):
        found = reduced(*pulsed(RATE_HZ / samples, seed=seed))
        assert found.figures is not None, found.flags
        response = found.figures.response_ms
        misses += abs(response.value - 6.0) > response.u95
        assert abs(response.value - 6.0) < 0.12
        assert response.u95 < 0.25
        assert found.backlight.hz == pytest.approx(RATE_HZ / samples, abs=4 * found.backlight.hz_sd + 1e-3)
    assert misses <= 1


@pytest.mark.parametrize("beat_hz", [0.03, -0.4, 1.0, 3.0, -8.0, 20.0])
@pytest.mark.parametrize("samples", [9, 16, 30])
def test_beside_a_whole_number_of_samples(samples, beat_hz):
    """The samples slide along the ripple: what a stay hasn't seen of a flank widens u95, or there is no figure."""
    misses = none = 0
    for seed in range(4):
        found = reduced(*pulsed((RATE_HZ - beat_hz) / samples, seed=seed))
        if found.figures is None:
            assert found.flags == ("ripple_unresolved",)
            none += 1
            continue
        response = found.figures.response_ms
        misses += abs(response.value - 6.0) > response.u95
        assert abs(response.value - 6.0) < max(1.8 * response.u95, 0.12)
    assert misses <= 1 and none <= 1


@pytest.mark.parametrize("samples", [3, 5, 7])
def test_few_sliding_samples_per_period_are_refused_by_name(samples):
    found = reduced(*pulsed((RATE_HZ - 0.9) / samples, seed=5))
    assert found.figures is None and found.flags == ("ripple_unresolved",)


@pytest.mark.parametrize("samples", [6, 10])
def test_frequency_by_folding(samples):
    """Harmonics that the sampling folds beside the line move its peak; that samples of a phase agree doesn't."""
    rng = np.random.default_rng(1)
    hz = (RATE_HZ - 7.3) / samples
    t = np.concatenate([np.arange(2000) / RATE_HZ + start for start in (0.2, 0.8, 1.4)])
    y = 1.0 * ((t * hz) % 1 < 0.4) + rng.normal(0, 0.01, len(t))
    found = fold_hz([(t, y - y.mean())], hz + 1.1, 8.0)
    assert abs(found - hz) * float(t[-1] - t[0]) < 0.01  # turns over the record
