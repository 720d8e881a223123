"""One thread for linear algebra: on the small matrices of a photo more of them cost more than they bring."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_LOCK = threading.Lock()
_STATE: dict[str, Any] = {"inside": 0, "libraries": 0, "controller": None, "limit": None}


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold the BLAS libraries of this process at one thread; when the last user leaves, they are as before."""
    with _LOCK:
        if _STATE["inside"] == 0:
            _STATE["limit"] = _controller().limit(limits=1, user_api="blas")
        _STATE["inside"] += 1
    try:
        yield
    finally:
        with _LOCK:
            _STATE["inside"] -= 1
            if _STATE["inside"] == 0:
                _STATE["limit"].restore_original_limits()
                _STATE["limit"] = None


def _controller() -> Any:
    from threadpoolctl import ThreadpoolController

    loaded = sum(name in sys.modules for name in ("numpy", "scipy.linalg"))  # each brings a library of its own
    if _STATE["controller"] is None or loaded != _STATE["libraries"]:
        _STATE["controller"], _STATE["libraries"] = ThreadpoolController(), loaded
    return _STATE["controller"]
