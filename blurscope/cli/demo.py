"""``blurscope demo``: the whole job on a made-up case."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo

EXAMPLE = """

Example: blurscope demo terminals
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(
        "demo",
        help="Measure three made-up ticket terminals with a simulated camera and photodiode, truth beside." + EXAMPLE,
    )
    def demo(
        out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for everything.")] = Path("blurscope-demo"),
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the files of an earlier run.")] = False,
    ) -> None:
        from blurscope.demo import STORY, UNITS, run_demo

        echo(
            "A ferry operator chooses a handheld ticket terminal. Three are on the table, all at 60 Hz: "
            + "; ".join(f"{u.capitalize()} ({STORY[u]})" for u in UNITS)
            + ".",
            err=True,
        )
        result = run_demo(out, overwrite=overwrite, say=lambda text: echo(f"  {text} …", err=True))
        _print(result)
        echo("")
        echo(f"everything is in {out}; a photo is measured again, with pictures of every step, by")
        unit = UNITS[1]
        echo(
            f"  blurscope measure {out}/{unit}/photo.jpg --pattern {out}/pattern/pattern.json "
            f"--debug-dir {out}/{unit}/debug"
        )
        for what, path in result.pictures:
            echo(f"{what}: {path}")
        echo(f"report: {result.report}")


def _print(result: Any) -> None:
    from blurscope.cli._table import print_table, shown
    from blurscope.demo import UNITS, comparison

    rows = []
    for title, cells in comparison(result):
        digits = 3 if title.startswith(("tracking", "exposure")) else 2
        row = [title]
        for q, true in cells:
            row += [shown(q, digits), "–" if true is None else f"{true:.{digits}f}"]
        rows.append(row)
    row = ["usable transitions"]
    for unit in UNITS:
        s = result.measurements[unit]["summary"]
        row += [f"{s['edges_ok']} of {s['edges']}", f"{len(result.truths[unit]['transitions'])}"]
    print_table(["", *(x for u in UNITS for x in (u.capitalize(), "truth"))], [*rows, row])
    echo("")
    echo("photo against photodiode")
    for unit in UNITS:
        report = result.agreements[unit]
        s = report["summary"]
        echo(f"  {unit.capitalize()}: {s['verdict']}, {s['agreeing']} of {s['compared']} figures within u95")
        if s["verdict"] == "disagree" and report["causes"]:
            cause = report["causes"][0]
            echo(f"    {cause['cause']} explains {cause['explains_pct']:.0f} %. {cause['advice']}")
