"""``blurscope edge``: blur of straight edges in a photo of any moving picture, without a pattern file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("edge")
    def edge_command(
        photo: Annotated[Path, typer.Argument(help="Photo by a camera that followed the motion.", show_default=False)],
        roi: Annotated[
            str,
            typer.Option(metavar="X,Y,W,H", help="Region with the edge and its plateaus, pixels of the photo."),
        ],
        px_per_refresh: Annotated[
            float,
            typer.Option("--px-per-refresh", metavar="N", help="Travel per refresh, display px; may be fractional."),
        ],
        refresh_hz: Annotated[float, typer.Option("--refresh-hz", metavar="F", help="Refresh rate of the display.")],
        campx_per_px: Annotated[
            float | None,
            typer.Option("--campx-per-px", metavar="S", help="Pixels of the photo per display px, along the motion."),
        ] = None,
        length_px: Annotated[
            float | None, typer.Option(metavar="PX", help="Instead: a known length in display px …")
        ] = None,
        between: Annotated[
            tuple[str, str] | None,
            typer.Option(metavar="X1,Y1 X2,Y2", help="… and its two ends in the photo.", show_default=False),
        ] = None,
        direction: Annotated[
            str, typer.Option(metavar="right|left|up|down", help="Of the motion, as the photo shows it.")
        ] = "right",
        levels: Annotated[
            str | None,
            typer.Option(metavar="A,B", help="8-bit levels, as a fixed pixel sees them: first A, then B."),
        ] = None,
        exposure_refreshes: Annotated[
            float | None,
            typer.Option("--exposure-refreshes", metavar="E", help="Exposure; without it the photo's header counts."),
        ] = None,
        display_gamma: Annotated[
            float | None,
            typer.Option("--display-gamma", metavar="G", help="The display's exponent, for figures in signal."),
        ] = None,
        tracking_u: Annotated[
            float | None,
            typer.Option(
                "--tracking-u", metavar="PX", help="The camera's speed was right within so many px per refresh; 0.5."
            ),
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
            Path | None, typer.Option(help="Folder for pictures of each edge, its profile and fit.", show_default=False)
        ] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        """Measure straight edges in a photo of any moving picture: no pattern, but you tell region, scale and speed.

        Example: blurscope edge train.jpg --roi 410,220,320,90 --campx-per-px 3.1 --px-per-refresh 8.5 --refresh-hz 60
        """
        numbers = _numbers(roi, 4, "--roi")
        ends = None if between is None else [_numbers(point, 2, "--between") for point in between]
        pair = None if levels is None else [_whole(v) for v in _numbers(levels, 2, "--levels")]
        _run(
            photo,
            {
                "roi": numbers,
                "px_per_refresh": px_per_refresh,
                "refresh_hz": refresh_hz,
                "campx_per_px": campx_per_px,
                "length_px": length_px,
                "between": ends,
                "direction": direction,
                "levels": pair,
                "exposure_refreshes": exposure_refreshes,
                "display_gamma": display_gamma,
                "tracking_u": tracking_u,
                "label": label,
            },
            notes=note or [],
            json_out=json_out,
            budget=budget,
            debug_dir=debug_dir,
            overwrite=overwrite,
        )


def _numbers(text: str, count: int, name: str) -> list[float]:
    parts = text.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) != count:
        raise typer.BadParameter(f"{text!r:.60} is not {count} numbers with commas between", param_hint=name)
    return values


def _whole(value: float) -> float:
    """Return a whole number as such; others are refused further on."""
    return int(value) if value == value and abs(value) < 1e6 and value == int(value) else value


def _run(photo: Path, options: dict[str, Any], *, notes, json_out, budget, debug_dir, overwrite) -> None:
    """Measure, print, write what was asked for."""
    import sys

    from blurscope.anyedge import edge
    from blurscope.cli._measure import Progress, print_budget, read_notes
    from blurscope.files import check_output, show_path, write_json

    if json_out is not None:
        check_output(json_out, overwrite=overwrite, schema="blurscope.measurement/1", inputs=[photo])
    shots: list[Any] = []
    result = edge(photo, notes=read_notes(notes), on_shot=shots.append, say=Progress(), **options)
    _print(result)
    if budget:
        print_budget(result)
    if json_out is not None:
        write_json(json_out, result.as_json(), overwrite=overwrite)
    if debug_dir is not None:
        from blurscope.plots.edge_picture import write_edge_debug

        for path in write_edge_debug(shots[0], result, debug_dir, overwrite=overwrite, inputs=[photo]):
            print(f"picture: {show_path(path)}", file=sys.stderr)


def _print(result: Any) -> None:
    """Print the edges, what was assumed, and the warnings."""
    from blurscope.cli._measure import print_edges, print_notes

    capture = result.blocks["capture"]
    exposure = capture["exposure_refreshes"]
    echo(
        f"{result.label}: {capture['refresh_hz']:g} Hz, {capture['px_per_refresh']:g} px per refresh "
        f"({capture['direction']}), {capture['campx_per_px']:.4g} campx per px, exposure "
        f"{'not known' if exposure is None else f'{exposure:.2f} refreshes'}"
    )
    echo("")
    print_edges(result, "edge")
    print_notes(result)
