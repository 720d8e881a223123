"""Stage target: Photo + pattern -> Pose (plate px <-> campx, lens distortion)."""

from blurscope.target.pose import Pose
from blurscope.target.registration import Registration, register

__all__ = ["Pose", "Registration", "register"]
