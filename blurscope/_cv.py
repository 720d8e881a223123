"""The one door to OpenCV: a broken installation gives a sentence, not a traceback."""

import re

from blurscope.errors import BlurscopeError

try:
    import cv2
except ImportError as exc:
    missing = re.search(r"lib\S+?\.so[.\d]*", str(exc))
    name = missing.group(0) if missing else "a system library"
    raise BlurscopeError(
        f"OpenCV can't be loaded because {name} is missing: run "
        "'apt-get install -y --no-install-recommends libxcb1 libgl1 libglib2.0-0', or "
        "'pip uninstall -y opencv-python && pip install --force-reinstall opencv-python-headless'"
    ) from exc
if not hasattr(cv2, "imread"):
    raise BlurscopeError(
        "OpenCV is installed but empty, as happens when two builds of it were mixed: run "
        "'pip install --force-reinstall opencv-python-headless'"
    )

__all__ = ["cv2"]
