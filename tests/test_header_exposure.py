"""A photo's header that states another exposure than the streaks show."""

from __future__ import annotations

import pytest

from blurscope.records import Q
from blurscope.trackingblock import doubted_by_header

TRACKING = {
    "exposure_refreshes": Q(value=1.67, u95=0.03),
    "error_px_per_refresh": Q(value=1.8, u95=0.06),
}


def test_streaks_as_long_may_be_those_of_a_longer_exposure_of_a_slower_camera():
    """At 6 px per refresh the streaks are 1.67 x 7.8 = 13 px long, those of 2 refreshes at +0.51 px as well."""
    doubted = doubted_by_header(TRACKING, 2.0, 6.0)
    error, exposure = doubted["error_px_per_refresh"], doubted["exposure_refreshes"]
    assert abs(error.value - (1.67 * 7.8 / 2.0 - 6.0)) <= error.u95
    assert abs(exposure.value - 2.0) <= exposure.u95
    assert error.u95 == pytest.approx(1.287, abs=0.01)


def test_a_header_that_is_far_away_speaks_of_another_refresh_rate():
    assert doubted_by_header(TRACKING, 3.4, 6.0) == {}
    assert doubted_by_header(TRACKING, 0.8, 6.0) == {}
