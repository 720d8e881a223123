"""Data flow one way: who may import whom, held as a table and read from the sources.

A name in the table stands for a module or a package with all that is below it; the longest name that fits counts.
Imports within one package are its own business.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "blurscope"
SOURCES = sorted(PACKAGE.rglob("*.py"))

BASE = {
    "__init__",
    "errors",
    "flags",
    "records",
    "shapes",
    "uncertainty",
    "displaylaw",
    "files",
    "tables",
    "_cv",
    "_av",
    "_threads",
}
DATA = BASE | {"pattern.layout"}  # the plate's description is read by every stage that looks for it in a photo
MAKING = {"__init__", "errors", "files", "tables", "_cv", "_av"}  # made captures share no blur maths with the analysis
STAGES = {"photo", "target", "light", "tracking", "edges", "freeedge", "blur", "trace", "model", "agreement", "video"}
FACES = {"plots", "board", "report", "archive"}
ORDER = {
    "shot",
    "refusals",
    "coder",
    "pooling",
    "switchphase",
    "doubts",
    "greys",
    "following",
    "alongblur",
    "still",
    "combine",
    "manyshots",
    "trackingblock",
    "edgeblock",
    "pipeline",
    "batch",
    "crosscheck",
    "demo",
    "sidebyside",
    "plan",
}
ORDER |= {"edgecapture", "edgejoint", "edgefit", "anyedge", "clip", "cliprefusals", "cliptrace", "pan", "takes"}

ALLOWED: dict[str, set[str]] = {
    "__init__": {"takes", "clip", "anyedge", "pipeline", "batch", "errors"},
    "__main__": {"cli"},
    # base
    "errors": set(),
    "flags": set(),
    "uncertainty": set(),
    "shapes": set(),
    "displaylaw": {"uncertainty"},
    "records": {"flags"},
    "measurement": BASE,
    "files": {"errors"},
    "tables": {"errors", "files"},
    "_cv": {"errors"},
    "_av": {"errors"},
    "_threads": set(),
    # making
    "pattern.layout": MAKING,
    "pattern": MAKING,
    "camera": MAKING | {"pattern"},
    "photodiode": MAKING,
    # stages
    **{stage: DATA for stage in STAGES},
    # order: the modules that know the sequence
    "doubts": BASE | {"blur", "light"},
    "switchphase": BASE | {"blur", "tracking"},
    "coder": set(),
    "pooling": BASE | {"blur", "coder"},
    "greys": DATA | STAGES,
    "following": DATA | STAGES,
    "alongblur": DATA | STAGES,
    "refusals": DATA | STAGES,
    "shot": DATA
    | STAGES
    | {"pooling", "coder", "doubts", "greys", "following", "alongblur", "switchphase", "refusals"},
    "still": DATA | STAGES | {"shot", "greys"},
    "manyshots": DATA | {"measurement"},
    "combine": DATA | {"measurement", "manyshots"},
    "trackingblock": DATA | STAGES | {"shot"},
    "edgeblock": DATA | STAGES | {"shot", "measurement", "trackingblock"},
    "pipeline": DATA | STAGES | {"shot", "still", "combine", "measurement", "trackingblock", "edgeblock"},
    "takes": DATA | STAGES | {"pipeline", "shot", "measurement", "clip", "pan"},
    "batch": DATA | {"photo", "takes", "measurement"},
    "plan": DATA
    | STAGES
    | {"pattern", "camera", "greys", "following", "alongblur", "switchphase", "pooling", "doubts", "combine"},
    "edgecapture": BASE | {"freeedge", "blur"},
    "edgejoint": BASE | {"freeedge", "blur", "edgecapture"},
    "edgefit": BASE | {"freeedge", "blur", "edgecapture", "edgejoint"},
    "anyedge": BASE | {"freeedge", "photo", "edgecapture", "edgejoint", "edgefit", "pipeline", "measurement"},
    "clip": DATA | STAGES | {"greys", "shot", "pooling", "pipeline", "measurement", "cliptrace", "cliprefusals"},
    "cliprefusals": DATA | STAGES,
    "cliptrace": DATA | STAGES | {"shot", "doubts"},
    "pan": DATA | STAGES | {"pipeline", "measurement", "shot", "combine", "clip"},
    "crosscheck": DATA | STAGES | {"pipeline"},
    "demo": DATA | {"pattern", "camera", "photodiode", "measurement"} | STAGES | FACES | ORDER,
    # faces: they show what the records hold
    **{face: BASE | FACES for face in FACES},
    "sidebyside": DATA | {"pattern", "measurement"} | STAGES | {"shot", "pipeline"} | FACES,
    "cli": DATA | {"pattern", "camera", "photodiode"} | STAGES | ORDER | FACES | {"measurement"},
}


def row_of(module: str) -> str | None:
    """Return the table's longest name that stands for a module, given without ``blurscope.``; None if there is none."""
    parts = module.split(".") if module else ["__init__"]
    for end in range(len(parts), 0, -1):
        if (name := ".".join(parts[:end])) in ALLOWED:
            return name
    return None


def module_of(path: Path) -> str:
    """Return a source file's module name without ``blurscope.``."""
    parts = list(path.relative_to(PACKAGE).with_suffix("").parts)
    if parts[-1] == "__init__" and len(parts) > 1:
        parts.pop()
    return ".".join(parts)


def known_modules() -> set[str]:
    return {module_of(path) for path in SOURCES} | set(ALLOWED)


def imports_of(source: str, module: str, *, is_package: bool = False) -> set[str]:
    """Return the project's modules that a source imports, anywhere in it, without ``blurscope.``.

    Parameters
    ----------
    source : str
    module : str
        Its own name, to resolve relative imports.
    is_package : bool
        Whether it is an ``__init__``.
    """
    known = known_modules()
    found: set[str] = set()
    home = ["blurscope", *module.split(".")] if module != "__init__" else ["blurscope"]
    if not is_package:
        home = home[:-1]

    def add(base: list[str], name: str | None = None) -> None:
        if not base or base[0] != "blurscope":
            return
        inner = ".".join(base[1:])
        full = f"{inner}.{name}".lstrip(".") if name else inner
        if name and full in known:
            found.add(full)
        elif name and not inner:
            found.add("__init__")
        else:
            found.add(inner or "__init__")

    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                add(alias.name.split("."))
        elif isinstance(node, ast.ImportFrom):
            base = home[: len(home) - node.level + 1] if node.level else []
            base = base + (node.module.split(".") if node.module else [])
            for alias in node.names:
                add(base, alias.name)
        elif isinstance(node, ast.Call) and _called(node.func) in ("import_module", "__import__"):
            for value in node.args[:1]:
                if isinstance(value, ast.Constant) and isinstance(value.value, str):
                    add(value.value.split("."))
    return found


def _called(func: ast.expr) -> str:
    return func.attr if isinstance(func, ast.Attribute) else func.id if isinstance(func, ast.Name) else ""


def faults_of(source: str, module: str, *, is_package: bool = False) -> list[str]:
    """Return the imports that the table doesn't allow."""
    row = row_of(module)
    if row is None:
        return [f"{module} is not in the table"]
    own = module.split(".")[0]
    faults = []
    for target in sorted(imports_of(source, module, is_package=is_package)):
        other = row_of(target)
        if target.split(".")[0] == own and (other == row or own == "pattern"):
            continue
        if other is None:
            faults.append(f"{module} imports {target}, which is not in the table")
        elif other not in ALLOWED[row]:
            faults.append(f"{module} imports {target}")
    return faults


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_follow_the_table(path):
    faults = faults_of(path.read_text("utf-8"), module_of(path), is_package=path.name == "__init__.py")
    assert faults == []


def test_the_table_has_no_two_way_street():
    """No pair of rows may import each other, save the faces among themselves."""
    for name, allowed in ALLOWED.items():
        for other in allowed - {name}:
            if not {name, other} <= FACES and other != "__init__" and name != "__init__":
                assert name not in ALLOWED.get(other, set()), (name, other)


# ------------------------------------------------------------------------------------------------ testing the test


@pytest.mark.parametrize(
    "planted",
    [
        "import blurscope.blur",
        "import blurscope.blur.fit as fit",
        "import numpy, blurscope.blur",
        "from blurscope import blur",
        "from blurscope import errors, blur",
        "from blurscope.blur import fit",
        "from blurscope.blur.fit import something",
        "from .. import blur",
        "from ..blur import fit",
        "from ..blur.fit import something",
        "def f():\n    from ..blur import fit",
        "if True:\n    import blurscope.blur",
        "try:\n    from blurscope.blur import fit\nexcept ImportError:\n    pass",
        "from importlib import import_module\nimport_module('blurscope.blur')",
        "import importlib\nimportlib.import_module('blurscope.blur.fit')",
        "__import__('blurscope.blur')",
    ],
)
@pytest.mark.parametrize("module", ["target.pose", "camera.film"])
def test_a_planted_import_is_seen(planted, module):
    assert any("blur" in fault for fault in faults_of(planted, module)), planted


def test_relative_imports_are_resolved_from_modules_and_from_packages():
    assert imports_of("from .pose import x", "target.rows") == {"target.pose"}
    assert imports_of("from . import pose", "target", is_package=True) == {"target.pose"}
    assert imports_of("from .pose import x", "target", is_package=True) == {"target.pose"}
    assert imports_of("from .. import light", "target", is_package=True) == {"light"}
    assert imports_of("from . import light", "records") == {"light"}
    assert imports_of("from . import errors", "__init__", is_package=True) == {"errors"}
    assert imports_of("from blurscope import __version__", "trace.law") == {"__init__"}


@pytest.mark.parametrize(
    ("source", "module"),
    [
        ("from blurscope import light", "target.pose"),  # stage to stage
        ("from blurscope.photo import read_photo", "light.tone"),
        ("from blurscope.shapes import LN9", "camera.display"),  # the analyser's maths in the truth maker
        ("from blurscope.model import predict", "camera.film"),
        ("from blurscope.pattern.render import FrameMaker", "edges.extract"),  # frames are not the description
        ("from blurscope.pipeline import measure", "blur.fit"),
        ("from blurscope.cli import main", "pipeline"),
        ("from blurscope.files import x", "shapes.steps"),
        ("from blurscope.photo import Photo", "report.page"),
    ],
)
def test_what_the_table_forbids(source, module):
    assert faults_of(source, module)


@pytest.mark.parametrize(
    ("source", "module"),
    [
        ("from blurscope.pattern.layout import Layout", "edges.extract"),
        ("from blurscope.shapes.steps import Step", "model.predict"),
        ("from blurscope.pattern.render import FrameMaker", "camera.scene"),
        ("import numpy as np\nfrom scipy import optimize", "blur.fit"),
        ("from blurscope.pattern.layout import Layout", "pattern.render"),
    ],
)
def test_what_the_table_allows(source, module):
    assert faults_of(source, module) == []


def test_a_module_missing_from_the_table_fails():
    assert faults_of("", "gadgets.widget") == ["gadgets.widget is not in the table"]
    assert faults_of("from blurscope.gadgets import x", "cli.measure")
    assert faults_of("from blurscope import gadgets\nimport blurscope.gadgets", "cli.measure")
