"""Stage tracking: streak lanes -> camera motion, exposure, scan-out, backlight, step responses."""

from blurscope.tracking.lanes import cut_streaks, place_screen, read_lanes
from blurscope.tracking.motion import Motion, first_guess, fit_motion, slit_waveform

__all__ = ["Motion", "cut_streaks", "first_guess", "fit_motion", "place_screen", "read_lanes", "slit_waveform"]
