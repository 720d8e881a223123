"""Write docs/cli.md from the registered commands: run ``python docs/make_cli.py`` after changing a command."""

from __future__ import annotations

import enum
import inspect
import re
import types
import typing
from collections.abc import Callable
from pathlib import Path
from typing import Any

from blurscope.cli import app

PAGE = Path(__file__).with_name("cli.md")
HEAD = """# Commands

Written by `docs/make_cli.py` from the commands themselves.

Every command prints data and tables on stdout and its talk and progress on stderr. It ends with 0 when done, 1 when
something was refused or failed (one sentence says what, where and what to do), and 2 when it was called wrongly.
Existing results are overwritten only with `--overwrite`, and always whole: a file is the old one or the new one.
"""
_TYPE_NAMES = {str: "TEXT", int: "N", float: "NUMBER", Path: "PATH", bool: ""}


def commands() -> dict[str, Callable[..., Any]]:
    """Return the functions behind the commands by name, in the order of registration."""
    return {(c.name or c.callback.__name__).replace("_", "-"): c.callback for c in app.registered_commands}


def help_of(name: str) -> str:
    """Return a command's help text."""
    found = next(c for c in app.registered_commands if (c.name or c.callback.__name__).replace("_", "-") == name)
    return inspect.cleandoc(found.help or found.callback.__doc__ or "")


def _inner(annotation: Any) -> tuple[Any, bool]:
    """Return the bare type, and whether it may be given several times."""
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        return _inner(next(a for a in args if a is not type(None)))
    if origin in (list, tuple):
        return _inner(args[0])[0], origin is list
    return annotation, False


def _row(name: str, annotation: Any, default: Any) -> str | None:
    base, *extra = typing.get_args(annotation) if hasattr(annotation, "__metadata__") else (annotation,)
    info = next((e for e in extra if hasattr(e, "param_decls")), default)
    if getattr(info, "hidden", False):
        return None
    value = default if extra else getattr(info, "default", default)
    kind, many = _inner(base)
    metavar = getattr(info, "metavar", None) or _metavar(kind)
    if type(info).__name__ == "ArgumentInfo":
        names = f"`{getattr(info, 'metavar', None) or name.upper()}`{' …' if many else ''}"
    else:
        # within Annotated the first name stands where the default would be
        given = [info.default] if extra and isinstance(getattr(info, "default", None), str) else []
        declared = [d for d in [*given, *(getattr(info, "param_decls", None) or ())] if d.startswith("-")]
        names = ", ".join(f"`{d}`" for d in declared or [f"--{name.replace('_', '-')}"])
        names += f" {metavar.replace('|', chr(92) + '|')}" * (kind is not bool) + " (may be repeated)" * many
    return f"| {names} | {_text(getattr(info, 'help', ''))} | {_default(value)} |"


def _metavar(kind: Any) -> str:
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return "|".join(str(member.value) for member in kind)
    if typing.get_origin(kind) is typing.Literal:
        return "|".join(map(str, typing.get_args(kind)))
    return _TYPE_NAMES.get(kind, "VALUE")


def _default(value: Any) -> str:
    if value is inspect.Parameter.empty or value is ...:
        return "required"
    if value is None or value is False or value in ((), [], ""):
        return ""
    return "on" if value is True else f"`{getattr(value, 'value', value)}`"


def _text(text: str | None) -> str:
    return re.sub(r"\s*\n\s*", " ", (text or "").strip()).replace("|", "\\|")


def _prose(help_text: str) -> str:
    """Return help as Markdown; what follows ``Example:`` becomes a code block, a line per command."""
    out: list[str] = []
    in_code = False
    for block in re.split(r"\n\s*\n", help_text.replace("\b", "").strip()):
        text = " ".join(line.strip() for line in block.strip().splitlines())
        match = re.match(r"(Examples?):\s*(.*)", text)
        if match:
            out.append(f"{match[1]}:")
            text = match[2]
        in_code = bool(match) or (in_code and text.startswith("blurscope "))
        if in_code:
            found = [part.strip() for part in re.split(r"(?<!\S)(?=blurscope [a-z])", text) if part.strip()]
            if found:
                out.append("\n".join(f"    {line}" for line in found))
        else:
            out.append(text)
    return "\n\n".join(out)


def section(name: str) -> str:
    """Return one command's section."""
    function = commands()[name]
    hints = typing.get_type_hints(function, include_extras=True)
    parameters = inspect.signature(function).parameters.values()
    rows = [_row(p.name, hints.get(p.name, str), p.default) for p in parameters]
    table = ["| | what | default |", "|---|---|---|", *(r for r in rows if r)] if any(rows) else []
    return "\n".join([f"## blurscope {name}", "", _prose(help_of(name)), "", *table]).rstrip() + "\n"


def render() -> str:
    """Return the page."""
    index = "\n".join(f"- [`blurscope {name}`](#blurscope-{name}): {_first(name)}" for name in commands())
    return "\n".join([HEAD, index + "\n", *(section(name) for name in commands())])


def _first(name: str) -> str:
    """Return the first paragraph of a help text, with a small first letter and without its full stop."""
    text = _text(help_of(name).split("\n\n")[0]).rstrip(".")
    return text[:1].lower() + text[1:]


if __name__ == "__main__":
    PAGE.write_text(render(), "utf-8")
