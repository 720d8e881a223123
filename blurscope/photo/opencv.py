"""Decoding through OpenCV without its own chatter, and with an ear to what a JPEG or PNG library says of damage."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from blurscope.photo.chatter import listening

MOST_SPARE = 1 << 26  # bytes that are kept from picture to picture
_SPARE: list[np.ndarray] = []  # memory of the last picture: new memory is cleared by the system first, page by page
_DAMAGE = "Corrupt JPEG data: "
_DAMAGED_PNG = ("libpng warning: IDAT: incorrect data check", "libpng warning: Not enough", "libpng error: ")


def imdecode(data: bytes | np.ndarray, flags: int) -> np.ndarray | None:
    """Return the decoded picture, None where OpenCV refuses it; its log stays quiet, as the caller has the words."""
    return _imdecode(data, flags)[0]


def _imdecode(data: bytes | np.ndarray, *flags: int) -> list[np.ndarray | None]:
    """Return one picture per flag, all of the same data and decoded side by side."""
    from blurscope._cv import cv2

    def decoded(flag: int) -> np.ndarray | None:
        try:
            return cv2.imdecode(np.frombuffer(data, np.uint8), flag)
        except cv2.error:
            return None

    log = cv2.utils.logging
    before = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    _SPARE.clear()  # OpenCV decodes into what becomes free here, and the picture is a copy of that
    try:
        with ThreadPoolExecutor(max_workers=1) as pool:  # decoding lets go of the interpreter
            more = [pool.submit(decoded, flag) for flag in flags[1:]]
            pictures = [decoded(flags[0]), *(m.result() for m in more)]
    finally:
        log.setLogLevel(before)
    first = pictures[0]
    if first is not None and first.nbytes <= MOST_SPARE:
        _SPARE.append(np.empty(first.nbytes, np.uint8))
    return pictures


def imdecode_jpeg(data: bytes, *flags: int) -> tuple[list[np.ndarray | None], str]:
    """Decode a JPEG; return a picture per flag, and what the library said of damaged data, ``""`` if nothing.

    Notes
    -----
    A damaged scan is decoded to its end all the same, with everything after the damage shifted or made up, and OpenCV
    hands on no warning.
    """
    with listening() as heard:
        pictures = _imdecode(data, *flags)
    said = next((line for line in heard if line.startswith(_DAMAGE)), "")
    return pictures, said.removeprefix(_DAMAGE).strip()[:80]


def imdecode_png(data: bytes, flags: int) -> np.ndarray | None:
    """Decode a PNG; None where its library can't, or says that the picture isn't the one that was packed."""
    with listening() as heard:
        pixels = imdecode(data, flags)
    return None if any(line.startswith(_DAMAGED_PNG) for line in heard) else pixels
