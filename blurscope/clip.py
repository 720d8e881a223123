"""A clip of a camera at rest to a measurement: frames to a virtual pursuit photo, then the ordinary stages.

The figures are those of the photo that a perfect camera would have taken. What the frames leave unknown (their spacing,
their exposure, the video's compression) is in u95 under the name ``frames``.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from blurscope._cv import cv2
from blurscope._threads import one_blas_thread
from blurscope.cliprefusals import refuse_damaged, refuse_flashing, refuse_moving
from blurscope.errors import BlurscopeError, FitError, PhotoError, SettingsError, TargetError
from blurscope.files import sha256_of, show_path
from blurscope.flags import warning
from blurscope.greys import measure_light
from blurscope.light import THIRD_PX, Tone, stripes_of
from blurscope.measurement import EdgeBlur, Measurement, mean_q, summary_of
from blurscope.pattern.layout import Layout
from blurscope.photo.record import Photo
from blurscope.photo.tone import srgb
from blurscope.pipeline import read_pattern, to_measurement
from blurscope.records import Q
from blurscope.shot import ShotFit, measure_shot
from blurscope.target import Registration, register
from blurscope.uncertainty import K95
from blurscope.video import Clip, Frame, FrameClock, VirtualCamera, open_clip
from blurscope.video.allowance import LOSSLESS, RESPONSE_FACTOR, Allowance, coding_allowance, frame_allowance, share_of
from blurscope.video.mean import FrameMean
from blurscope.video.stripes import unmixed_codes, unmixing_taps

MIN_REFRESHES = 2
MIN_PER_REFRESH = 3.0  # frames
MAX_FRAMES = 4000  # of a clip that are looked at
MEAN_FRAMES = 64  # that give greys and tone curve
MOST_KEPT_BYTES = 256e6  # of frames held, so that they are decoded once
UNEVEN_REFRESHES = 2.0  # of the plate's motion; a tear, a slow pixel or a dropped refresh shift it by one at most
RATE_TOLERANCE = 0.03
# campx per px: below, dark edges of simulated clips were up to 5 % too narrow, and at 1 px of two refreshes are mixed
MIN_SCALE = 1.8
PASSES = 4
STRIPS = 6  # rows and columns of the frames as they are reduced to look for flashes
MANY_CLIPPED, MANY_CRUSHED = 0.05, 0.5  # share of the stripes
SHARED = ("lens", "tracking", "exposure", "phase", "scale", "tone")
TELL_EVERY = 20  # frames
INSTANCE_FLOOR = 2e-3  # share of the step: interpolated frames never repeat better


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipResult:
    """What a clip yields.

    Attributes
    ----------
    measurement : Measurement
    response : dict or None
        ``blurscope.response/1``: the pixels' light against time; None unless asked for.
    shot : ShotFit
        Of the virtual photo.
    """

    measurement: Measurement
    response: dict[str, Any] | None
    shot: ShotFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """What is known of a clip before its frames are summed.

    Attributes
    ----------
    pose_index : int
        Frame whose pose ``registration`` has.
    decode : (n,) float32
        Light of each code of the frames, 1 at full scale.
    kept : tuple of Frame
        All frames that are used, or none where they are too large together to be held.
    taps : (n,) float, or None
        Filter along the motion that takes apart the display's stripes, which luma mixes; ``decode`` is of 16 bits then.
    """

    clip: Clip
    layout: Layout
    registration: Registration
    pose_index: int
    tone: Tone
    decode: np.ndarray
    spacing: float
    warnings: tuple[dict[str, str], ...]
    kept: tuple[Frame, ...] = ()
    taps: np.ndarray | None = None

    @property
    def count(self) -> int:
        """How many frames are used."""
        return min(self.clip.count, MAX_FRAMES)

    def frames(self, first: int = 0, last: int | None = None) -> Iterator[Frame]:
        """Yield the frames from ``first`` to before ``last``, of those that are used; decoded again if need be."""
        end = self.count if last is None else last
        return iter(self.kept[first:end]) if self.kept else self.clip.frames(first, end)

    def light(self, codes: np.ndarray) -> np.ndarray:
        """Return the light of a frame, turned as the pose needs it."""
        seen = np.rot90(codes) if self.registration.turned else codes
        return self.decode[seen if self.taps is None else unmixed_codes(seen, self.taps)]


@one_blas_thread()
def measure_clip(
    path: str | os.PathLike[str],
    *,
    pattern: str | os.PathLike[str] | Layout,
    refresh_hz: float | None = None,
    frame_rate: float | None = None,
    frame_exposure_ms: float | None = None,
    trace: bool = False,
    display_gamma: float | None = None,
    contrast: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    notes: Mapping[str, str] | None = None,
    label: str | None = None,
    on_shot: Callable[[ShotFit], None] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> ClipResult:
    """Measure the moving plate in a clip of a high-speed camera that stands still.

    Parameters
    ----------
    path : path-like
        The video.
    pattern : path or Layout
    refresh_hz : float, optional
        Replaces the pattern's, with a warning if it differs.
    frame_rate : float, optional
        Frames per second as they were taken; without it the file's, corrected by the plate's own motion where it lies.
    frame_exposure_ms : float, optional
        Exposure of one frame; unknown, it may be anything up to the time from frame to frame, and u95 says so.
    trace : bool
        Read the pixels' light against time as well.
    display_gamma, contrast, meter, notes, label, on_shot, say
        As for `blurscope.pipeline.measure`.

    Raises
    ------
    BlurscopeError
        The clip can't be used; one sentence says why.
    """
    layout = pattern if isinstance(pattern, Layout) else read_pattern(pattern)
    hz = layout.refresh_hz if refresh_hz is None else float(refresh_hz)
    if not 1 <= hz <= 2000:
        raise SettingsError(f"a refresh rate of {hz:g} Hz is outside 1 to 2000; check --refresh-hz")
    if frame_rate is not None and not 1 <= frame_rate <= 1e6:
        raise SettingsError(f"a frame rate of {frame_rate:g} per second is outside 1 to 1 000 000; check --frame-rate")
    if frame_exposure_ms is not None and not 0 < frame_exposure_ms <= 1e6:
        raise SettingsError("the exposure of a frame must be above 0 ms; check --frame-exposure-ms")
    clip = open_clip(path)
    name = show_path(Path(path).name)
    lost = []
    if len(clip.stretches) > 1:
        clip = clip.longest_stretch()
        text = f"frames {clip.first} to {clip.first + clip.count - 1} of {clip.stored} are used, the longest stretch"
        lost.append(warning("frames_refused", f"{text} in which none is missing"))
    if not clip.even:
        raise PhotoError(
            f"{name} has frames at uneven times, so its time axis can't be trusted; film at a fixed frame rate"
        )
    if clip.count < 6:
        raise PhotoError(f"{name} has {clip.count} frames, too few for a clip; film some refreshes of the display")
    scene = look(clip, layout, hz, frame_rate, name, say)
    refuse_damaged(scene, name, say)
    options = dict(assumed_gamma=display_gamma, contrast=contrast, meter=meter, say=say)
    for _ in range(PASSES):
        share = share_of(None if frame_exposure_ms is None else frame_exposure_ms * hz / 1000, scene.spacing)
        if not 0 < share[0] <= 1.02:
            raise SettingsError(
                f"a frame can't be exposed for {frame_exposure_ms:g} ms at {hz / scene.spacing:.4g} frames per second; "
                "check --frame-exposure-ms"
            )
        camera, photo = virtual_photo(scene, share[0], hz, say)
        shot = measure_shot(photo, layout, **options)
        off = _rate_error(shot)
        if off is None or frame_rate is not None:
            break
        scene = replace(scene, spacing=scene.spacing / (1 + off))
    typical = float(np.nanmedian([f.value["response"] for f in shot.fits]))
    between = frame_allowance(typical if np.isfinite(typical) else 0.0, scene.spacing, share).width
    shot = with_floor(shot, max(INSTANCE_FLOOR, between, coding_allowance(clip.bits_per_pixel, clip.codec)))
    if on_shot is not None:
        on_shot(shot)
    result = to_measurement(
        shot, hz, notes=notes, label=label if label is not None else show_path(Path(path).stem),
        declared_law=display_gamma is not None or meter is not None,
    )  # fmt: skip
    more = [*lost, *scene.warnings]
    if share[1] != share[2]:
        more.append(warning("frame_exposure_unknown"))
    if scene.tone.clipped_share > MANY_CLIPPED:
        more.append(warning("clipped_whites", f"{100 * scene.tone.clipped_share:.0f} % of the white stripes"))
    if scene.tone.crushed_share > MANY_CRUSHED:
        more.append(warning("crushed_blacks", f"{100 * scene.tone.crushed_share:.0f} % of the black stripes"))
    result = widened(result, clip, lambda fastest: frame_allowance(fastest, scene.spacing, share), more)
    response = None
    if trace:
        from blurscope.cliptrace import read_steps

        response = read_steps(scene, camera, shot, share, hz, result.label, say)
    return ClipResult(measurement=result, response=response, shot=shot)


def look(
    clip: Clip, layout: Layout, hz: float, frame_rate: float | None, name: str, say: Callable[[str], None]
) -> Scene:
    """Find the plate in some frames, the frame rate by its motion, and the tone curve in the mean of many frames."""
    last = min(clip.count, MAX_FRAMES) - 1
    wanted = sorted(
        {0, last, *(2**k for k in range(1, 12) if 2**k < last), *np.linspace(0, last, 4).astype(int).tolist()}
    )
    mean_of = set(np.unique(np.linspace(0, last, MEAN_FRAMES).astype(int)).tolist())
    found: dict[int, Registration] = {}
    refused: list[BlurscopeError] = []
    mean = FrameMean()
    strips: list[np.ndarray] = []
    kept: list[Frame] | None = []
    for frame in clip.frames(0, last + 1):
        if kept is not None:
            kept.append(frame)
            if len(kept) * frame.codes.nbytes > MOST_KEPT_BYTES:
                kept = None
        strips.append(cv2.resize(frame.codes, (STRIPS, STRIPS), interpolation=cv2.INTER_AREA))
        if frame.index in mean_of:
            mean.add(frame.codes)
        if frame.index in wanted:
            say(f"looking for the plate in frame {frame.index} of {last}")
            try:
                found[frame.index] = register(frame.codes, layout)
            except TargetError as err:
                refused.append(err)
            if not found and len(refused) >= 5:
                break
    if len(found) < 3:
        refuse_flashing(np.array(strips), name)
        why = f" ({refused[0]})" if refused else ""
        raise TargetError(f"the plate was found in {len(found)} of the frames of {name} that were looked at{why}")
    found = _one_way_round(found, layout)
    index = min(found, key=lambda i: found[i].rms_px)
    reg = found[index]
    if reg.campx_per_px < MIN_SCALE:
        raise FitError(
            f"the plate in {name} has {reg.campx_per_px:.1f} pixels of the camera per pixel of the screen, too few to "
            f"tell pixels that switch at different times apart: film it larger, at {MIN_SCALE:g} at least, better at 2 "
            "or more"
        )
    refuse_moving(found, reg, layout, (clip.height_campx, clip.width_campx), name)
    refuse_flashing(np.array(strips), name)
    spacing, warnings = _spacing(found, layout, hz, frame_rate, clip, name)
    codes, coarse = mean.codes(), None if clip.codec in LOSSLESS else mean.rounding_sd(clip.bit_depth)
    if reg.turned:
        codes, coarse = (None if x is None else np.ascontiguousarray(np.rot90(x)) for x in (codes, coarse))
    taps = unmixing(next(clip.frames(0, 1, colours=(0,))), reg)
    if taps is not None:
        codes = unmixed_codes(codes, taps)
    say("reading greys and halftones")
    tone, _ = measure_light(codes, reg, layout, linear=False, area_sd=coarse)
    if tone.linear:  # a raw clip that does not say so
        tone, _ = measure_light(codes, reg, layout, linear=True, area_sd=coarse)
    step = 65535 // mean.full_scale if taps is None else 1
    decode = (tone.decode[::step] / tone.decode[-1]).astype(np.float32)
    return Scene(clip=clip, layout=layout, registration=reg, pose_index=index, tone=tone, decode=decode,
                 spacing=spacing, warnings=tuple(warnings), kept=tuple(kept or ()), taps=taps)  # fmt: skip


def unmixing(frame: Frame, reg: Registration) -> np.ndarray | None:
    """Return the filter that takes apart the stripes of the display's pixels, which luma mixes; None without them.

    It goes along the rows of the turned frame, if the plate is turned.
    """
    if frame.colours is None:
        return None
    side = stripes_of(np.rot90(frame.colours) if reg.turned else frame.colours, reg.campx_per_px)
    return unmixing_taps(-side * THIRD_PX * reg.campx_per_px, frame.weights) if side else None


def _one_way_round(found: dict[int, Registration], layout: Layout) -> dict[int, Registration]:
    """Return the frames that agree which way round the plate is.

    Its fields, seen sharp, are nearly the same in a mirror, so that single frames may be taken for mirrored. Most are
    not, and the mirrored plate would run backwards.
    """
    groups: dict[tuple, dict[int, Registration]] = {}
    for i, r in found.items():
        groups.setdefault((r.turned, r.mirrored, r.upside_down), {})[i] = r
    ranked = sorted(groups.values(), key=lambda g: (len(g), sum(r.score for r in g.values())), reverse=True)
    usable = [g for g in ranked if len(g) >= 3]
    return next((g for g in usable if _forward(g, layout)), (usable or [found])[0])


def _forward(found: Mapping[int, Registration], layout: Layout) -> bool:
    """Whether the plate goes its way in most steps from frame to frame in which it goes at all."""
    index = sorted(found)
    first = found[index[0]]
    x, y = first.pose.to_photo(np.array([0.5 * sum(first.lit_u_px)]), np.array([layout.height_px / 2]))
    place = np.array([float(found[i].pose.to_plate(x, y)[0][0]) for i in index])
    half = layout.circuit_px / 2
    steps = (-layout.sign * np.diff(place) + half) % layout.circuit_px - half
    return bool(np.sum(np.sign(np.round(steps))) > 0)


def _spacing(
    found: Mapping[int, Registration], layout: Layout, hz: float, given: float | None, clip: Clip, name: str
) -> tuple[float, list[dict[str, str]]]:
    """Return refreshes from frame to frame: as given or stated where the plate's motion agrees, else by that."""
    index = np.array(sorted(found), float)
    first = found[int(index[0])]
    x, y = first.pose.to_photo(np.array([0.5 * sum(first.lit_u_px)]), np.array([layout.height_px / 2]))
    place = np.array([float(found[int(i)].pose.to_plate(x, y)[0][0]) for i in index])
    period, v = layout.circuit_px, layout.px_per_refresh
    travel = np.zeros(len(index))
    slope = 0.0
    for k in range(1, len(index)):
        # the plate goes on as it did; a jump of whole circuits is taken out
        expected = travel[k - 1] + slope * (index[k] - index[k - 1])
        step = -layout.sign * (place[k] - place[0])
        travel[k] = step + period * round((expected - step) / period)
        i = index[: k + 1] - index[: k + 1].mean()
        slope = float(i @ travel[: k + 1] / (i @ i))
    uneven = travel - travel.mean() - slope * (index - index.mean())
    if (worst := float(np.abs(uneven).max())) > UNEVEN_REFRESHES * v + 1:
        raise FitError(
            f"the plate's place in {name} jumps by {worst:.0f} px of the screen from an even motion: single frames "
            "don't show surely where it is (film it larger and sharper, or make a larger plate), or the camera moves "
            "(use a tripod, or leave out --fixed-camera if it follows the plate)"
        )
    seen = slope / v
    doubt = 1.0 / (index[-1] - index[0]) + 0.02 * abs(seen)  # a tear or a slow pixel shifts a frame by half a refresh
    if seen < 2 * doubt or seen * (index[-1] - index[0]) < 1.0:
        raise FitError(
            f"the plate moves by {max(seen, 0) * v:.2f} px from frame to frame of {name}: it stands still, the camera "
            "follows it (leave out --fixed-camera), or the clip is shorter than two refreshes"
        )
    stated = given if given is not None else clip.rate_hz
    warnings: list[dict[str, str]] = []
    if stated is not None and abs(hz / stated - seen) < max(doubt, RATE_TOLERANCE * seen):
        seen = hz / stated
    elif given is not None:
        raise SettingsError(
            f"the plate moves as if {name} had {hz / seen:.3g} frames per second, not {given:g}; check --frame-rate "
            "and --refresh-hz"
        )
    else:
        detail = f"{hz / seen:.3g} per second" + (f" for {stated:g}" if stated else "")
        warnings.append(warning("frame_rate_corrected", detail))
    if seen > 1 / MIN_PER_REFRESH:
        raise FitError(
            f"{name} has {1 / seen:.2g} frames per refresh of the display, at least {MIN_PER_REFRESH:g} are needed: "
            f"film with {4 * hz:.0f} frames per second or more, or follow the plate with the camera"
        )
    return seen, warnings


def virtual_photo(
    scene: Scene, share: float, hz: float, say: Callable[[str], None] = lambda _: None
) -> tuple[VirtualCamera, Photo]:
    """Sum the frames into the pursuit photo of whole refreshes that a perfect camera would have taken."""
    clip, layout, reg, d = scene.clip, scene.layout, scene.registration, scene.spacing
    name = show_path(Path(clip.path).name)
    usable = (min(clip.count, MAX_FRAMES) - 3) * d
    refreshes = min(int(usable), max(layout.max_exposure_refreshes, MIN_REFRESHES))
    if refreshes < MIN_REFRESHES:
        gaps = " without a missing frame" if clip.count < clip.stored else ""
        raise PhotoError(
            f"{name} covers {clip.count * d:.1f} refreshes of the display{gaps}; film at least {MIN_REFRESHES + 1}, "
            "better 10"
        )
    camera = VirtualCamera(
        reg.pose, scene.pose_index, FrameClock(spacing=d, share=share), layout.sign * layout.px_per_refresh,
        start=d, refreshes=refreshes, u_px=reg.lit_u_px, height_px=layout.height_px, scale=reg.campx_per_px,
    )  # fmt: skip
    first, last = max(camera.first, 0), min(camera.last, clip.count - 1)
    for frame in scene.frames(first, last + 1):
        if frame.index % TELL_EVERY == 0:
            say(f"moving frames along with the plate, {frame.index} of {last}")
        camera.add(frame.index, scene.light(frame.codes))
    light = np.clip(camera.photo(), 0, 1)
    curve = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    photo = Photo(
        path=clip.path, kind="video", pixels=(curve * 65535 + 0.5).astype(np.uint16), full_scale=65535.0,
        tone=srgb("assumed"), area_sd=scene.tone.area_sd, bit_depth=clip.bit_depth, exposure_s=refreshes / hz,
        sha256=sha256_of(clip.path),
        notes=(f"frames {clip.first + first} to {clip.first + last} of {clip.stored} at {hz / d:.6g} per second, "
               f"moved along with the plate and summed over {refreshes} refreshes",),
    )  # fmt: skip
    return camera, photo


def _rate_error(shot: ShotFit) -> float | None:
    """Return by how much (relative) the frames are further apart than was assumed; None if it doesn't show."""
    m = shot.motion
    if m is None:
        return None
    off = m.error / shot.layout.px_per_refresh
    if abs(m.error) < max(0.03, 3 * m.sd("error")):
        return None
    return float(np.clip(off, -0.4, 0.4))


def with_floor(shot: ShotFit, floor: float) -> ShotFit:
    """Judge how instances scatter by what frames can repeat, not by the noise alone, which may be next to nothing.

    Parameters
    ----------
    shot : ShotFit
    floor : float
        Standard deviation of an instance's profile that is no fault of the display, share of the step.
    """
    spread, noise2 = shot.spread.copy(), shot.profiles.noise2.mean(axis=1)
    for i, n in enumerate(shot.instances):
        noise = noise2[i] * float(n) * shot.profiles.correlation
        spread[i] *= np.sqrt(max(noise, 0.0) / (max(noise, 0.0) + floor**2))
    return replace(shot, spread=spread)


def widened(
    result: Measurement, clip: Clip, allowance_of: Callable[[float], Allowance], warnings: Sequence[dict[str, str]] = ()
) -> Measurement:
    """Add what the frames of a video leave unknown to every figure's u95.

    Parameters
    ----------
    result : Measurement
    clip : Clip
    allowance_of : callable
        From the fastest response that the figures allow, in refreshes, to the standard uncertainties.
    warnings : sequence
        To be added.
    """
    capture = result.blocks["capture"]
    hold_ms, v = capture["hold_ms"], capture["px_per_refresh"]
    coding = coding_allowance(clip.bits_per_pixel, clip.codec)
    more = list(warnings)
    if coding > 0:
        more.append(warning("clip_compressed", f"{clip.bits_per_pixel:.2g} bits per pixel"))
    edges = [_wider(e, coding, allowance_of, hold_ms, v) for e in result.edges]
    blocks = dict(result.blocks)
    summary = summary_of(edges, hold_ms)
    for name in ("bet_ms", "ghost_ms", "response_ms", "response_signal_ms"):
        summary[f"{name}_mean"] = mean_q([e.figures[name] for e in edges if e.ok], (*SHARED, "frames"))
    blocks["summary"] = summary
    return replace(result, edges=tuple(edges), blocks=blocks, warnings=(*result.warnings, *more))


def _wider(
    e: EdgeBlur, coding: float, allowance_of: Callable[[float], Allowance], hold_ms: float, v: float
) -> EdgeBlur:
    q = e.figures["response_ms"]
    fastest = 0.0 if q.value is None else max(q.value - (q.u95 or 0.0), 0.0) / hold_ms
    allow = allowance_of(fastest)
    width, response = np.hypot(allow.width, coding), np.hypot(allow.response, RESPONSE_FACTOR * coding)
    overshoot = 100 * np.hypot(allow.overshoot, coding)
    sizes = {
        "bew_px": width * v, "bet_ms": width * hold_ms, "ebet_ms": width * hold_ms / 0.8, "get_ms": width * hold_ms,
        "ghost_px": 2 * width * v, "ghost_ms": 2 * width * hold_ms, "ghost_refreshes": 2 * width,
        "overshoot_pct": overshoot, "undershoot_pct": overshoot, "response_ms": response * hold_ms,
        "response_signal_ms": response * hold_ms, "response_overshoot_pct": 2 * overshoot,
    }  # fmt: skip
    figures = {name: _plus(q, float(sizes[name])) for name, q in e.figures.items()}
    return replace(e, figures=figures, read_back=_plus(e.read_back, float(sizes["response_ms"])))


def _plus(q: Q, extra: float) -> Q:
    if q.value is None or q.u95 is None or extra <= 0:
        return q
    return Q(value=q.value, u95=float(np.hypot(q.u95, K95 * extra)), flags=q.flags, parts={**q.parts, "frames": extra})
