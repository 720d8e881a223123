"""`read_photo`: look at the header, refuse what can't be measured, decode once, turn upright."""

from __future__ import annotations

import hashlib
import os
import stat
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from blurscope.errors import PhotoError, SettingsError
from blurscope.files import show_path
from blurscope.photo import heif, icc, jpeg, png, raw, sniff, tiff, tone
from blurscope.photo.exif import Exif, read_exif
from blurscope.photo.header import Header, broken
from blurscope.photo.opencv import imdecode_jpeg, imdecode_png
from blurscope.photo.record import Photo
from blurscope.photo.seam import find_seam
from blurscope.photo.tone import Tone

DEFAULT_MAX_MEGAPIXELS = 80.0
LIMIT_VARIABLE = "BLURSCOPE_MAX_MEGAPIXELS"
FEW, STICKS_OUT = 10_000, 4.0  # one sample of so many; above the others by so much: it isn't the end of the scale


def read_photo(
    path: str | os.PathLike[str], *, max_megapixels: float | None = None, grey: bool = False, planes: bool = False
) -> Photo:
    """Read a photo: JPEG, PNG, TIFF, camera RAW, HEIC or AVIF.

    Parameters
    ----------
    path : path-like
    max_megapixels : float, optional
        Refuse larger pictures, by their header, before decoding. Without it the environment variable
        ``BLURSCOPE_MAX_MEGAPIXELS`` counts, and without that 80.
    grey : bool
        Decode one channel only: 0.299 R + 0.587 G + 0.114 B of the codes (Rec. ITU-R BT.601). A JPEG stores just
        that, so its colour is never decoded.
    planes : bool
        RAW with a 2 x 2 mosaic: one pixel per cell at half the size, nothing interpolated.

    Returns
    -------
    Photo
        Codes exactly as stored (8-bit as uint8, 10- to 16-bit as uint16, floats as float32), upright.

    Raises
    ------
    PhotoError
        Missing, empty, no picture, a format or kind that can't be measured, truncated, damaged, too large, or with
        samples that are not numbers.
    """
    limit = _limit(max_megapixels)
    name = show_path(path)
    data = _read_bytes(path, name, limit)
    kind = sniff.kind_of(data, os.path.splitext(os.fsdecode(path))[1], name)
    with ThreadPoolExecutor(max_workers=1) as pool:  # hashing lets go of the interpreter, and so does decoding
        digest = pool.submit(lambda: hashlib.sha256(data).hexdigest())
        header, exif, pixels, more = _decode(kind, data, name, limit, grey, planes)
    fields = {**_tone_fields(kind, header, exif), **more}
    pixels, orientation = _upright(pixels, header, exif)
    if "colours" in fields:
        fields["colours"] = _upright(fields["colours"], header, exif)[0]
    pixels = np.ascontiguousarray(pixels)
    return Photo(
        path=os.fsdecode(path),
        kind="heic" if kind == "avif" else kind,
        pixels=pixels,
        orientation=header.extra.get("turned", orientation),
        sha256=digest.result(),
        notes=exif.notes,
        **{**fields, **exif.fields},
    )


def _limit(max_megapixels: float | None) -> float:
    if max_megapixels is None:
        text = os.environ.get(LIMIT_VARIABLE, "")
        try:
            max_megapixels = float(text) if text.strip() else DEFAULT_MAX_MEGAPIXELS
        except ValueError:
            max_megapixels = float("nan")
    if not 0 < max_megapixels < 1e5:
        raise SettingsError(f"the limit for pictures is not a number of megapixels; set {LIMIT_VARIABLE} to one")
    return max_megapixels


def _read_bytes(path: str | os.PathLike[str], name: str, limit: float) -> bytes:
    try:
        info = os.stat(path)
        if stat.S_ISDIR(info.st_mode):
            raise PhotoError(f"{name} is a folder; give the photos in it")
        if not stat.S_ISREG(info.st_mode):
            raise PhotoError(f"{name} is not an ordinary file; give a photo")
        most = int(limit * 1e6 * 16) + (64 << 20)
        if info.st_size > most:
            raise PhotoError(f"{name} has {info.st_size >> 20} MiB, more than a photo of {limit:g} megapixels can have")
        with open(path, "rb") as stream:
            data = stream.read()
    except FileNotFoundError:
        raise PhotoError(f"{name} does not exist; check the path") from None
    except OSError as exc:
        raise PhotoError(f"{name} can't be read ({exc.strerror})") from None
    except ValueError:
        raise PhotoError(f"{name} is not a path that can exist; check it") from None
    if not data:
        raise PhotoError(f"{name} is empty; copy it from the camera again")
    return data


def check_size(width: int, height: int, limit: float, name: str) -> None:
    """Refuse a picture without area, or larger than the limit."""
    if width <= 0 or height <= 0:
        raise broken(name, f"a picture of {width} x {height}")
    if width * height > limit * 1e6:
        raise PhotoError(
            f"{name} has {width} x {height} = {width * height / 1e6:.0f} megapixels, above the limit of {limit:g}; "
            f"set {LIMIT_VARIABLE} higher if you trust the file"
        )


def _read_jpeg(data: bytes, name: str, limit: float, grey: bool) -> tuple[Header, Exif, np.ndarray, dict]:
    from blurscope._cv import cv2

    header = jpeg.read_header(data, name)
    check_size(header.width, header.height, limit, name)
    flags = [cv2.IMREAD_GRAYSCALE if grey or header.channels == 1 else cv2.IMREAD_COLOR_RGB]
    if grey and header.channels > 1:
        flags.append(cv2.IMREAD_REDUCED_COLOR_4)
    (pixels, *small), damage = imdecode_jpeg(data, *(f | cv2.IMREAD_IGNORE_ORIENTATION for f in flags))
    if pixels is None:
        raise broken(name, "it can't be decoded")
    if pixels.shape[:2] != (header.height, header.width):
        raise broken(name, "the JPEG's data do not fit its header")
    if damage and not ("extraneous" in damage and jpeg.ends_in_padding(data)):
        raise broken(name, f"JPEG data with {damage}" if damage[:1].isdigit() else f"JPEG data: {damage}")
    units = jpeg.coded_units(data)
    if (seam := find_seam(pixels, units[0], units[1][0, 0] / 8)) is not None:
        row, step = seam
        shifted = f"{abs(step):.0f} codes too {'light' if step > 0 else 'dark'}"
        raise broken(name, f"what comes after row {row} is {shifted}, as after a wrong bit")
    more = {"full_scale": 255.0, "clip_code": 255.0, "coder_steps": units[1] if units[1].all() else None}
    if small and small[0] is not None:
        more["colours"] = cv2.cvtColor(small[0], cv2.COLOR_BGR2RGB)
    return header, read_exif(header.exif), pixels, more


def _read_png(data: bytes, name: str, limit: float) -> tuple[Header, Exif, np.ndarray, dict]:
    from blurscope._cv import cv2

    header = png.read_header(data, name)
    check_size(header.width, header.height, limit, name)
    if header.alpha:
        pixels = _imdecode_png(data, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION, name)
        pixels = cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGBA)
        pixels = pixels if header.channels == 3 else np.ascontiguousarray(pixels[:, :, 2:])
    elif header.channels == 1:
        pixels = _imdecode_png(data, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION, name)
    else:
        flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
        pixels = _imdecode_png(data, flags, name)
    pixels = _without_alpha(pixels, header, name)
    full = float(2**header.bits - 1)
    more = {"full_scale": full, "clip_code": full, "bit_depth": header.extra.get("significant_bits", header.bits)}
    return header, read_exif(header.exif), pixels, more


def _read_tiff(data: bytes, name: str, limit: float) -> tuple[Header, Exif, np.ndarray, dict]:
    header = tiff.read_header(data, name)
    check_size(header.width, header.height, limit, name)
    pixels = _without_alpha(tiff.decode(data, header, name), header, name)
    full = 1.0 if header.extra["float"] else float(2**header.bits - 1)
    if header.extra["float"]:
        bad = int(pixels.size - np.count_nonzero(np.isfinite(pixels)))
        if bad:
            raise PhotoError(f"{name} has {bad} samples that are not finite numbers; develop it again without them")
        full = max(full, _brightest(pixels))
    more = {"full_scale": full, "clip_code": full, "bit_depth": header.bits}
    return header, read_exif(header.exif), pixels, more


def _brightest(pixels: np.ndarray) -> float:
    """Return the largest sample; of a photo with a few that stick far out, a hot pixel or a lamp, one without them."""
    most = float(pixels.max())
    if most <= 1.0:
        return most
    few = max(pixels.size // FEW, 1)
    usual = float(np.partition(pixels, -few - 1, axis=None)[-few - 1]) if pixels.size > few else most
    return most if most <= STICKS_OUT * usual else STICKS_OUT * usual


def _read_heif(kind: str, data: bytes, name: str, limit: float) -> tuple[Header, Exif, np.ndarray, dict]:
    read = heif.read_heic if kind == "heic" else heif.read_avif
    header, exif, pixels = read(data, name, lambda width, height: check_size(width, height, limit, name))
    full = float(2**header.bits - 1)
    pixels = _without_alpha(pixels, header, name)
    return header, exif, pixels, {"full_scale": full, "clip_code": full, "bit_depth": header.bits}


def _decode(
    kind: str, data: bytes, name: str, limit: float, grey: bool, planes: bool
) -> tuple[Header, Exif, np.ndarray, dict]:
    """Check the header and decode."""
    if kind == "jpeg":
        return _read_jpeg(data, name, limit, grey)
    if kind == "raw":
        found = raw.read_raw(data, name, lambda w, h: check_size(w, h, limit, name), planes=planes)
    elif kind == "png":
        found = _read_png(data, name, limit)
    elif kind == "tiff":
        found = _read_tiff(data, name, limit)
    else:
        found = _read_heif(kind, data, name, limit)
    header, exif, pixels, more = found
    return header, exif, _to_grey(pixels) if grey else pixels, more


def _imdecode_png(data: bytes, flags: int, name: str) -> np.ndarray:
    pixels = imdecode_png(data, flags)
    if pixels is None:
        raise broken(name, "it can't be decoded")
    return pixels


def _without_alpha(pixels: np.ndarray, header: Header, name: str) -> np.ndarray:
    """Drop an alpha channel that is opaque everywhere; refuse any other."""
    if not header.alpha:
        return pixels
    opaque = 1.0 if pixels.dtype.kind == "f" else 2**header.bits - 1
    if np.any(pixels[:, :, -1] != opaque):
        raise PhotoError(f"{name} is see-through in places; save it without transparency")
    return np.ascontiguousarray(pixels[:, :, 0] if header.channels == 1 else pixels[:, :, :3])


def _to_grey(pixels: np.ndarray) -> np.ndarray:
    if pixels.ndim == 2:
        return pixels
    from blurscope._cv import cv2

    return cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)


def _upright(pixels: np.ndarray, header: Header, exif: Exif) -> tuple[np.ndarray, int]:
    """Turn and mirror the picture as its header asks (exact: samples only change places)."""
    orientation = exif.orientation if header.orientation is None else header.orientation
    if orientation == 1:
        return pixels, 1
    from blurscope._cv import cv2

    turned = {
        2: lambda p: cv2.flip(p, 1),
        3: lambda p: cv2.rotate(p, cv2.ROTATE_180),
        4: lambda p: cv2.flip(p, 0),
        5: cv2.transpose,
        6: lambda p: cv2.rotate(p, cv2.ROTATE_90_CLOCKWISE),
        7: lambda p: cv2.rotate(cv2.transpose(p), cv2.ROTATE_180),
        8: lambda p: cv2.rotate(p, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }[orientation](pixels)
    return turned, orientation


def _tone_fields(kind: str, header: Header, exif: Exif) -> dict:
    """Return tone curve and colour space, by the statement that counts most."""
    profile, name = icc.read_profile(header.icc)
    stated: list[Tone | None] = []
    extra = header.extra
    coded = tone.from_transfer_code(extra.get("transfer_code", 2), "png" if kind == "png" else "nclx")
    stated.extend([coded, profile] if kind == "png" else [profile, coded])
    if extra.get("srgb"):
        stated.append(tone.srgb("png"))
        name = name or "sRGB"
    if 0.1 <= extra.get("gamma", 0) <= 5:
        stated.append(tone.power(round(1 / extra["gamma"], 3), "png"))
    if kind == "tiff":
        stated.append(tiff.stated_tone(header))
    if exif.gamma is not None:
        stated.append(tone.power(exif.gamma, "exif"))
    if kind == "tiff" and extra["float"]:
        stated.append(tone.linear("file"))
    if exif.colour_space:
        stated.append(tone.srgb("exif") if exif.colour_space == "sRGB" else tone.power(563 / 256, "exif"))
    stated.append(tone.srgb("assumed"))
    return {"tone": next(t for t in stated if t is not None), "colour_space": name or exif.colour_space}
