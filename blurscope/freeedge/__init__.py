"""Straight edges in a photo of any moving picture: found in a region, cut into profiles of light against lag."""

from blurscope.freeedge.curves import linear_curve, looked, ways_by_ratio
from blurscope.freeedge.find import Line, find_lines
from blurscope.freeedge.profile import FreeProfile, Window, cut_profile, window_of
from blurscope.freeedge.region import DIRECTIONS, Region, cut_region

__all__ = [
    "DIRECTIONS",
    "FreeProfile",
    "Line",
    "Region",
    "Window",
    "cut_profile",
    "cut_region",
    "find_lines",
    "linear_curve",
    "looked",
    "ways_by_ratio",
    "window_of",
]
