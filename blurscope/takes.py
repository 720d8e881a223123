"""Whatever was taken of the plate, photos or a video, to a measurement: the function behind `blurscope.measure`."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from blurscope.errors import SettingsError
from blurscope.files import show_path
from blurscope.measurement import Measurement
from blurscope.pattern.layout import Layout
from blurscope.photo import Photo
from blurscope.pipeline import measure as measure_photos
from blurscope.shot import ShotFit
from blurscope.video.frames import is_video


def measure(
    photo: str | os.PathLike[str] | Photo | Sequence[str | os.PathLike[str] | Photo],
    *,
    pattern: str | os.PathLike[str] | Layout,
    refresh_hz: float | None = None,
    exposure_refreshes: float | None = None,
    still: str | os.PathLike[str] | Photo | None = None,
    display_gamma: float | None = None,
    contrast: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    fixed_camera: bool = False,
    frame_rate: float | None = None,
    frame_exposure_ms: float | None = None,
    frames: int | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    on_shot: Callable[[ShotFit], None] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Measurement:
    """Measure the moving plate in pursuit photos or in a video.

    Parameters
    ----------
    photo : path, Photo, or a sequence of them
        Several photos are shots of one display and are combined. A video is measured on its own.
    pattern : path or Layout
        The plate that was shown (``pattern.json``).
    refresh_hz : float, optional
        Replaces the pattern's, with a warning if it differs.
    exposure_refreshes : float, optional
        Checked against the streaks, which win.
    still : path or Photo, optional
        The plate standing still: gives the lens blur along the motion.
    display_gamma, contrast : float, optional
        ``light = black + (1 - black) signal^display_gamma`` with ``black = 1 / contrast``.
    meter : (levels, light), optional
        A light meter's table of the display.
    fixed_camera : bool
        The video is a high-speed clip of a camera at rest; without it the camera follows the plate.
    frame_rate, frame_exposure_ms : float, optional
        Of a clip of a camera at rest: frames per second as they were taken, and the exposure of one.
    frames : int, optional
        How many frames of a video that follows the plate are used; 5 without it.
    notes : mapping, optional
        Kept in ``capture.notes``.
    label : str, optional
        Name of the display; without it the file's name.
    on_shot : callable, optional
        Called with every shot's full result (for pictures).
    say : callable
        Progress.

    Returns
    -------
    Measurement
        The pixels' light against time in a clip comes from `blurscope.measure_clip`.

    Raises
    ------
    BlurscopeError
        The photo, the video or the pattern can't be used; one sentence says why.
    """
    items = list(photo) if isinstance(photo, (list, tuple)) else [photo]
    common: dict[str, Any] = dict(
        pattern=pattern, refresh_hz=refresh_hz, display_gamma=display_gamma, contrast=contrast, meter=meter,
        notes=notes, label=label, on_shot=on_shot, say=say,
    )  # fmt: skip
    of_photos = {"still": still, "exposure_refreshes": exposure_refreshes}
    of_clips = {"fixed_camera": fixed_camera or None, "frame_rate": frame_rate, "frame_exposure_ms": frame_exposure_ms}
    videos = [p for p in items if not isinstance(p, Photo) and is_video(p)]
    if not videos:
        _refuse({**of_clips, "frames": frames}, "is for a video, and no video is given")
        return measure_photos(photo, **common, **of_photos)
    name = show_path(videos[0])
    if len(items) > 1:
        raise SettingsError(
            f"{name} is a video, which is measured on its own; give it without the other {len(items) - 1}"
        )
    if fixed_camera:
        from blurscope.clip import measure_clip

        _refuse(of_photos, f"has no meaning for {name}, a clip of a camera at rest")
        _refuse({"frames": frames}, "is for a video whose camera follows the plate")
        clip = measure_clip(videos[0], frame_rate=frame_rate, frame_exposure_ms=frame_exposure_ms, **common)
        return clip.measurement
    from blurscope.pan import BEST, measure_pan

    _refuse(of_clips, "is for a clip of a camera at rest, which goes with fixed_camera")
    return measure_pan(videos[0], best=BEST if frames is None else frames, **common, **of_photos)


def _refuse(settings: Mapping[str, Any], why: str) -> None:
    for setting, value in settings.items():
        if value is not None:
            raise SettingsError(f"{setting} {why}; leave it out")
