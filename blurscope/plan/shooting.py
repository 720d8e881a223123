"""How a planned photo is taken, and what its sensor makes of light."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from blurscope.camera import Camera
from blurscope.camera.sensor import develop
from blurscope.light import Tone

READ_NOISE_E = 4.0
MOST_ELECTRONS = 1e8  # whose noise is far below anything else
WHITE_SHARE = 0.8  # of full scale, linear, where white lies
BLACK = 0.001  # of the display, share of white
GAMMA = 2.2
LEAST_SCALE = 1.0  # campx per px, below which the plate can't be read
MOST_BLUR_PX = 3.0  # by lens and mosaic, above which it can't be read
CUT_STEP = 0.05  # of the noise of a campx, over which its slope is taken
SIDE_CAMPX = 128  # of even areas that are looked at
LIGHTS = np.concatenate([np.geomspace(0.3 * BLACK, 0.1, 24), np.linspace(0.12, 1.15, 16)])
INTERPOLATION = (1 / 6, 2 / 3, 1 / 6)  # covariance of what is read between two campx, in the mean of all places
BETWEEN_CAMPX2 = 1 / 6  # variance that this adds to the blur
MOSAIC = (
    1 / 8,
    3 / 4,
    1 / 8,
)  # what columns weigh of each other: half the campx are means of four others
MOSAIC_CAMPX2 = 1 / 4  # variance of that


@dataclass(frozen=True, slots=True, kw_only=True)
class Shooting:
    """A camera before a display.

    Attributes
    ----------
    campx_per_px : float
    white_snr : float
        Light of white over its noise in one campx.
    bayer : bool
        Colour filter mosaic: half the campx carry green.
    lens_sigma_campx : float
    exposure_refreshes : float
    tracking_px_per_refresh : float
        How far off the plate's speed the camera usually is.
    response_ms : float
        Response time (10-90 %, exponential) of the display.
    """

    campx_per_px: float
    white_snr: float
    bayer: bool = True
    lens_sigma_campx: float = 1.0
    exposure_refreshes: float = 4.0
    tracking_px_per_refresh: float = 0.2
    response_ms: float = 8.0

    @property
    def blur_px(self) -> float:
        """Standard deviation of the blur by lens and mosaic, display px."""
        mosaic = MOSAIC_CAMPX2 if self.bayer else 0.0
        return float(np.sqrt(self.lens_sigma_campx**2 + mosaic)) / self.campx_per_px

    @property
    def readable(self) -> bool:
        """Whether the plate's stripes are told apart at all."""
        return self.campx_per_px >= LEAST_SCALE and self.blur_px <= MOST_BLUR_PX

    @property
    def camera(self) -> Camera:
        """A sensor of this noise, and its file."""
        return Camera(
            full_well_e=min(self.white_snr**2 / WHITE_SHARE, MOST_ELECTRONS),
            read_noise_e=READ_NOISE_E,
            white_share=WHITE_SHARE,
            bayer=self.bayer,
        )


class Seen(NamedTuple):
    """What the measured curve makes of even areas: their mean light, and the variance of a campx' worth of it."""

    light: np.ndarray
    mean: np.ndarray
    variance: np.ndarray

    def means(self, light: np.ndarray) -> np.ndarray:
        """Return the light that is measured where there is some light, shares of white."""
        return light + np.interp(light, self.light, self.mean - self.light)

    def noise(self, light: np.ndarray) -> np.ndarray:
        """Return the noise by which the mean over n campx is off, times the root of n."""
        return np.sqrt(np.interp(light, self.light, self.variance))


def codes_of(light: np.ndarray, camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """Return the codes of the channel that is measured, for light (h, w), shares of white."""
    codes = develop([np.ascontiguousarray(light, np.float32)], camera, rng)
    return np.ascontiguousarray(codes[..., 1]) if codes.ndim == 3 else codes


def see(tone: Tone, shooting: Shooting, rng: np.random.Generator) -> Seen:
    """Look at even areas through a curve."""
    camera, white = shooting.camera, float(np.exp(tone.flat[0]))
    light = np.repeat(LIGHTS, SIDE_CAMPX)[:, None] * np.ones(SIDE_CAMPX)

    def decoded(camera: Camera) -> np.ndarray:
        return tone.decode[codes_of(light, camera, rng)].reshape(len(LIGHTS), -1).astype(float)

    plain = decoded(replace(camera, bayer=False))
    means, variance = (decoded(camera) if camera.bayer else plain).mean(axis=1), plain.var(axis=1)
    if camera.bayer:  # what a mosaic fills in is no light of its own
        variance *= 2.0
    if tone.cut is not None:  # taken off means, noise is the larger again
        step = CUT_STEP * np.sqrt(variance)
        variance *= ((tone.cut.light(means + step) - tone.cut.light(means - step)) / (2 * step)) ** 2
        means = tone.cut.light(means)
    return Seen(LIGHTS, means / white, variance / white**2)


def line_covariance(per_bin: int, bayer: bool) -> np.ndarray:
    """Return the covariance of bins of ``per_bin`` samples, by distance in bins, of lines of unit noise per sample.

    Neighbours share campx, as samples are read between them and a mosaic fills in what it hasn't seen.
    """
    out = np.array(INTERPOLATION)
    if bayer:
        out = np.convolve(out, np.convolve(MOSAIC, MOSAIC))
    box = np.ones(per_bin) / per_bin
    out = np.convolve(out, np.convolve(box, box))
    middle = len(out) // 2
    return out[middle::per_bin]


def line_noise(count: int, per_bin: int, bayer: bool, rng: np.random.Generator, rows: int = 1) -> np.ndarray:
    """Return noise of bins with that covariance, (rows, count)."""
    covariance = line_covariance(per_bin, bayer)
    size = 1 << int(np.ceil(np.log2(count + len(covariance))))
    circle = np.zeros(size)
    circle[: len(covariance)] = covariance
    circle[-len(covariance) + 1 :] = covariance[:0:-1] if len(covariance) > 1 else circle[-len(covariance) + 1 :]
    power = np.sqrt(np.maximum(np.fft.rfft(circle).real, 0.0))
    return np.fft.irfft(np.fft.rfft(rng.standard_normal((rows, size))) * power, size)[:, :count]
