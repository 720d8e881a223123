"""Decoding through OpenCV without its own chatter."""

from __future__ import annotations

import numpy as np


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
