"""The only list of flags and warnings: a name for programs, a sentence for people.

A *flag* sits on one figure, edge, streak or transition; a *warning* concerns a whole photo or record.
Both are written by name, so that their order here carries no meaning.
"""

from __future__ import annotations

FLAGS: dict[str, str] = {
    "threshold_grazed": "the fitted curve comes within its uncertainty of a threshold it need not cross",
    "not_settled": "the curve has not settled before the next edge arrives",
    "from_not_settled": "the pixel had not settled on the from level when the edge arrived",
    "step_too_small": "the step is too small against the noise to carry the figure",
    "clipped": "samples of this edge are at full scale; lower the exposure",
    "crushed": "samples of this edge are crushed at the dark end; raise the exposure or use RAW",
    "streak_too_dim": "the streak is too dim against the noise to carry a response",
    "streak_incomplete": "the streaks of this pair do not cover the whole transition",
    "pwm_unresolved": "the backlight's modulation is finer than the slit resolves",
    "row_dependent": "the blur depends on the row and the groups of rows do not agree",
    "response_unresolved": "noise, blur or the place of the switch leave open how fast the pixel is",
    "roads_disagree": "independent roads to the response differ by more than their uncertainties",
    "instances_disagree": "instances of this transition differ by more than their noise",
    "poor_fit": "no response family describes this profile within its noise",
    "capture_doubtful": "streaks or many edges of this photo fit nothing: something in it is not modelled",
    "sharpened": "the camera has sharpened the photo by more than is allowed for: overshoots may be false",
    "no_instance": "no instance of this transition lies wholly in the photo",
    "correction_dominates": "the correction for tracking or lens is larger than the figure",
    "signal_unknown": "the signal domain is not known well enough here",
    "sampling_coarse": "the photo has too few campx across the blur",
    "levels_reversed": "the record runs the other way than the transition says",
    "not_recorded": "the record does not hold this transition",
    "ac_coupled": "the record falls back after each switch, as an AC-coupled one does",
    "flashes_hide_scan": "under flashes a scan-out along the motion can't be told from the place of the slits",
    "ripple_unresolved": "the ripple of the backlight could not be told from the step",
    "shape_assumed": "the shape of the response is assumed; only its time is known",
    "response_missing": "the response of this pair is not known",
    "not_in_response": "the response file has no such transition",
    "not_in_measurement": "the measurement has no such transition",
    "not_in_photo": "a photo without the plate's streaks does not show it",
    "narrower_than_hold": "the edge is narrower than a sample-and-hold display makes it at this speed",
}

WARNINGS: dict[str, str] = {
    "refresh_overridden": "the given refresh rate replaces the pattern's",
    "exposure_corrected": "the exposure read from the streaks replaces the one given",
    "exposure_header": "the exposure that the photo's header states is not that of the streaks: check the refresh rate",
    "halftone_inconsistent": "halftones do not close, so the tone curve is not taken from them",
    "tone_assumed": "the tone curve is assumed, not measured",
    "sharpened": "the camera has sharpened the photo: overshoot may be false",
    "clipped_whites": "whites of the plate are clipped",
    "crushed_blacks": "blacks of the plate are crushed",
    "tracking_large": "the camera tracked badly; the correction is large",
    "tracking_unknown": "the streaks do not give the tracking error; the figures carry a wide allowance for it",
    "exposure_not_whole": "the exposure is not a whole number of refreshes",
    "exposure_too_long": "the exposure is longer than the plate was planned for, so streaks run into each other",
    "scan_unknown": "the scan-out could not be read from the streaks",
    "lens_assumed": "the lens blur could not be measured in the photo and is assumed",
    "lens_uneven": "the blur along the motion is not that across it: astigmatism, shaking, or the camera's denoising",
    "sampling_coarse": "fewer than two campx per display px",
    "mirrored": "the photo is mirrored; it was turned back before measuring",
    "upside_down": "the photo is upside down; it was turned before measuring",
    "turned": "the photo is turned by a quarter; it was turned before measuring",
    "strobe": "the backlight is strobed; the blur figures refer to its multiple images",
    "pwm": "the backlight is modulated",
    "shot_dropped": "one of the photos was left out of the combination",
    "shots_disagree": "the photos scatter more than their uncertainties say; the combination was widened",
    "shots_differ": "the photos are of two displays, settings or sides, and were combined all the same",
    "dropped_refresh": "a refresh was dropped or shown twice during the exposure",
    "edges_missing": "some transitions have no usable instance in the photo",
    "few_samples": "few samples per response time in the record",
    "ripple_removed": "backlight ripple was divided out of the record",
    "bandwidth_removed": "the amplifier's bandwidth was taken out of the record",
    "repeats_dropped": "some repeats in the record were left out",
    "levels_assumed": "the display's level-to-light law is assumed, not measured",
    "law_contradicted": "the display shows another level-to-light law than the one that was given",
    "shape_assumed": "only response times are known, so the shape of the response is assumed",
    "refresh_differs": "the response was taken at another refresh rate, where the panel may be driven differently",
    "backlight_differs": "the photo and the response were taken under different backlights",
    "exposure_part": "the exposure is not whole refreshes, so the figures depend on when the shutter opens",
    "stimulus_incomplete": "the record does not hold the whole stimulus",
    "level_drift": "the levels drift in the course of the record; that was taken out and its doubt is in u95",
    "clipping_possible": "steps stop dead at the record's highest or lowest value: clipped, or ramps; check the gain",
    "samples_dropped": "some samples of a record were missing or not numbers and were left out",
    "switch_times_found": "the switch times were found in the record, not given",
    "tracking_assumed": "the tracking error is not known; the figures carry an allowance for it",
    "levels_estimated": "the levels are estimated from the photo's own light, not known",
    "exposure_unknown": "the exposure is not known and is taken as 2 to 6 refreshes",
    "edge_too_sharp": "an edge is sharper than a hold display makes it: a still, a strobe, or a wrong speed or scale",
    "frame_rate_corrected": "the frame rate by the plate's own motion replaces the video file's",
    "frame_exposure_unknown": "how long each frame was exposed is not known; the figures carry an allowance for it",
    "clip_compressed": "the video's compression bends light against time; the figures carry an allowance for it",
    "frames_refused": "some frames of the video can't be used",
    "tail_cut": "the blur behind an edge does not settle within the region",
}


def check_flag(name: str) -> str:
    """Return ``name`` if it is a registered flag; a programmer's mistake raises ``KeyError``."""
    if name not in FLAGS:
        raise KeyError(f"unknown flag {name!r}")
    return name


def warning(code: str, detail: str = "") -> dict[str, str]:
    """Return a warning as it stands in JSON: ``{"code", "message"}``, with ``detail`` behind the sentence."""
    text = WARNINGS[code]
    return {"code": code, "message": f"{text}: {detail}" if detail else text}
