"""``blurscope measure``: pursuit photos to blur figures with uncertainties."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("measure")
    def measure_command(
        photos: Annotated[list[Path], typer.Argument(help="Pursuit photos of one display.", show_default=False)],
        pattern: Annotated[Path, typer.Option(help="The plate's pattern.json, or its folder.", show_default=False)],
        refresh_hz: Annotated[
            float | None, typer.Option("--refresh-hz", help="Refresh rate; replaces the pattern's.", show_default=False)
        ] = None,
        exposure_refreshes: Annotated[
            float | None,
            typer.Option(
                "--exposure-refreshes", help="Exposure you meant; checked by the streaks.", show_default=False
            ),
        ] = None,
        still: Annotated[
            Path | None, typer.Option(help="Photo of the plate standing still: the lens blur.", show_default=False)
        ] = None,
        display_gamma: Annotated[
            float | None, typer.Option("--display-gamma", help="The display's own exponent.", show_default=False)
        ] = None,
        contrast: Annotated[
            float | None, typer.Option(help="White over black, with --display-gamma.", show_default=False)
        ] = None,
        meter: Annotated[
            Path | None, typer.Option(help="CSV of a light meter: level,light.", show_default=False)
        ] = None,
        note: Annotated[
            list[str] | None, typer.Option(help="Kept with the result: key=value; may be repeated.", show_default=False)
        ] = None,
        label: Annotated[str | None, typer.Option(help="Name of the display.", show_default=False)] = None,
        json_out: Annotated[
            Path | None, typer.Option("--json", help="Write the measurement here.", show_default=False)
        ] = None,
        budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget too.")] = False,
        debug_dir: Annotated[
            Path | None, typer.Option(help="Folder for pictures of plate, streaks and profiles.", show_default=False)
        ] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        """Measure pursuit photos of the plate: blur width and time, ghost, overshoot, response, each with u95.

        Example: blurscope measure shot.jpg --pattern plate/pattern.json --refresh-hz 60 --json shot.json
        """
        from blurscope.cli._measure import run_measure

        run_measure(
            photos,
            pattern=pattern,
            refresh_hz=refresh_hz,
            exposure_refreshes=exposure_refreshes,
            still=still,
            display_gamma=display_gamma,
            contrast=contrast,
            meter=meter,
            notes=note or [],
            label=label,
            json_out=json_out,
            budget=budget,
            debug_dir=debug_dir,
            overwrite=overwrite,
        )
