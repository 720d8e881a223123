"""What a clip of a camera at rest is refused for: flashing light, a moving camera, areas that no display has shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from blurscope.errors import FitError, PhotoError
from blurscope.pattern.layout import Layout
from blurscope.target import Registration
from blurscope.video.constancy import Constancy

FLASHING = 1.8  # times as bright in one frame as in another
MOVED_PX = 0.4
TELL_EVERY = 20  # frames


def refuse_flashing(strips: np.ndarray, name: str) -> None:
    """Refuse a clip whose light comes and goes: a strobed or deeply modulated backlight.

    ``strips`` are the frames, much reduced; whole rows and whole columns hardly change as the plate moves.
    """
    worst = 1.0
    for axis in (1, 2):
        mean = strips.mean(axis=axis, dtype=float)
        if not mean.any():
            continue  # nothing but black
        lit = mean.max(axis=0) > 0.25 * mean.max()  # not the surroundings
        worst = max(worst, float((mean.max(axis=0) / np.maximum(mean.min(axis=0), 1e-3))[lit].max()))
    if worst > FLASHING:
        raise FitError(
            f"the light in {name} comes and goes ({min(worst, 99):.1f} times as bright in one frame as in another): "
            "under a strobed or modulated backlight follow the plate with the camera, without --fixed-camera"
        )


def refuse_moving(
    found: Mapping[int, Registration], best: Registration, layout: Layout, shape: tuple[int, int], name: str
) -> None:
    """Refuse a clip whose camera moves: the plate's rows never do."""
    good = {i: r for i, r in found.items() if r.turned == best.turned and r.mirrored == best.mirrored}
    if best.turned:
        shape = shape[::-1]
    rows = np.linspace(0.15, 0.85, 3) * layout.height_px
    middle = 0.5 * sum(best.lit_u_px)
    x, y = best.pose.to_photo(np.full(3, middle), rows)
    seen = np.array([r.pose.to_plate(x, y)[1] for r in good.values()])
    moved = float(np.ptp(seen, axis=0).max()) if len(seen) > 1 else 0.0
    if moved > MOVED_PX:
        raise FitError(
            f"the camera of {name} moved by {moved:.1f} px of the screen across the motion; put it on a tripod, or "
            "leave out --fixed-camera if it follows the plate"
        )


def refuse_damaged(scene: Any, name: str, say: Callable[[str], None]) -> None:
    """Refuse a clip with areas that the display can't have shown, which its decoder didn't notice.

    ``scene`` is a `blurscope.clip.Scene`.
    """
    reg = scene.registration
    constancy = Constancy(
        scene.layout, reg.pose, lit_u_px=reg.lit_u_px, scale=reg.campx_per_px, spacing=scene.spacing,
        bits_per_pixel=scene.clip.bits_per_pixel,
    )  # fmt: skip
    for frame in scene.frames():
        if frame.index % TELL_EVERY == 0:
            say(f"comparing frame {frame.index} of {scene.count} with those of a refresh ago")
        constancy.add(frame.index, np.ascontiguousarray(np.rot90(frame.codes)) if reg.turned else frame.codes)
    found = constancy.departure()
    if found is not None:
        raise PhotoError(
            f"{name} is damaged near frame {found.frame + scene.clip.first}, or something came before the screen: an "
            f"area around row {found.row} of the plate is {found.codes:.0f} of 255 codes off from what the display can "
            "have shown; copy it from the camera again"
        )
