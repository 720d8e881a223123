"""``blurscope measure``: pursuit photos to blur figures with uncertainties."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("measure")
    def measure_command(
        photos: Annotated[
            list[Path] | None,
            typer.Argument(
                help="Pursuit photos of one display, or one video; a folder or a quoted pattern such as 'shots/*.dng' "
                "stands for the photos in it.",
                show_default=False,
            ),
        ] = None,
        pattern: Annotated[
            Path | None, typer.Option(help="The plate's pattern.json, or its folder.", show_default=False)
        ] = None,
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
        overwrite: Annotated[
            bool, typer.Option("--overwrite", help="Replace existing files; in a batch, measure everything anew.")
        ] = False,
        fixed_camera: Annotated[
            bool, typer.Option("--fixed-camera", help="The video is a high-speed clip of a camera that stands still.")
        ] = False,
        frame_rate: Annotated[
            float | None,
            typer.Option(
                "--frame-rate", help="Frames per second as filmed, if the clip's file has another.", show_default=False
            ),
        ] = None,
        frame_exposure_ms: Annotated[
            float | None,
            typer.Option("--frame-exposure-ms", help="Exposure of one frame of the clip.", show_default=False),
        ] = None,
        response: Annotated[
            Path | None,
            typer.Option(help="Write the pixels' light against time in the clip here, for check.", show_default=False),
        ] = None,
        frames: Annotated[
            int | None,
            typer.Option(help="How many frames of a panned video are used; 5 by default.", show_default=False),
        ] = None,
        manifest: Annotated[
            Path | None,
            typer.Option(help="Many displays: a CSV with the columns file,label,pattern, …", show_default=False),
        ] = None,
        each: Annotated[bool, typer.Option("--each", help="Many displays: every photo is one of its own.")] = False,
        out: Annotated[
            Path | None, typer.Option(help="Folder for the results of many displays.", show_default=False)
        ] = None,
        jobs: Annotated[
            int | None, typer.Option(help="Processes for many displays; one per core by default.", show_default=False)
        ] = None,
        scheduler: Annotated[
            str | None,
            typer.Option(help="Let the workers of this dask scheduler measure: tcp://host:8786.", show_default=False),
        ] = None,
        resume: Annotated[
            bool, typer.Option("--resume", help="Keep results whose inputs are the same; batches do so anyway.")
        ] = False,
        parquet: Annotated[bool, typer.Option("--parquet", help="Write summary.parquet beside summary.csv.")] = False,
        allow_outside: Annotated[
            bool, typer.Option("--allow-outside", help="Let the manifest name files outside its folder.")
        ] = False,
    ) -> None:
        """Measure pursuit photos of the plate: blur width and time, ghost, overshoot, response, each with u95.

        Examples:

            blurscope measure shot.jpg --pattern plate/pattern.json --refresh-hz 60 --json shot.json

            blurscope measure clip.mp4 --fixed-camera --frame-rate 480 --pattern plate/pattern.json --response clip.json

            blurscope measure --manifest shots.csv --pattern plate/pattern.json --out results
        """
        if manifest is not None or each:
            from blurscope.cli._batch import run_batch

            run_batch(
                photos or [],
                manifest=manifest,
                out=out,
                jobs=jobs,
                scheduler=scheduler,
                overwrite=overwrite,
                resume=resume,
                parquet=parquet,
                allow_outside=allow_outside,
                settings=dict(
                    pattern=pattern,
                    still=still,
                    meter=meter,
                    refresh_hz=refresh_hz,
                    exposure_refreshes=exposure_refreshes,
                    display_gamma=display_gamma,
                    contrast=contrast,
                    fixed_camera=fixed_camera or None,
                    frame_rate=frame_rate,
                    frame_exposure_ms=frame_exposure_ms,
                    frames=frames,
                ),
                notes=note or [],
                not_with={
                    "--json": json_out,
                    "--debug-dir": debug_dir,
                    "--label": label,
                    "--budget": budget,
                    "--response": response,
                },
            )
            return
        for name, value in {
            "--out": out,
            "--jobs": jobs,
            "--scheduler": scheduler,
            "--resume": resume,
            "--parquet": parquet,
            "--allow-outside": allow_outside,
        }.items():
            if value:
                raise typer.BadParameter("it is for many displays: add --manifest or --each", param_hint=name)
        if not photos:
            raise typer.BadParameter("give photos, or --manifest", param_hint="PHOTOS")
        if pattern is None:
            raise typer.BadParameter("give the plate's pattern.json, or its folder", param_hint="--pattern")
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
            fixed_camera=fixed_camera,
            frame_rate=frame_rate,
            frame_exposure_ms=frame_exposure_ms,
            response=response,
            frames=frames,
            debug_dir=debug_dir,
            overwrite=overwrite,
        )
