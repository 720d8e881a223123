"""What a batch takes at most."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

from blurscope.errors import SettingsError


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a batch takes at most; each can be set by an environment variable.

    Attributes
    ----------
    rows : int
        Rows of a manifest, ``BLURSCOPE_MAX_ROWS``.
    cell : int
        Characters of a cell, ``BLURSCOPE_MAX_CELL``.
    megabytes : float
        Size of a manifest, ``BLURSCOPE_MAX_MANIFEST_MB``.
    seconds : float
        Time for one display, ``BLURSCOPE_MAX_SECONDS``.
    """

    rows: int = 100_000
    cell: int = 4096
    megabytes: float = 64.0
    seconds: float = 1800.0

    @classmethod
    def from_environment(cls) -> Limits:
        """Return the limits with what the environment sets."""
        found: dict[str, Any] = {}
        for name, variable, kind in (
            ("rows", "BLURSCOPE_MAX_ROWS", int),
            ("cell", "BLURSCOPE_MAX_CELL", int),
            ("megabytes", "BLURSCOPE_MAX_MANIFEST_MB", float),
            ("seconds", "BLURSCOPE_MAX_SECONDS", float),
        ):
            text = os.environ.get(variable, "").strip()
            if not text:
                continue
            try:
                found[name] = kind(text)
            except ValueError:
                found[name] = -1
            if not 0 < found[name] < 1e9:
                raise SettingsError(f"{variable} is {text!r:.40}; set it to a number above 0")
        return cls(**found)
