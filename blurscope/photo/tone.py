"""Tone curves that a file's header can state, and their way back to light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NAMES = ("linear", "gamma", "srgb", "parametric", "table", "pq", "hlg")
SOURCES = ("file", "icc", "exif", "png", "tiff", "nclx", "assumed")

# Y = (a X + b)**g + e for X >= d, else c X + f: the form of an ICC.1 parametricCurveType of function type 4.
SRGB = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0)  # IEC 61966-2-1
BT709 = (1 / 0.45, 1 / 1.099, 0.099 / 1.099, 1 / 4.5, 0.081, 0.0, 0.0)  # ITU-R BT.709, inverse


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """The curve between code and light that the header states (or that is assumed).

    Attributes
    ----------
    name : str
        One of `NAMES`.
    source : str
        One of `SOURCES`: where the statement comes from. ``assumed`` is no statement at all: sRGB, for want of one.
    gamma : float or None
        Exponent, for ``gamma``.
    params : tuple of float
        ``g a b c d e f`` for ``parametric`` and ``srgb``.
    table : tuple of float
        Light at evenly spaced codes, 0 to 1, for ``table``.

    Notes
    -----
    It describes the file, not the camera: cameras lay their own look on top. The plate's greys decide; this is where
    to start, and what is left when there is no plate.
    """

    name: str
    source: str
    gamma: float | None = None
    params: tuple[float, ...] = ()
    table: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.name not in NAMES or self.source not in SOURCES:
            raise ValueError(f"unknown tone {self.name!r} from {self.source!r}")

    def to_light(self, code: np.ndarray) -> np.ndarray:
        """Return relative light for codes as a share of full scale.

        Parameters
        ----------
        code : array of float, 0-1
            ``(code - black_code) / (full_scale - black_code)``.

        Returns
        -------
        array of float
            1 at full scale. Codes below 0 are treated as 0, except in a linear file.
        """
        x = np.asarray(code, dtype=float)
        if self.name == "linear":
            return x
        x = np.maximum(x, 0.0)
        if self.name == "gamma":
            return x**self.gamma
        if self.name == "table":
            return np.interp(x, np.linspace(0, 1, len(self.table)), self.table)
        if self.name == "pq":  # Rec. ITU-R BT.2100, EOTF over 10 000 cd/m2
            m1, m2, c1, c2, c3 = 0.1593017578125, 78.84375, 0.8359375, 18.8515625, 18.6875
            p = x ** (1 / m2)
            return (np.maximum(p - c1, 0) / (c2 - c3 * p)) ** (1 / m1)
        if self.name == "hlg":  # Rec. ITU-R BT.2100, inverse OETF
            a = 0.17883277
            b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
            return np.where(x <= 0.5, x * x / 3, (np.exp((x - c) / a) + b) / 12)
        g, a, b, c, d, e, f = self.params
        return np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)


def linear(source: str) -> Tone:
    """Return the identity."""
    return Tone(name="linear", source=source)


def power(gamma: float, source: str) -> Tone:
    """Return a power law (the identity for an exponent of 1)."""
    return linear(source) if abs(gamma - 1) < 1e-4 else Tone(name="gamma", source=source, gamma=gamma)


def srgb(source: str) -> Tone:
    """Return the curve of IEC 61966-2-1."""
    return Tone(name="srgb", source=source, params=SRGB)


def parametric(params: tuple[float, ...], source: str) -> Tone:
    """Return a parametric curve, by its name where it has one."""
    if np.allclose(params, SRGB, atol=2e-4):
        return srgb(source)
    g, a, b, _, d, e, f = params
    if d <= 0 and abs(a - 1) < 1e-4 and abs(b) + abs(e) + abs(f) < 1e-4:
        return power(g, source)
    return Tone(name="parametric", source=source, params=tuple(float(p) for p in params))


def tabulated(values: np.ndarray, source: str) -> Tone | None:
    """Return a sampled curve, by its name where it is a known one; None where it is no tone curve."""
    y = np.asarray(values, dtype=float)
    if y.ndim != 1 or y.size < 2 or not np.all(np.isfinite(y)) or y[-1] <= 0 or np.any(np.diff(y) < 0):
        return None
    x = np.linspace(0, 1, y.size)
    if np.max(np.abs(y - x)) < 1e-3:
        return linear(source)
    if np.max(np.abs(y - srgb(source).to_light(x))) < 2e-3:
        return srgb(source)
    inner = (x > 0.2) & (x < 0.95) & (y > 0)
    if inner.sum() >= 3:
        gamma = float(np.median(np.log(y[inner]) / np.log(x[inner])))
        if np.max(np.abs(y - x**gamma)) < 1e-3:
            return power(round(gamma, 3), source)
    if y.size > 4096:
        y = np.interp(np.linspace(0, 1, 4096), x, y)
    return Tone(name="table", source=source, table=tuple(float(v) for v in y))


def from_transfer_code(code: int, source: str) -> Tone | None:
    """Return the curve of a transfer characteristic of ITU-T H.273, None for one that is unspecified or unknown."""
    if code in (1, 6, 14, 15):
        return parametric(BT709, source)
    if code in (4, 5):
        return power(2.2 if code == 4 else 2.8, source)
    if code == 8:
        return linear(source)
    if code == 13:
        return srgb(source)
    if code in (16, 18):
        return Tone(name="pq" if code == 16 else "hlg", source=source)
    return None
