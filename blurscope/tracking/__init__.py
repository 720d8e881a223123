"""Stage tracking: streak lanes -> camera motion, exposure, scan-out, backlight, step responses."""

from blurscope.tracking.lanes import Lane, bin_of_lanes, cut_streaks, dark_of, place_screen, read_lanes, rows_of_lane
from blurscope.tracking.motion import Motion, first_guess, fit_motion, slit_waveform

__all__ = [
    "Lane",
    "Motion",
    "bin_of_lanes",
    "cut_streaks",
    "dark_of",
    "first_guess",
    "fit_motion",
    "place_screen",
    "read_lanes",
    "rows_of_lane",
    "slit_waveform",
]
