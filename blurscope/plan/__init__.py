"""Plan a capture: speed, exposure, framing, plates, and the u95 that a measurement of it will state."""

from blurscope.plan.exposure import part_exposure_bew
from blurscope.plan.make import blur_edge_time, make_plan
from blurscope.plan.precision import Precision, expected_precision, visible_instances
from blurscope.plan.request import SHUTTERS, PlanRequest
from blurscope.plan.shooting import Shooting

__all__ = [
    "SHUTTERS",
    "PlanRequest",
    "Precision",
    "Shooting",
    "blur_edge_time",
    "expected_precision",
    "make_plan",
    "part_exposure_bew",
    "visible_instances",
]
