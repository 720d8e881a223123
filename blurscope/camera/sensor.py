"""From light on the sensor to the codes of the file: noise, mosaic, tone curve, sharpening, compression."""

from __future__ import annotations

import io
import math
import struct

import numpy as np

from blurscope.camera.camera import Camera

ROWS_AT_ONCE = 64
EXIF_POINTER = 34665
PLACEHOLDER = 34664  # tifffile does not write the pointer itself
EXIF_UNSET = 0xB10B5C0E


def develop(light: list[np.ndarray], camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """Return the codes before compression.

    Parameters
    ----------
    light : list of (height, width) float32
        One picture, or red, green and blue; white = 1.
    camera : Camera
    rng : numpy.random.Generator

    Returns
    -------
    (height, width) or (height, width, 3) uint8 or uint16
    """
    if camera.bayer:
        channels = _mosaic(light, camera, rng)
    else:
        channels = [_expose(c, camera.white_share, camera, rng) for c in light]
    picture = channels[0] if len(channels) == 1 else np.dstack(channels)
    return _encode(picture, camera)


def _expose(light: np.ndarray, share: float, camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """Return the signal of the sensor, 0 to 1 of full scale."""
    out = np.empty(light.shape, np.float32)
    read = np.float32((camera.read_noise_e / camera.full_well_e) ** 2)
    for top in range(0, light.shape[0], ROWS_AT_ONCE):
        signal = np.multiply(light[top : top + ROWS_AT_ONCE], np.float32(share), out=out[top : top + ROWS_AT_ONCE])
        if camera.noise:
            spread = np.maximum(signal, 0)
            spread /= np.float32(camera.full_well_e)
            spread += read
            np.sqrt(spread, out=spread)
            spread *= rng.standard_normal(signal.shape, dtype=np.float32)
            signal += spread
        if camera.crush:
            signal -= np.float32(camera.crush)
            signal /= np.float32(1 - camera.crush)
        np.clip(signal, 0, 1, out=signal)
    return out


def _mosaic(light: list[np.ndarray], camera: Camera, rng: np.random.Generator) -> list[np.ndarray]:
    """RGGB mosaic with noise, bilinear demosaic, white balance."""
    from blurscope._cv import cv2

    red, green, blue = light if len(light) == 3 else (light[0],) * 3
    raw = green.copy()
    raw[0::2, 0::2] = red[0::2, 0::2] / camera.red_gain
    raw[1::2, 1::2] = blue[1::2, 1::2] / camera.blue_gain
    raw = _expose(raw, camera.white_share, camera, rng)
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], np.float32) / 4
    square = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32) / 4
    out = []
    for kernel, gain, sites in (
        (square, camera.red_gain, [(0, 0)]),
        (cross, 1.0, [(0, 1), (1, 0)]),
        (square, camera.blue_gain, [(1, 1)]),
    ):
        plane = np.zeros_like(raw)
        for r, c in sites:
            plane[r::2, c::2] = raw[r::2, c::2]
        full = cv2.filter2D(plane, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT_101)
        out.append(np.clip(full * np.float32(gain), 0, 1))
    return out


def tone(linear: np.ndarray, camera: Camera) -> np.ndarray:
    """Return the camera's code (0-1) of linear light (0-1)."""
    x = np.asarray(linear, float)
    if camera.tone == "linear":
        return x
    if camera.tone == "gamma":
        return x ** (1 / camera.tone_gamma)
    code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-12) ** (1 / 2.4) - 0.055)
    if camera.tone == "s-curve":
        code = code - camera.tone_strength * np.sin(2 * math.pi * code) / (2 * math.pi)
    return code


def _encode(picture: np.ndarray, camera: Camera) -> np.ndarray:
    from blurscope._cv import cv2

    top = 255 if camera.bits == 8 else 65535
    index = (picture * np.float32(65535) + np.float32(0.5)).astype(np.uint16)
    curve = tone(np.arange(65536) / 65535, camera)
    if camera.sharpening == 0 and top == 255:
        return np.take(np.floor(curve * top + 0.5).astype(np.uint8), index)
    if camera.tone == "linear":
        codes = picture
    else:
        codes = np.take(curve.astype(np.float32), index)
    if camera.sharpening:
        soft = cv2.GaussianBlur(codes, (0, 0), camera.sharpening_radius_campx, borderType=cv2.BORDER_REPLICATE)
        codes = np.clip(codes + np.float32(camera.sharpening) * (codes - soft), 0, 1)
    kind = np.uint8 if top == 255 else np.uint16
    return (codes * np.float32(top) + np.float32(0.5)).astype(kind)


def encode_file(codes: np.ndarray, camera: Camera, exposure_s: float) -> tuple[bytes, np.ndarray]:
    """Return the file's bytes and the codes that reading it gives."""
    if camera.file_format == "jpeg":
        from PIL import Image

        stream = io.BytesIO()
        Image.fromarray(codes).save(stream, "JPEG", quality=camera.jpeg_quality, exif=_exif(camera, exposure_s))
        data = stream.getvalue()
        return data, np.asarray(Image.open(io.BytesIO(data)))
    if camera.file_format == "png" and codes.dtype == np.uint8:
        from PIL import Image

        stream = io.BytesIO()
        Image.fromarray(codes).save(stream, "PNG", compress_level=1, exif=_exif(camera, exposure_s))
        return stream.getvalue(), codes
    if camera.file_format == "png":
        from blurscope._cv import cv2

        ordered = codes[:, :, ::-1] if codes.ndim == 3 else codes
        done, buffer = cv2.imencode(".png", ordered, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        if not done:
            raise RuntimeError("PNG encoding failed")
        return buffer.tobytes(), codes
    return _tiff(codes, camera, exposure_s), codes


def _exif(camera: Camera, exposure_s: float):
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Invented", "Demo camera"
    exif[0x0131] = "blurscope simulate"
    exif[0x0112] = 1
    block = exif.get_ifd(0x8769)
    block[0x829A] = IFDRational(round(exposure_s * 1e6), 1_000_000)
    block[0x829D] = IFDRational(56, 10)
    block[0x8827] = camera.iso
    block[0x920A] = IFDRational(50, 1)
    return exif


def _tiff(codes: np.ndarray, camera: Camera, exposure_s: float) -> bytes:
    """An uncompressed TIFF with its EXIF block behind the picture."""
    import tifffile

    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        codes,
        byteorder="<",
        photometric="rgb" if codes.ndim == 3 else "minisblack",
        metadata=None,
        software="blurscope simulate",
        extratags=[
            (271, 2, 0, "Invented", True),
            (272, 2, 0, "Demo camera", True),
            (274, 3, 1, 1, True),
            (PLACEHOLDER, 4, 1, EXIF_UNSET, True),
        ],
    )
    data = bytearray(stream.getvalue())
    entry = data.index(struct.pack("<HHII", PLACEHOLDER, 4, 1, EXIF_UNSET))
    data += b"\0" * (len(data) % 2)
    struct.pack_into("<HHII", data, entry, EXIF_POINTER, 4, 1, len(data))
    place = len(data) + 2 + 4 * 12 + 4
    rationals = [(round(exposure_s * 1e6), 1_000_000), (56, 10), (50, 1)]
    tags = [
        struct.pack("<HHII", 0x829A, 5, 1, place),
        struct.pack("<HHII", 0x829D, 5, 1, place + 8),
        struct.pack("<HHIHH", 0x8827, 3, 1, camera.iso, 0),
        struct.pack("<HHII", 0x920A, 5, 1, place + 16),
    ]
    data += struct.pack("<H", len(tags)) + b"".join(tags) + struct.pack("<I", 0)
    data += b"".join(struct.pack("<II", *pair) for pair in rationals)
    return bytes(data)
