"""What is asked of a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from blurscope.errors import SettingsError

# marked shutter settings in thirds of a stop, s; what a camera really does may differ by several per cent
SHUTTERS = tuple(1 / x for x in (250, 200, 160, 125, 100, 80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4)) + (
    0.3,
    0.4,
    0.5,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What is to be photographed with what.

    Attributes
    ----------
    width_px, height_px, refresh_hz
        The display.
    levels : int
        Grey levels; all ordered pairs are shown.
    camera_width_campx, camera_height_campx : int
    white_snr : float
        Light of white over its noise in one campx (100 for 10,000 electrons).
    bayer : bool
        Colour filter mosaic: half the campx carry green.
    lens_sigma_campx : float
    readout_ms : float
        From the first to the last row of the photo; 0 for a global shutter.
    shutters_s : sequence of float
        Settings that the camera has.
    tracking_px_per_refresh : float
        How far off the plate's speed the camera usually is.
    response_ms : float
        Response time (10-90 %, exponential) for which u95 is predicted.
    px_per_refresh : int or None
        ``None`` chooses.
    photos : int
        How many are taken and combined: each brings noise of its own, the rest is common to them.
    """

    width_px: int
    height_px: int
    refresh_hz: float = 60.0
    levels: int = 5
    camera_width_campx: int = 6000
    camera_height_campx: int = 4000
    white_snr: float = 100.0
    bayer: bool = True
    lens_sigma_campx: float = 1.0
    readout_ms: float = 0.0
    shutters_s: Sequence[float] = SHUTTERS
    tracking_px_per_refresh: float = 0.2
    response_ms: float = 8.0
    px_per_refresh: int | None = None
    photos: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.photos <= 1000:
            raise SettingsError("1 to 1000 photos can be combined; check --photos")
        if min(self.camera_width_campx, self.camera_height_campx) < 200:
            raise SettingsError("the camera has fewer than 200 campx on a side; check --camera")
        if not 2 <= self.white_snr <= 1e5:
            raise SettingsError("the signal-to-noise ratio of white must be 2 to 100000; check --white-snr")
        if not 0.05 <= self.response_ms <= 500:
            raise SettingsError("the response time must be 0.05 to 500 ms; check --response-ms")
        if not self.shutters_s or not all(0 < s < 1e3 for s in self.shutters_s):
            raise SettingsError("shutter settings must be above 0 s; check --shutters")
        for name, value, most in (
            ("tracking error", self.tracking_px_per_refresh, 50),
            ("lens blur", self.lens_sigma_campx, 50),
            ("readout", self.readout_ms, 1e4),
        ):
            if not 0 <= value <= most:
                option = "--" + {"lens blur": "lens-sigma-campx", "readout": "readout-ms"}.get(name, "tracking")
                raise SettingsError(f"{name} must be 0 to {most:g}; check {option}")
