"""Straight edges in a photo of any moving picture: found in a region, cut into profiles of light against lag."""

from blurscope.freeedge.curves import Looks, looked, looks_of
from blurscope.freeedge.find import Line, find_lines
from blurscope.freeedge.profile import FreeProfile, Window, cut_profile, window_of
from blurscope.freeedge.region import DIRECTIONS, Region, cut_region
from blurscope.freeedge.strip import edges_beside

__all__ = [
    "DIRECTIONS",
    "FreeProfile",
    "Line",
    "Looks",
    "Region",
    "Window",
    "cut_profile",
    "cut_region",
    "edges_beside",
    "find_lines",
    "looked",
    "looks_of",
    "window_of",
]
