"""A video whose camera follows the plate: its frames are sorted out, and the best are used as pursuit photos."""

from __future__ import annotations

import hashlib
import os
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from blurscope.clip import unmixing, widened, with_floor
from blurscope.combine import combine_shots
from blurscope.errors import BlurscopeError, FitError, PhotoError, SettingsError, TargetError
from blurscope.files import show_path
from blurscope.flags import warning
from blurscope.measurement import Measurement
from blurscope.pattern.layout import Layout
from blurscope.photo.record import Photo
from blurscope.photo.tone import BT709, parametric
from blurscope.pipeline import measure, read_pattern, to_measurement
from blurscope.shot import ShotFit
from blurscope.target import Registration, register
from blurscope.video import Clip, Frame, open_clip
from blurscope.video.allowance import Allowance, coding_allowance
from blurscope.video.stripes import unmixed_codes

BEST = 5
LOOKED_AT = 60
MOMENT = 0.3  # refreshes: a shorter exposure is as good as a still
NOTHING = Allowance(width=0.0, response=0.0, overshoot=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    index: int
    time_s: float
    width_px: float = float("inf")
    reason: str = ""
    taps: np.ndarray | None = None


def measure_pan(
    path: str | os.PathLike[str],
    *,
    pattern: str | os.PathLike[str] | Layout,
    best: int = BEST,
    looked_at: int = LOOKED_AT,
    label: str | None = None,
    notes: Mapping[str, str] | None = None,
    say: Callable[[str], None] = lambda _: None,
    **options: Any,
) -> Measurement:
    """Measure the plate in a video whose camera follows it.

    Parameters
    ----------
    path : path-like
        The video.
    pattern : path or Layout
    best : int
        How many frames are used as pursuit photos.
    looked_at : int
        How many frames, evenly over the video, the plate is looked for in.
    label, notes, say, **options
        As for `blurscope.pipeline.measure`.

    Returns
    -------
    Measurement
        With the block ``photos``: the frames used, and those refused with their reasons.

    Raises
    ------
    BlurscopeError
        No frame can be used; the sentence says why.
    """
    layout = pattern if isinstance(pattern, Layout) else read_pattern(pattern)
    if best < 1 or looked_at < 1:
        raise SettingsError("at least one frame has to be used; check --frames")
    clip = open_clip(path)
    name = show_path(Path(path).name)
    pieces = _Pieces()
    wanted = set(np.unique(np.linspace(0, clip.count - 1, min(looked_at, clip.count)).astype(int)).tolist())
    seen: list[_Seen] = []
    kept: dict[int, Photo] = {}
    for frame in clip.frames(0, max(wanted) + 1, damaged=True, colours=wanted):
        pieces.add(frame)
        for index in [i for i in kept if pieces.damage_of(i)]:
            del kept[index]
        if frame.index not in wanted:
            continue
        say(f"looking for the plate in frame {frame.index} of {clip.count}")
        found = _look(frame, layout)
        if damage := pieces.damage_of(frame.index):
            found = replace(found, reason=damage)
        seen.append(found)
        if not found.reason:
            kept[frame.index] = _photo(frame, found.taps, path, name, clip.bit_depth)
            if len(kept) > best:  # hold no more frames than are used
                ranked = sorted((s for s in seen if s.index in kept), key=lambda s: s.width_px)
                del kept[ranked[-1].index]
    seen = [replace(s, reason=pieces.damage_of(s.index) or s.reason) for s in seen]
    ranked = sorted((s for s in seen if s.index in kept), key=lambda s: s.width_px)
    if not ranked and any(pieces.damage_of(s.index) for s in seen):
        raise PhotoError(f"{name} is damaged in all frames that could be used; copy it from the camera again")
    if not ranked:
        raise TargetError(
            f"the plate was found in none of the {len(seen)} frames of {name} that were looked at ({seen[0].reason})"
        )
    chosen = [kept[s.index] for s in ranked]
    say(f"measuring the {len(chosen)} sharpest frames")
    title = show_path(Path(path).stem) if label is None else label
    try:
        result = _measured(chosen, clip, layout, label=title, notes=notes, say=say, **options)
    except FitError as err:
        raise FitError(_why_none(str(err), name, layout)) from None
    return _with_refused(result, seen, {s.index for s in ranked}, name)


class _Pieces:
    """Frames by pieces, each from a frame that stands on its own to before the next.

    A frame is built on others of its piece, or of those next to it, and decoders are a few frames ahead of what they
    hand out: damage to one piece spoils its neighbours, too.
    """

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._damage: dict[int, str] = {}

    def add(self, frame: Frame) -> None:
        """Take note of the next frame."""
        if frame.key or not self._starts:
            self._starts.append(frame.index)
        if frame.damage:
            self._damage.setdefault(len(self._starts), frame.damage)

    def damage_of(self, index: int) -> str:
        """Return why a frame that has been added can't be used; empty if it can."""
        piece = bisect_right(self._starts, index)
        found = next((self._damage[k] for k in (piece, piece - 1, piece + 1) if k in self._damage), "")
        return f"the video is damaged there ({found})" if found else ""


def _measured(
    chosen: list[Photo], clip: Clip, layout: Layout, *, label: str, say: Callable[[str], None], **options: Any
) -> Measurement:
    """Measure the frames as photos of one display; what the video's compression does to each is common to them."""
    coding = coding_allowance(clip.bits_per_pixel, clip.codec)
    on_shot = options.pop("on_shot", None)

    def one(photo: Photo) -> Measurement:
        shots: list[ShotFit] = []
        result = measure(photo, pattern=layout, label=label, say=say, on_shot=shots.append, **options)
        exposure = result.tracking["exposure_refreshes"]
        if exposure.value is not None and exposure.value + (exposure.u95 or 0) < 1:
            raise FitError(f"the exposure covers {exposure.value:.2f} of a refresh, say the streaks")
        if coding > 0:
            again = {k: options.get(k) for k in ("exposure_refreshes", "notes")}
            law = options.get("display_gamma") is not None or options.get("meter") is not None
            hz = result.blocks["capture"]["refresh_hz"]
            result = to_measurement(with_floor(shots[0], coding), hz, label=label, declared_law=law, **again)
        if on_shot is not None:
            on_shot(shots[0])
        return result

    result = one(chosen[0]) if len(chosen) == 1 else combine_shots(chosen, one, label)
    return widened(result, clip, lambda _: NOTHING)


def _look(frame: Frame, layout: Layout) -> _Seen:
    """Find the plate in a frame, and how wide its edges are there: wide ones are badly followed or out of focus."""
    try:
        reg: Registration = register(frame.codes, layout)
    except BlurscopeError as err:
        return _Seen(index=frame.index, time_s=frame.time_s, reason=str(err))
    return _Seen(index=frame.index, time_s=frame.time_s, width_px=reg.width_px, taps=_taps(frame, reg))


def _taps(frame: Frame, reg: Registration) -> np.ndarray | None:
    """Return the filter that takes apart the display's stripes in a frame, one row or one column."""
    taps = unmixing(frame, reg)
    if taps is None:
        return None
    return taps[:, None] if reg.turned else taps[None, :]  # a turned frame's rows go down the columns of this one


def _photo(frame: Frame, taps: np.ndarray | None, path: str | os.PathLike[str], name: str, bits: int) -> Photo:
    codes = frame.codes if taps is None else unmixed_codes(frame.codes, taps)
    return Photo(
        path=os.path.join(os.path.dirname(os.fspath(path)), _frame_name(name, frame.index, frame.time_s)),
        kind="video",
        pixels=codes,
        full_scale=255.0 if codes.dtype == np.uint8 else 65535.0,
        clip_code=255.0 if codes.dtype == np.uint8 else 65535.0,
        tone=parametric(BT709, "assumed"),
        bit_depth=bits,
        sha256=hashlib.sha256(np.ascontiguousarray(frame.codes)).hexdigest(),
        notes=(f"frame {frame.index} of {name}, at {frame.time_s:.3f} s; sha256 of its luma",),
    )


def _frame_name(name: str, index: int, time_s: float) -> str:
    return f"{name}, frame {index} at {time_s:.3f} s"


def _why_none(text: str, name: str, layout: Layout) -> str:
    """Return one sentence for all frames where they share a fault."""
    whole = 2000 / layout.refresh_hz
    share = text.split("exposure covers ", 1)[-1].split(" ", 1)[0] if "exposure covers" in text else ""
    if "stands still" in text or (share and float(share) < MOMENT):
        return (
            f"the frames of {name} show the plate as a camera at rest or a very short exposure does; if the camera is "
            "a high-speed one that stands still add --fixed-camera, else follow the plate and expose each frame for "
            f"{whole:.0f} ms (two refreshes) or more"
        )
    if share:
        return (
            f"each frame of {name} is exposed for about {float(share):.1g} of a refresh, say the streaks: lengthen the "
            f"shutter time to {whole:.0f} ms (two refreshes) or more, or film at a high rate and add --fixed-camera"
        )
    if "no streak" in text:
        return f"{text}; if the camera of {name} is a high-speed one that stands still add --fixed-camera"
    return text


def _with_refused(result: Measurement, seen: list[_Seen], used: set[int], name: str) -> Measurement:
    """Add the frames that were left out to the block ``photos``, with their reasons."""
    blocks = dict(result.blocks)
    photos = list(blocks.get("photos", ()))
    if not photos:
        entry = {"photo": blocks["photo"], "rank": 1, "used": True, "weight": 1.0, "tracking": blocks["tracking"]}
        photos.append({**entry, "reason": "the only frame measured"})
    widest = max((s.width_px for s in seen if s.index in used), default=0.0)
    for s in sorted((s for s in seen if s.index not in used), key=lambda s: s.width_px):
        reason = s.reason or f"its edges are {s.width_px:.1f} px wide, those of the frames used up to {widest:.1f} px"
        photos.append(
            {
                "photo": {"path": _frame_name(name, s.index, s.time_s)},
                "rank": len(photos) + 1,
                "used": False,
                "weight": 0.0,
                "reason": reason,
            }
        )
    if len(photos) > 1:
        blocks["photos"] = photos
    lost = [s for s in seen if s.reason]
    warnings = list(result.warnings)
    if lost:
        warnings.append(warning("frames_refused", f"{len(lost)} of {len(seen)}, the first because {lost[0].reason}"))
    return replace(result, blocks=blocks, warnings=tuple(warnings))
