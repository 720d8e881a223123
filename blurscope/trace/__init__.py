"""Photodiode records to step responses, and the stimulus to record.

>>> from blurscope.trace import Settings, read_transitions, reduce_records  # doctest: +SKIP
>>> response = reduce_records(read_transitions("transitions.csv"), Settings(refresh_hz=60))  # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_API = {
    "Listed": "blurscope.trace.law",
    "LevelLaw": "blurscope.trace.law",
    "gamma_law": "blurscope.trace.law",
    "read_meter": "blurscope.trace.law",
    "read_transitions": "blurscope.trace.law",
    "ReadOptions": "blurscope.trace.columns",
    "Record": "blurscope.trace.record",
    "read_record": "blurscope.trace.reading",
    "Settings": "blurscope.trace.prepare",
    "Transition": "blurscope.trace.transition",
    "Response": "blurscope.trace.api",
    "reduce_records": "blurscope.trace.api",
    "reduce_stimulus": "blurscope.trace.api",
    "plan_stimulus": "blurscope.trace.stimulus",
    "level_codes": "blurscope.trace.stimulus",
}

__all__ = [*_API]


def __getattr__(name: str) -> Any:
    if name in _API:
        return getattr(import_module(_API[name]), name)
    raise AttributeError(f"module 'blurscope.trace' has no attribute {name!r}")
