"""One shot: the order of the stages from a photo to profiles, motion and fitted edges.

This is the part of the pipeline that knows pixels; `pipeline` turns its result into a measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from blurscope.alongblur import AlongBlur, blur_along, even_blur
from blurscope.blur.compete import compete, floor_share
from blurscope.blur.families import FAMILIES
from blurscope.blur.fit import FamilyFit
from blurscope.blur.measure import BlurFit, measure_profiles
from blurscope.blur.operator import Capture, age_edges
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.blur.readback import ReadBack, read_back
from blurscope.coder import coded_sd
from blurscope.doubts import other_laws, shared_doubts, signal_shares
from blurscope.edges import EdgeProfiles, extract_edges
from blurscope.errors import FitError
from blurscope.following import (
    STREAK_SHARE,
    Trial,
    capture_of,
    fit_streaks,
    light_steps,
    moved_along,
    realigned,
    settle_error,
)
from blurscope.greys import measure_light
from blurscope.light import LUMA, Lens, Tone, mixing_of
from blurscope.pattern.layout import Layout
from blurscope.photo import Photo
from blurscope.pooling import coded_variances, lag_groups, pool_instances
from blurscope.refusals import (
    MAX_STREAK_CHI2,
    refuse_clipped,
    refuse_faint,
    refuse_greys,
    refuse_lost_flashes,
    refuse_misfit,
    refuse_missed,
    refuse_short,
    refuse_step,
    refuse_still,
    refuse_unsure,
)
from blurscope.switchphase import COARSE, PRIOR_SD, switch_phase
from blurscope.target import Registration, register
from blurscope.tracking import Motion, first_guess, place_screen, read_lanes
from blurscope.tracking.backlight import STEADY, Backlight, find_backlight, scan_of_flashes
from blurscope.tracking.lanes import Lane, Streak
from blurscope.tracking.motion import SHORT_EXPOSURE

QUICK = tuple(f for f in FAMILIES if f.name in ("exponential", "s-shaped", "two exponentials"))
QUICK_ITERATIONS = 5
ROUNDS, FLASH_ROUNDS, FULL_ROUNDS, PHASE_ROUNDS = 3, 6, 2, 2
HALO_SD_PX = 2.0  # doubt of the blur along the motion per step of a halo: sharpening is not the same both ways
STILL_SD_PX = 0.05  # how far streaks may take the blur along the motion from that of a still
COLOURS = 4  # pixels of a photo to one of its small picture in colour
OTHER_LENGTH = 1.5  # refreshes, by which streaks that fit a motion may differ from the runs of light at first
DARK_STEP = 0.08  # refreshes by which the shutter is tried earlier and later under flashes
SAME_DUTY = 0.01  # change of how long flashes are at which they count as found
SAME_STEP = 0.01  # of a step: change of a response that no streak feels
SAME_WAY = 0.002  # of a refresh's way: change of what an error smears that no figure feels
EARLY = -0.6  # refreshes: onset of all responses from which the pose is put right
OPEN_ERROR = 0.002  # of the speed: standard uncertainty of the tracking error from which the edges have a say in it
FAINT = 40.0  # median streak over its noise, below which a missed update need not show as a misfit
LOOKED_CHI2 = 3.0  # chi-square of the streaks from which one is looked for
OPEN_CHI2 = 5.0  # chi-square of the streaks from which the same is done
BETTER = 0.7  # share of that chi-square down to which another error is the better one
POOR_FLASH_CHI2 = 5.0  # of streaks under flashes, from which a better start is looked for
MOST_BY_CODER = 2.0  # times by which a lossy coder may lower the chi-square of streaks unseen
APART, MORE_APART = 3.0, 2.0  # scatter of a transition's edges from which it has grown by a wrong pose: as such, and by
REALIGN_PX = 0.15  # misalignment of edges and clock over the screen beyond which the pose is put right


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShotFit:
    """Everything that a measured shot yields.

    Attributes
    ----------
    pairs : list of (from, to)
        Transitions with at least one usable instance.
    fits : list of BlurFit
    instances : (n,) int
    profiles : Profiles
    readings : list of ReadBack
        Steps read back from the profiles; empty where the backlight is modulated.
    """

    photo: Photo
    layout: Layout
    registration: Registration
    tone: Tone
    lens_px: float
    lens_sd_px: float
    along: AlongBlur
    halo: float
    lanes: list[Lane]
    streaks: list[Streak]
    motion: Motion | None
    backlight: Backlight
    shift_px: float
    edges: EdgeProfiles
    pairs: list[tuple[int, int]]
    fits: list[BlurFit]
    instances: np.ndarray
    spread: np.ndarray
    from_slope: np.ndarray
    clipped: np.ndarray
    crushed: np.ndarray
    profiles: Profiles
    readings: list[ReadBack]
    capture: Capture
    codes: np.ndarray


def channel_of(photo: Photo) -> tuple[np.ndarray, bool]:
    """Return one channel of codes (uint8 or uint16), and whether they are linear."""
    pixels = photo.pixels
    if pixels.ndim == 3 and photo.kind == "jpeg":  # luma: the chroma of a JPEG clips the noise near black
        pixels = (pixels @ LUMA + 0.5).astype(pixels.dtype)
    elif pixels.ndim == 3:
        pixels = np.ascontiguousarray(pixels[..., 1])
    if pixels.dtype == np.float32:
        share = np.clip(photo.share(pixels), 0, 1)
        return (share * 65535 + 0.5).astype(np.uint16), photo.linear
    full = 65535 if pixels.dtype == np.uint16 else 255
    if photo.full_scale < full and pixels.dtype == np.uint16:
        scale = 65535 / photo.full_scale
        pixels = np.minimum(pixels * np.float32(scale), 65535).astype(np.uint16)
        return pixels, photo.linear
    return pixels, photo.linear


def stripes_px2(photo: Photo, reg: Registration) -> float:
    """Return the variance along the motion by which the channel that is read mixes the display's stripes.

    Green alone mixes none, the luma of a JPEG does.
    """
    colours = photo.colours
    if colours is None and photo.pixels.ndim == 3 and photo.kind == "jpeg":
        colours = photo.pixels[COLOURS // 2 :: COLOURS, COLOURS // 2 :: COLOURS]
    if colours is not None:
        colours = np.ascontiguousarray(np.rot90(colours) if reg.turned else colours)
    return mixing_of(colours, reg.campx_per_px, COLOURS)


def coder_along(photo: Photo, reg: Registration) -> np.ndarray | None:
    """Return the steps of the coefficients that change along the motion only, (8,) codes; None without a coder."""
    if photo.coder_steps is None:
        return None
    lying = (photo.orientation > 4) == bool(reg.turned)
    return photo.coder_steps[0] if lying else photo.coder_steps[:, 0]


def measure_shot(
    photo: Photo,
    layout: Layout,
    *,
    assumed_gamma: float | None = None,
    contrast: float | None = None,
    meter: tuple[np.ndarray, np.ndarray] | None = None,
    lens: tuple[float, float] | None = None,
    seed: int = 20240501,
    say: Callable[[str], None] = lambda _: None,
) -> ShotFit:
    """Run all stages on one photo.

    Parameters
    ----------
    photo : Photo
    layout : Layout
    assumed_gamma, contrast, meter
        As for `blurscope.light.measure_tone`.
    lens : (sigma_px, sd_px), optional
        Lens blur along the motion from a still.
    seed : int
        Of the Monte Carlo propagation.
    say : callable
        Progress.

    Raises
    ------
    BlurscopeError
        The photo can't carry figures; the message says why.
    """
    codes, linear = channel_of(photo)
    say("looking for the plate")
    reg = register(codes, layout, linear=linear)
    if reg.turned:
        codes = np.ascontiguousarray(np.rot90(codes))
    say("reading greys and halftones")
    known = dict(assumed_gamma=assumed_gamma, meter=meter, contrast=contrast, stated=photo.stated_curve)
    tone, across = measure_light(codes, reg, layout, linear=linear, **known)
    if tone.linear and not linear:  # the plate was looked for through the wrong curve
        turned = reg.turned
        reg = replace(register(codes, layout, linear=True), turned=turned)
        tone, across = measure_light(codes, reg, layout, linear=True, **known)
    refuse_greys(tone, reg, layout)
    refuse_clipped(tone)
    if photo.kind == "jpeg":
        refuse_step(tone.steps[0 if (photo.orientation > 4) != reg.turned else 1])
    if not np.isfinite(across.sigma_px):
        across = Lens(sigma_px=0.4, sd_px=0.3)
    across_px = across.sigma_px
    lens_px, lens_sd = lens or (across.sigma_px, across.sd_px)
    tone = replace(tone, mixing_px2=stripes_px2(photo, reg), coder_steps=coder_along(photo, reg))
    along_px = float(np.hypot(lens_px, np.sqrt(tone.mixing_px2)))
    streak_sd = max(lens_sd, STILL_SD_PX if lens else STREAK_SHARE * along_px)

    def lanes_of(reg: Registration) -> list[Lane]:
        coded = None if tone.coder_steps is None else partial(coded_sd, decode=tone.decode, steps=tone.coder_steps)
        return read_lanes(codes, reg.pose, layout, reg.lit_u_px, tone, coded)

    def read_edges() -> EdgeProfiles:
        found = extract_edges(codes, reg.pose, layout, reg.lit_u_px, tone, across_px, across.gaps)
        return replace(found, extra_px2=across.extra_px2(found.u_px, found.v_row))

    say("reading streaks and edges")
    lanes = lanes_of(reg)
    shift, exposure, _ = place_screen(lanes, layout, reg.lit_u_px)
    refuse_still(reg, exposure, layout)
    edges = read_edges()
    if len(edges.esf) == 0:
        raise FitError("no edge with its settling field lies wholly in the photo; step back so that more of it shows")
    pairs = sorted({(int(a), int(b)) for a, b in zip(edges.from_level, edges.to_level, strict=True)})
    ages = age_edges(layout.field_refreshes + 1)
    v = layout.px_per_refresh
    pixel = 1 / reg.campx_per_px
    base = Capture(
        px_per_refresh=v,
        exposure_refreshes=max(exposure, 1.0),
        blur_sigma_px=float(np.hypot(along_px, np.sqrt(edges.sampling_px2))),
        boxes_px=(pixel,),
        phase_known=False,
    )

    last: tuple = (None, None, None, None, None)

    def pooled(seen: Capture, m: Motion | None):
        nonlocal last
        known = edges, pairs, layout, tone
        if not (last[0] is edges and last[1] == (seen, shift) and last[2] is m):
            coded = coded_variances(edges, pairs, layout, tone) if last[0] is not edges else last[4]
            last = edges, (seen, shift), m, pool_instances(*known, seen, ages, m, shift, coded=coded), coded
        return last[3]

    combined, _, apart, _ = pooled(base, None)
    say("fitting the camera's motion")

    backlight = STEADY

    def along(m: Motion | None) -> AlongBlur:
        if lens or backlight.emission is not None:  # a still shows it; under flashes streaks don't
            return even_blur(along_px, lens_sd)
        return blur_along(m, along_px, lens_sd)

    def seen_by(m: Motion) -> Capture:
        blur = float(np.hypot(along(m).sigma_px, np.sqrt(edges.sampling_px2)))
        return capture_of(base.changed(blur_sigma_px=blur), m, layout, backlight)

    quick: list[FamilyFit] | None = None
    lined_up = False

    read_with: dict[tuple[int, int], np.ndarray] = {}

    def follow(steps, guess: np.ndarray | None, held: bool = False, **look) -> tuple[Motion | None, list[Streak]]:
        nonlocal read_with
        read_with = steps
        known = (lanes, layout, tone, shift, exposure, pixel, along_px, streak_sd)
        return fit_streaks(steps, *known, guess, backlight, held=held, lined_up=held or lined_up, **look)

    def unchanged(steps) -> bool:
        return max(float(np.abs(steps[p] - read_with[p]).max()) for p in pairs) < SAME_STEP

    def move(
        found: Profiles, guess: np.ndarray | None = None, held: bool = False
    ) -> tuple[Motion | None, list[Streak]]:
        nonlocal quick
        quick, weights = compete(found, QUICK, quick, iterations=QUICK_ITERATIONS, quick=True)
        return follow(light_steps(quick, weights, pairs, layout), guess, held)

    def relit(begin: Motion, error: float = 0.0) -> tuple[Motion | None, list[Streak]]:
        # where the shutter opens or closes in the dark a fit is lost: start again from several lengths
        nonlocal backlight
        middle = begin.start + begin.exposure / 2
        trials = []
        for length in (begin.exposure, np.ceil(begin.exposure), np.ceil(begin.exposure) - 0.5):
            guess = first_guess(middle - length / 2, float(length), along_px)
            guess[2], guess[5:7], guess[13:15] = error, (begin.along, begin.across), backlight.flash
            trials.append(move(combined, guess))
        found, streaks = min(trials, key=lambda t: np.inf if t[0] is None else t[0].chi2_ratio)
        if found is not None:
            first = found, streaks, backlight
            backlight = find_backlight(streaks, found, layout, pixel, along_px)
            found, streaks = move(combined, found.vector())
            if found is None or found.chi2_ratio > MAX_STREAK_CHI2 > first[0].chi2_ratio:  # a waveform that fits worse
                found, streaks, backlight = first
        return found, streaks

    def opened_elsewhere(m: Motion, streaks: list[Streak]) -> tuple[Motion, list[Streak]]:
        # a shutter that opens in the dark or within a flash has a lowest misfit on either side of the flash's end
        best = m, streaks
        for late in (-DARK_STEP, DARK_STEP):
            guess = m.vector()
            guess[:2] += late, -late
            other, seen = follow(read_with, guess)
            if other is not None and other.chi2_ratio < best[0].chi2_ratio:
                best = other, seen
        return best

    quick, weights = compete(combined, QUICK, iterations=QUICK_ITERATIONS, quick=True)
    onset = float(np.median([quick[b].onset[i] for i, b in enumerate(np.argmax(weights, axis=0))]))
    if onset < EARLY:  # responses are followed from a refresh ahead of the pose's edges, and these were found too late
        reg = moved_along(reg, onset, layout)
        lanes, edges, quick = lanes_of(reg), read_edges(), None
        shift, exposure, _ = place_screen(lanes, layout, reg.lit_u_px)
        combined, _, apart, _ = pooled(base, None)
    motion, streaks = move(combined)
    if motion is not None and abs(motion.exposure - exposure) > OTHER_LENGTH:
        first = motion, streaks, shift, exposure
        shift, exposure, _ = place_screen(lanes, layout, reg.lit_u_px, motion.exposure)
        motion, streaks = move(combined)
        if motion is None or motion.chi2_ratio > MAX_STREAK_CHI2:
            motion, streaks, shift, exposure = first
        else:  # light beside the screen had looked like a streak
            combined, _, apart, _ = pooled(base, None)
    if motion is not None:
        steady = motion
        backlight = find_backlight(streaks, motion, layout, pixel, along_px)
        if backlight.emission is not None:
            motion, streaks = relit(motion)
        if backlight.kind != "hold" and motion is not None and motion.chi2_ratio > POOR_FLASH_CHI2:
            # the shutter opens within a flash, or flashes follow the scan-out: how do all streaks flash alike?
            first = motion, streaks, backlight
            lagging = steady.moved(scan_of_flashes(streaks, steady.vector(), layout, pixel, along_px))
            backlight = find_backlight(streaks, lagging, layout, pixel, along_px)
            motion = steady
            if backlight.emission is not None:
                motion, streaks = relit(lagging, lagging.error)
            if motion is None or motion.chi2_ratio >= first[0].chi2_ratio:
                motion, streaks, backlight = first
    capture = base

    def misaligned(m: Motion) -> bool:
        return not lined_up and v * max(abs(m.delay_along), abs(m.delay_across)) > REALIGN_PX

    for _ in range(ROUNDS if backlight.emission is None else FLASH_ROUNDS):
        if motion is None:
            break
        before = motion, streaks, reg, lanes, edges
        if misaligned(motion):
            reg = realigned(reg, motion, layout, shift)
            lanes = lanes_of(reg)
            edges = read_edges()
            motion = replace(
                motion,
                along=motion.along - motion.delay_along,
                across=motion.across - motion.delay_across,
                delay_along=0.0,
                delay_across=0.0,
            )
        capture = seen_by(motion)
        found, _, parted, _ = pooled(capture, motion)
        if reg is not before[2] and np.median(parted) > max(APART, MORE_APART * np.median(apart)):
            # edges of one transition lay on each other as they were: it is the streaks that are wrong
            motion, streaks, reg, lanes, edges = before
            lined_up = True
            again, streaks = move(combined, replace(motion, delay_along=0.0, delay_across=0.0).vector())
            motion = again or motion
            capture = seen_by(motion)
            continue
        combined, apart = found, parted
        if backlight.kind == "hold" and not misaligned(motion):
            quick, weights = compete(combined, QUICK, quick, iterations=QUICK_ITERATIONS, quick=True)
            if unchanged(light_steps(quick, weights, pairs, layout)):
                break
        again, streaks = move(combined, motion.vector())
        if backlight.emission is not None and again is not None:
            again, streaks = opened_elsewhere(again, streaks)
        moved = abs(again.error - motion.error) + abs(again.exposure - motion.exposure) if again else 0.0
        lost = again is not None and again.chi2_ratio > MAX_STREAK_CHI2 > before[0].chi2_ratio
        if lost:  # flashes leave pose and lag open to each other, and a fit may run away along them
            motion, streaks, reg, lanes, edges = before
        else:
            motion = again or motion
        flashes = backlight
        if backlight.emission is not None and not lost:  # their length shows once they are where they belong
            flashes = find_backlight(streaks, motion, layout, pixel, along_px)
            if (flashes.kind, flashes.pulses) != (backlight.kind, backlight.pulses):
                flashes = backlight
        same = abs(flashes.duty - backlight.duty) < SAME_DUTY
        backlight = flashes
        capture = seen_by(motion)
        if lost:
            break
        if moved < 0.01 and same and not misaligned(motion):
            break

    def attempt(m: Motion) -> Trial | None:
        nonlocal quick

        def profiles_of(m: Motion) -> Profiles:
            return pooled(seen_by(m), m)[0]

        quick = None  # what an error far away has led to leads astray
        again, _ = move(profiles_of(m), m.vector(), held=True)
        if again is None:
            return None
        found = profiles_of(again)
        every, weights = compete(found)
        better, _ = follow(light_steps(every, weights, pairs, layout), again.vector(), held=True)
        again = better or again  # a quick fit's response may not be the one that this error asks for
        best = np.argmax(weights, axis=0)
        chi2 = np.array([every[b].chi2[i] for i, b in enumerate(best)]) / found.correlation
        price = np.array([every[b].count for b in best]) * np.log(found.esf.shape[1] / found.correlation)
        return Trial(again, chi2, price)

    settled = motion is not None and _open(motion, v) and backlight.kind == "hold"
    if settled:
        dof = (combined.esf.shape[1] - 6) / combined.correlation
        found = settle_error(motion, v, attempt, dof)
        # a misfit that no other error lessens has another cause
        settled = motion.chi2_ratio < OPEN_CHI2 or found.chi2_ratio < BETTER * motion.chi2_ratio
        motion = found if settled else motion
        capture = seen_by(motion)
    refuse_lost_flashes(backlight)
    streak_chi2: float | None = None
    if motion is not None:
        refuse_short(motion.exposure, flashing=backlight.kind == "strobe")
        refuse_faint(motion, backlight)
        if backlight.kind == "hold" and (motion.signal < FAINT or motion.chi2_ratio > LOOKED_CHI2):
            looked, _ = follow(read_with, motion.vector(), held=True, look_for_missed=True)
            refuse_missed(looked or motion)
        # of a misfit a coder explains no more than half
        louder = float(np.median([1 + (lane.by_coder / lane.noise) ** 2 for lane in lanes]))
        streak_chi2 = motion.chi2_ratio * min(louder, MOST_BY_CODER)
        refuse_misfit(streak_chi2, across_px, backlight)
        refuse_unsure(motion, v)
    say("fitting the edges")
    phase_sd = PRIOR_SD
    starts = lag_groups(edges.lag_px, v)
    combined, instances, spread, groups = pooled(capture, motion)
    families, weights = compete(combined, before=quick)
    if motion is not None and not settled and backlight.kind == "hold":
        for _ in range(FULL_ROUNDS):  # the streaks once more, by responses of any family
            steps = light_steps(families, weights, pairs, layout)
            if unchanged(steps):
                break
            again, streaks = follow(steps, motion.vector())
            if again is None or again.chi2_ratio > motion.chi2_ratio:
                break
            moved = again.error - motion.error, again.exposure - motion.exposure
            motion = again
            if max(abs(moved[0]) * motion.exposure, abs(moved[1]) * v) < SAME_WAY * v:
                break
            capture = seen_by(motion)
            combined, instances, spread, groups = pooled(capture, motion)
            families, weights = compete(combined, before=families)
    phased = combined
    if motion is not None:
        for _ in range(PHASE_ROUNDS):
            late, phase_sd = switch_phase(combined, families, weights, edges.lag_px, starts, capture, motion)
            if late:
                motion = replace(motion, start=motion.start - late, delay=motion.delay - late)
                phased = pooled(capture, motion)[0]
            if abs(late) < COARSE:
                break
            combined = phased
            families, weights = compete(combined, before=families)
    if backlight.kind == "hold":
        phased = phased.ease(floor_share(combined, families, weights))
    if phased is not combined:
        combined = phased
        families, weights = compete(combined, before=families)

    readings: list[ReadBack] = []
    blur = along(motion)
    blur = blur._replace(sd_px=float(np.hypot(blur.sd_px, HALO_SD_PX * max(across.halo, 0.0))))

    def nuisances_of(cells: np.ndarray) -> list[Nuisance]:
        known = (cells, edges.lag_px, starts, pairs, capture, motion, tone)
        doubts = shared_doubts(*known, across_px=across_px, lens_sd=blur.sd_px, phase_sd=phase_sd, ages=ages)
        if backlight.kind == "hold":
            readings.extend(read_back(combined, doubts, v, capture.blur_sigma_px))
        return doubts

    rng = np.random.default_rng(seed)
    shares = signal_shares(pairs, tone)
    others = other_laws(pairs, tone, across_px, np.random.default_rng(seed))
    fits = measure_profiles(
        combined,
        nuisances_of,
        shares,
        rng,
        emission=backlight.emission,
        fits=families,
        other_shares=others,
        streak_chi2=streak_chi2,
    )

    if combined.operator.ndim == 3 and backlight.kind == "hold":
        # those that the shutter saw at other moments may look alike, or differ by as much as the capture makes of that
        cells = np.array([f.cells for f in fits])
        known = edges, pairs, layout, tone, capture, ages, motion, shift, cells
        spread = np.minimum(spread, pool_instances(*known, coded=last[4])[2])

    def mean_of(values: np.ndarray) -> np.ndarray:
        return np.array([values[g].mean() for g in groups])

    return ShotFit(
        photo=photo,
        layout=layout,
        registration=reg,
        tone=tone,
        lens_px=lens_px,
        lens_sd_px=lens_sd,
        along=blur,
        halo=across.halo,
        lanes=lanes,
        streaks=streaks,
        motion=motion,
        backlight=backlight,
        shift_px=shift,
        edges=edges,
        pairs=pairs,
        fits=fits,
        instances=instances,
        spread=spread,
        from_slope=mean_of(edges.from_slope),
        clipped=np.array([bool(edges.clipped[g].any()) for g in groups]),
        crushed=np.array([bool(edges.crushed[g].any()) for g in groups]),
        profiles=combined,
        readings=readings,
        capture=capture,
        codes=codes,
    )


def _open(motion: Motion, v: float) -> bool:
    """Whether the streaks leave the tracking error open, or fit so badly that it may be another one."""
    unsure = motion.sd("error") > OPEN_ERROR * v or motion.chi2_ratio > OPEN_CHI2
    return unsure and motion.exposure > SHORT_EXPOSURE
