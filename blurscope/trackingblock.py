"""What streaks and pose say of the camera's travel and the display's scan-out, as the measurement states it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from blurscope.blur.compete import INSTANT
from blurscope.records import Q
from blurscope.shot import ShotFit

NEAR_HEADER = 0.48  # of an exposure: a header that says another one, not farther away, may be right
EXPOSURE_SD = 0.014  # refreshes, of the ends of the streaks
ERROR_SHARE_SD = 0.0004  # of the speed: what shapes of responses that are nearly right leave in the tracking error
MORE_ERROR_SHARE_SD = 0.0012  # the same of sudden pixels, of flashes, and of shutters that roll along the motion
SQUARE_SD = 0.004  # departure of the plate from square pixels by perspective and lens
TILT_SQUARES = 8.0  # square of the focal length in half diagonals, up to which perspective departs from square pixels
SCAN_SD = 0.02  # refreshes over the screen, of the streaks' clock
CLEAR_SCAN = 0.2  # refreshes over the screen
ROLLING_RANGE = 3.0  # refreshes over which a rolling shutter may be spread


def commonest_family(shot: ShotFit) -> str:
    """Return the family that fits most of a photo's edges."""
    return Counter(fit.family for fit in shot.fits).most_common(1)[0][0]


def tracking_block(shot: ShotFit, hold_ms: float) -> dict[str, Any]:
    """Return the tracking block; the scan-out along the motion is taken out of the camera's error."""
    m, layout = shot.motion, shot.layout
    if m is None:
        none = Q.missing("streak_too_dim")
        return {
            "error_px_per_refresh": none,
            "accel_px_per_refresh2": none,
            "exposure_refreshes": none,
            "scan_out_ms": none,
            "scan_axis": "rows",
        }
    v = layout.px_per_refresh
    along, across = -(m.along - m.delay_along), -(m.across - m.delay_across)
    sd_along = float(np.hypot(m.sd("along"), m.sd("delay_along")))
    sd_across = float(np.hypot(m.sd("across"), m.sd("delay_across")))
    # a shutter rolls along the photo's own rows: across the motion, unless the photo was turned. A clear lag the other
    # way is the display's alone, and a display is scanned one way only
    if shot.registration.turned:
        columns = abs(across) <= max(CLEAR_SCAN, 4 * sd_across)
        if columns:
            along, sd_along = _scan_of_display(shot, along, float(np.hypot(sd_along, 0.01)), columns=True)
        else:
            along = 0.0
    else:
        columns = abs(along) > max(CLEAR_SCAN, 4 * sd_along)
        if not columns:
            across, sd_across = _scan_of_display(shot, across, float(np.hypot(sd_across, 0.01)), columns=False)
    scan, sd = (along, sd_along) if columns else (across, sd_across)
    # flashes all over the screen at once leave a lag along the motion and the place of the slits open to each other
    hidden = columns and shot.backlight.emission is not None
    drift = layout.sign * v * v / layout.width_px
    # positions count in px of the plate as the pose has them: a scan along the motion stretches these
    stretch = drift * (along - m.delay_along)
    mean, sd_mean = m.mean_error(layout.refresh_hz)
    error = mean if hidden else (mean - stretch) / (1 + stretch / v)
    sd_error = float(np.hypot(sd_mean, stretch if hidden else drift * sd_along))
    # a shutter that opens or closes in the dark between flashes leaves no trace
    dark = 0.5 * (1 - shot.backlight.duty) if shot.backlight.kind == "strobe" else 0.0
    hard = shot.registration.turned or shot.backlight.emission is not None or commonest_family(shot) == INSTANT
    share = MORE_ERROR_SHARE_SD if hard else ERROR_SHARE_SD
    return {
        "error_px_per_refresh": Q(value=error, u95=1.96 * float(np.hypot(sd_error, share * v))),
        "accel_px_per_refresh2": Q(value=m.accel, u95=1.96 * m.sd("accel")),
        "exposure_refreshes": Q(value=m.exposure, u95=1.96 * float(np.hypot(m.sd("exposure"), EXPOSURE_SD)) + dark),
        "scan_out_ms": Q.missing("flashes_hide_scan")
        if hidden
        else Q(value=scan * hold_ms, u95=(1.96 * float(np.hypot(sd, SCAN_SD)) + dark) * hold_ms),
        "scan_axis": "columns" if columns else "rows",
    }


def _scan_of_display(shot: ShotFit, skew: float, sd: float, columns: bool) -> tuple[float, float]:
    """Tell the display's scan-out from the camera's rolling shutter; returns it and its uncertainty, refreshes.

    The streaks' clock shows only the sum of both. The display's part alone shears the plate (or stretches it, where the
    scan-out runs along the motion) against its stripes, as far as the camera's pixels are square. Both explanations of
    what is seen, a shutter that opens everywhere at once and one that rolls, are weighed.
    """
    pose, layout = shot.registration.pose, shot.layout
    m = pose.matrix / pose.matrix[2, 2]
    along_u = m[0, :2] - m[0, 2] * m[2, :2]
    along_v = m[1, :2] - m[1, 2] * m[2, :2]
    size = float(np.hypot(*along_v))
    turn = np.array([along_v[1], -along_v[0]]) / size
    stretch = abs(float(along_u @ turn)) / size
    v = layout.px_per_refresh
    # a plate seen at an angle is sheared and stretched by as much as the lens is long, which the photo doesn't tell
    tilt = np.abs(m[2, :2]) * np.sqrt(TILT_SQUARES)
    if columns:
        square_sd = float(np.hypot(SQUARE_SD, 0.5 * (tilt @ tilt)))
        seen, seen_sd = layout.sign * (stretch - 1) * layout.width_px / v, square_sd * layout.width_px / v
    else:
        square_sd = float(np.hypot(SQUARE_SD, tilt[0] * tilt[1]))
        shear = float(along_u @ along_v) / size**2 / stretch
        seen, seen_sd = layout.sign * shear * layout.height_px / v, square_sd * layout.height_px / v
    spread = float(np.hypot(sd, seen_sd))
    at_once = np.exp(-0.5 * ((seen - skew) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
    weight = float(at_once / (at_once + 1 / ROLLING_RANGE))
    value = weight * skew + (1 - weight) * seen
    variance = weight * (sd**2 + (skew - value) ** 2) + (1 - weight) * (seen_sd**2 + (seen - value) ** 2)
    return value, float(np.sqrt(variance))


def doubted_by_header(tracking: dict[str, Any], stated: float, v: float) -> dict[str, Q]:
    """Return exposure and tracking error as unsure as a header with another exposure, ``stated`` refreshes, makes them.

    Streaks as long as these are drawn by a longer exposure of a slower camera as well. A header that is far away speaks
    of another refresh rate.
    """
    exposure, error = tracking["exposure_refreshes"], tracking["error_px_per_refresh"]
    away = abs(exposure.value - stated)
    if away > NEAR_HEADER * stated or error.value is None:
        return {}
    slower = (v + error.value) * away / stated
    return {
        "exposure_refreshes": Q(value=exposure.value, u95=float(np.hypot(exposure.u95, away))),
        "error_px_per_refresh": Q(value=error.value, u95=float(np.hypot(error.u95, slower))),
    }
