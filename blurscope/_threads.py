"""One thread for linear algebra: on the small matrices of a photo more of them cost more than they bring."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_LOCK = threading.Lock()
_STATE: dict[str, Any] = {"users": 0, "libraries": 0, "controller": None, "before": None}
_HERE = threading.local()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold the BLAS libraries at one thread; afterwards they are as they were before the first user came.

    Some libraries keep the number for each calling thread, some for the whole process, so every thread that comes sets
    it and every one that leaves puts back what the first one found. SciPy's linear algebra, which few photos need,
    brings a BLAS of its own: it is held from the first user on who finds it loaded.
    """
    depth = getattr(_HERE, "depth", 0)
    _HERE.depth = depth + 1
    if depth == 0:
        with _LOCK:
            limit = _controller().limit(limits=1, user_api="blas")
            if _STATE["users"] == 0:
                _STATE["before"] = limit
            _STATE["users"] += 1
    try:
        yield
    finally:
        _HERE.depth = depth
        if depth == 0:
            with _LOCK:
                _STATE["before"].restore_original_limits()
                _STATE["users"] -= 1


def _controller() -> Any:
    from threadpoolctl import ThreadpoolController

    loaded = sum(name in sys.modules for name in ("numpy", "scipy.linalg"))  # each brings a library of its own
    if _STATE["controller"] is None or loaded != _STATE["libraries"]:
        _STATE["controller"], _STATE["libraries"] = ThreadpoolController(), loaded
    return _STATE["controller"]
