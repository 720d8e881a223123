"""A broken OpenCV gives one sentence with what to do, never a traceback; simulated with stand-ins in a subprocess."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCES = sorted((ROOT / "blurscope").rglob("*.py"))

MISSING = 'raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")\n'
OTHER = 'raise ImportError("dynamic module does not define module export function")\n'


def run_with(tmp_path: Path, body: str | None, code: str) -> subprocess.CompletedProcess[str]:
    """Run code with a cv2 that consists of ``body`` (None: an empty namespace) before the real one."""
    folder = tmp_path / "cv2"
    folder.mkdir()
    if body is not None:
        (folder / "__init__.py").write_text(body)
    else:
        code = f"import sys, types; m = types.ModuleType('cv2'); m.__path__ = []; sys.modules['cv2'] = m\n{code}"
    path = os.pathsep.join([str(tmp_path), str(ROOT), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True, timeout=60
    )


IMPORT = """
from blurscope.errors import BlurscopeError
try:
    import blurscope._cv
except BlurscopeError as exc:
    print(exc)
"""


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (MISSING, ["libGL.so.1", "apt-get install", "opencv-python-headless"]),
        (OTHER, ["a system library", "opencv-python-headless"]),
        (None, ["empty", "pip install --force-reinstall opencv-python-headless"]),
        ("", ["empty", "pip install --force-reinstall opencv-python-headless"]),
    ],
    ids=["missing-library", "other", "empty-namespace", "empty-module"],
)
def test_a_broken_opencv_is_one_sentence(tmp_path, body, words):
    done = run_with(tmp_path, body, IMPORT)
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.strip().splitlines()) == 1
    for word in words:
        assert word in done.stdout


def test_the_command_line_shows_the_sentence_and_exits_1(tmp_path):
    """Whatever command needs OpenCV: here a stand-in for one, through the real entry point."""
    code = """
import sys
from blurscope.cli import app, main

@app.command("needs-opencv")
def needs():
    "Example: none"
    from blurscope._cv import cv2

sys.exit(main(["needs-opencv"]))
"""
    done = run_with(tmp_path, MISSING, code)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr and done.stderr.startswith("blurscope: ")
    assert len(done.stderr.strip().splitlines()) == 1 and "libGL.so.1" in done.stderr


def test_a_working_opencv_passes_through():
    import cv2

    from blurscope._cv import cv2 as guarded

    assert guarded is cv2


def imports_opencv(source: str) -> bool:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import) and any(a.name.split(".")[0] == "cv2" for a in node.names):
            return True
        if isinstance(node, ast.ImportFrom) and not node.level and (node.module or "").split(".")[0] == "cv2":
            return True
    return False


def test_the_search_for_imports_finds_them():
    assert imports_opencv("import cv2") and imports_opencv("def f():\n    from cv2 import imread")
    assert imports_opencv("import cv2.aruco as a") and not imports_opencv("from blurscope._cv import cv2")


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_opencv_is_imported_in_one_place_only(path):
    if path.name != "_cv.py":
        assert not imports_opencv(path.read_text("utf-8"))
