"""Write docs/flags.md from the registry: run ``python docs/make_flags.py`` after changing blurscope/flags.py."""

from __future__ import annotations

from pathlib import Path

from blurscope.flags import FLAGS, WARNINGS

PAGE = Path(__file__).with_name("flags.md")
HEAD = """# Flags and warnings

Written by `docs/make_flags.py` from `blurscope/flags.py`, the only list.

A **flag** sits on one figure, edge, streak or transition (`quality.flags`). A figure that may not be used is `null`,
and at least one flag says why; a flag beside a figure says what to know before using it.
A **warning** concerns a whole photo, record or file (`warnings`, each with a `code` and a `message`).
"""


def render() -> str:
    """Return the page."""
    parts = [HEAD]
    for title, registry in (("Flags", FLAGS), ("Warnings", WARNINGS)):
        rows = [f"| `{name}` | {text} |" for name, text in registry.items()]
        parts.append("\n".join([f"## {title}", "", "| name | what it says |", "|---|---|", *rows]) + "\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(render(), "utf-8")
