"""The one door to PyAV: where it is missing, the line that installs it; what its decoders say is heard, not shown."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from typing import Any

from blurscope.errors import SettingsError

_LOCK = threading.Lock()
_ears: list[tuple[int | None, bool]] = []  # the settings found by whoever listens, the caller's own first


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


@contextlib.contextmanager
def listening() -> Iterator[list[tuple[int, str, str]]]:
    """Collect what PyAV's libraries say in this thread meanwhile: (level, who, what).

    Levels are PyAV's, the more serious the lower, up to its ``WARNING``. Decoders must not run in threads of their own.
    """
    logs = require_av().logging
    with _LOCK:
        _ears.append((logs.get_level(), logs.get_skip_repeated()))
        logs.set_level(logs.WARNING)
        logs.set_skip_repeated(False)  # the same fault in two frames is two faults
    try:
        with logs.Capture() as heard:
            yield heard
    finally:
        with _LOCK:
            level, repeated = _ears[0]
            _ears.pop()
            if not _ears:
                logs.set_level(level)
                logs.set_skip_repeated(repeated)
