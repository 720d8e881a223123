"""``blurscope check``: do photo and photodiode agree, and if not, why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo

EXAMPLES = """

Examples:

blurscope check alder.json alder_traces.json --json alder_check.json --plot alder_plots

blurscope check alder.json        (its edges against its own streaks)
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("check", help="Compare a measurement with a response file, and say what is wrong." + EXAMPLES)
    def check(
        measurement: Annotated[Path, typer.Argument(help="Measurement of 'measure'.")],
        response: Annotated[
            Path | None, typer.Argument(help="Response file of 'trace'; left out: the photo's own streaks.")
        ] = None,
        shape: Annotated[
            str | None, typer.Option(help="exponential, s-shaped or instant: where only response times are known.")
        ] = None,
        strobe_duty: Annotated[
            float | None, typer.Option(help="Predict for this lit share of a refresh instead of the response file's.")
        ] = None,
        strobe_phase: Annotated[
            float | None, typer.Option(help="Start of the flash after the row's switch, share of a refresh.")
        ] = None,
        json_out: Annotated[Path | None, typer.Option("--json", help="Write the agreement here.")] = None,
        plot: Annotated[Path | None, typer.Option(help="Write pictures (PNG and SVG) into this folder.")] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        from blurscope.cli.predict import make_emission
        from blurscope.crosscheck import cross_check
        from blurscope.files import blame_files, check_output, write_json

        if json_out is not None:
            check_output(json_out, overwrite=overwrite, inputs=[measurement, response])
        emission = make_emission(strobe_duty, strobe_phase, None, 1.0)
        echo("  comparing, and trying single faults …", err=True)
        with blame_files(measurement, response):
            report, profiles = cross_check(measurement, response, shape=shape, emission=emission)
            _print(report)
        if json_out is not None:
            write_json(json_out, report, overwrite=overwrite)
            echo(f"written: {json_out}", err=True)
        if plot is not None:
            for path in _draw(report, profiles, plot, overwrite):
                echo(f"written: {path}", err=True)


def _draw(report: dict[str, Any], profiles: list[dict[str, Any]], folder: Path, overwrite: bool) -> list[Path]:
    import numpy as np

    from blurscope.plots import agreement_plot, esf_overlay, save_figure
    from blurscope.plots.esf_overlay import OverlaidEdge

    ens = {(e["from_level"], e["to_level"]): e["en"] for e in report["edges"] if e["quantity"] == "bet_ms"}
    edges = [
        OverlaidEdge(
            title=f"{p['from_level']} → {p['to_level']}", lag_px=np.array(p["lag_px"], float),
            measured=np.array(p["esf"], float), predicted_lag_px=p["predicted_lag_px"], predicted=p["predicted"],
            en=ens.get((p["from_level"], p["to_level"])),
        )
        for p in profiles
    ]  # fmt: skip
    drawn = {"agreement": agreement_plot(report), "profiles": esf_overlay(edges, report["label"])}
    return [path for stem, picture in drawn.items() for path in save_figure(picture, folder, stem, overwrite=overwrite)]


def _print(report: dict[str, Any]) -> None:
    from blurscope.cli._table import print_table, shown

    rows = []
    for e in report["edges"]:
        agrees = {True: "yes", False: "NO", None: "–"}[e["agrees"]]
        en = "–" if e["en"] is None else f"{e['en']:.2f}"
        pair = f"{e['from_level']} → {e['to_level']}"
        rows.append([pair, e["quantity"], shown(e["measured"]), shown(e["predicted"]), en, agrees])
    print_table(["transition", "figure", "measured", "predicted", "En", "agrees"], rows)
    summary = report["summary"]
    echo(f"{summary['agreeing']} of {summary['compared']} figures agree")
    echo(f"verdict: {summary['verdict']} ({summary['reason']})")
    for c in report["causes"]:
        estimate = f"{c['estimate']['value']:.4g} ± {c['estimate']['u95']:.2g} {c['estimate_unit']}"
        echo(f"cause: {c['cause']} explains {c['explains_pct']:.0f} % ({estimate}). {c['advice']}")
    if summary["verdict"] == "disagree" and not report["causes"]:
        echo("cause: no single fault explains it; compare the ESFs of the worst transitions (--plot)")
    for entry in report["warnings"]:
        echo(f"note: {entry['message']}", err=True)
