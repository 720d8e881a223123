"""``blurscope compare``: displays side by side, fairly."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blurscope.cli._table import echo

EXAMPLES = """

Examples:

blurscope compare alder.json birch.json cedar.json --out board.png

blurscope compare alder.json birch.json --what-if 120hz --what-if strobe=0.2 --out board.html
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("compare", help="Put displays side by side: same scale, same light, figures under each." + EXAMPLES)
    def compare(
        measurements: Annotated[list[Path], typer.Argument(help="Measurements of 'measure', one to twelve.")],
        out: Annotated[Path, typer.Option(help="Board: .png, .svg, .pdf or .html.")],
        pattern: Annotated[
            list[Path] | None,
            typer.Option(
                help="Pattern that was shown (one for all, or one each), where the measurements don't hold it."
            ),
        ] = None,
        photo: Annotated[
            list[Path] | None, typer.Option(help="Photos in the order of the measurements, where they have moved.")
        ] = None,
        order: Annotated[
            str, typer.Option(help="bet_ms, ghost_ms, overshoot_pct, response_ms or response_signal_ms.")
        ] = "bet_ms",
        transition: Annotated[
            str | None, typer.Option(metavar="FROM-TO", help="Profiles of this one, e.g. 0-255.")
        ] = None,
        what_if: Annotated[
            list[str] | None,
            typer.Option(help="Computed beside them: 120hz, strobe=0.2, response*0.5; joined by +."),
        ] = None,
        of: Annotated[
            str | None, typer.Option(help="Label of the display that --what-if is about; else the first.")
        ] = None,
        instant: Annotated[bool, typer.Option(help="Show an instant panel at the same refresh.")] = True,
        px_per_mm: Annotated[
            list[float] | None, typer.Option(help="Display px per mm (one each): one scale in mm instead of px.")
        ] = None,
        distance: Annotated[
            list[float] | None, typer.Option(help="Viewing distance in mm (one each): one scale in visual angle.")
        ] = None,
        length: Annotated[float, typer.Option(help="Length of the crop, display px.")] = 260.0,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing board.")] = False,
    ) -> None:
        from blurscope.files import blame_files, check_output
        from blurscope.sidebyside import build_board, photo_files, write_board

        given = [*measurements, *(pattern or []), *(photo or [])]
        check_output(out, overwrite=overwrite, inputs=given)
        with blame_files(*measurements):
            check_output(out, overwrite=overwrite, inputs=photo_files(measurements))
            board = build_board(
                measurements, patterns=pattern, photos=photo, order=order, transition=transition, what_if=what_if or [],
                of=of,
                instant=instant, px_per_mm=px_per_mm, distance_mm=distance, length_px=length,
            )  # fmt: skip
            write_board(board, out, overwrite=overwrite)
        for line in board.verdicts:
            echo(line)
        for line in board.notes:
            echo(f"note: {line}", err=True)
        echo(f"written: {out}", err=True)
