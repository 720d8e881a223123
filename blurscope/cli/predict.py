"""``blurscope predict``: what a perfect pursuit photo should show, from a step response."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo

EXAMPLES = """

Examples:

blurscope predict --response traces.json --refresh-hz 120 --px-per-refresh 8 --json predicted.json

blurscope predict --response-ms 21 --shape exponential --refresh-hz 60 --px-per-refresh 16
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("predict", help="Predict blurred edges from a response, a refresh rate and a speed." + EXAMPLES)
    def predict(
        refresh_hz: Annotated[float, typer.Option(help="Refresh rate to predict for, Hz.")],
        px_per_refresh: Annotated[float, typer.Option(help="Speed of the plate, display px per refresh.")],
        response: Annotated[
            Path | None, typer.Option(help="Response file of 'trace', or a measurement (its streaks and edges).")
        ] = None,
        response_ms: Annotated[float | None, typer.Option(help="One 10-90 % response in light instead, ms.")] = None,
        shape: Annotated[
            str | None, typer.Option(help="exponential, s-shaped or instant: where only a time is known.")
        ] = None,
        response_u95_ms: Annotated[float, typer.Option(help="Uncertainty (95 %) of --response-ms, ms.")] = 0.0,
        refresh_u95_hz: Annotated[
            float | None, typer.Option(help="Uncertainty (95 %) of the refresh rate, Hz; 0.1 % when left out.")
        ] = None,
        strobe_duty: Annotated[
            float | None, typer.Option(help="Lit share of a refresh (0-1); 1 is sample-and-hold.")
        ] = None,
        strobe_phase: Annotated[
            float | None,
            typer.Option(
                help="Start of the flash after the row's switch, share of a refresh; ends with it by default."
            ),
        ] = None,
        pwm_hz: Annotated[
            float | None, typer.Option(help="PWM frequency, with --strobe-duty; not locked to the refresh is hold.")
        ] = None,
        exposure_refreshes: Annotated[
            float | None, typer.Option(help="Exposure in refreshes; whole ones change nothing.")
        ] = None,
        shutter_phase: Annotated[
            float, typer.Option(help="When the shutter opens after the row's switch, refreshes (part exposures).")
        ] = 0.0,
        settle_pct: Annotated[float, typer.Option(help="Band that ends the ghost, ± % of the transition.")] = 5.0,
        json_out: Annotated[Path | None, typer.Option("--json", help="Write the prediction here.")] = None,
        plot: Annotated[
            Path | None, typer.Option(help="Write the response matrix as PNG and SVG into this folder.")
        ] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        from blurscope.errors import SettingsError
        from blurscope.files import blame_files, check_output, write_json
        from blurscope.model import Viewing, assumed_response, predict_edges, prediction_json, read_responses
        from blurscope.model.predict import REFRESH_U95_SHARE, backlight_emission

        if (response is None) == (response_ms is None) and not (shape == "instant" and response is None):
            raise SettingsError("give either --response FILE or --response-ms TIME (or --shape instant)")
        if response is not None:
            if response_u95_ms:
                raise SettingsError("--response-u95-ms belongs to --response-ms; a response file states its own")
            with blame_files(response):
                responses = read_responses(response, shape)
        else:
            responses = assumed_response(response_ms or 0.0, shape or "exponential", response_u95_ms)
        emission = make_emission(strobe_duty, strobe_phase, pwm_hz, refresh_hz)
        if emission is None:
            with blame_files(response):
                emission = backlight_emission(responses.backlight, refresh_hz)
        viewing = Viewing(
            refresh_hz=refresh_hz,
            px_per_refresh=px_per_refresh,
            refresh_u95_share=REFRESH_U95_SHARE if refresh_u95_hz is None else refresh_u95_hz / max(refresh_hz, 1e-9),
            emission=emission,
            exposure_refreshes=exposure_refreshes,
            shutter_phase=shutter_phase,
            settle_band=settle_pct / 100,
        )
        if json_out is not None:
            check_output(json_out, overwrite=overwrite, inputs=[response])
        with blame_files(response):
            data = prediction_json(responses, viewing, predict_edges(responses.transitions, viewing))
            _print(data)
        if json_out is not None:
            write_json(json_out, data, overwrite=overwrite)
            echo(f"written: {json_out}", err=True)
        if plot is not None:
            from blurscope.plots import response_matrix, save_figure

            for figure in ("response_ms", "bet_ms", "ghost_ms"):
                for path in save_figure(response_matrix(data, figure), plot, f"matrix_{figure}", overwrite=overwrite):
                    echo(f"written: {path}", err=True)


def make_emission(duty: float | None, phase: float | None, pwm_hz: float | None, refresh_hz: float) -> Any:
    """Return the emission that options describe; ``None`` where they say nothing."""
    from blurscope.errors import SettingsError
    from blurscope.shapes.emission import pwm, strobe

    if duty is None:
        if phase is not None or pwm_hz is not None:
            raise SettingsError("--strobe-phase and --pwm-hz need --strobe-duty")
        return None
    if not 0 < duty <= 1:
        raise SettingsError(f"a duty of {duty:g} can't be used; give a share above 0 up to 1")
    if phase is not None and not 0 <= phase < 1:
        raise SettingsError(f"a phase of {phase:g} can't be used; give a share of a refresh from 0 to below 1")
    if pwm_hz is None:
        return strobe(duty, phase)
    if not (pwm_hz > 0 and refresh_hz > 0):
        raise SettingsError("a PWM needs a frequency above 0 Hz")
    return pwm(duty, pwm_hz, refresh_hz, phase)


def _print(data: dict[str, Any]) -> None:
    from blurscope.cli._table import print_table, shown

    capture = data["capture"]
    echo(
        f"{data['label'] or 'response'}: predicted at {capture['refresh_hz']:g} Hz, "
        f"{capture['px_per_refresh']:g} px per refresh, {data['backlight']['kind']}"
    )
    rows = []
    for e in data["edges"]:
        pair = "every pair" if e["from_level"] is None else f"{e['from_level']} → {e['to_level']}"
        rows.append(
            [pair, shown(e["response_ms"]), shown(e["bew_px"]), shown(e["bet_ms"]), shown(e["get_ms"]),
             shown(e["ghost_ms"]), shown(e["overshoot_pct"], 1)]
        )  # fmt: skip
    print_table(["transition", "response ms", "BEW px", "BET ms", "GET ms", "ghost ms", "overshoot %"], rows)
    summary, reference = data["summary"], data["reference"]
    echo(
        f"mean BET {shown(summary['bet_ms_mean'])} ms, mean ghost {shown(summary['ghost_ms_mean'])} ms; "
        f"an instant panel: BEW {reference['bew_px']:.2f} px, BET {reference['bet_ms']:.2f} ms"
    )
    for entry in data["warnings"]:
        echo(f"note: {entry['message']}", err=True)
