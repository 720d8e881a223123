"""Scripts of the benchmarks as modules, for tests of what they compute."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

FOLDER = Path(__file__).parent.parent / "benchmarks"


def script(name: str) -> ModuleType:
    """Return a script of the benchmarks."""
    known = f"benchmark_{name}"
    if known not in sys.modules:
        spec = importlib.util.spec_from_file_location(known, FOLDER / f"{name}.py")
        sys.modules[known] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[known])
    return sys.modules[known]
