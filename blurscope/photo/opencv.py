"""Decoding through OpenCV without its own chatter, and with an ear to what the JPEG library says of damaged data."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import threading
from collections.abc import Iterator

import numpy as np

_ONE_AT_A_TIME = threading.Lock()
_DAMAGE = re.compile(rb"Corrupt JPEG data: ([^\n]*)\n?")
_LIBRARY = re.compile(rb"(Corrupt JPEG data|Warning|Invalid|Premature|Unsupported|Inconsistent)[^\n]*\n?")


def imdecode(data: bytes | np.ndarray, flags: int) -> np.ndarray | None:
    """Return the decoded picture, None where OpenCV refuses it; its log stays quiet, as the caller has the words."""
    from blurscope._cv import cv2

    log = cv2.utils.logging
    before = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    finally:
        log.setLogLevel(before)


def imdecode_jpeg(data: bytes, flags: int) -> tuple[np.ndarray | None, str]:
    """Decode a JPEG; return the picture and what the library said of damaged data, ``""`` if nothing.

    Notes
    -----
    A damaged scan is decoded to its end all the same, with everything after the damage shifted or made up. OpenCV
    hands on no warning; libjpeg writes it to the process' error stream, so that is where it is read. What others
    write there meanwhile is passed on.
    """
    heard: list[bytes] = []
    with _ONE_AT_A_TIME, _error_stream(heard):
        pixels = imdecode(data, flags)
    found = _DAMAGE.search(b"".join(heard))
    return pixels, found.group(1).decode("ascii", "replace").strip()[:80] if found else ""


@contextlib.contextmanager
def _error_stream(heard: list[bytes]) -> Iterator[None]:
    """Collect what is written to file descriptor 2; without one, or without room for a file, hear nothing."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    try:
        try:
            file = tempfile.TemporaryFile()
        except OSError:
            yield
            return
        with file:
            os.dup2(file.fileno(), 2)
            try:
                yield
            finally:
                os.dup2(kept, 2)
                file.seek(0)
                heard.append(file.read(1 << 20))
                other = _LIBRARY.sub(b"", heard[0])
                if other:
                    with contextlib.suppress(OSError):
                        os.write(2, other)
    finally:
        os.close(kept)
