"""The figures of several displays as CSV and Markdown."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from blurscope.board import compare_pairs, figure_of, order_by
from blurscope.board.ranking import FIGURES, ranks, sentences
from blurscope.files import table_cell
from blurscope.plots.board import with_u95

COLUMNS = (
    "bew_px", "bet_ms", "ebet_ms", "get_ms", "ghost_px", "ghost_ms", "ghost_refreshes", "overshoot_pct",
    "undershoot_pct", "response_ms", "response_signal_ms", "response_overshoot_pct",
)  # fmt: skip
SUMMARY = ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms", "response_signal_ms")


def report_csv(measurements: Sequence[Mapping[str, Any]]) -> str:
    """Return a line per display and transition: figures with u95, quality, flags."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    head = [x for name in COLUMNS for x in (name, f"{name}_u95")]
    writer.writerow(["label", "refresh_hz", "px_per_refresh", "from_level", "to_level", "ok", *head, "flags"])
    for m in measurements:
        for e in m["edges"]:
            cells = []
            for name in COLUMNS:
                q = e.get(name) or {}
                cells += ["" if q.get(k) is None else f"{q[k]:.6g}" for k in ("value", "u95")]
            label = table_cell(str(m["label"]))
            capture = m["capture"]
            row = [label, capture["refresh_hz"], capture["px_per_refresh"], e["from_level"], e["to_level"]]
            writer.writerow([*row, int(bool(e["quality"]["ok"])), *cells, " ".join(e["quality"]["flags"])])
    return stream.getvalue()


def plain(text: str) -> str:
    """Return text that Markdown shows as it is, on one line."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    line = line.replace("&", "&amp;").replace("<", "&lt;")
    return "".join("\\" + c if c in "\\`*_{}[]()#+-!|>~$:" else c for c in line)


def report_markdown(
    measurements: Sequence[Mapping[str, Any]], agreements: Sequence[Mapping[str, Any]] = (), order: str = "bet_ms"
) -> str:
    """Return the summary, the differences and a table per display."""
    sequence = order_by([figure_of(m, order) for m in measurements])
    shown = [measurements[i] for i in sequence]
    quantities = [figure_of(m, order) for m in shown]
    differences = compare_pairs(quantities)
    places = ranks(quantities, differences)
    lines = ["# Motion blur of displays", "", f"Ordered by mean {FIGURES[order][1]}.", ""]
    lines += [
        "| place | display | refresh, Hz | " + " | ".join(f"{FIGURES[n][1]}, {FIGURES[n][2]}" for n in SUMMARY) + " |"
    ]
    lines += ["|---" * (3 + len(SUMMARY)) + "|"]
    for place, m in zip(places, shown, strict=True):
        cells = [with_u95(figure_of(m, n)) for n in SUMMARY]
        lines.append(
            f"| {place} | {plain(str(m['label']))} | {m['capture']['refresh_hz']:g} | " + " | ".join(cells) + " |"
        )
    lines += [
        "",
        *(f"- {plain(s)}" for s in sentences([str(m["label"]) for m in shown], quantities, differences, order)),
        "",
    ]
    for a in agreements:
        s = a["summary"]
        lines.append(f"- photo against photodiode, {plain(str(a.get('label') or ''))}: {s['verdict']}, "
                     f"{s['agreeing']} of {s['compared']} figures agree")  # fmt: skip
    for m in shown:
        lines += [
            "",
            f"## {plain(str(m['label']))}",
            "",
            "| transition | BET, ms | ghost, ms | overshoot, % | response, ms | flags |",
        ]
        lines.append("|---" * 6 + "|")
        for e in m["edges"]:
            cells = [with_u95(e[n]) for n in ("bet_ms", "ghost_ms", "overshoot_pct", "response_ms")]
            flags = plain(", ".join(e["quality"]["flags"]))
            lines.append(f"| {e['from_level']} → {e['to_level']} | " + " | ".join(cells) + f" | {flags} |")
    return "\n".join(lines) + "\n"
