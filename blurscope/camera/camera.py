"""The simulated pursuit camera: how it moves, looks, exposes and writes its picture."""

from __future__ import annotations

from dataclasses import dataclass, fields

from blurscope.errors import SettingsError

TONES = ("linear", "srgb", "gamma", "s-curve")
FILE_FORMATS = ("jpeg", "png", "tiff")


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera that follows the plate.

    Attributes
    ----------
    exposure_refreshes, start_phase : float
        Length of the exposure and the part of a refresh that has gone by when it starts.
    tracking_error_px_per_refresh : float
        Camera speed minus plate speed along the motion, mean over the exposure (the first row's, if it rolls).
    accel_px_per_refresh2 : float
        Positive along the motion.
    tremor_px, tremor_hz, tremor_phase : float
        A hand that trembles along the motion: amplitude, frequency, and phase in cycles at mid exposure.
    drift_px_per_refresh : float
        Vertical motion of the camera over the screen, positive downwards.
    readout_refreshes : float
        0 for a global shutter; else from the first to the last row of the photo.
    campx_per_px : float
        Scale at the middle of the screen.
    width_campx, height_campx : int or None
        Size of the photo; ``None`` frames the screen with ``margin`` (share of its size) around it.
    shift_x_campx, shift_y_campx : float
        Where the middle of the screen lies, from the middle of the photo.
    yaw_deg, pitch_deg, roll_deg : float
        Of the screen before the camera; roll positive clockwise in the photo.
    turn_deg : int
        0, 90, 180 or 270: the camera held differently.
    mirrored : bool
        Seen in a mirror.
    view_angle_deg : float
        Angle under which the camera sees the screen's width (perspective).
    k1, k2 : float
        Radial distortion ``r' = r (1 + k1 r^2 + k2 r^4)``, r = 1 at half the photo's diagonal.
    lens_sigma_campx : float
        Gaussian blur of the lens.
    lens_sigma_x_campx : float or None
        Replaces it along the photo's rows.
    lens_sigma_bottom_campx : float or None
        Blur at the bottom of the photo, growing evenly from ``lens_sigma_campx`` at its top (a tilted focus).
    vignetting : float
        Loss of light in the corners (0.2 = 20 %), growing with the square of the radius.
    reflected_light : float
        Room light reflected by the screen, in units of white.
    surround_light : float
        Light of what lies around the bezel.
    flare : float
        Share of the light spread over the whole photo.
    white_share : float
        Where white lies, as a share of full scale, linear; above 1 clips.
    crush : float
        Share of full scale, linear, that is cut off at the dark end.
    full_well_e, read_noise_e : float
        Electrons at full scale, and read noise; ``noise = False`` switches both off.
    bayer : bool
        RGGB mosaic, bilinear demosaic and white balance with ``red_gain`` and ``blue_gain``.
    tone, tone_gamma, tone_strength : str, float, float
        Curve of the camera: ``linear``, ``srgb``, ``gamma`` (1 / tone_gamma), ``s-curve`` (an S of this strength upon
        sRGB).
    sharpening, sharpening_radius_campx : float
        Unsharp masking of the codes: its amount and its Gaussian's sigma.
    file_format, bits, jpeg_quality
        ``jpeg`` (8 bits), ``png`` or ``tiff`` (8 or 16).
    iso : int
        Written into the EXIF block, nothing else.
    """

    exposure_refreshes: float = 4.0
    start_phase: float = 0.0
    tracking_error_px_per_refresh: float = 0.0
    accel_px_per_refresh2: float = 0.0
    tremor_px: float = 0.0
    tremor_hz: float = 8.0
    tremor_phase: float = 0.0
    drift_px_per_refresh: float = 0.0
    readout_refreshes: float = 0.0
    campx_per_px: float = 3.0
    width_campx: int | None = None
    height_campx: int | None = None
    margin: float = 0.05
    shift_x_campx: float = 0.0
    shift_y_campx: float = 0.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    turn_deg: int = 0
    mirrored: bool = False
    view_angle_deg: float = 20.0
    k1: float = 0.0
    k2: float = 0.0
    lens_sigma_campx: float = 0.8
    lens_sigma_x_campx: float | None = None
    lens_sigma_bottom_campx: float | None = None
    vignetting: float = 0.0
    reflected_light: float = 0.0
    surround_light: float = 0.02
    flare: float = 0.0
    white_share: float = 0.8
    crush: float = 0.0
    full_well_e: float = 20000.0
    read_noise_e: float = 4.0
    noise: bool = True
    bayer: bool = False
    red_gain: float = 2.0
    blue_gain: float = 1.6
    tone: str = "srgb"
    tone_gamma: float = 2.2
    tone_strength: float = 0.3
    sharpening: float = 0.0
    sharpening_radius_campx: float = 1.0
    file_format: str = "png"
    bits: int = 8
    jpeg_quality: int = 90
    iso: int = 100

    def __post_init__(self) -> None:
        for part in fields(self):
            value = getattr(self, part.name)
            if isinstance(value, float) and not abs(value) <= 1e9:
                raise SettingsError(f"{part.name} must be a number, not {value}")
        if not 0.01 <= self.exposure_refreshes <= 64:
            raise SettingsError("the exposure must be 0.01 to 64 refreshes")
        if not (0 <= self.start_phase < 1e6 and abs(self.readout_refreshes) <= 16):
            raise SettingsError("the phase must not be negative and the readout takes at most 16 refreshes")
        if self.tremor_px < 0 or not 0 <= self.tremor_hz <= 1000:
            raise SettingsError("a tremor has an amplitude of 0 px or more and 0 to 1000 Hz")
        if not -0.45 <= self.margin <= 5 or min(self.width_campx or 64, self.height_campx or 64) < 16:
            raise SettingsError("the margin is -0.45 to 5 of the screen and the photo at least 16 campx wide and high")
        if not 0.2 <= self.campx_per_px <= 20:
            raise SettingsError("the scale must be 0.2 to 20 campx per px")
        if self.tone not in TONES:
            raise SettingsError(f"tone curve {self.tone!r:.40} is unknown; take one of {', '.join(TONES)}")
        if self.file_format not in FILE_FORMATS or self.bits not in (8, 16):
            raise SettingsError(f"the photo is written as one of {', '.join(FILE_FORMATS)} with 8 or 16 bits")
        if self.file_format == "jpeg" and self.bits != 8:
            raise SettingsError("a JPEG has 8 bits; take --format tiff or png for 16")
        if self.turn_deg not in (0, 90, 180, 270):
            raise SettingsError("the camera can be turned by 0, 90, 180 or 270 degrees")
        if max(abs(self.yaw_deg), abs(self.pitch_deg)) > 60 or not 0.5 <= self.view_angle_deg <= 100:
            raise SettingsError("yaw and pitch go up to 60 degrees, the view angle from 0.5 to 100")
        if not (0 <= self.lens_sigma_campx <= 50 and 0 < self.white_share <= 100 and self.full_well_e > 0):
            raise SettingsError("lens blur is 0-50 campx; the white share and the full well are above 0")
        if not (0 <= self.crush < 0.5 and 0 <= self.vignetting < 1 and 0 <= self.flare < 1 and self.read_noise_e >= 0):
            raise SettingsError("crush is 0-0.5 of full scale; vignetting and flare are below 1; noise is not negative")
        if not 1 <= self.jpeg_quality <= 100:
            raise SettingsError("the JPEG quality is 1 to 100")
