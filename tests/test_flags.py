"""Flags and warnings: one registry, used by name, with a sentence each, listed in the docs."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from blurscope.flags import FLAGS, WARNINGS, check_flag, warning

ROOT = Path(__file__).parent.parent
SOURCES = {p: ast.parse(p.read_text("utf-8")) for p in sorted((ROOT / "blurscope").rglob("*.py"))}


@pytest.mark.parametrize(("name", "text"), [*FLAGS.items(), *WARNINGS.items()])
def test_names_and_sentences(name, text):
    assert re.fullmatch(r"[a-z]+(_[a-z0-9]+)*", name)
    assert text[0].islower() and text[-1].isalnum() or text[-1] == ")"
    assert "\n" not in text and ". " not in text and len(text) <= 120


def test_check_flag():
    assert check_flag("clipped") == "clipped"
    with pytest.raises(KeyError, match="nonsense"):
        check_flag("nonsense")


def test_warning_as_it_stands_in_json():
    assert warning("mirrored") == {"code": "mirrored", "message": WARNINGS["mirrored"]}
    assert warning("clipped_whites", "3 % of them")["message"] == WARNINGS["clipped_whites"] + ": 3 % of them"
    with pytest.raises(KeyError):
        warning("nonsense")


def literals(tree: ast.AST, names: set[str]) -> set[str]:
    """Return the string literals that stand as first argument (all, for ``missing``) in calls of some functions."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in names:
                args = node.args if called == "missing" else node.args[:1]
                found |= {a.value for a in args if isinstance(a, ast.Constant) and isinstance(a.value, str)}
    return found


def test_the_search_for_literals_finds_them():
    tree = ast.parse("warning('a', 'b'); Q.missing('c', 'd'); flags.check_flag('e'); other('f'); warning(x)")
    assert literals(tree, {"warning"}) == {"a"}
    assert literals(tree, {"missing", "check_flag"}) == {"c", "d", "e"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_what_the_code_says_is_registered(path):
    assert literals(SOURCES[path], {"warning"}) <= set(WARNINGS)
    assert literals(SOURCES[path], {"missing", "check_flag"}) <= set(FLAGS)


def test_the_page_lists_all_of_them_as_they_are():
    page = (ROOT / "docs" / "flags.md").read_text("utf-8")
    for name, text in [*FLAGS.items(), *WARNINGS.items()]:
        assert f"| `{name}` | {text} |" in page, "run 'python docs/make_flags.py'"
    listed = re.findall(r"^\| `([a-z0-9_]+)` \|", page, re.MULTILINE)
    assert sorted(listed) == sorted([*FLAGS, *WARNINGS]), "run 'python docs/make_flags.py'"
