"""``blurscope trace``: photodiode records to step responses."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from blurscope.cli._table import echo

EXAMPLES = """

Examples:

blurscope trace --transitions records/transitions.csv --refresh-hz 60 --meter meter.csv --json birch.json

blurscope trace long.csv --steps stimulus/steps.json --display-gamma 2.2 --contrast 1000 --json birch.json

blurscope trace scope.csv --from-level 0 --to-level 255
"""


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("trace", help="Reduce photodiode records to step responses." + EXAMPLES)
    def trace(
        records: Annotated[
            list[str] | None, typer.Argument(help="Records: CSV (also gzipped), .npy or .npz.", show_default=False)
        ] = None,
        transitions: Annotated[
            Path | None, typer.Option(help="CSV file,from_level,to_level[,switch_time_s] that names the records.")
        ] = None,
        steps: Annotated[
            Path | None, typer.Option(help="steps.json of 'steps': cuts one long record into all transitions.")
        ] = None,
        from_level: Annotated[float | None, typer.Option(help="From level of all records, without a list.")] = None,
        to_level: Annotated[float | None, typer.Option(help="To level of all records, without a list.")] = None,
        refresh_hz: Annotated[
            float | None, typer.Option(help="Refresh rate: tells whether a step settles within one refresh.")
        ] = None,
        meter: Annotated[Path | None, typer.Option(help="Table level,light, for the signal domain.")] = None,
        display_gamma: Annotated[
            float | None, typer.Option(help="Exponent of the display's law, for the signal domain.")
        ] = None,
        display_gamma_u95: Annotated[float, typer.Option(help="Uncertainty (95 %) of --display-gamma.")] = 0.0,
        contrast: Annotated[
            float | None, typer.Option(help="White over black, with --display-gamma; 1000 means black is 1/1000.")
        ] = None,
        bandwidth_hz: Annotated[
            float | None, typer.Option(help="Bandwidth (-3 dB, first order) of the amplifier, to be taken out.")
        ] = None,
        fractions: Annotated[
            list[str] | None, typer.Option("--fractions", help="Further times, such as 5-95 or 20-80; repeatable.")
        ] = None,
        time_column: Annotated[str | None, typer.Option(help="Name or 0-based number of the time column.")] = None,
        signal_column: Annotated[str | None, typer.Option(help="Name or 0-based number of the signal column.")] = None,
        time_unit: Annotated[str | None, typer.Option(help="s, ms, us or ns, where the header doesn't say.")] = None,
        sample_rate_hz: Annotated[float | None, typer.Option(help="Sample rate of records without times.")] = None,
        inverted: Annotated[bool, typer.Option("--inverted", help="More light lowers the signal.")] = False,
        both_ways: Annotated[
            bool, typer.Option("--both-ways", help="Report steps against the listed direction as well.")
        ] = False,
        label: Annotated[str, typer.Option(help="Name of the display.")] = "",
        json_out: Annotated[Path | None, typer.Option("--json", help="Write the responses here.")] = None,
        csv_out: Annotated[
            Path | None, typer.Option("--csv", help="Write all figures as a table here.", show_default=False)
        ] = None,
        jobs: Annotated[int | None, typer.Option(help="Processes at once; all processors by default.")] = None,
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")] = False,
    ) -> None:
        from blurscope.files import check_output, write_bytes, write_json
        from blurscope.trace.request import Request, run_request

        def check_outputs(inputs: Sequence[str | Path | None]) -> None:
            for out in (json_out, csv_out):
                if out is not None:
                    check_output(out, overwrite=overwrite, inputs=inputs)

        response = run_request(
            Request(
                records=tuple(records or ()),
                transitions=transitions,
                steps=steps,
                from_level=from_level,
                to_level=to_level,
                refresh_hz=refresh_hz,
                meter=meter,
                display_gamma=display_gamma,
                display_gamma_u95=display_gamma_u95,
                contrast=contrast,
                bandwidth_hz=bandwidth_hz,
                fractions=tuple(fractions or ()),
                time_column=time_column,
                signal_column=signal_column,
                time_unit=time_unit,
                sample_rate_hz=sample_rate_hz,
                inverted=inverted,
                both_ways=both_ways,
                label=label,
                jobs=jobs,
            ),
            progress=_progress,
            reading=check_outputs,
        )
        data = response.as_json()
        _print(data)
        if json_out is not None:
            write_json(json_out, data, overwrite=overwrite)
            echo(f"written: {json_out}", err=True)
        if csv_out is not None:
            write_bytes(csv_out, _table_csv(data), overwrite=overwrite)
            echo(f"written: {csv_out}", err=True)
        for entry in data["warnings"]:
            echo(f"note: {entry['message']}", err=True)
        for file, reason in response.refused:
            echo(f"refused: {reason if file in reason else f'{file}: {reason}'}", err=True)
        if response.refused:
            raise typer.Exit(1)


def _progress(done: int, total: int) -> None:
    if total >= 8 and (done % 5 == 0 or done == total):
        echo(f"{done} of {total} records", err=True)


def _print(data: dict[str, Any]) -> None:
    from blurscope.cli._table import print_table, shown
    from blurscope.flags import FLAGS

    rows = []
    for t in data["transitions"]:
        settles = {True: "yes", False: "no", None: "–"}[t["settles_within_refresh"]]
        rows.append(
            [f"{t['from_level']} → {t['to_level']}", shown(t["response_ms"]), shown(t["response_signal_ms"]),
             shown(t["overshoot_pct"], 1), shown(t["undershoot_pct"], 1), shown(t["settle_ms"], 1), settles,
             shown(t["latency_ms"]), ", ".join(t["quality"]["flags"])]
        )  # fmt: skip
    echo(f"{data['label'] or 'response'}: {len(rows)} transitions, 10 to 90 %")
    print_table(
        ["transition", "light ms", "signal ms", "overshoot %", "undershoot %", "settled ms", "in a refresh",
         "latency ms", "flags"],
        rows,
    )  # fmt: skip
    levels = sorted({t[k] for t in data["transitions"] for k in ("from_level", "to_level")})
    if len(levels) > 2:
        cells = {(t["from_level"], t["to_level"]): t["response_ms"] for t in data["transitions"]}
        echo("")
        echo("response in light, ms: from level down, to level across")
        head = ["from \\ to", *[f"{v}" for v in levels]]
        table = [[f"{a}", *["" if a == b else shown(cells.get((a, b)), 1) for b in levels]] for a in levels]
        print_table(head, table)
    echo("")
    s = data["summary"]
    head = ["mean", "light ms", "signal ms"]
    rows = [
        [name, shown(s[f"response_ms_mean{key}"]), shown(s[f"response_signal_ms_mean{key}"])]
        for name, key in (("rising", "_rising"), ("falling", "_falling"), ("all", ""))
    ]
    rows.append(["worst", shown(s["response_ms_max"]), shown(s["response_signal_ms_max"])])
    print_table(head, rows)
    if s["response_ms_max_at"]:
        echo(f"worst in light: {s['response_ms_max_at']['from_level']} → {s['response_ms_max_at']['to_level']}")
    if s["in_refresh_share"]["value"] is not None:
        echo(f"settled within a refresh: {shown(s['in_refresh_share'])} of the transitions")
    for flag in sorted({f for t in data["transitions"] for f in t["quality"]["flags"]}):
        echo(f"{flag}: {FLAGS[flag]}", err=True)


def _table_csv(data: dict[str, Any]) -> bytes:
    import csv
    import io

    names = ["response_ms", "response_signal_ms", "overshoot_pct", "undershoot_pct", "settle_ms", "latency_ms"]
    extra = sorted({k for t in data["transitions"] for k in t["fractions"]})
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    head = ["from_level", "to_level"]
    for name in names + [f"{k.replace('-', '_')}_ms" for k in extra]:
        head += [name, f"{name}_u95"]
    writer.writerow([*head, "settles_within_refresh", "repeats", "ok", "flags"])
    for t in data["transitions"]:
        row: list[Any] = [t["from_level"], t["to_level"]]
        for q in [t[n] for n in names] + [t["fractions"].get(k, {"value": None, "u95": None}) for k in extra]:
            row += ["" if q["value"] is None else q["value"], "" if q["u95"] is None else q["u95"]]
        settles = t["settles_within_refresh"]
        row += ["" if settles is None else settles, t["repeats"], t["quality"]["ok"], " ".join(t["quality"]["flags"])]
        writer.writerow(row)
    return text.getvalue().encode("utf-8", "surrogateescape")
