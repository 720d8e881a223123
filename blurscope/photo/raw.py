"""Camera RAW and DNG: linear light on the sensor's own grid, with a known interpolation and no sharpening."""

from __future__ import annotations

import io
import math

import numpy as np

from blurscope.errors import PhotoError
from blurscope.photo import tone
from blurscope.photo.chatter import listening
from blurscope.photo.exif import RANGES, Exif, read_exif
from blurscope.photo.header import Header, broken
from blurscope.photo.tiff import sensor_data_end_early

PEDESTAL = 2048  # code of black in the 16-bit result: noise below black must not be cut off, or darks get too light
FULL = 65535
MAX_GAIN = 16.0
DAMAGED = ("unknown file: data corrupted", "unknown file: Unexpected end of file")  # as LibRaw says it
_ORIENTATION_OF_FLIP = {0: 1, 1: 2, 3: 3, 2: 4, 4: 5, 6: 6, 7: 7, 5: 8}


def read_raw(
    data: bytes, name: str, check_size, *, planes: bool = False
) -> tuple[Header, Exif, np.ndarray, dict[str, object]]:
    """Decode a RAW file.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        For refusals.
    check_size : callable
        Called with width and height before unpacking; refuses what is too large.
    planes : bool
        Give each 2 x 2 cell of the mosaic one pixel (red, mean of the greens, blue) at half the size, without any
        interpolation.

    Notes
    -----
    code = 2048 + (raw - black) * gain * 63487 / (white - black), rounded, cut at 0 and 65535. The gains are the
    camera's white balance with the smallest one set to 1, so that a clipped sensor pixel is 65535 in every channel.
    Missing colours are interpolated linearly with fixed weights: a blur that is the same everywhere and for every
    contrast, which an adaptive method is not.
    """
    try:
        import rawpy
    except ImportError:
        raise PhotoError(f"{name} is a camera RAW, and reading it needs rawpy; run 'pip install rawpy'") from None
    if sensor_data_end_early(data):
        raise broken(name, "a RAW that ends early")
    try:
        with rawpy.RawPy() as raw:
            with listening():
                raw.open_buffer(io.BytesIO(data))
            sizes = raw.sizes
            check_size(sizes.raw_width, sizes.raw_height)
            with listening() as heard:
                raw.unpack()
            if damage := next((line for line in heard if line.startswith(DAMAGED)), ""):
                raise broken(name, f"a RAW whose {damage.removeprefix('unknown file: ').strip()[:60]}")
            pixels, how = _develop(raw, name, planes)
            exif = _with_library_fields(_exif_of(data), raw)
            orientation = _ORIENTATION_OF_FLIP.get(int(sizes.flip), 1)
    except (rawpy.LibRawError, rawpy.NotSupportedError, NotImplementedError) as exc:
        what = exc.args[0] if exc.args else ""
        what = what.decode("ascii", "replace") if isinstance(what, bytes) else str(what)
        raise broken(name, f"a RAW that can't be decoded: {what or type(exc).__name__}") from None
    height, width = pixels.shape[:2]
    channels = 3 if pixels.ndim == 3 else 1
    header = Header(width=width, height=height, channels=channels, bits=16, orientation=orientation)
    more = {
        "full_scale": float(FULL),
        "black_code": float(PEDESTAL),
        "clip_code": float(FULL),
        "bit_depth": 16,
        "tone": tone.linear("file"),
        "colour_space": "camera",
        "demosaic": how,
    }
    return header, exif, pixels, more


def _develop(raw, name: str, planes: bool) -> tuple[np.ndarray, str]:
    """Return 16-bit linear pixels and how the mosaic was resolved."""
    visible = raw.raw_image_visible
    black = _four(raw.black_level_per_channel, 0.0)
    white = _white_level(raw)
    if raw.num_colors == 1:
        return _table(black[0], white, 1.0)[_as_codes(visible)], "none"
    letters = raw.color_desc.decode("ascii", "replace")
    if raw.num_colors != 3 or letters[:3] != "RGB":
        raise PhotoError(f"{name} comes from a sensor of the colours {letters}; only red, green and blue can be used")
    gains = _gains(raw)
    if visible.ndim == 3:
        layers = [_table(black[c], white, gains[c])[_as_codes(visible[:, :, c])] for c in range(3)]
        return np.dstack(layers), "none"
    pattern = np.asarray(raw.raw_pattern)
    levels = np.empty(visible.shape, np.uint16)
    codes = _as_codes(visible)
    rows, columns = pattern.shape
    tables = {int(c): _table(black[int(c)], white, gains[int(c)]) for c in np.unique(pattern)}
    for i in range(rows):
        for j in range(columns):
            levels[i::rows, j::columns] = tables[int(pattern[i, j])][codes[i::rows, j::columns]]
    colours = np.where(pattern == 3, 1, pattern)
    bayer = "".join("RGB"[c] for c in colours.ravel()) if pattern.shape == (2, 2) else ""
    if bayer not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        return _interpolate(levels, colours), "bilinear"
    if planes:
        return _planes(levels, colours), "planes"
    from blurscope._cv import cv2

    if min(levels.shape) < 4:
        raise broken(name, "a RAW of a few pixels only")
    return cv2.cvtColor(levels, getattr(cv2, f"COLOR_Bayer{bayer}2RGB")), "bilinear"


def _as_codes(values: np.ndarray) -> np.ndarray:
    return values if values.dtype == np.uint16 else np.clip(values, 0, FULL).astype(np.uint16)


def _four(values, default: float) -> list[float]:
    out = [float(v) for v in values] if values is not None else []
    return (out + [default] * 4)[:4]


def _white_level(raw) -> float:
    levels = [float(raw.white_level or 0), *(float(v) for v in raw.camera_white_level_per_channel or ())]
    levels = [v for v in levels if v > 0]
    return min(levels) if levels else float(FULL)


def _gains(raw) -> list[float]:
    """Return the gains of red, green, blue and second green; all 1 where the file's make no sense."""
    for values in (raw.camera_whitebalance, raw.daylight_whitebalance):
        gains = _four(values, 0.0)
        if gains[3] <= 0:
            gains[3] = gains[1]
        low = min(gains)
        if low > 0 and all(map(math.isfinite, gains)) and max(gains) / low <= MAX_GAIN:
            return [g / low for g in gains]
    return [1.0] * 4


def _table(black: float, white: float, gain: float) -> np.ndarray:
    """Return the output code for every raw code."""
    span = max(white - black, 1.0)
    code = PEDESTAL + (np.arange(FULL + 1) - black) * (gain * (FULL - PEDESTAL) / span)
    return np.clip(np.rint(code), 0, FULL).astype(np.uint16)


def _planes(levels: np.ndarray, colours: np.ndarray) -> np.ndarray:
    """Return one pixel per 2 x 2 cell."""
    height, width = (levels.shape[0] // 2) * 2, (levels.shape[1] // 2) * 2
    sums = np.zeros((height // 2, width // 2, 3), np.uint32)
    for i in range(2):
        for j in range(2):
            sums[:, :, colours[i, j]] += levels[i:height:2, j:width:2]
    sums[:, :, 1] = (sums[:, :, 1] + 1) // 2
    return sums.astype(np.uint16)


def _interpolate(levels: np.ndarray, colours: np.ndarray) -> np.ndarray:
    """Interpolate any mosaic: the triangle-weighted mean of the samples of a colour among 5 x 5 pixels."""
    from blurscope._cv import cv2

    ramp = np.array([1, 2, 3, 2, 1], np.float32)
    tiles = -(-np.array(levels.shape) // np.array(colours.shape))
    full = np.tile(colours, tiles)[: levels.shape[0], : levels.shape[1]]
    out = np.empty((*levels.shape, 3), np.uint16)
    for c in range(3):
        mask = (full == c).astype(np.float32)
        known = cv2.sepFilter2D(levels * mask, cv2.CV_32F, ramp, ramp, borderType=cv2.BORDER_CONSTANT)
        weight = cv2.sepFilter2D(mask, cv2.CV_32F, ramp, ramp, borderType=cv2.BORDER_CONSTANT)
        mean = np.rint(known / np.maximum(weight, 1.0))
        out[:, :, c] = np.where(mask > 0, levels, np.clip(mean, 0, FULL))
    return out


def _exif_of(data: bytes) -> Exif:
    return read_exif(data) if data[:2] in (b"II", b"MM") else Exif()


def _with_library_fields(exif: Exif, raw) -> Exif:
    """Fill what the directories don't say with what the RAW library read in the maker's own notes."""
    fields = dict(exif.fields)
    other, lens = raw.other, raw.lens
    found = {
        "exposure_s": other.shutter_speed,
        "iso": other.iso_speed,
        "f_number": other.aperture,
        "focal_mm": other.focal_length,
    }
    for key, value in found.items():
        low, high = RANGES[key]
        if key not in fields and low <= value <= high:
            fields[key] = float(value)
    if not fields.get("lens"):
        text = lens.model.decode("utf-8", "replace") if isinstance(lens.model, bytes) else str(lens.model or "")
        fields["lens"] = "".join(c for c in text if c.isprintable())[:100]
    return Exif(fields=fields, notes=exif.notes)
