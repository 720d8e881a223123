"""Simulated captures with known truth: a display, and a pursuit camera that films it.

Nothing here shares code with the measuring side: light is integrated over time, screen pixel by screen pixel.
"""

from blurscope.camera.camera import Camera
from blurscope.camera.clip import film_clip
from blurscope.camera.display import Backlight, Display, LightLaw
from blurscope.camera.film import Shot, film, film_still
from blurscope.camera.response import Response

__all__ = ["Backlight", "Camera", "Display", "LightLaw", "Response", "Shot", "film", "film_clip", "film_still"]
