"""blurscope turns pursuit photos of displays into blur figures with uncertainties that can be defended.

The functions of the API are loaded when first used, so that importing the package costs nothing.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_API = {
    "measure": "blurscope.takes",
    "measure_clip": "blurscope.clip",
    "edge": "blurscope.anyedge",
    "measure_batch": "blurscope.batch",
    "Measurement": "blurscope.pipeline",
    "BlurscopeError": "blurscope.errors",
}

__all__ = ["__version__", *_API]


def __getattr__(name: str) -> Any:
    if name in _API:
        return getattr(import_module(_API[name]), name)
    raise AttributeError(f"module 'blurscope' has no attribute {name!r}")
