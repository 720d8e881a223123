"""What a photo is refused for, each in one sentence that says what was seen and what to do."""

from __future__ import annotations

import numpy as np

from blurscope.errors import FitError
from blurscope.light import Step, Tone
from blurscope.pattern.layout import Layout
from blurscope.target import Registration
from blurscope.tracking import Motion
from blurscope.tracking.backlight import CLEARLY_DARK, Backlight
from blurscope.tracking.motion import LEAST_EXPOSURE, SHORT_EXPOSURE

STEP_CODES, STEP_RATIO = 3.0, 10.0  # of the greys of a JPEG from which it is damaged
MOST_CLIPPED = 0.5  # of the pixels of white
LEAST_FLASHED = 1.2  # refreshes that a flashing backlight lights, up to which they are one flash
MAX_BLUR_PX = 0.9  # across the motion, from which focus is the likeliest fault
LEAST_GAMMA, MOST_GAMMA = 0.2, 8.0  # of any display
MOST_FALL_OFF = 1000.0  # from one corner of a plate to another, of any lens and panel
MOST_UNSURE = 0.15  # of a refresh's way: standard uncertainty of what a tracking error smears
TRUSTED_AMPLITUDE = 0.6  # of streaks, over what the display's law says of them: right ones have 0.7 in the worst noise
MAX_STREAK_CHI2 = 25.0


def refuse_greys(tone: Tone, reg: Registration, layout: Layout) -> None:
    """Refuse greys that follow no display: what a damaged file or another pattern than the one shown leaves."""
    if np.isfinite(tone.light).all() and np.isfinite(tone.decode).all():
        with np.errstate(over="ignore"):
            gain = tone.gain(*reg.pose.to_photo(*np.meshgrid(reg.lit_u_px, (0.0, float(layout.height_px)))))
        even = gain.min() > 0 and gain.max() < MOST_FALL_OFF * gain.min()
        if even and LEAST_GAMMA < tone.display_gamma < MOST_GAMMA and tone.light[-1] > tone.light[0]:
            return
    refuse_clipped(tone)  # the likelier cause
    raise FitError(
        "the plate's grey stripes don't get lighter with their level as a display's do: the file is damaged, or the "
        "pattern.json is not that of the plate shown"
    )


def refuse_clipped(tone: Tone) -> None:
    """Refuse a photo whose whites are all at the end of the scale: curve, streaks and exposure go with them."""
    if tone.clipped_share > MOST_CLIPPED:
        raise FitError(
            f"white is clipped in {100 * tone.clipped_share:.0f} % of its pixels, so that curve, exposure and tracking "
            "can't be read: expose less, until white lies at 70 to 90 % of the scale"
        )


def refuse_step(step: Step) -> None:
    """Refuse a JPEG whose greys are all brighter or darker by the same from some row on."""
    if abs(step.codes) > STEP_CODES and step.ratio > STEP_RATIO:
        raise FitError(
            f"the plate's greys jump by {abs(step.codes):.0f} codes from one row of the photo to the next, as they do "
            "in a damaged JPEG: copy it from the camera again (if it is sound, something is mirrored in the screen)"
        )


def refuse_still(reg: Registration, exposure: float, layout: Layout) -> None:
    """Refuse a plate at rest, and streaks that aren't seen or are too short; ``exposure`` in refreshes."""
    if reg.width_px < 0.5 * layout.px_per_refresh and exposure < 1.5:
        raise FitError(
            "the plate stands still in this photo (its edges and slits are not smeared): photograph it moving, with "
            "the camera following; a still is welcome as --still"
        )
    if exposure <= 0:
        raise FitError(
            "no streak of the always-lit slits stands out from the noise, so exposure and tracking can't be read: use "
            "a lower ISO, a wider aperture or a shorter exposure of 2 to 4 refreshes, and focus on the screen"
        )
    refuse_short(exposure)


def refuse_short(exposure: float, flashing: bool = False) -> None:
    """Refuse less than a refresh, which shows no hold, and a single flash, which shows no travel of the camera."""
    if exposure < (LEAST_FLASHED if flashing else LEAST_EXPOSURE):
        seen, fewest = ("refreshes of a backlight that flashes", 3) if flashing else ("of a refresh", 2)
        raise FitError(
            f"the exposure covers {exposure:.2f} {seen}, say the streaks: expose for {fewest} to 8 whole refreshes"
        )


def refuse_lost_flashes(backlight: Backlight) -> None:
    """Refuse a strobe whose flashes have no one place in the refresh."""
    if backlight.kind == "strobe" and backlight.emission is None:
        raise FitError(
            "the backlight flashes once per refresh, and no one moment of it explains the streaks all over the screen: "
            "its rows switch at other times of it (scan-out), so that the blur depends on the row, or the shutter "
            "opened or closed within a flash; switch the strobe off, or expose for whole refreshes"
        )


def refuse_faint(motion: Motion, backlight: Backlight) -> None:
    """Refuse streaks far fainter than the greys of the photo say: part of their length is lost, or they are none."""
    if backlight.kind == "hold" and motion.amplitude < TRUSTED_AMPLITUDE:
        raise FitError(
            f"the streaks of the slits are only {100 * motion.amplitude:.0f} % as bright as the photo's greys say "
            "they are, so their length can't be trusted: they drown in the noise, or something lies over them; use a "
            "lower ISO, a wider aperture or a shorter exposure of 2 to 4 refreshes"
        )


def refuse_missed(motion: Motion) -> None:
    """Refuse an exposure within which the display missed an update: its edges stand still for a refresh."""
    if motion.missed is not None:
        after = max(motion.missed.at - motion.start, 0)
        raise FitError(
            f"the display dropped an update or showed one twice, about {after:.1f} refreshes after the shutter opened, "
            "say the slits that switch: close what else runs on the device, and take the photo again"
        )


def refuse_misfit(chi2_ratio: float, blur_px: float, backlight: Backlight) -> None:
    """Refuse streaks that no motion explains, with the likeliest reason; ``blur_px`` is across the motion."""
    if chi2_ratio <= MAX_STREAK_CHI2:
        return
    if blur_px > MAX_BLUR_PX:
        why = f"the photo is out of focus (blur of {blur_px:.1f} px of the display); focus on the screen and stop down"
    elif backlight.flicker is not None:
        why = (
            "the backlight is modulated out of step with the refresh, slowly and deeply enough to show in the streaks; "
            "set the display to full brightness, where many backlights are steady, or film it in another mode"
        )
    elif backlight.kind != "hold" and backlight.duty < CLEARLY_DARK:
        why = "the backlight flashes and the exposure holds no whole number of refreshes; expose for whole refreshes"
    else:
        why = (
            "the camera shook or was several px per refresh off the plate's speed, the display dropped refreshes, a "
            "lamp is mirrored in the screen, or the camera's own tone mapping, sharpening or hot pixels change the "
            "streaks; take it again, as RAW if the camera has it"
        )
    raise FitError(f"the streaks fit no steady motion (chi-square {chi2_ratio:.0f} times too large): {why}")


def refuse_unsure(motion: Motion, v: float) -> None:
    """Refuse an error that isn't known, which smears the edges by an unknown length; ``v`` in px per refresh."""
    unsure = motion.sd("error")
    if unsure * motion.exposure > MOST_UNSURE * v and motion.exposure > SHORT_EXPOSURE:
        raise FitError(
            f"the streaks leave open how well the camera followed (by {2 * unsure:.1f} px per refresh either way): too "
            "few of them show a switch, or they are too noisy; use a lower ISO or a wider aperture, another length of "
            "exposure, or get more of the plate into the frame"
        )
