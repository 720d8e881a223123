"""The one door to PyAV: where it is missing, the line that installs it."""

from __future__ import annotations

from typing import Any

from blurscope.errors import SettingsError


def require_av() -> Any:
    """Return PyAV.

    Raises
    ------
    SettingsError
        It isn't installed; the message has the line that installs it.
    """
    try:
        import av
    except ImportError:
        raise SettingsError(
            "video files need PyAV, which is not installed: run \"pip install 'blurscope[video]'\""
        ) from None
    return av
