"""Stage video: a clip's frames as codes, the virtual pursuit photo they make, and a pixel's light against time."""

from blurscope.video.frames import Clip, Frame, is_video, open_clip
from blurscope.video.virtual import FrameClock, VirtualCamera

__all__ = ["Clip", "Frame", "FrameClock", "VirtualCamera", "is_video", "open_clip"]
