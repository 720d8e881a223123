"""``blurscope report``: one page that can be mailed, printed and published."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo

EXAMPLES = """

Examples:

blurscope report alder.json birch.json cedar.json --what-if 120hz --out report.html

blurscope report alder.json alder_traces.json alder_check.json --out report.md
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("report", help="Write a report from measurements, responses and agreements." + EXAMPLES)
    def report(
        inputs: Annotated[list[Path], typer.Argument(help="Files of 'measure', 'trace' and 'check', in any order.")],
        out: Annotated[Path, typer.Option(help="Report: .html, .md or .csv.")],
        pattern: Annotated[
            list[Path] | None,
            typer.Option(help="Pattern that was shown, where the measurements don't hold it."),
        ] = None,
        what_if: Annotated[
            list[str] | None, typer.Option(help="Computed beside them: 120hz, strobe=0.2, response*0.5; joined by +.")
        ] = None,
        order: Annotated[str, typer.Option(help="Figure that orders the displays.")] = "bet_ms",
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing report.")] = False,
    ) -> None:
        from blurscope.files import blame_files, check_output
        from blurscope.report import write_report

        check_output(out, overwrite=overwrite, inputs=[*inputs, *(pattern or [])])
        board = None
        if out.suffix.lower() == ".html":
            from blurscope.report.write import KINDS, _read
            from blurscope.sidebyside import MOST, build_board

            with blame_files(*inputs):
                measured = [p for p in inputs if _read(p)["schema"] == f"blurscope.{KINDS[0]}/1"]
                if 1 <= len(measured) <= MOST:
                    board = build_board(measured, patterns=pattern, order=order, what_if=what_if or [])
        options = {"pattern": [str(p) for p in pattern or []], "what-if": what_if or [], "order": order}
        with blame_files(*inputs):
            write_report(inputs, out, board=board, options=options, overwrite=overwrite)
        echo(f"written: {out}", err=True)
