"""Three invented handhelds: Alder (slow, no overdrive), Birch (overdriven) and Cedar (self-emissive, near instant)."""

from __future__ import annotations

import math

from blurscope.camera.response import Response
from blurscope.errors import SettingsError

UNITS = ("alder", "birch", "cedar")


def unit_response(unit: str, from_level: int, to_level: int) -> Response:
    """Return the response of a unit's transition, rounded to 0.01 ms.

    Alder: exponential, 15 to 35 ms, slowest between dark greys. Birch: 5 to 14 ms, overshooting on most steps
    between greys (a panel can't be driven beyond its white or black). Cedar: 0.3 to 1 ms.
    """
    if unit not in UNITS:
        raise SettingsError(f"unit {unit!r:.40} is unknown; take one of {', '.join(UNITS)}")
    a, b = from_level / 255, to_level / 255
    step, low = abs(b - a), min(a, b)
    rising = b > a
    ripple = 0.5 + 0.5 * math.sin(9 * a + 5 * b)
    if unit == "alder":
        slow = math.exp(-2.5 * low) * (1 - 0.55 * step) * (1.0 if rising else 0.7)
        time = 15 + 20 * min(1.0, 0.85 * slow + 0.15 * ripple)
        return Response(shape="exponential", time_ms=round(time, 2))
    if unit == "birch":
        time = 5 + 9 * min(1.0, 0.7 * math.exp(-3 * low) * (1 - 0.4 * step) + 0.3 * ripple)
        ends = to_level in (0, 255)
        overshoot = 0.0 if ends else round(3 + 15 * ripple * (1 - step), 1)
        if ends:
            return Response(shape="exponential", time_ms=round(time, 2))
        return Response(shape="overdriven", time_ms=round(time, 2), overshoot_pct=overshoot, tail_ratio=1.25)
    return Response(shape="exponential", time_ms=round(0.3 + 0.7 * (0.6 * math.exp(-4 * low) + 0.4 * ripple), 3))
