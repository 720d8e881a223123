"""The record that this stage hands on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.files import show_path
from blurscope.photo.tone import Tone
from blurscope.records import StatedCurve

KINDS = ("jpeg", "png", "tiff", "raw", "heic", "video")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A decoded photo: codes, upright, and what the file says about them.

    Attributes
    ----------
    path : str
        As given.
    kind : str
        One of `KINDS`; AVIF counts as ``heic``.
    pixels : (H, W) or (H, W, 3) uint8, uint16 or float32
        Codes in the order red, green, blue; read-only, C-contiguous; row 0 at the top of the upright picture.
    colours : (h, w, 3) uint8, or None
        Of a JPEG decoded to one channel: the same picture in colour at a quarter of the size.
    coder_steps : (8, 8) float, or None
        Steps in which a JPEG's coder keeps the coefficients of a block, as stored, codes; None of files without loss.
    area_sd : float
        Standard deviation by which a coder has left the codes of even areas off as a whole, share of full scale.
    full_scale : float
        The code of the brightest value that the file can hold (255, 65535, 1.0 ...).
    black_code : float
        The code of no light: 0, but 2048 for RAW, where a pedestal keeps the noise below black.
    clip_code : float
        Codes at or above it are clipped.
    bit_depth : int
        Bits that carry information, per channel.
    tone : Tone
        The tone curve that the header states.
    colour_space : str
        Name of the colour space, or ``""``.
    exposure_s, iso, f_number, focal_mm, focal_35mm : float or None
        From the header; None where it says nothing or something absurd.
    make, model, lens, taken, software : str
        From the header; cleaned for printing; ``""`` where it says nothing.
    orientation : int
        The EXIF orientation that was applied (1: none).
    sharpness : str
        What EXIF says of the camera's sharpening: ``normal``, ``soft``, ``hard`` or ``""``.
    demosaic : str
        RAW only: ``bilinear`` (fixed weights), ``planes`` (half size, none), ``library`` (sensors without a 2 x 2
        mosaic); else ``""``.
    sha256 : str
        Of the file's bytes.
    notes : tuple of str
        What was put right or left out on reading, one sentence each.
    """

    path: str
    kind: str
    pixels: np.ndarray
    full_scale: float
    tone: Tone
    colours: np.ndarray | None = None
    coder_steps: np.ndarray | None = None
    area_sd: float = 0.0
    bit_depth: int = 8
    black_code: float = 0.0
    clip_code: float = float("inf")
    colour_space: str = ""
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    taken: str = ""
    software: str = ""
    orientation: int = 1
    sharpness: str = ""
    demosaic: str = ""
    sha256: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"unknown kind {self.kind!r}")
        if self.pixels.ndim not in (2, 3) or (self.pixels.ndim == 3 and self.pixels.shape[2] != 3):
            raise ValueError(f"pixels have the shape {self.pixels.shape}")
        if self.pixels.dtype not in (np.uint8, np.uint16, np.float32):
            raise ValueError(f"pixels are {self.pixels.dtype}")
        if not self.full_scale > self.black_code:
            raise ValueError("full scale is not above black")
        self.pixels.setflags(write=False)

    @property
    def height_campx(self) -> int:
        """Rows of the upright picture."""
        return int(self.pixels.shape[0])

    @property
    def width_campx(self) -> int:
        """Columns of the upright picture."""
        return int(self.pixels.shape[1])

    @property
    def grey(self) -> bool:
        """Whether there is one channel only."""
        return self.pixels.ndim == 2

    @property
    def linear(self) -> bool:
        """Whether codes are proportional to light by the file's own statement."""
        return self.tone.name == "linear"

    @property
    def stated_curve(self) -> StatedCurve | None:
        """Light of a code, if the file states a curve other than sRGB that goes on beyond 1 or its codes are coarse."""
        stated = self.tone.source != "assumed" and self.tone.name in ("gamma", "parametric")
        coarse = self.area_sd > 0 and self.tone.name == "srgb"
        return StatedCurve(to_light=self.tone.to_light, area_sd=self.area_sd) if stated or coarse else None

    def share(self, code: np.ndarray) -> np.ndarray:
        """Return codes as a share of full scale: 0 is no light, 1 the brightest code."""
        return (np.asarray(code, dtype=float) - self.black_code) / (self.full_scale - self.black_code)

    def as_json(self) -> dict[str, Any]:
        """Return the ``photo`` block of a measurement (path, sha256, size, kind and what the header says)."""
        out: dict[str, Any] = {
            "path": show_path(self.path),
            "sha256": self.sha256,
            "width_campx": self.width_campx,
            "height_campx": self.height_campx,
            "kind": self.kind,
            "bit_depth": self.bit_depth,
            "tone": self.tone.name,
            "tone_source": self.tone.source,
        }
        for name in ("exposure_s", "iso", "f_number", "focal_mm", "focal_35mm"):
            out[name] = getattr(self, name)
        for name in ("make", "model", "lens", "taken", "colour_space", "demosaic"):
            if text := getattr(self, name):
                out[name] = text
        if self.notes:
            out["notes"] = list(self.notes)
        return out
